"""A visit read back from the database, with its product and bench as they were then: what paper is printed from."""

from __future__ import annotations

import tomllib
from collections import Counter
from contextlib import suppress
from dataclasses import dataclass, field
from typing import TYPE_CHECKING
from uuid import UUID

import numpy as np

from db.batches import LEFT_ALONE
from db.chain import seal_of_visit
from db.visit_record import visit_record
from rig.acquire import Point
from rig.assess import assess_sweep
from rig.bench import BenchFile
from rig.budget_record import budgets_by_characteristic
from rig.errors import BenchProblem, FileProblem, WrongInput
from rig.product import Product
from rig.science.characterisation import CommonErrors, SourceCurve
from rig.science.measured_cv import MeasuredCv
from rig.tomlfile import Checked, check

if TYPE_CHECKING:
    from collections.abc import Mapping
    from datetime import datetime
    from typing import TypeVar

    from numpy.typing import ArrayLike, NDArray

    from db.engine import Database
    from db.visit_record import SweepRow, VisitRecord
    from rig.assess import SweepAssessment
    from rig.science.budget import Budget
    from rig.science.characterisation import CvCorrection

    ModelT = TypeVar("ModelT", bound=Checked)

FOUND, LEFT = "as_found", "as_left"
OSCILLATOR = "oscillator"
CV_METER = "cv meter"
NO_VERDICT = "no verdict"
FEWEST_POINTS = 6
"""A sweep of fewer points cannot be fitted with its drift."""


@dataclass(frozen=True, slots=True)
class OwnDoubt:
    """The CV as it stands at each point, where no curve of the source was kept: each point's doubt is its own.

    ``programmed`` (n,) ascending and ``uncertainty_v`` (n,) as stored with the points.
    """

    programmed: NDArray[np.float64]
    uncertainty_v: NDArray[np.float64]

    def true_v(self, programmed_v: float) -> float:
        """The voltage as programmed."""
        return programmed_v

    def programmed_v(self, true_v: float, resolution_v: float) -> float:
        """The nearest setting of the source."""
        return round(round(true_v / resolution_v) * resolution_v, 9)

    def covariance_at(self, programmed_v: ArrayLike) -> NDArray[np.float64]:
        """Diagonal, V squared, shape (n, n)."""
        return np.diag(np.interp(np.asarray(programmed_v), self.programmed, self.uncertainty_v) ** 2)


@dataclass(frozen=True, slots=True)
class Tracking:
    """Tracking of one oscillator as found and as left, from its stored points; None where there was no whole sweep."""

    oscillator: str
    found: SweepAssessment | None
    left: SweepAssessment | None


@dataclass(frozen=True, slots=True)
class KeptVisit:
    """A visit as the database has it.

    ``product`` and ``bench`` are None where their files of then are none that this version can read. ``budgets`` are
    those of the findings as left, by characteristic; ``chain_head`` is what seals the record where it is sealed.
    """

    record: VisitRecord
    product: Product | None
    bench: BenchFile | None
    budgets: Mapping[str, Budget] = field(default_factory=dict)
    chain_head: str = ""

    @property
    def decision(self) -> str:
        """The verdict that stands, in words."""
        verdict = self.record.visit.verdict
        return verdict.decision if verdict is not None else NO_VERDICT

    @property
    def reason(self) -> str:
        """Why it was decided so, or why there is nothing decided."""
        visit = self.record.visit
        if visit.verdict is not None:
            return visit.verdict.reason
        return f"The visit was {visit.outcome} before a verdict." if visit.outcome else "The visit has not ended."

    @property
    def causes(self) -> tuple[str, ...]:
        """Likely causes, one sentence each."""
        verdict = self.record.visit.verdict
        return verdict.causes if verdict is not None else ()

    @property
    def at(self) -> datetime:
        """When it ended; while it lasts, when it began."""
        return self.record.visit.ended_utc or self.record.visit.started_utc

    @property
    def revision(self) -> str:
        """Revision of the product, as its file says."""
        return self.product.product.revision if self.product is not None else "?"

    def turned(self) -> dict[str, int]:
        """Moves of each trim, by the name that people know it by; one that was left alone was not turned."""
        counted: Counter[str] = Counter()
        for move in self.record.moves:
            if move.outcome.startswith(LEFT_ALONE):
                continue
            known = self.product.trims.get(move.trim) if self.product is not None else None
            label = known.label if known is not None else move.trim
            counted[f"{move.controls.get(OSCILLATOR, '')} {label}".lstrip()] += 1
        return dict(counted)

    def trackings(self) -> tuple[Tracking, ...]:
        """What each oscillator's sweeps say, fitted again from the stored points."""
        if self.product is None or self.bench is None:
            return ()
        names = dict.fromkeys(each.controls.get(OSCILLATOR, "") for each in self.record.sweeps)
        made = (
            Tracking(name, self._assessed(name, FOUND), self._assessed(name, LEFT))
            for name in (names or dict.fromkeys([""]))
        )
        return tuple(each for each in made if each.found is not None or each.left is not None)

    def _assessed(self, oscillator: str, purpose: str) -> SweepAssessment | None:
        """The last sweep of a purpose: those before it drifted too much, or were of an earlier round."""
        sweeps = [
            each
            for each in self.record.sweeps
            if each.purpose == purpose
            and each.controls.get(OSCILLATOR, "") == oscillator
            and len(each.points) >= FEWEST_POINTS
        ]
        if not sweeps or self.product is None or self.bench is None:
            return None
        return assess_sweep(_points(sweeps[-1]), self.product, self.bench, self._line(sweeps[-1]))

    def _line(self, sweep: SweepRow) -> CvCorrection:
        kept = self.record.curve
        if kept is not None:
            curve = SourceCurve(
                kept.low_v,
                kept.high_v,
                np.array(kept.coefficients),
                np.array(kept.covariance),
                kept.own_standard_uncertainty_v,
            )
            with suppress(ValueError, BenchProblem):  # it does not reach all points, or nothing is stated of the meter
                curve.covariance_at([each.cv_programmed_v for each in sweep.points])
                return self._as_read(curve, sweep)
        own = sorted({each.cv_programmed_v: each.cv_standard_uncertainty_v for each in sweep.points}.items())
        return OwnDoubt(np.array([each[0] for each in own]), np.array([each[1] for each in own]))

    def _as_read(self, curve: SourceCurve, sweep: SweepRow) -> CvCorrection:
        """The curve, or, where a meter was left on the CV, its readings: tied together by what the meter may be off."""
        if self.bench is None or self.product is None or self.record.cv_by != CV_METER:
            return curve
        full, visit = self.product.range.full, self.record.visit
        role, top_v = self.bench.on_the_cv, max(abs(full.low_v), abs(full.high_v))
        error = role.error(role.range_for(top_v), visit.started_utc.date(), visit.ambient_c)
        common = CommonErrors(error.gain, error.offset_v)
        whole_v = np.array([each.cv_standard_uncertainty_v for each in sweep.points])
        tied = MeasuredCv(curve, common, 0.0).covariance_at([each.cv_programmed_v for each in sweep.points])
        own_v = float(np.sqrt(max(0.0, np.median(whole_v**2 - np.diag(tied)))))
        return MeasuredCv(curve, common, own_v)


def read_visit(database: Database, serial: str, visit_id: UUID | None = None) -> KeptVisit:
    """Read a visit back.

    :param visit_id: which one; None for the latest of the unit that came to a verdict.
    :raises NotFound: there is none.
    """
    with database.reading() as session:
        record = visit_record(session, serial, visit_id)
        seal = seal_of_visit(session, record.visit.visit_id)
        budgets = {
            characteristic: budget
            for phase in (FOUND, LEFT)
            for characteristic, budget in budgets_by_characteristic(session, record.visit.visit_id, phase).items()
        }
    return KeptVisit(
        record,
        _file(record.product_toml, Product),
        _file(record.bench_toml, BenchFile),
        budgets,
        f"{seal.sequence} {seal.short}" if seal is not None else "",
    )


def visit_id_of(text: str) -> UUID | None:
    """A visit's identifier as somebody typed it; None for an empty text.

    :raises WrongInput: it is none.
    """
    if not text:
        return None
    try:
        return UUID(text)
    except ValueError:
        raise WrongInput(
            f"{ascii(text)[:60]} is no visit: it looks like 01890a5d-ac96-774b-bcce-b302099a8057, as slips print it."
        ) from None


def _file(toml_text: str, model: type[ModelT]) -> ModelT | None:
    """A file as it was then; None where this version cannot read it any more."""
    try:
        return check(tomllib.loads(toml_text), model, "kept file")
    except (tomllib.TOMLDecodeError, FileProblem):
        return None


def _points(sweep: SweepRow) -> list[Point]:
    """Points as they were taken; those at one setting of the source share its index."""
    settings = {
        voltage_v: place for place, voltage_v in enumerate(sorted({each.cv_programmed_v for each in sweep.points}))
    }
    return [
        Point(
            index=settings[each.cv_programmed_v],
            cv_programmed_v=each.cv_programmed_v,
            cv_v=each.cv_v,
            read_back_v=float("nan") if each.read_back_v is None else each.read_back_v,
            frequency_hz=each.frequency_hz,
            relative_standard_uncertainty=each.relative_standard_uncertainty,
            gate_s=each.gate_s,
            readings_count=each.readings_count,
            readings_taken=each.readings_count,
            elapsed_s=each.elapsed_s,
            revisit=each.revisit,
        )
        for each in sweep.points
    ]
