"""A whole invented history, written into a database that holds no real visit."""

from __future__ import annotations

from contextlib import contextmanager
from dataclasses import dataclass, field, replace
from datetime import UTC, datetime, timedelta
from functools import partial
from typing import TYPE_CHECKING

from sqlalchemy import select

from db.gathering import gathered
from db.models import Unit, Visit
from db.queries import unit_by_serial
from db.returns import add_repair
from drivers.virtual.heat import WANDER_PERIODS_S, Heat, Wander
from drivers.virtual.live_unit import CORE_WANDER_PERIODS_S, UnitState
from drivers.virtual.population import draw, load_population
from drivers.virtual.randomness import stream
from drivers.virtual.trimmer import Trimmer
from fixtures import FOLDER, demonstration_bench, demonstration_product
from rig.acquire import Acquisition
from rig.beginning import Wanted, begin_visit, bench_records
from rig.bench import drawn_anew, load_bench, open_bench
from rig.bench_history import keep_curve
from rig.diagnosis import Fault
from rig.errors import WrongInput
from rig.invented.bench import InventedBench, SetClock, in_the_past
from rig.invented.reference import SERIAL as REFERENCE
from rig.invented.reference import adjusted_reference, invented_check
from rig.invented.story import (
    DAYS_A_BATCH,
    LAST_HOUR,
    MISADJUSTED_SHARE,
    RETURNS_SHARE,
    BatchPlan,
    batch_plans,
    come_back,
    drawn_unit,
)
from rig.invented.story import Story as BatchStory
from rig.invented.visit import Left, invented_visit
from rig.opening import limits_of
from rig.operators.port import MeterPlace, Story
from rig.operators.scripted import ScriptedOperator
from rig.operators.virtual import VirtualOperator
from rig.product import load_product
from rig.returns import Reason
from rig.stages.came_back import Asked, enter_why, tell_what_changed
from rig.stages.characterise_source import measured_curve
from rig.stages.verify_bench import REFERENCE_BATCH, VERIFY
from rig.workflow import PASSED, Purpose

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator, Mapping

    import numpy as np

    from db.engine import Database
    from drivers.virtual.unit import UnitDescription
    from rig.beginning import BenchRecords
    from rig.bench import Bench, BenchFile
    from rig.product import Product
    from rig.records import Recorder
    from rig.science.characterisation import Characterised
    from rig.tomlfile import Loaded

BENCHES = ("invented bench one", "invented bench two")
OPERATORS = ("invented early shift", "invented late shift")
TOGETHER = 10
"""Visits that are written in one transaction."""
BETWEEN_UNITS_S = 90.0
ASKED_SHARE = 0.85
"""How many of those who send a unit back are asked why."""
COMPLAINTS = (
    Story(Reason.OUT_OF_TUNE.value, "invented: flat after a winter"),
    Story(Reason.OUT_OF_TUNE.value, "invented: low notes sharp"),
    Story(Reason.DRIFTS.value, "invented: wanders in the evening"),
    Story(Reason.CHECK_UP.value, ""),
)
REPAIRS: Mapping[Fault, tuple[str, str]] = {
    Fault.DEAD_OUTPUT: ("output buffer", "output buffer replaced"),
    Fault.DEAD_CV: ("", "joint at the CV input soldered again"),
    Fault.OUT_OF_TRAVEL: ("fixed resistor beside {where}", "resistor replaced by one of the right value"),
    Fault.OCTAVE_DIVIDER: ("divider resistor of position {where}", "resistor replaced"),
    Fault.LEAKAGE: ("", "flux residue washed off around the converter, board dried"),
    Fault.SLOW_WARM_UP: ("temperature sensor", "sensor replaced and joined to the converter again"),
}
ANY_REPAIR = ("", "board looked over, joints soldered again")
"""Parts and notes of invented repairs."""
REFERENCE_DRAWN = "reference"
NOT_BACK = Asked(False)
LEAST_VISITS, MOST_VISITS = 20, 20_000


@dataclass(frozen=True, slots=True)
class Told:
    """What a history holds. ``checks`` are those of the benches with their reference unit.

    ``example`` is the serial of a unit that came back, or of the last that passed.
    """

    visits: int
    units: int
    returns: int
    checks: int
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
    reference: UnitState
    visits: int = 0
    checks: int = 0
    left: dict[str, tuple[UnitState, BatchPlan, float]] = field(default_factory=dict)

    def visit(
        self,
        database: Database,
        stand: Stand,
        serial: str,
        unit: UnitState,
        lead_ohm: float,
        *,
        back: Asked = NOT_BACK,
    ) -> Left:
        """One visit, at the moment at which the bench's clock stands.

        :param back: whether the unit left before, and what was said of it.
        """
        batch = self.product.contents.serial.batch_of(serial)
        _, recorder = self._begun(database, stand, serial, batch, Purpose.ADJUST.value)
        enter_why(database, stand.clock, back, serial, _shift(stand.clock))
        product, nobody = self.product.contents, ScriptedOperator()
        tell = partial(tell_what_changed, recorder, nobody, product, serial) if back.back else lambda: None
        bench = self._bench(stand, lead_ohm, stream(self.seed, "visit", serial, str(self.visits)))
        left = invented_visit(bench, recorder, unit, tell)
        stand.clock.sleep(BETWEEN_UNITS_S)
        self.visits += 1
        self.say(self.visits)
        return left

    def check(self, stand: Stand, lead_ohm: float) -> None:
        """The reference unit measured on a bench."""
        generator = stream(self.seed, "reference", str(self.checks))
        with gathered(self.database) as database:
            records, recorder = self._begun(database, stand, REFERENCE, REFERENCE_BATCH, VERIFY)
            invented_check(self._bench(stand, lead_ohm, generator), records, recorder, self.reference)
        stand.clock.sleep(BETWEEN_UNITS_S)
        self.checks += 1

    def _begun(
        self, database: Database, stand: Stand, serial: str, batch: str, purpose: str
    ) -> tuple[BenchRecords, Recorder]:
        records = replace(bench_records(database, stand.bench, stand.loaded), clock=stand.clock)
        if stand.clock.utc() > stand.characterised_until:
            keep_curve(records, stand.curve)
            hours = records.file.bench.characterisation_valid_hours
            stand.characterised_until = stand.clock.utc() + timedelta(hours=hours)
        wanted = Wanted(serial, batch, _shift(stand.clock), purpose, None, self.seed)
        return records, begin_visit(records, self.product, stand.bench, stand.curve.curve, wanted)

    def _bench(self, stand: Stand, lead_ohm: float, generator: np.random.Generator) -> InventedBench:
        return bench_in_the_past(self.product, stand, generator, lead_ohm)


def bench_in_the_past(
    product: Loaded[Product], stand: Stand, generator: np.random.Generator, lead_ohm: float
) -> InventedBench:
    """A bench with what its CV lead is like."""
    acquisition = Acquisition(stand.bench, product.contents, stand.curve.curve)
    return InventedBench(acquisition, stand.clock, generator, lead_ohm)


def _shift(clock: SetClock) -> str:
    return OPERATORS[0] if clock.utc().hour < (LAST_HOUR + 4) / 2 else OPERATORS[1]


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
    with stands(product, seed) as benches:
        teller = Teller(database, product, seed, say, _reference(product, benches[0], plans[0].begins, seed))
        for plan in plans:
            _tell_batch(teller, benches[plan.bench], plan)
        returned = _tell_returns(teller, benches[0], plans)
    units = sum(plan.units for plan in plans)
    return Told(teller.visits, units, len(returned), teller.checks, plans, (*teller.left, *returned)[-1])


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


def _reference(product: Loaded[Product], stand: Stand, at: datetime, seed: int) -> UnitState:
    """A unit of the population, set right before anything is told."""
    drawn = draw(load_population(FOLDER / "populations" / "demo.toml"), seed, REFERENCE_DRAWN)
    stand.clock.set(at - timedelta(days=1))
    bench = bench_in_the_past(product, stand, stream(seed, "reference"), 0.0)
    return adjusted_reference(bench, on_the_bench(drawn, seed, REFERENCE_DRAWN))


def _tell_batch(teller: Teller, stand: Stand, plan: BatchPlan) -> None:
    population = load_population(FOLDER / "populations" / "demo.toml")
    serials = teller.product.contents.serial
    stand.clock.set(plan.begins)
    teller.check(stand, 0.0)
    lead_ohm = 0.0
    for first in range(0, plan.units, TOGETHER):
        with gathered(teller.database) as database:
            for number in range(first, min(first + TOGETHER, plan.units)):
                serial = serials.with_check_character(f"{serials.example[:2]}{plan.code}{number + 1:04d}")
                drawn = drawn_unit(population, plan, number, serial, teller.seed)
                lead_ohm = drawn.lead_ohm
                _next_working_hour(stand.clock)
                left = teller.visit(
                    database, stand, serial, on_the_bench(drawn.description, teller.seed, serial), drawn.lead_ohm
                )
                if drawn.repaired is not None and left.verdict.decision not in PASSED:
                    _enter_repair(database, stand.clock, serial, left)
                    again = on_the_bench(drawn.repaired, teller.seed, serial)
                    left = teller.visit(database, stand, serial, again, drawn.lead_ohm)
                if left.verdict.decision in PASSED:
                    teller.left[serial] = (left.unit, plan, drawn.lead_ohm)
    teller.check(stand, lead_ohm)


def _enter_repair(database: Database, clock: SetClock, serial: str, found: Left) -> None:
    """What was done to a unit that failed, before it is measured again."""
    causes = found.verdict.causes
    part, note = REPAIRS.get(causes[0].fault, ANY_REPAIR) if causes else ANY_REPAIR
    where = causes[0].where if causes else ""
    parts = [part.format(where=where)] if part else []
    with database.session() as session:
        unit = unit_by_serial(session, serial)
        add_repair(session, unit.id, parts=parts, note=note, who=_shift(clock), done_utc=clock.utc())


def _tell_returns(teller: Teller, stand: Stand, plans: tuple[BatchPlan, ...]) -> list[str]:
    """Units that come back to the first bench: those that the bad lead let out wrong, and some that aged."""
    count = round(RETURNS_SHARE * len(teller.left))
    wrong = [
        serial for serial, (_, plan, ohm) in teller.left.items() if plan.story is BatchStory.BAD_LEAD and ohm > 0.0
    ]
    wrong.sort(key=lambda serial: -teller.left[serial][2])
    generator = stream(teller.seed, "returns")
    others = [serial for serial, (_, plan, _) in teller.left.items() if plan in plans[:3]]
    generator.shuffle(others)
    misadjusted = wrong[: round(MISADJUSTED_SHARE * count)]
    returned = [*misadjusted, *others[: count - len(misadjusted)]]
    stand.clock.set(plans[-1].begins + timedelta(days=DAYS_A_BATCH / 2))
    teller.check(stand, 0.0)
    told = stream(teller.seed, "complaints")
    for first in range(0, len(returned), TOGETHER):
        with gathered(teller.database) as database:
            for serial in returned[first : first + TOGETHER]:
                unit = teller.left[serial][0]
                _next_working_hour(stand.clock)
                aged = _aged(unit, serial in misadjusted, generator)
                back = Asked(True, _complaint(told, misadjusted=serial in misadjusted))
                left = teller.visit(database, stand, serial, aged, 0.0, back=back)
                if left.verdict.decision not in PASSED:
                    _enter_repair(database, stand.clock, serial, left)
    return returned


def _complaint(generator: np.random.Generator, *, misadjusted: bool) -> Story | None:
    """What an owner says, who knows the sound and no cause; sometimes nobody asked."""
    if generator.uniform() >= ASKED_SHARE:
        return None
    if misadjusted:
        return Story(Reason.OUT_OF_TUNE.value, "invented: octaves too wide on every keyboard")
    return COMPLAINTS[int(generator.integers(len(COMPLAINTS)))]


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
