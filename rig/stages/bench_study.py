"""A study of the rig's own spread: several units, measured by several people, several times each."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from db.bench_history import readings_of_study
from db.queries import require_product
from rig.acquire import Acquisition
from rig.beginning import Wanted, begin_visit
from rig.bench_history import begin_study, keep_study_readings, visit_without_verdict
from rig.conditions import room_now
from rig.errors import NoDecision, WrongInput
from rig.recovery import attempt
from rig.science.repeatability import study
from rig.stages.verify_bench import LABELS, measure_steady

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence
    from uuid import UUID

    from numpy.typing import NDArray

    from db.bench_history import StudyReadingRow
    from rig.beginning import BenchRecords
    from rig.bench import Bench
    from rig.operators.port import Operator
    from rig.product import Product
    from rig.records import Recorder
    from rig.science.characterisation import CvCorrection
    from rig.science.reference import Measured
    from rig.science.repeatability import Study
    from rig.tomlfile import Loaded

STUDY = "study"
FEWEST = 2


@dataclass(frozen=True, slots=True)
class StudyPlan:
    """Which units, measured by whom, how often, in an order drawn by ``seed``."""

    serials: tuple[str, ...]
    operators: tuple[str, ...]
    repeats: int
    seed: int

    def __post_init__(self) -> None:
        for what, names in (("units", self.serials), ("operators", self.operators)):
            if len(names) < FEWEST:
                raise WrongInput(f"A study needs {FEWEST} {what} at least, not {len(names)}: name more of them.")
            twice = next((name for name in names if names.count(name) > 1), None)
            if twice is not None:
                raise WrongInput(f"{twice} is named twice among the {what} of the study: name each once.")
        if self.repeats < FEWEST:
            raise WrongInput(
                f"A study needs {FEWEST} repeats at least, not {self.repeats}: without them nothing repeats."
            )


@dataclass(frozen=True, slots=True)
class Run:
    """One measurement of a study. ``repeat`` counts from 0."""

    serial: str
    operator: str
    repeat: int


@dataclass(frozen=True, slots=True)
class StudyResult:
    """A study with its analysis for each characteristic."""

    study_id: UUID
    analyses: Mapping[str, Study]
    sentences: tuple[str, ...]


def order_of(plan: StudyPlan) -> tuple[Run, ...]:
    """Runs of a study: each operator measures all units once before any twice, in an order drawn anew each time.

    So neither the warmth of the day nor practice falls on one unit alone (common practice: randomised blocks).
    """
    generator = np.random.default_rng(plan.seed)
    runs: list[Run] = []
    for repeat in range(plan.repeats):
        for operator in generator.permutation(len(plan.operators)):
            runs += [
                Run(plan.serials[int(unit)], plan.operators[int(operator)], repeat)
                for unit in generator.permutation(len(plan.serials))
            ]
    return tuple(runs)


def run_study(
    bench: Bench,
    records: BenchRecords,
    product: Loaded[Product],
    operator: Operator,
    line: CvCorrection,
    plan: StudyPlan,
    *,
    ambient_c: float | None = None,
) -> StudyResult:
    """Measure every unit as the plan says, each run a visit of its own, and analyse what came of it.

    :raises WrongInput: a serial is not one of the product.
    :raises Conflict: a unit is recorded with another product.
    :raises NoDecision: a unit could not be measured; what was measured so far is kept.
    """
    contents = product.contents
    batches = {serial: contents.serial.batch_of(serial) for serial in plan.serials}
    with records.database.reading() as session:
        for serial in plan.serials:
            require_product(session, serial, contents.product.name)
    study_id = begin_study(
        records, product, units=len(plan.serials), operators=len(plan.operators), repeats=plan.repeats
    )
    runs = order_of(plan)
    for place, run in enumerate(runs):
        operator.tell(f"Run {place + 1} of {len(runs)}: {run.operator} measures {run.serial}.")
        bench.source.set_voltage(0.0)
        operator.connect_unit(run.serial, contents.oscillators[0])
        bench.source.output_on()
        room = room_now(bench, ambient_c)
        room_c = None if room is None else room.celsius
        wanted = Wanted(run.serial, batches[run.serial], run.operator, STUDY, room_c, plan.seed, room)
        recorder = begin_visit(records, product, bench, line, wanted)
        with visit_without_verdict(recorder):
            measured = _measured(Acquisition(bench, contents, line, ambient_c=room_c), operator, recorder)
            keep_study_readings(records, study_id, recorder.visit_id, run.operator, run.repeat, measured)
    return analysed(records, study_id, plan)


def _measured(acquisition: Acquisition, operator: Operator, recorder: Recorder) -> Sequence[Measured]:
    """One run, begun again after trouble of the bench that passes."""
    return attempt(
        acquisition.bench, operator, "this run", lambda: measure_steady(acquisition, operator, recorder, STUDY)
    )


def analysed(records: BenchRecords, study_id: UUID, plan: StudyPlan) -> StudyResult:
    """Analyse a study from the record.

    :raises NoDecision: a reading is missing, or the readings are too coarse.
    """
    with records.database.reading() as session:
        readings = readings_of_study(session, study_id)
    shown = {
        each.characteristic: (LABELS.get(each.characteristic, each.characteristic), each.unit) for each in readings
    }
    analyses: dict[str, Study] = {}
    for characteristic, (label, _) in shown.items():
        values = values_of(plan, readings, characteristic)
        try:
            analyses[characteristic] = study(values)
        except ValueError as error:
            raise NoDecision(f"The study of {label} says nothing: {error}.") from None
    sentences = tuple(each.sentence(*shown[name]) for name, each in analyses.items())
    return StudyResult(study_id, analyses, sentences)


def values_of(plan: StudyPlan, readings: Sequence[StudyReadingRow], characteristic: str) -> NDArray[np.float64]:
    """Readings of one characteristic for an analysis: (units, operators, repeats), NaN where one is missing."""
    values = np.full((len(plan.serials), len(plan.operators), plan.repeats), np.nan)
    for each in readings:
        if each.characteristic == characteristic:
            values[plan.serials.index(each.serial), plan.operators.index(each.operator), each.repeat] = each.value
    return values
