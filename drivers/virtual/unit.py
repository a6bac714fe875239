"""What a virtual unit is like: everything that a description file says, or that a population draws.

The numbers hold for the warm unit with every trim at mid-travel. Volts, hertz, seconds, kelvin, octaves,
turns.
"""

from __future__ import annotations

from enum import StrEnum
from typing import TYPE_CHECKING, Annotated, Literal, Self

from pydantic import Field, model_validator

from drivers.virtual.description import Described, load

if TYPE_CHECKING:
    from pathlib import Path

Positive = Annotated[float, Field(gt=0)]
NotNegative = Annotated[float, Field(ge=0)]


class TrimKind(StrEnum):
    """How a trim acts."""

    SCALE_COMMON = "scale at the common node"
    SCALE_INPUT = "scale at the CV input"
    HIGHS = "highs"
    BASE = "base"
    RAIL = "rail"
    CENTRE = "centre"


class Trim(Described):
    """A multi-turn adjuster.

    ``effect_per_turn`` of a clockwise turn: relative for scale and rail, octaves for base and centre, seconds
    taken from the period for highs. ``position_turns`` is counted from the anticlockwise stop.
    """

    kind: TrimKind
    turns: Positive
    effect_per_turn: float
    position_turns: NotNegative
    backlash_turns: NotNegative = 0.0

    @model_validator(mode="after")
    def _inside_its_travel(self) -> Self:
        if self.position_turns > self.turns:
            raise ValueError(f"position_turns ({self.position_turns}) must not exceed turns ({self.turns})")
        return self

    @property
    def reach(self) -> float:
        """Effect from mid-travel to a stop, in the unit of its kind."""
        return 0.5 * self.turns * abs(self.effect_per_turn)


class Input(Described):
    """The CV jack: what it loads the source with, and how fast the unit follows it."""

    resistance_ohm: Positive = 100_000.0
    time_constant_s: Positive = 0.004
    connected: bool = True
    """False: a broken CV input; the core never hears of the voltage."""


class Core(Described):
    """Exponential converter and relaxation oscillator."""

    base_hz: Positive
    """Pitch of the ideal core at 0 octaves of CV, switch and knob at their lowest."""
    slope: Positive = 1.0
    """Octaves of core per octave asked at the CV input (the input divider)."""
    scale_error: float = 0.0
    """Relative error of the converter, about the pivot."""
    pivot_hz: Positive
    """Pitch at which the converter's current equals its reference: heat and the scale trim turn about it."""
    dead_time_s: NotNegative = 0.0
    bulk_per_hz: NotNegative = 0.0
    """k of f exp(k f) = f_ideal: bulk resistance times current per hertz over the thermal voltage."""
    leakage_hz: NotNegative = 0.0


class Output(Described):
    """The output jack as the counter sees it."""

    alive: bool = True
    peak_to_peak_v: Positive = 10.0
    offset_v: float = 0.0
    resistance_ohm: Positive = 1_000.0


class Rail(Described):
    """The reference rail and what it feeds."""

    nominal_v: Positive = 10.0
    error: float = 0.0
    """Relative error of the rail."""
    switch_octaves: Annotated[tuple[float, ...], Field(min_length=1)] = (0.0, 1.0, 2.0, 3.0, 4.0)
    """Octaves that each switch position adds at the nominal rail, its resistors' errors included."""
    knob_octaves: Positive = 1.0
    """Octaves from the knob's low stop to its high stop at the nominal rail."""
    knob_bow_octaves: float = 0.0
    """Error of the knob's middle against the mean of its stops."""


class Thermal(Described):
    """Heat: two bodies that warm up after power-on, and what the pitch makes of their temperature."""

    chip_rise_k: NotNegative = 0.8
    chip_time_constant_s: Positive = 20.0
    board_rise_k: NotNegative = 7.0
    board_time_constant_s: Positive = 150.0
    scale_per_k: float = 0.0
    """Relative change of scale about the pivot, 1/K."""
    offset_octaves_per_k: float = 0.0
    hand_k: NotNegative = 0.1
    """Warmth that one touch of a trim leaves."""
    hand_time_constant_s: Positive = 15.0
    wander_k: NotNegative = 0.05
    """Amplitude of the slow wander of the room."""


class Noise(Described):
    """What makes two readings of one pitch differ."""

    white_cents_at_1s: NotNegative = 0.02
    """Standard deviation of a mean over 1 s (white frequency noise: it falls with the root of time)."""
    wander_cents: NotNegative = 0.01
    """Amplitude of the slow wander of the core."""


class VoltsPerOctave(Described):
    """Pitch proportional to CV."""

    kind: Literal["volts per octave"] = "volts per octave"
    volts_per_octave: Positive = 1.0


class HertzPerVolt(Described):
    """Frequency proportional to CV."""

    kind: Literal["hertz per volt"]


class UnitDescription(Described):
    """A unit file. ``note`` says what the unit is for; demonstration data must say that it is invented."""

    note: str = ""
    invented: Literal[True]
    law: Annotated[VoltsPerOctave | HertzPerVolt, Field(discriminator="kind")] = VoltsPerOctave()
    input: Input = Input()
    core: Core
    output: Output = Output()
    rail: Rail = Rail()
    thermal: Thermal = Thermal()
    noise: Noise = Noise()
    trims: dict[Annotated[str, Field(pattern=r"^[a-z][a-z_]{0,15}$")], Trim] = Field(default_factory=dict)

    @model_validator(mode="after")
    def _each_kind_once(self) -> Self:
        kinds = [trim.kind for trim in self.trims.values()]
        if len(kinds) != len(set(kinds)):
            raise ValueError("each kind of trim may stand in a unit once")
        return self

    def trim_of(self, kind: TrimKind) -> str | None:
        """Name of the trim of a kind, or None."""
        return next((name for name, trim in self.trims.items() if trim.kind is kind), None)


def load_unit(path: Path) -> UnitDescription:
    """Read and check a unit file.

    :raises WrongDescription: it cannot be read or a field is wrong.
    """
    return load(path, UnitDescription, "unit file")
