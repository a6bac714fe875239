"""A whole invented history, written into a database that holds no real visit."""

from __future__ import annotations

from contextlib import contextmanager
from dataclasses import dataclass, field, replace
from datetime import UTC, datetime, timedelta
from typing import TYPE_CHECKING

from sqlalchemy import select

from db.gathering import gathered
from db.models import Unit, Visit
from drivers.virtual.heat import WANDER_PERIODS_S, Heat, Wander
from drivers.virtual.live_unit import CORE_WANDER_PERIODS_S, UnitState
from drivers.virtual.population import load_population
from drivers.virtual.randomness import stream
from drivers.virtual.trimmer import Trimmer
from fixtures import FOLDER, demonstration_bench, demonstration_product
from rig.acquire import Acquisition
from rig.bench import drawn_anew, load_bench, open_bench
from rig.bench_history import keep_curve
from rig.errors import WrongInput
from rig.invented.bench import InventedBench, SetClock, in_the_past
from rig.invented.story import (
    DAYS_A_BATCH,
    LAST_HOUR,
    MISADJUSTED_SHARE,
    RETURNS_SHARE,
    BatchPlan,
    Story,
    batch_plans,
    come_back,
    drawn_unit,
)
from rig.invented.visit import Left, invented_visit
from rig.opening import limits_of
from rig.operators.port import MeterPlace
from rig.operators.virtual import VirtualOperator
from rig.product import load_product
from rig.records import Wanted, begin_visit, bench_records
from rig.stages.characterise_source import measured_curve
from rig.workflow import PASSED, Purpose

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator

    import numpy as np

    from db.engine import Database
    from drivers.virtual.unit import UnitDescription
    from rig.bench import Bench, BenchFile
    from rig.product import Product
    from rig.science.characterisation import Characterised
    from rig.tomlfile import Loaded

BENCHES = ("invented bench one", "invented bench two")
OPERATORS = ("invented early shift", "invented late shift")
TOGETHER = 10
"""Visits that are written in one transaction."""
BETWEEN_UNITS_S = 90.0
LEAST_VISITS, MOST_VISITS = 20, 20_000


@dataclass(frozen=True, slots=True)
class Told:
    """What a history holds; ``example`` is the serial of a unit that came back, or of the last that passed."""

    visits: int
    units: int
    returns: int
    batches: tuple[BatchPlan, ...]
    example: str


@dataclass(slots=True)
class Stand:
    """One bench of the past, opened once, with what it was characterised by."""

    loaded: Loaded[BenchFile]
    bench: Bench
    clock: SetClock
    curve: Characterised
    characterised_until: datetime


@dataclass(slots=True)
class Teller:
    """Writes visits one after another, some together in a transaction."""

    database: Database
    product: Loaded[Product]
    seed: int
    say: Callable[[int], None]
    visits: int = 0
    left: dict[str, tuple[UnitState, BatchPlan, float]] = field(default_factory=dict)

    def visit(self, database: Database, stand: Stand, serial: str, unit: UnitState, lead_ohm: float) -> Left:
        """One visit, at the moment at which the bench's clock stands."""
        records = replace(bench_records(database, stand.bench, stand.loaded), clock=stand.clock)
        if stand.clock.utc() > stand.characterised_until:
            keep_curve(records, stand.curve)
            hours = records.file.bench.characterisation_valid_hours
            stand.characterised_until = stand.clock.utc() + timedelta(hours=hours)
        shift = OPERATORS[0] if stand.clock.utc().hour < (LAST_HOUR + 4) / 2 else OPERATORS[1]
        batch = self.product.contents.serial.batch_of(serial)
        wanted = Wanted(serial, batch, shift, Purpose.ADJUST.value, None, self.seed)
        line = stand.curve.curve
        recorder = begin_visit(records, self.product, stand.bench, line, wanted)
        acquisition = Acquisition(stand.bench, self.product.contents, line)
        generator = stream(self.seed, "visit", serial, str(self.visits))
        left = invented_visit(InventedBench(acquisition, stand.clock, generator, lead_ohm), recorder, unit)
        stand.clock.sleep(BETWEEN_UNITS_S)
        self.visits += 1
        self.say(self.visits)
        return left


def require_no_real_visit(database: Database) -> None:
    """See that invented visits would not come among real ones.

    :raises WrongInput: the database holds a real visit.
    """
    with database.reading() as session:
        real = session.scalar(
            select(Unit.serial).join(Visit, Visit.unit_id == Unit.id).where(~Visit.demonstration).limit(1)
        )
    if real is not None:
        raise WrongInput(
            f"The database {database.url_shown} holds visits of real units ({real} is one): invented ones are never "
            "mixed with them; name another file with --into."
        )


def tell_history(
    database: Database,
    visits: int,
    *,
    seed: int,
    ends: datetime | None = None,
    plans: tuple[BatchPlan, ...] | None = None,
    say: Callable[[int], None] = lambda _: None,
) -> Told:
    """Fill a database with about so many invented visits.

    :param ends: when the last batch ends; None for now.
    :param plans: batches to tell of; None for those of :func:`batch_plans`.
    :param say: is told after every visit how many there are.
    :raises WrongInput: the database holds real visits or these batches already, or the number makes no history.
    """
    if not LEAST_VISITS <= visits <= MOST_VISITS:
        raise WrongInput(f"A history has {LEAST_VISITS} to {MOST_VISITS} visits, not {visits}: give such a number.")
    require_no_real_visit(database)
    product = load_product(demonstration_product())
    plans = plans or batch_plans(visits, (ends or datetime.now(UTC)) - timedelta(days=1))
    _require_new(database, plans)
    teller = Teller(database, product, seed, say)
    with stands(product, seed) as benches:
        for plan in plans:
            _tell_batch(teller, benches[plan.bench], plan)
        returned = _tell_returns(teller, benches[0], plans)
    units = sum(plan.units for plan in plans)
    return Told(teller.visits, units, len(returned), plans, (*teller.left, *returned)[-1])


def _require_new(database: Database, plans: tuple[BatchPlan, ...]) -> None:
    codes = [plan.code for plan in plans]
    with database.reading() as session:
        known = session.scalar(select(Unit.batch_code).where(Unit.batch_code.in_(codes)).limit(1))
    if known is not None:
        raise WrongInput(
            f"The database {database.url_shown} holds batch {known} already: name another file with --into."
        )


@contextmanager
def stands(product: Loaded[Product], seed: int) -> Iterator[list[Stand]]:
    """The two benches: each opened once and characterised once, as what is measured there is by physics."""
    opened = []
    for number, name in enumerate(BENCHES):
        loaded = drawn_anew(load_bench(demonstration_bench()), seed=seed + number, fault="")
        file = loaded.contents
        virtual = {**(file.virtual or {}), "link": "direct"}
        named = file.model_copy(
            update={"bench": file.bench.model_copy(update={"name": name}), "virtual": virtual},
        )
        text = loaded.text.replace(f'name = "{file.bench.name}"', f'name = "{name}"', 1)
        loaded = replace(loaded, contents=named, text=text)
        with open_bench(loaded, limits_of(product)) as bench:
            if bench.hands is None:
                raise WrongInput("A history is measured on a virtual bench: give its file a [virtual] table.")
            operator = VirtualOperator(bench.hands, bench.clock, seed)
            operator.connect_unit(product.contents.serial.example, "")
            operator.connect_meter(MeterPlace.CV_JACK)
            bench.source.set_voltage(0.0)
            bench.source.output_on()
            curve = measured_curve(bench, product.contents, operator)
            clock = SetClock(datetime(2000, 1, 1, tzinfo=UTC))
            opened.append(Stand(loaded, in_the_past(bench, clock), clock, curve, clock.utc()))
    yield opened


def _tell_batch(teller: Teller, stand: Stand, plan: BatchPlan) -> None:
    population = load_population(FOLDER / "populations" / "demo.toml")
    serials = teller.product.contents.serial
    stand.clock.set(plan.begins)
    for first in range(0, plan.units, TOGETHER):
        with gathered(teller.database) as database:
            for number in range(first, min(first + TOGETHER, plan.units)):
                serial = serials.with_check_character(f"{serials.example[:2]}{plan.code}{number + 1:04d}")
                drawn = drawn_unit(population, plan, number, serial, teller.seed)
                _next_working_hour(stand.clock)
                left = teller.visit(
                    database, stand, serial, on_the_bench(drawn.description, teller.seed, serial), drawn.lead_ohm
                )
                if drawn.repaired is not None and left.verdict.decision not in PASSED:
                    again = on_the_bench(drawn.repaired, teller.seed, serial)
                    left = teller.visit(database, stand, serial, again, drawn.lead_ohm)
                if left.verdict.decision in PASSED:
                    teller.left[serial] = (left.unit, plan, drawn.lead_ohm)


def _tell_returns(teller: Teller, stand: Stand, plans: tuple[BatchPlan, ...]) -> list[str]:
    """Units that come back to the first bench: those that the bad lead let out wrong, and some that aged."""
    count = round(RETURNS_SHARE * len(teller.left))
    wrong = [serial for serial, (_, plan, ohm) in teller.left.items() if plan.story is Story.BAD_LEAD and ohm > 0.0]
    wrong.sort(key=lambda serial: -teller.left[serial][2])
    generator = stream(teller.seed, "returns")
    others = [serial for serial, (_, plan, _) in teller.left.items() if plan in plans[:3]]
    generator.shuffle(others)
    misadjusted = wrong[: round(MISADJUSTED_SHARE * count)]
    returned = [*misadjusted, *others[: count - len(misadjusted)]]
    stand.clock.set(plans[-1].begins + timedelta(days=DAYS_A_BATCH / 2))
    for first in range(0, len(returned), TOGETHER):
        with gathered(teller.database) as database:
            for serial in returned[first : first + TOGETHER]:
                unit = teller.left[serial][0]
                _next_working_hour(stand.clock)
                teller.visit(database, stand, serial, _aged(unit, serial in misadjusted, generator), 0.0)
    return returned


def _aged(unit: UnitState, misadjusted: bool, generator: np.random.Generator) -> UnitState:
    return unit if misadjusted else come_back(unit, generator)


def on_the_bench(description: UnitDescription, seed: int, serial: str) -> UnitState:
    """A unit as it is put on a bench, cold."""
    wander = stream(seed, "wander", serial)
    return UnitState(
        description=description,
        room=Wander.drawn(wander, WANDER_PERIODS_S),
        core_wander=Wander.drawn(wander, CORE_WANDER_PERIODS_S),
        trimmers={
            name: Trimmer(trim.turns, trim.backlash_turns, trim.position_turns)
            for name, trim in description.trims.items()
        },
        heat=Heat(0.0),
    )


def _next_working_hour(clock: SetClock) -> None:
    """Nobody works at night."""
    moment = clock.utc()
    if moment.hour >= LAST_HOUR:
        clock.set((moment + timedelta(days=1)).replace(hour=7, minute=0, second=0, microsecond=0))
