"""A bench's own record: the curve of its source, checks with the reference unit, studies of its spread."""

from __future__ import annotations

from contextlib import contextmanager
from dataclasses import dataclass
from datetime import timedelta
from typing import TYPE_CHECKING

import numpy as np

from db import bench_history, models, queries
from rig.errors import Stopped
from rig.science.characterisation import SourceCurve
from rig.science.reference import Standing

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence
    from datetime import datetime
    from uuid import UUID

    from db.bench_history import CheckRow
    from db.engine import Database
    from rig.beginning import BenchRecords
    from rig.product import Product
    from rig.records import Recorder
    from rig.science.characterisation import Characterised
    from rig.science.reference import Check, Measured
    from rig.tomlfile import Loaded

LEGENDRE = "Legendre"


@dataclass(frozen=True, slots=True)
class KnownCurve:
    """What the record knows of a bench's source: a curve that may be used, or why there is none in a sentence."""

    curve: SourceCurve | None
    doubt: str = ""
    degrees_of_freedom: int = 0
    scatter_v: float = 0.0


def keep_curve(records: BenchRecords, found: Characterised) -> None:
    """Keep a new characterisation for the hours that the bench file allows."""
    now, curve = records.clock.utc(), found.curve
    row = models.Characterisation(
        bench_revision_id=records.revision_id,
        source_instrument_id=records.instruments["source"],
        meter_instrument_id=records.instruments.get("cv_meter", records.instruments["meter"]),
        taken_utc=now,
        valid_until_utc=now + timedelta(hours=records.file.bench.characterisation_valid_hours),
        law=LEGENDRE,
        coefficients=[float(each) for each in curve.coefficients],
        covariance=[[float(each) for each in line] for line in curve.covariance],
        chi_squared=found.chi_squared,
        degrees_of_freedom=found.degrees_of_freedom,
        points=[
            {"programmed_v": float(programmed), "up_v": float(up), "down_v": float(down)}
            for programmed, up, down in zip(found.programmed_v, found.up_v, found.down_v, strict=True)
        ],
    )
    span = models.SourceCurve(
        characterisation_id=row.id,
        low_v=curve.low_v,
        high_v=curve.high_v,
        own_standard_uncertainty_v=curve.own_standard_uncertainty_v,
        scatter_v=found.scatter_v,
        roughness_v=found.roughness_v,
        hysteresis_v=found.hysteresis_v,
    )
    with records.database.session() as session:
        session.add_all([row, span])


def known_curve(records: BenchRecords) -> KnownCurve:
    """The curve of the source that stands on the bench, if it is still valid; else why there is none."""
    with records.database.reading() as session:
        bench_id = bench_history.bench_of(session, records.revision_id)
        latest = bench_history.latest_curve(session, bench_id)
        source = bench_history.instrument_shown(session, records.instruments["source"])
    again = "characterise the source"
    if latest is None:
        return KnownCurve(None, f"The source ({source}) was never characterised on this bench: {again} first.")
    if latest.source_instrument_id != records.instruments["source"]:
        return KnownCurve(
            None,
            f"The source on the bench is {source}, and the one last characterised was {latest.source_shown}: {again} "
            "again.",
        )
    now = records.clock.utc()
    if latest.valid_until_utc < now:
        return KnownCurve(
            None,
            f"The characterisation of the source is {_hours(latest.taken_utc, now):.1f} hours old, and is valid for "
            f"{records.file.bench.characterisation_valid_hours:g}: {again} again.",
        )
    if latest.taken_utc > now:
        return KnownCurve(
            None,
            f"The last characterisation is dated {latest.taken_utc:%Y-%m-%d %H:%M} UTC, later than the bench's clock "
            f"says: set the clock, and {again} again.",
        )
    if latest.bench_revision_id != records.revision_id:
        return KnownCurve(None, f"The bench file was changed since the last characterisation: {again} again.")
    curve = SourceCurve(
        latest.low_v,
        latest.high_v,
        np.array(latest.coefficients),
        np.array(latest.covariance),
        latest.own_standard_uncertainty_v,
        float(latest.degrees_of_freedom),
    )
    return KnownCurve(curve, degrees_of_freedom=latest.degrees_of_freedom, scatter_v=latest.scatter_v)


def _hours(earlier: datetime, later: datetime) -> float:
    return (later - earlier).total_seconds() / 3600.0


@contextmanager
def visit_without_verdict(recorder: Recorder) -> Iterator[None]:
    """A visit that measures and does not judge: it ends as finished, stopped or failed."""
    try:
        yield
    except (Stopped, KeyboardInterrupt):
        recorder.end("stopped")
        raise
    except BaseException:
        recorder.end("failed")
        raise
    recorder.end("finished")


def reference_checks(database: Database, bench_revision_id: UUID, serial: str) -> tuple[CheckRow, ...]:
    """Values of the reference unit in earlier checks on this bench, oldest first."""
    with database.reading() as session:
        return bench_history.checks_of(session, bench_history.bench_of(session, bench_revision_id), serial)


def values_that_count(checks: Sequence[CheckRow], characteristic: str) -> tuple[float, ...]:
    """Values of one characteristic since its history began anew; those that had moved are left out."""
    of_it = [each for each in checks if each.characteristic == characteristic]
    begins = max((place for place, each in enumerate(of_it) if each.restart_reason), default=0)
    return tuple(each.value for each in of_it[begins:] if each.restart_reason or each.standing != Standing.MOVED.value)


def keep_check(
    records: BenchRecords, visit_id: UUID, checks: Sequence[Check], standing: Standing, restart_reason: str
) -> None:
    """Keep a check of the bench.

    :param restart_reason: why the history begins anew with it; empty where it goes on.
    """
    row = models.BenchCheck(
        visit_id=visit_id,
        standing=standing.value,
        restart_reason=restart_reason,
        taken_utc=records.clock.utc(),
    )
    values = [
        models.BenchCheckValue(
            check_id=row.id,
            characteristic=each.measured.characteristic,
            label=each.measured.label,
            value=each.measured.value,
            unit=each.measured.unit,
            expanded_uncertainty=each.measured.expanded_uncertainty,
            history_value=None if each.history is None else each.history.value,
            history_count=0 if each.history is None else each.history.count,
            normalised_error=each.normalised_error,
            standing=each.standing.value,
        )
        for each in checks
    ]
    with records.database.session() as session:
        session.add_all([row, *values])


def begin_study(records: BenchRecords, product: Loaded[Product], *, units: int, operators: int, repeats: int) -> UUID:
    """Enter a study before its first reading."""
    now = records.clock.utc()
    with records.database.session() as session:
        revision = queries.get_or_add_product_revision(
            session, product_name=product.contents.product.name, toml_text=product.text, at_utc=now
        )
        row = models.BenchStudy(
            bench_revision_id=records.revision_id,
            product_revision_id=revision.id,
            units=units,
            operators=operators,
            repeats=repeats,
            started_utc=now,
        )
        session.add(row)
    return row.id


def keep_study_readings(
    records: BenchRecords, study_id: UUID, visit_id: UUID, operator: str, repeat: int, measured: Sequence[Measured]
) -> None:
    """Keep what one run of a study measured."""
    with records.database.session() as session:
        session.add_all(
            models.BenchStudyReading(
                study_id=study_id,
                visit_id=visit_id,
                characteristic=each.characteristic,
                operator=operator,
                repeat=repeat,
                value=each.value,
                unit=each.unit,
            )
            for each in measured
        )
