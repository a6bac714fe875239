"""The live watch: readings against a target while a trim is turned."""

from __future__ import annotations

from dataclasses import dataclass, field
from math import log2, nan
from typing import TYPE_CHECKING

from drivers.errors import NoSignal
from rig.operators.port import Seen, WatchReading
from rig.science.pitch import relative_to_cents

if TYPE_CHECKING:
    from rig.acquire import Acquisition

HELD_READINGS = 4
SHORTEST_GATE_S = 0.04
LONGEST_GATE_S = 0.1
"""At least eight updates a second, with what a message costs."""


@dataclass(slots=True)
class Hold:
    """How long a reading has stayed inside."""

    tolerance: float
    inside: int = 0

    def follow(self, distance: float) -> tuple[Seen, bool]:
        """What is seen, and whether it has stayed inside for long enough to be believed."""
        self.inside = self.inside + 1 if abs(distance) <= self.tolerance else 0
        return (Seen.INSIDE if self.inside else Seen.STILL), self.inside >= HELD_READINGS


@dataclass(slots=True)
class PitchWatch:
    """Live pitch at a held CV against a target, in cents."""

    acquisition: Acquisition
    cv_v: float
    target_octaves: float
    tolerance: float
    unit: str = "cents"
    gate_s: float = SHORTEST_GATE_S
    hold: Hold = field(init=False)

    def __post_init__(self) -> None:
        self.hold = Hold(self.tolerance)

    def begin(self) -> None:
        """Hold the CV and choose a gate for at least eight updates a second where the signal allows."""
        self.acquisition.hold(self.cv_v)
        wanted_s = self.acquisition.gate_s(2.0**self.target_octaves, self.tolerance / 3.0)
        slow_s = 2.1 * 2.0**-self.target_octaves
        self.gate_s = min(max(SHORTEST_GATE_S, wanted_s), max(LONGEST_GATE_S, slow_s))

    def read(self) -> WatchReading:
        """Read once: distance to the target in cents."""
        try:
            frequency_hz = self.acquisition.read_once(self.gate_s)
        except NoSignal:
            self.hold.inside = 0
            return WatchReading("no signal", nan, nan, nan, Seen.NO_SIGNAL)
        distance = 1200.0 * (self.target_octaves - log2(frequency_hz))
        seen, done = self.hold.follow(distance)
        return WatchReading(
            shown=f"{frequency_hz:.3f} Hz",
            number=frequency_hz,
            distance=distance,
            standard_uncertainty=float(
                relative_to_cents(self.acquisition.random_uncertainty(self.gate_s, frequency_hz))
            ),
            seen=seen,
            done=done,
        )


@dataclass(slots=True)
class RailWatch:
    """Live rail voltage against a target, in volts."""

    acquisition: Acquisition
    target_v: float
    tolerance: float
    unit: str = "V"
    hold: Hold = field(init=False)

    def __post_init__(self) -> None:
        self.hold = Hold(self.tolerance)

    def read(self) -> WatchReading:
        """Read once: distance to the target in volts."""
        voltage_v = self.acquisition.bench.meter.read_voltage()
        seen, done = self.hold.follow(self.target_v - voltage_v)
        return WatchReading(
            shown=f"{voltage_v:.4f} V",
            number=voltage_v,
            distance=self.target_v - voltage_v,
            standard_uncertainty=self.tolerance / 10.0,
            seen=seen,
            done=done,
        )
