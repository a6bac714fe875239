"""From a visit to the database: everything is committed when it happens."""

from __future__ import annotations

from contextlib import contextmanager
from dataclasses import dataclass
from datetime import timedelta
from math import isfinite
from typing import TYPE_CHECKING

import numpy as np

from db import models, queries
from db.course import add_to_course
from db.learning import add_observation
from drivers.errors import DriverError
from rig.assess import Finding
from rig.budget_record import rows_of
from rig.errors import BenchProblem
from rig.science.conformity import Decision, Limits, Rule
from rig.science.measured_cv import own_uncertainty_v
from rig.visit_setup import condition_row

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator, Mapping, Sequence
    from datetime import datetime
    from uuid import UUID

    from db.engine import Database
    from db.learning import Quantity
    from drivers.clock import Clock
    from rig.acquire import Point
    from rig.assess import SweepAssessment
    from rig.conditions import Room
    from rig.diagnosis import Cause
    from rig.recommend import Recommendation
    from rig.science.characterisation import CvCorrection
    from rig.science.learning import Belief

COVERAGE_PROBABILITY = 0.95
AS_FOUND, AS_LEFT = "as_found", "as_left"


@dataclass(slots=True)
class MoveMade:
    """Filled in while a trim is turned."""

    target: float = float("nan")
    before: float = float("nan")
    after: float = float("nan")
    outcome: str = "interrupted"


@dataclass(slots=True)
class Recorder:
    """Writes one visit."""

    database: Database
    clock: Clock
    line: CvCorrection
    visit_id: UUID
    oscillator: str = ""
    sweeps: int = 0
    moves: int = 0
    resumed: bool = False
    room_now: Callable[[], Room | None] = lambda: None
    """How warm the room is at this moment; asked once more when the visit ends."""

    def _controls(self, controls: Mapping[str, str]) -> dict[str, str]:
        """Controls, and which oscillator of the unit they are of where it has several."""
        return {**controls, "oscillator": self.oscillator} if self.oscillator else dict(controls)

    def sweep(self, purpose: str, controls: Mapping[str, str]) -> UUID:
        """Begin a sweep."""
        row = models.Sweep(
            visit_id=self.visit_id,
            purpose=purpose,
            sequence=self.sweeps,
            started_utc=self.clock.utc(),
            controls=self._controls(controls),
        )
        self.sweeps += 1
        self._add(row)
        return row.id

    def point(self, sweep_id: UUID, index: int, point: Point) -> None:
        """Commit a point."""
        self._add(
            models.Point(
                sweep_id=sweep_id,
                index=index,
                cv_programmed_v=point.cv_programmed_v,
                cv_v=point.cv_v,
                cv_standard_uncertainty_v=float(
                    np.hypot(
                        np.sqrt(self.line.covariance_at([point.cv_programmed_v])[0, 0]),
                        own_uncertainty_v(self.line, 0.0),
                    )
                ),
                read_back_v=point.read_back_v,
                frequency_hz=point.frequency_hz,
                relative_standard_uncertainty=point.relative_standard_uncertainty,
                gate_s=point.gate_s,
                elapsed_s=point.elapsed_s,
                taken_utc=self.clock.utc(),
                readings_count=point.readings_count,
                revisit=point.revisit,
            )
        )

    def reading(
        self,
        purpose: str,
        quantity: str,
        controls: Mapping[str, str],
        value: float,
        unit: str,
        standard_uncertainty: float,
    ) -> None:
        """Commit a single reading."""
        self._add(
            models.Reading(
                visit_id=self.visit_id,
                purpose=purpose,
                quantity=quantity,
                controls=self._controls(controls),
                value=value,
                unit=unit,
                standard_uncertainty=standard_uncertainty,
                taken_utc=self.clock.utc(),
            )
        )

    def fit(self, sweep_id: UUID, assessed: SweepAssessment) -> None:
        """Keep the fit of a sweep; one that did not converge is not kept."""
        if not bool(assessed.fit.converged) or not np.all(np.isfinite(assessed.covariance)):
            return
        core, slope, leakage_hz, dead_time_s = (float(each) for each in assessed.parameters)
        with self.database.session() as session:
            session.add(
                models.TrackingFit(
                    sweep_id=sweep_id,
                    core_pitch_octaves=core,
                    slope=slope,
                    leakage_hz=leakage_hz,
                    dead_time_s=dead_time_s,
                    covariance=[[float(each) for each in row] for row in assessed.covariance],
                    drift_low_cents_per_minute=assessed.drift_cents_per_minute[0],
                    drift_high_cents_per_minute=assessed.drift_cents_per_minute[1],
                    chi_squared=float(assessed.fit.chi_squared),
                    degrees_of_freedom=int(assessed.fit.degrees_of_freedom),
                    lack_of_fit_probability=float(assessed.misfit.probability),
                )
            )

    def recommendation(self, sweep_id: UUID, recommendation: Recommendation) -> None:
        """Keep what was advised."""
        document = recommendation.kept_document()
        self._add(models.Recommendation(visit_id=self.visit_id, sweep_id=sweep_id, document=document))

    @contextmanager
    def move(
        self,
        trim: str,
        target: float,
        unit: str,
        held_cv_v: float | None,
        controls: Mapping[str, str],
        turns: float,
    ) -> Iterator[MoveMade]:
        """Keep a move when it has ended, however it ended."""
        made, began = MoveMade(target), self.clock.utc()
        try:
            yield made
        finally:
            self._add(
                models.Move(
                    visit_id=self.visit_id,
                    sequence=self.moves,
                    trim=trim,
                    target_value=made.target,
                    target_unit=unit,
                    held_cv_v=held_cv_v,
                    controls=self._controls(controls),
                    turns_estimate=turns,
                    reading_before=_read(made.before),
                    reading_after=_read(made.after),
                    outcome=made.outcome,
                    started_utc=began,
                    ended_utc=max(began, self.clock.utc()),
                )
            )
            self.moves += 1

    def observation(self, trim: str, quantity: Quantity, seen: Belief) -> None:
        """Keep what a move showed of its trim, for the next unit of the batch."""
        with self.database.session() as session:
            add_observation(
                session,
                self.visit_id,
                trim=trim,
                quantity=quantity,
                value=seen.mean,
                standard_uncertainty=seen.standard_uncertainty,
                taken_utc=self.clock.utc(),
                oscillator=self.oscillator,
            )

    def found(self, findings: Sequence[Finding]) -> None:
        """Findings as found, kept as soon as they are made: an interrupted visit goes on from them."""
        with self.database.session() as session:
            session.add_all([*self._rows(AS_FOUND, findings), *rows_of(self.visit_id, AS_FOUND, findings)])

    def findings_found(self) -> tuple[Finding, ...]:
        """Findings as found that this visit has already."""
        with self.database.reading() as session:
            rows = queries.findings_of_phase(session, self.visit_id, AS_FOUND)
            return tuple(_from_row(row) for row in rows)

    def _rows(self, phase: str, findings: Sequence[Finding]) -> list[models.Finding]:
        now = self.clock.utc()
        # a microsecond apart, so that the history keeps their order
        return [
            _finding(self.visit_id, phase, each, now + timedelta(microseconds=place))
            for place, each in enumerate(findings)
        ]

    def conclude(self, left: Sequence[Finding], decision: str, causes: Sequence[Cause], reason: str) -> None:
        """Findings as left, verdict and the end of the visit, in one transaction."""
        now = self.clock.utc()
        rows = [*self._rows(AS_LEFT, left), *rows_of(self.visit_id, AS_LEFT, left), self._at_the_end()]
        with self.database.session() as session:
            session.add_all(rows)
            session.add(
                models.Verdict(
                    visit_id=self.visit_id,
                    decision=decision,
                    causes=[cause.sentence for cause in causes],
                    reason=reason,
                    created_utc=now,
                )
            )
            session.flush()
            queries.end_visit(session, self.visit_id, outcome="finished", ended_utc=now)

    def closed_meanwhile(self) -> queries.Closing | None:
        """Who closed the visit, and why, where somebody did."""
        return self.database.ask(lambda session: queries.closing_of(session, self.visit_id))

    def end(self, outcome: str) -> None:
        """End the visit without a verdict: finished, stopped or failed."""
        at_the_end = [self._at_the_end()] if outcome == "finished" else []
        with self.database.session() as session:
            session.add_all(at_the_end)
            session.flush()
            queries.end_visit(session, self.visit_id, outcome=outcome, ended_utc=self.clock.utc())

    def _at_the_end(self) -> models.VisitCondition:
        """Conditions at the end; a thermometer that fails then takes nothing from what was measured."""
        try:
            room = self.room_now()
        except (DriverError, BenchProblem):
            room = None
        return condition_row(self.visit_id, "end", room, self.line, self.clock.utc())

    def _add(self, row: models.Base) -> None:
        add_to_course(self.database, row)


def _read(reading: float) -> float | None:
    """A reading, or None where there was none."""
    return reading if isfinite(reading) else None


def _from_row(row: models.Finding) -> Finding:
    nan = float("nan")
    characteristic = row.characteristic.rpartition(".")
    name = characteristic[2].replace("_", " ").capitalize()
    return Finding(
        characteristic=row.characteristic,
        label=f"{characteristic[0]}: {name}" if characteristic[0] else name,
        value=nan if row.value is None else row.value,
        unit=row.unit,
        expanded_uncertainty=nan if row.expanded_uncertainty is None else row.expanded_uncertainty,
        limits=Limits(row.lower_limit, row.upper_limit),
        rule=Rule(row.rule),
        decision=Decision(row.decision),
        lower=nan if row.bound_low is None else row.bound_low,
        upper=nan if row.bound_high is None else row.bound_high,
        note=row.note or "",
    )


def _finding(visit_id: UUID, phase: str, finding: Finding, now: datetime) -> models.Finding:
    return models.Finding(
        visit_id=visit_id,
        phase=phase,
        characteristic=finding.characteristic,
        value=finding.value,
        unit=finding.unit,
        expanded_uncertainty=finding.expanded_uncertainty,
        coverage_probability=COVERAGE_PROBABILITY,
        lower_limit=finding.limits.low,
        upper_limit=finding.limits.high,
        bound_low=finding.lower,
        bound_high=finding.upper,
        rule=finding.rule.value,
        decision=finding.decision.value,
        note=finding.note or None,
        created_utc=now,
    )
