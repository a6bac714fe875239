"""What a virtual bench is made of: the [virtual] table of a bench file, checked.

Volts, hertz, seconds, ohms; parts per million where instruments are specified so.
"""

from __future__ import annotations

from datetime import datetime
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Literal, Self

from pydantic import AfterValidator, Field, model_validator

from drivers.virtual.description import Described, check
from drivers.virtual.faults import Fault
from drivers.virtual.live_unit import REFERENCE_ROOM_C
from drivers.virtual.personality import COUNTERS, METERS, SOURCES, THERMOMETERS, Personality
from drivers.virtual.trouble import Kind, Trouble

if TYPE_CHECKING:
    from collections.abc import Mapping

Positive = Annotated[float, Field(gt=0)]
NotNegative = Annotated[float, Field(ge=0)]


def _one_of(known: Mapping[str, Personality]) -> AfterValidator:
    def check_name(name: str) -> str:
        if name not in known:
            raise ValueError(f"no such personality; there are: {', '.join(known)}")
        return name

    return AfterValidator(check_name)


class SourceConfiguration(Described):
    """The CV source: what it can do, how wrong it is, and how it is spoken to."""

    personality: Annotated[str, _one_of(SOURCES)] = "standard"
    low_v: Annotated[float, Field(le=0)] = -1.0
    high_v: Positive = 10.0
    resolution_v: Positive = 1e-4
    gain_error: Annotated[float, Field(gt=-1)] = 5e-4
    offset_v: float = 5e-3
    bow_v: float = 0.0
    """Deviation from a straight line in the middle of the range."""
    settling_time_constant_s: Positive = 0.004
    output_resistance_ohm: NotNegative = 1.0
    read_back_noise_v: NotNegative = 2e-4


class MeterRange(Described):
    """Limits of error of one range."""

    range_v: Positive
    reading_ppm: NotNegative
    range_ppm: NotNegative


class MeterConfiguration(Described):
    """The meter: specification, noise and integration, and how it is spoken to."""

    personality: Annotated[str, _one_of(METERS)] = "standard"
    ranges: Annotated[tuple[MeterRange, ...], Field(min_length=1)] = (
        MeterRange(range_v=0.1, reading_ppm=50.0, range_ppm=35.0),
        MeterRange(range_v=1.0, reading_ppm=40.0, range_ppm=7.0),
        MeterRange(range_v=10.0, reading_ppm=35.0, range_ppm=5.0),
        MeterRange(range_v=100.0, reading_ppm=45.0, range_ppm=6.0),
    )
    noise_ppm_of_range: NotNegative = 1.0
    """Standard deviation of a reading over one power-line cycle."""
    resolution_ppm_of_range: Positive = 0.1
    mains_hz: Positive = 50.0

    @model_validator(mode="after")
    def _rising(self) -> Self:
        widths = [each.range_v for each in self.ranges]
        if widths != sorted(set(widths)):
            raise ValueError("ranges must be given from the smallest to the largest, each once")
        return self


class CounterConfiguration(Described):
    """The counter: time base, trigger and resolution, and how it is spoken to."""

    personality: Annotated[str, _one_of(COUNTERS)] = "standard"
    time_base_ppm: NotNegative = 2.0
    """Limits of error of the time base."""
    trigger_jitter_s: NotNegative = 5e-7
    resolution_s: NotNegative = 1e-8
    hysteresis_v: Positive = 0.05
    patience_s: Positive = 1.0
    """How long it waits for a signal."""


class ThermometerConfiguration(Described):
    """The thermometer: how wrong it may be, and how it is spoken to."""

    personality: Annotated[str, _one_of(THERMOMETERS)] = "standard"
    limits_k: NotNegative = 0.3
    resolution_k: Positive = 0.01


class VirtualBenchConfiguration(Described):
    """The [virtual] table. Either ``unit`` or ``population`` says what lies on the bench.

    ``started`` fixes the bench's date at the start (an instant clock only); without it the bench starts now.
    ``process`` names the address file of a bench that is a process of its own and goes on when a program is killed;
    without it the bench lives and dies in the program that opens it.
    ``started`` fixes the bench's date at the start (an instant clock only); without it the bench starts now. With a
    ``cv_meter``, which stays on the CV jack, the meter's lead is on the rail from the start. A ``mainframe`` leads to
    source (1), meter (2) and counter (3) over one link.
    """

    clock: Literal["instant", "real"] = "instant"
    link: Literal["socket", "serial", "direct"] = "socket"
    """How programs reach the instruments: over loopback sockets, pseudo-terminals, or inside this process."""
    seed: Annotated[int, Field(ge=0, lt=2**63)] = 0
    latency_s: NotNegative = 0.005
    started: datetime | None = None
    source: SourceConfiguration = SourceConfiguration()
    meter: MeterConfiguration = MeterConfiguration()
    counter: CounterConfiguration = CounterConfiguration()
    cv_meter: MeterConfiguration | None = None
    thermometer: ThermometerConfiguration | None = None
    mainframe: bool = False
    room_c: Annotated[float, Field(gt=-20, lt=60)] = REFERENCE_ROOM_C
    unit: Path | None = None
    population: Path | None = None
    fault: Fault | None = None
    """A fault that every unit drawn has."""
    process: Path | None = None
    trouble: tuple[Trouble, ...] = ()
    """What goes wrong with the bench itself, and when."""

    @model_validator(mode="after")
    def _one_kind_of_unit(self) -> Self:
        if (self.unit is None) == (self.population is None):
            raise ValueError("give either unit or population, the name of a file beside the bench file")
        if self.fault is not None and self.population is None:
            raise ValueError("a fault is put into units of a population: a unit file has its own")
        if self.started is not None and (self.started.tzinfo is None or self.clock != "instant"):
            raise ValueError("started needs a zone, such as 2026-01-05T08:00:00Z, and clock = 'instant'")
        if self.process is not None and self.link == "direct":
            raise ValueError("a bench that is a process of its own is reached by link = 'socket' or 'serial'")
        if self.clock != "instant" and any(each.kind is Kind.CLOCK_JUMP for each in self.trouble):
            raise ValueError("the date can jump with clock = 'instant' only: a program does not set the computer's")
        return self


def parse(table: Mapping[str, object], base: Path) -> VirtualBenchConfiguration:
    """Check a [virtual] table; file names in it are taken from ``base``.

    :raises WrongDescription: names the first wrong field and what is wrong with it.
    """
    configuration = check(table, VirtualBenchConfiguration, "[virtual] table of the bench file")
    beside = {
        name: base / path
        for name, path in (
            ("unit", configuration.unit),
            ("population", configuration.population),
            ("process", configuration.process),
        )
        if path is not None
    }
    return configuration.model_copy(update=beside)
