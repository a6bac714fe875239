"""A product's population: how its units scatter, and what a single one of them is like.

A unit is drawn in layers: the batch has a pivot, each unit scatters about it and draws its own errors. Every
error that a trim has to cure is drawn within that trim's reach, and every other one within what the product
bears, so that a unit without a fault is repairable by construction; a fault is far outside.
"""

from __future__ import annotations

import math
import re
from typing import TYPE_CHECKING, Annotated, Literal, Self

from pydantic import Field, field_validator, model_validator

from drivers.virtual.description import Described, load
from drivers.virtual.faults import Fault, with_fault
from drivers.virtual.randomness import bounded_normal, stream
from drivers.virtual.unit import (
    Core,
    Input,
    Noise,
    Output,
    Rail,
    Thermal,
    Trim,
    TrimKind,
    UnitDescription,
    VoltsPerOctave,
)

if TYPE_CHECKING:
    from pathlib import Path


Positive = Annotated[float, Field(gt=0)]
NotNegative = Annotated[float, Field(ge=0)]
CENTS = 1200.0
WITHIN_REACH = 0.8
"""Share of a trim's travel on one side within which a repairable unit's correction lies."""


class Scatter(Described):
    """A normal scatter about 0, cut off at so many standard deviations."""

    standard_deviation: NotNegative
    widest: Positive = 3.0


class Between(Described):
    """A uniform scatter."""

    low: NotNegative
    high: NotNegative

    @model_validator(mode="after")
    def _ordered(self) -> Self:
        if self.low > self.high:
            raise ValueError(f"low ({self.low}) must not exceed high ({self.high})")
        return self


class Span(Described):
    """The played range: its lowest note and how many octaves of CV above it are played."""

    lowest_note_hz: Positive
    octaves: Positive

    @property
    def highest_note_hz(self) -> float:
        """Pitch at the top of the range."""
        return float(self.lowest_note_hz * 2.0**self.octaves)


class Pivots(Described):
    """Where batches have their pivots: shares of those below, inside and above the played range."""

    below_share: NotNegative
    inside_share: NotNegative
    above_share: NotNegative
    below_octaves: NotNegative
    above_octaves: NotNegative
    unit_scatter_octaves: NotNegative

    @model_validator(mode="after")
    def _shares_add_up(self) -> Self:
        total = self.below_share + self.inside_share + self.above_share
        if not math.isclose(total, 1.0, abs_tol=1e-6):
            raise ValueError(f"below_share, inside_share and above_share must add up to 1, not {total:g}")
        return self


class TrimPart(Described):
    """A trim as it is bought: nominal effect, its relative scatter, and where the factory leaves it."""

    kind: TrimKind
    turns: Positive
    effect_per_turn: float
    relative_scatter: Scatter
    left_turns_from_middle: Scatter
    backlash_turns: NotNegative

    @field_validator("effect_per_turn")
    @classmethod
    def _does_something(cls, effect_per_turn: float) -> float:
        if effect_per_turn == 0.0:
            raise ValueError("a trim does something: give a number other than 0")
        return effect_per_turn


class Errors(Described):
    """What a unit's own errors scatter by. Cents, or relative where the name says so."""

    scale_cents_per_octave: Scatter
    base_cents: Scatter
    rail_relative: Scatter
    input_divider_relative: Scatter
    switch_step_relative: Scatter
    knob_range_relative: Scatter
    knob_bow_cents: Scatter
    droop_cents: Between
    """Droop at the top of the range from dead time and bulk resistance together."""
    droop_share_of_bulk: Between
    leakage_cents: Between
    """Rise at the lowest note."""


class Warmth(Described):
    """How units differ in heat."""

    chip_rise_k: Between
    chip_time_constant_s: Between
    board_rise_k: Between
    board_time_constant_s: Between
    scale_ppm_per_k: Between
    """Either sign."""
    offset_cents_per_k: Scatter
    hand_k: NotNegative
    wander_k: NotNegative


class Population(Described):
    """A population file."""

    name: Annotated[str, Field(min_length=1, max_length=60)]
    invented: Literal[True]
    batch_pattern: str
    """Regular expression with a group named batch; where it finds none in a serial, the seed is the batch."""
    law: VoltsPerOctave = VoltsPerOctave()
    range: Span
    input_resistance_ohm: Positive
    input_time_constant_s: Between
    switch_octaves: Annotated[tuple[float, ...], Field(min_length=2)]
    rail_nominal_v: Positive
    knob_octaves: Positive
    pivots: Pivots
    errors: Errors
    warmth: Warmth
    noise: Noise
    trims: dict[Annotated[str, Field(pattern=r"^[a-z][a-z_]{0,15}$")], TrimPart]

    @field_validator("batch_pattern")
    @classmethod
    def _finds_a_batch(cls, pattern: str) -> str:
        try:
            compiled = re.compile(pattern, re.ASCII)
        except re.error as error:
            raise ValueError(f"not a regular expression ({error})") from None
        if "batch" not in compiled.groupindex:
            raise ValueError("it needs a group named batch, for instance (?P<batch>[0-9]{4})")
        return pattern

    @model_validator(mode="after")
    def _curable(self) -> Self:
        kinds = [part.kind for part in self.trims.values()]
        if len(kinds) != len(set(kinds)):
            raise ValueError("each kind of trim may stand in a population once")
        needed = {TrimKind.HIGHS, TrimKind.BASE, TrimKind.RAIL, TrimKind.CENTRE}
        missing = [kind.value for kind in TrimKind if kind in needed and kind not in kinds]
        if missing:
            raise ValueError(f"the errors drawn here need trims of the kinds {', '.join(missing)}")
        if (TrimKind.SCALE_COMMON in kinds) == (TrimKind.SCALE_INPUT in kinds):
            raise ValueError("there must be one scale trim, at the common node or at the CV input")
        return self

    def batch_of(self, serial: str, seed: int) -> str:
        """Batch that a serial belongs to."""
        found = re.search(self.batch_pattern, serial, re.ASCII)
        return found["batch"] if found and found["batch"] else f"seed {seed}"


def load_population(path: Path) -> Population:
    """Read and check a population file.

    :raises WrongDescription: it cannot be read or a field is wrong.
    """
    return load(path, Population, "population")


def draw(population: Population, seed: int, serial: str, fault: Fault | str | None = None) -> UnitDescription:
    """One unit of a population: the same for the same seed and serial, on every machine.

    A fault is put into the unit that the same seed and serial give without one.

    :raises ValueError: the fault is not one of :class:`Fault`.
    """
    healthy = _Draw(population, seed, serial).unit()
    if fault is None:
        return healthy
    generator = stream(seed, "unit", serial, "fault")
    return with_fault(
        healthy, Fault(fault), (population.range.lowest_note_hz, population.range.highest_note_hz), generator
    )


class _Draw:
    """The draws of one unit, in a fixed order."""

    def __init__(self, population: Population, seed: int, serial: str) -> None:
        self._population = population
        self._batch = stream(seed, "batch", population.batch_of(serial, seed))
        self._unit = stream(seed, "unit", serial)

    def unit(self) -> UnitDescription:
        population = self._population
        errors = population.errors
        trims = {name: self._trim(part) for name, part in population.trims.items()}
        reach = {trim.kind: reach_of(trim) for trim in trims.values()}
        scale = self._within(errors.scale_cents_per_octave, CENTS * reach_of_scale(reach)) / CENTS
        common = TrimKind.SCALE_COMMON in reach
        divider = self._scattered(errors.input_divider_relative)
        thermal = population.warmth
        pivot_hz = self._pivot_hz()
        dead_time_s, bulk_per_hz = self._highs(reach[TrimKind.HIGHS])
        lowest_hz = population.range.lowest_note_hz
        leakage = self._between(errors.leakage_cents)
        sign = math.copysign(1.0, self._unit.standard_normal())
        return UnitDescription(
            note=f"Invented: drawn from the population {population.name}",
            invented=True,
            law=population.law,
            input=Input(
                resistance_ohm=population.input_resistance_ohm,
                time_constant_s=self._between(population.input_time_constant_s),
            ),
            core=Core(
                base_hz=lowest_hz * 2.0 ** (self._within(errors.base_cents, CENTS * reach[TrimKind.BASE]) / CENTS),
                slope=1.0 + divider + (0.0 if common else scale),
                scale_error=scale if common else 0.0,
                pivot_hz=pivot_hz,
                dead_time_s=dead_time_s,
                bulk_per_hz=bulk_per_hz,
                leakage_hz=lowest_hz * (2.0 ** (leakage / CENTS) - 1.0),
            ),
            output=Output(),
            rail=Rail(
                nominal_v=population.rail_nominal_v,
                error=self._within(errors.rail_relative, reach[TrimKind.RAIL]),
                switch_octaves=tuple(
                    octaves * (1.0 + self._scattered(errors.switch_step_relative))
                    for octaves in population.switch_octaves
                ),
                knob_octaves=population.knob_octaves * (1.0 + self._scattered(errors.knob_range_relative)),
                knob_bow_octaves=self._within(errors.knob_bow_cents, CENTS * reach[TrimKind.CENTRE]) / CENTS,
            ),
            thermal=Thermal(
                chip_rise_k=self._between(thermal.chip_rise_k),
                chip_time_constant_s=self._between(thermal.chip_time_constant_s),
                board_rise_k=self._between(thermal.board_rise_k),
                board_time_constant_s=self._between(thermal.board_time_constant_s),
                scale_per_k=sign * self._between(thermal.scale_ppm_per_k) * 1e-6,
                offset_octaves_per_k=self._scattered(thermal.offset_cents_per_k) / CENTS,
                hand_k=thermal.hand_k,
                wander_k=thermal.wander_k,
            ),
            noise=population.noise,
            trims=trims,
        )

    def _trim(self, part: TrimPart) -> Trim:
        left_turns = self._within(part.left_turns_from_middle, 0.5 * part.turns)
        return Trim(
            kind=part.kind,
            turns=part.turns,
            effect_per_turn=part.effect_per_turn * (1.0 + self._within(part.relative_scatter, 0.9)),
            position_turns=0.5 * part.turns + left_turns,
            backlash_turns=part.backlash_turns,
        )

    def _pivot_hz(self) -> float:
        pivots, played = self._population.pivots, self._population.range
        choice, place = float(self._batch.uniform()), float(self._batch.uniform())
        if choice < pivots.below_share:
            octaves = -pivots.below_octaves * place
        elif choice < pivots.below_share + pivots.inside_share:
            octaves = played.octaves * place
        else:
            octaves = played.octaves + pivots.above_octaves * place
        scatter = bounded_normal(self._unit, 0.0, pivots.unit_scatter_octaves, 3.0)
        return float(played.lowest_note_hz * 2.0 ** (octaves + scatter))

    def _highs(self, reach_s: float) -> tuple[float, float]:
        """Dead time and bulk constant that droop together, at the top, by what the highs trim can cure."""
        errors, top_hz = self._population.errors, self._population.range.highest_note_hz
        reach_cents = CENTS * math.log2(1.0 + reach_s * top_hz)
        most = min(errors.droop_cents.high, reach_cents)
        cents = float(self._unit.uniform(min(errors.droop_cents.low, most), most))
        bulk_cents = cents * self._between(errors.droop_share_of_bulk)
        dead_time_s = (2.0 ** ((cents - bulk_cents) / CENTS) - 1.0) / top_hz
        return dead_time_s, bulk_cents * math.log(2.0) / CENTS / top_hz

    def _scattered(self, scatter: Scatter) -> float:
        return bounded_normal(self._unit, 0.0, scatter.standard_deviation, scatter.widest)

    def _within(self, scatter: Scatter, reach: float) -> float:
        """A scattered error, drawn within a reach."""
        if scatter.standard_deviation == 0.0:
            return 0.0
        widest = min(scatter.widest, reach / scatter.standard_deviation)
        return bounded_normal(self._unit, 0.0, scatter.standard_deviation, widest)

    def _between(self, between: Between) -> float:
        return float(self._unit.uniform(between.low, between.high))


def reach_of(trim: Trim) -> float:
    """Largest error that a trim cures to either side with travel to spare, in the unit of its kind."""
    return WITHIN_REACH * trim.reach


def reach_of_scale(reach: dict[TrimKind, float]) -> float:
    """Reach of whichever scale trim there is."""
    return reach[TrimKind.SCALE_COMMON] if TrimKind.SCALE_COMMON in reach else reach[TrimKind.SCALE_INPUT]
