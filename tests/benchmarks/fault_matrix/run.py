"""One cell: a visit with its fault, what it left behind, and the same unit once more after the fault was mended."""

from __future__ import annotations

import re
import tempfile
from collections import Counter
from contextlib import ExitStack
from dataclasses import dataclass, field, replace
from functools import cache
from pathlib import Path
from typing import TYPE_CHECKING

from sqlalchemy import select

from db.engine import Database, open_database
from db.errors import DatabaseError
from db.models import Point
from drivers.errors import DriverError, SourceNotSafe
from drivers.source import VoltageLimits
from drivers.virtual.bench import VirtualBench
from drivers.virtual.trouble import Kind
from fixtures import demonstration_bench, demonstration_product
from rig.bench import BenchFile, drawn_anew, load_bench, open_bench
from rig.endings import sentence
from rig.errors import RigError
from rig.operators.virtual import VirtualOperator
from rig.product import Product, load_product
from rig.science.conformity import Decision
from rig.visit import Purpose, Request, Visit, run_visit
from rig.work import recover_bench
from tests.benchmarks.fault_matrix.plan import ENDING, OPENING, RECORD, Cell, Span, Stages
from tests.benchmarks.fault_matrix.record import CommitCount, RecordTrouble
from tests.benchmarks.verdicts import true_characteristics, wrong_statements
from tests.made_once import empty_record

if TYPE_CHECKING:
    from rig.bench import Bench
    from rig.tomlfile import Loaded

OURS = (RigError, DriverError, DatabaseError, OSError)
PASSED = (Decision.PASS, Decision.CONDITIONAL_PASS)
PATIENCE_S = 0.05
LONG_SENTENCE = 600


@dataclass(frozen=True, slots=True)
class Result:
    """What became of a cell. ``violations`` is empty in every cell, or something is wrong with the rig."""

    cell: Cell
    outcome: str
    told: str
    violations: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class Undisturbed:
    """The same visit without a fault: its stages, and what its operator is told."""

    spans: tuple[Span, ...]
    told: frozenset[str]
    decision: Decision


@dataclass(slots=True)
class HonestOperator(VirtualOperator):
    """A virtual operator who looks before he vouches for a lead: he knows what ails the bench's wires."""

    bench: VirtualBench | None = None
    told: list[str] = field(default_factory=list)

    def output_is_connected(self, problem: str) -> bool:
        self.told.append(problem)
        ailing = self.bench is not None and (self.bench.counter.ails or self.bench.meter.ails or self.bench.source.ails)
        return not ailing

    def tell(self, message: str) -> None:
        self.told.append(message)


@dataclass(frozen=True, slots=True)
class Setting:
    """Which visit is disturbed: that of the demonstration, or a mere check of few points and no controls.

    :param fault: what is wrong with the unit itself; nothing when empty.
    """

    seed: int = 1
    fault: str = ""
    lean: bool = False

    @property
    def purpose(self) -> Purpose:
        return Purpose.CHECK if self.lean else Purpose.ADJUST


@cache
def product(setting: Setting) -> Loaded[Product]:
    """The demonstration's product, as it is or with few points and no controls."""
    loaded = load_product(demonstration_product())
    if not setting.lean:
        return loaded
    whole = loaded.contents
    contents = whole.model_copy(
        update={
            "stages": whole.stages[:2],
            "range": whole.range.model_copy(update={"points": 9}),
            "controls": whole.controls.model_copy(update={"octave": None, "knob": None}),
            "limits": whole.limits.model_copy(
                update={"base_pitch_cents": 200.0, "tracking_full_cents": 200.0, "tracking_musical_cents": 200.0}
                | {"rail": whole.limits.rail.model_copy(update={"plus_minus_v": 1.0}) if whole.limits.rail else None}
                | {"scale_error_cents_per_octave": 60.0, "highs_error_cents": 200.0, "drift_cents_per_minute": 3.0}
            ),
            "warm_up": whole.warm_up.model_copy(update={"minimum_s": 30.0, "window_s": 30.0}),
        }
    )
    return replace(loaded, contents=contents)


def bench_file(setting: Setting, troubles: tuple[dict[str, object], ...]) -> Loaded[BenchFile]:
    """The demonstration's bench, spoken to directly, with its trouble."""
    drawn = drawn_anew(load_bench(demonstration_bench()), seed=setting.seed, fault=setting.fault)
    virtual = {**(drawn.contents.virtual or {}), "link": "direct", "trouble": list(troubles)}
    return replace(drawn, contents=drawn.contents.model_copy(update={"virtual": virtual}))


@cache
def undisturbed(setting: Setting) -> Undisturbed:
    """Run the visit once as it is."""
    with tempfile.TemporaryDirectory() as folder, CommitCount().open() as commits, ExitStack() as stack:
        database = stack.enter_context(open_database(f"sqlite:///{folder}/record.sqlite", patience_s=PATIENCE_S))
        loaded = bench_file(setting, ())
        bench = stack.enter_context(open_bench(loaded, _limits(setting)))
        provider = _virtual(bench)
        stages = Stages(provider, commits, lambda: points_of(database))
        counts = stages.counts()
        opening = Span(OPENING, dict.fromkeys(counts, 1), {**counts, RECORD: 0}, Counter())
        operator = HonestOperator(provider.hands, bench.clock, setting.seed, bench=provider)
        with stages.watched():
            visit = run_visit(bench, loaded, product(setting), operator, database, _request(setting))
        before = {each: count + 1 for each, count in stages.spans[-1].last.items()}
        ending = Span(ENDING, before, stages.counts(), points_of(database))
        spans = (opening, *stages.spans, ending)
        return Undisturbed(spans, frozenset(operator.told), visit.verdict.decision)


def run_cell(cell: Cell, setting: Setting) -> Result:
    """Run one cell."""
    reference = undisturbed(setting)
    violations: list[str] = []
    operator: HonestOperator | None = None
    provider: VirtualBench | None = None
    visit: Visit | None = None
    met: Exception | None = None
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "record.sqlite"
        path.write_bytes(empty_record())
        trouble = RecordTrouble(cell.kind, cell.at, path) if cell.role == RECORD else CommitCount()
        with trouble.open(), open_database(f"sqlite:///{path}", patience_s=PATIENCE_S) as database:
            trouble.count = 0
            loaded = bench_file(setting, _schedule(cell))
            try:
                with open_bench(loaded, _limits(setting)) as bench:
                    provider = _virtual(bench)
                    operator = HonestOperator(provider.hands, bench.clock, setting.seed, bench=provider)
                    visit, met = _visited(bench, loaded, operator, database, setting)
                    violations += _judged(visit, provider, cell, setting)
                    violations += _lost(points_of(database), reference, cell)
                    if met is not None:
                        violations += _mended(bench, loaded, operator, database, setting, trouble, met)
            except OURS as error:
                met = met or error
            except Exception as error:  # noqa: BLE001  what is none of ours is what is looked for
                violations.append(f"not one of ours: {type(error).__name__}: {error}")
    told = _told(operator, met, visit, reference)
    violations += _unsafe(provider, cell, met)
    if met is not None and not _is_a_sentence(sentence(met)):
        violations.append(f"no sentence: {sentence(met)!r}")
    return Result(cell, _outcome(visit, met, told, reference), told, tuple(violations))


def points_of(database: Database) -> Counter[tuple[float, float]]:
    """CV and frequency of every point committed, each with how often it is there."""
    with database.reading() as session:
        rows = session.execute(select(Point.cv_programmed_v, Point.frequency_hz))
        return Counter((float(row[0]), float(row[1])) for row in rows)


def _limits(setting: Setting) -> VoltageLimits:
    absolute = product(setting).contents.range.absolute
    return VoltageLimits(absolute.low_v, absolute.high_v)


def _request(setting: Setting) -> Request:
    serial = product(setting).contents.serial.with_check_character(f"DM2600{setting.seed:04d}")
    return Request(serial, setting.purpose, "virtual operator", seed=setting.seed)


def _virtual(bench: Bench) -> VirtualBench:
    assert isinstance(bench.provider, VirtualBench)
    return bench.provider


def _schedule(cell: Cell) -> tuple[dict[str, object], ...]:
    if cell.role == RECORD:
        return ()
    entry = {"role": cell.role, "kind": cell.kind, "message": cell.at, "messages": cell.lasts}
    return ({**entry, **({} if cell.amount is None else {"amount": cell.amount})},)


def _visited(
    bench: Bench, loaded: Loaded[BenchFile], operator: HonestOperator, database: Database, setting: Setting
) -> tuple[Visit | None, Exception | None]:
    try:
        return run_visit(bench, loaded, product(setting), operator, database, _request(setting)), None
    except OURS as error:
        return None, error


def _judged(visit: Visit | None, provider: VirtualBench, cell: Cell, setting: Setting) -> list[str]:
    """Whether the verdict is right or withheld."""
    if visit is None or visit.verdict.decision is Decision.NO_DECISION or cell.kind == Kind.TIME_BASE.value:
        return []
    truth = provider.truth()
    if truth.frequency_hz(1.0) <= 0.0:
        return ["passed a dead unit"] if visit.verdict.decision in PASSED else []
    truths = true_characteristics(truth, product(setting).contents)
    wrong = list(wrong_statements(visit, truths))
    inside = all(
        finding.limits.lowest <= truths[finding.characteristic] <= finding.limits.highest
        for finding in visit.findings
        if finding.characteristic in truths
    )
    if visit.verdict.decision is Decision.FAIL and inside and not wrong:
        # the finding that failed is one that the truth does not know: a response that was not seen
        known = {finding.characteristic for finding in visit.findings if finding.decision is Decision.FAIL}
        wrong += [f"failed a good unit on {', '.join(sorted(known))}"] if not known & truths.keys() else []
    if visit.verdict.decision is Decision.FAIL and undisturbed(setting).decision in PASSED and not wrong:
        # whatever the fault has kept the rig from adjusting, the unit is not to blame
        wrong.append(f"shelved a good unit: {'; '.join(cause.sentence for cause in visit.verdict.causes)}")
    return [f"wrong verdict {visit.verdict.decision.value}: {each}" for each in wrong]


def _lost(points: Counter[tuple[float, float]], reference: Undisturbed, cell: Cell) -> list[str]:
    """Whether a point that was committed before the stage is gone or another."""
    before = next(span.points_before for span in reference.spans if span.stage == cell.stage)
    return [f"points lost: {(before - points).total()} of {before.total()}"] if before - points else []


def _mended(
    bench: Bench,
    loaded: Loaded[BenchFile],
    operator: HonestOperator,
    database: Database,
    setting: Setting,
    trouble: CommitCount,
    met: Exception,
) -> list[str]:
    """Mend the fault, recover the bench as the operator's loop does, and scan the unit again."""
    provider = _virtual(bench)
    provider.troubles.mend()
    # the button at its front, where the driver's own words for it are not known
    provider.source.execute("SOUR:VOLT:PROT:CLE")
    if isinstance(trouble, RecordTrouble):
        trouble.mend()
    before = points_of(database)
    try:
        recover_bench(bench, met)
    except OURS as error:
        return [] if isinstance(error, SourceNotSafe) else [f"not recovered after mending: {error}"]
    visit, again = _visited(bench, loaded, operator, database, setting)
    found = (
        [f"points gone after mending: {(before - points_of(database)).total()}"] if before - points_of(database) else []
    )
    if again is not None:
        return [*found, f"no visit after mending: {again}"]
    if visit is not None and visit.verdict.decision is not Decision.NO_DECISION:
        truth = provider.truth()
        if truth.frequency_hz(1.0) > 0.0:
            wrong = wrong_statements(visit, true_characteristics(truth, product(setting).contents))
            found += [f"wrong verdict after mending: {each}" for each in wrong]
    return found


def _unsafe(provider: VirtualBench | None, cell: Cell, met: Exception | None) -> list[str]:
    if provider is None or (not provider.source.on and abs(provider.wiring.driven_v()) < 1e-6):
        return []
    by_hand = cell.role == "source" and "switch its output off by hand" in str(met)
    return [] if by_hand else ["source not safe"]


def _told(operator: HonestOperator | None, met: Exception | None, visit: Visit | None, reference: Undisturbed) -> str:
    """The first sentence that the undisturbed visit has not."""
    if operator is not None:
        for each in operator.told:
            if each not in reference.told:
                return each
    if met is not None:
        return sentence(met)
    if visit is not None and visit.verdict.decision is Decision.NO_DECISION:
        return visit.verdict.reason
    return ""


def _outcome(visit: Visit | None, met: Exception | None, told: str, reference: Undisturbed) -> str:
    if met is not None:
        return f"visit left open ({type(met).__name__})"
    if visit is None:
        return "bench not opened"
    if visit.verdict.decision is Decision.NO_DECISION:
        return "verdict withheld"
    same = visit.verdict.decision in PASSED if reference.decision in PASSED else visit.verdict.decision not in PASSED
    if not same:
        return f"another verdict ({visit.verdict.decision.value})"
    return "made good, and told" if told else "made no difference"


def _is_a_sentence(text: str) -> bool:
    return bool(re.match(r"\S", text)) and "Traceback" not in text and "\n" not in text and len(text) < LONG_SENTENCE
