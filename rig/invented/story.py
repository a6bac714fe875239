"""The stories in an invented history: batches on two benches, a bad lot of resistors, a lead that goes bad, returns."""

from __future__ import annotations

from dataclasses import dataclass, replace
from datetime import datetime, timedelta
from enum import StrEnum
from typing import TYPE_CHECKING

from drivers.virtual.faults import Fault
from drivers.virtual.population import draw
from drivers.virtual.randomness import stream

if TYPE_CHECKING:
    import numpy as np

    from drivers.virtual.live_unit import UnitState
    from drivers.virtual.population import Population
    from drivers.virtual.unit import UnitDescription

CENTS = 1200.0
BATCHES = 6
DAYS_A_BATCH = 14
FIRST_HOUR, LAST_HOUR = 7, 16
FAULTY_SHARE, REPAIRED_SHARE = 0.05, 0.7
LOT_BEGINS, LOT_STEP, LOT_WORST = 0.35, 3, 0.0025
"""Where in its batch the bad lot of resistors begins, at which octave position, and how far off its last one is."""
LEAD_BEGINS, LEAD_WORST_OHM = 0.3, 250.0
"""Where in its batch the CV lead of the second bench begins to go bad, and its resistance in the end."""
RETURNS_SHARE = 0.07
LEAST_UNITS = 4
MISADJUSTED_SHARE = 0.5
"""How many of the returns are units that the bad lead let out wrong."""


class Story(StrEnum):
    """What is told of a batch."""

    PLAIN = "an ordinary batch"
    RESISTOR_LOT = "a lot of divider resistors drifts away from its value"
    BAD_LEAD = "the bench's CV lead grows a resistance"


@dataclass(frozen=True, slots=True)
class BatchPlan:
    """A batch to be told: its code, when it is made, on which bench, how many units."""

    code: str
    begins: datetime
    bench: int
    units: int
    story: Story


STORIES = (
    (Story.PLAIN, 0),
    (Story.RESISTOR_LOT, 0),
    (Story.PLAIN, 1),
    (Story.BAD_LEAD, 1),
    (Story.PLAIN, 0),
    (Story.PLAIN, 1),
)


def batch_plans(visits: int, ends: datetime) -> tuple[BatchPlan, ...]:
    """Batches that come to about so many visits, retests and returns included; the last one ends at ``ends``."""
    runs = 1.0 + RETURNS_SHARE + FAULTY_SHARE * REPAIRED_SHARE
    units = max(LEAST_UNITS, round(visits / runs / BATCHES))
    plans = []
    for number, (story, bench) in enumerate(STORIES):
        begins = ends - timedelta(days=DAYS_A_BATCH * (BATCHES - number))
        begins = begins.replace(hour=FIRST_HOUR, minute=0, second=0, microsecond=0)
        year, week, _ = begins.isocalendar()
        plans.append(BatchPlan(f"{year % 100:02d}{week:02d}", begins, bench, units, story))
    return tuple(plans)


@dataclass(frozen=True, slots=True)
class DrawnUnit:
    """A unit as it comes to the bench, what is wrong with it, and what the bench's CV lead is like then."""

    serial: str
    description: UnitDescription
    repaired: UnitDescription | None
    lead_ohm: float


def drawn_unit(population: Population, plan: BatchPlan, number: int, serial: str, seed: int) -> DrawnUnit:
    """The unit of a place in its batch."""
    generator = stream(seed, "story", serial)
    place = number / max(1, plan.units - 1)
    healthy = draw(population, seed, serial)
    lead_ohm = 0.0
    if plan.story is Story.RESISTOR_LOT and place > LOT_BEGINS:
        healthy = _off_by(healthy, LOT_WORST * (place - LOT_BEGINS) / (1.0 - LOT_BEGINS))
    if plan.story is Story.BAD_LEAD and place > LEAD_BEGINS:
        lead_ohm = LEAD_WORST_OHM * (place - LEAD_BEGINS) / (1.0 - LEAD_BEGINS)
    if generator.uniform() >= FAULTY_SHARE:
        return DrawnUnit(serial, healthy, None, lead_ohm)
    faults = list(Fault)
    faulty = draw(population, seed, serial, faults[int(generator.integers(len(faults)))])
    return DrawnUnit(serial, faulty, healthy if generator.uniform() < REPAIRED_SHARE else None, lead_ohm)


def _off_by(unit: UnitDescription, relative: float) -> UnitDescription:
    steps = list(unit.rail.switch_octaves)
    steps[LOT_STEP] *= 1.0 + relative
    return unit.model_copy(update={"rail": unit.rail.model_copy(update={"switch_octaves": tuple(steps)})})


def come_back(unit: UnitState, generator: np.random.Generator) -> UnitState:
    """A unit after months away: its base pitch has aged, sometimes a little flux has begun to leak, often nothing."""
    chance = float(generator.uniform())
    core = unit.description.core
    changed = {}
    if chance < 0.4:
        changed["base_hz"] = core.base_hz * 2.0 ** (float(generator.normal(0.0, 9.0)) / CENTS)
    elif chance < 0.6:
        changed["leakage_hz"] = core.leakage_hz + float(generator.uniform(0.05, 0.25))
    return replace(unit, description=unit.description.model_copy(update={"core": core.model_copy(update=changed)}))
