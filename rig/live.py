"""A plain live reading of CV, pitch and meter, without a visit and without a record."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from drivers.errors import NoSignal, ReplyError
from rig.science.pitch import note_name

if TYPE_CHECKING:
    from collections.abc import Iterator

    from rig.bench import Bench

GATE_S = 0.1


@dataclass(frozen=True, slots=True)
class LiveReading:
    """What stands on the bench at this moment; a missing pitch or meter reading says why."""

    cv_v: float
    frequency_hz: float | None
    meter_v: float | None
    said: str

    def line(self) -> str:
        """One line for the screen."""
        pitch = (
            "no signal" if self.frequency_hz is None else f"{self.frequency_hz:.4f} Hz  {note_name(self.frequency_hz)}"
        )
        meter = self.said if self.meter_v is None else f"meter {self.meter_v:.5f} V"
        return f"CV {self.cv_v:.4f} V  {pitch}  {meter}"


def live_readings(bench: Bench, cv_v: float, pause_s: float) -> Iterator[LiveReading]:
    """Hold a programmed CV and read for ever; whoever stops asking stops the reading.

    :raises OutsideLimits: the CV lies outside the product's absolute limits.
    """
    bench.source.set_voltage(cv_v)
    bench.source.output_on()
    bench.clock.sleep(2.0 * bench.file.source.settling_s)
    widest = max(bench.file.meter.ranges, key=lambda each: each.range_v)
    bench.meter.configure_dc(widest.range_v, bench.file.meter.integration_cycles)
    bench.counter.set_gate(GATE_S)
    while True:
        yield _read(bench)
        bench.clock.sleep(pause_s)


def _read(bench: Bench) -> LiveReading:
    read_back_v = bench.source.read_back()
    frequency_hz, meter_v, said = None, None, ""
    try:
        frequency_hz = bench.counter.read_frequency()
    except NoSignal:
        frequency_hz = None
    try:
        meter_v = bench.meter.read_voltage()
    except ReplyError as error:
        said = str(error)
    return LiveReading(read_back_v, frequency_hz, meter_v, said)
