"""With what and under which conditions a visit is measured, as rows of its record."""

from __future__ import annotations

from typing import TYPE_CHECKING

from db import models, queries
from rig.science.measured_cv import MeasuredCv

if TYPE_CHECKING:
    from collections.abc import Mapping
    from datetime import datetime
    from uuid import UUID

    from sqlalchemy.orm import Session

    from rig.bench import Bench
    from rig.conditions import Room
    from rig.science.characterisation import CvCorrection


def condition_row(
    visit_id: UUID, moment: str, room: Room | None, line: CvCorrection, now: datetime
) -> models.VisitCondition:
    """The room and how the CV is known, at the start of a visit, when it goes on, or at its end."""
    return models.VisitCondition(
        visit_id=visit_id,
        moment=moment,
        ambient_c=None if room is None else room.celsius,
        ambient_standard_uncertainty_k=None if room is None else room.standard_uncertainty_k,
        ambient_by=None if room is None else room.by,
        cv_by="cv meter" if isinstance(line, MeasuredCv) else "characterisation",
        taken_utc=now,
    )


def setup_rows(
    session: Session, visit_id: UUID, bench: Bench, instruments: Mapping[str, UUID]
) -> list[models.VisitInstrument | models.VisitInstrumentProfile]:
    """Which instrument filled each role, its calibration, and how it was spoken to."""
    rows: list[models.VisitInstrument | models.VisitInstrumentProfile] = []
    for role, calibration in bench.file.calibrations.items():
        on, due = (None, None) if calibration is None else calibration.dates(bench.today)
        rows.append(
            models.VisitInstrument(
                visit_id=visit_id,
                role=role,
                instrument_id=instruments[role],
                calibrated_on=on,
                calibration_due=due,
            )
        )
        profile = queries.get_or_add_profile(session, bench.spelling_of(role))
        rows.append(models.VisitInstrumentProfile(visit_id=visit_id, role=role, content_sha256=profile.content_sha256))
    return rows
