import shutil
from collections.abc import Callable, Iterator
from datetime import UTC, date, datetime, timedelta
from pathlib import Path
from typing import Any

import pytest
from schemas import grown_in
from sqlalchemy.orm import Session

from db.engine import Database, open_database
from db.models import (
    Characterisation,
    Finding,
    Move,
    Point,
    Reading,
    Recommendation,
    Sweep,
    TrackingFit,
    TrimObservation,
    Verdict,
    Visit,
    VisitInstrument,
)
from db.queries import (
    end_visit,
    get_or_add_bench_revision,
    get_or_add_instrument,
    get_or_add_product_revision,
    get_or_add_unit,
)
from tests.made_once import made_once

MORNING = datetime(2026, 3, 2, 8, 0, tzinfo=UTC)


@pytest.fixture
def file(tmp_path: Path) -> Path:
    return tmp_path / "record.sqlite"


@pytest.fixture
def url(file: Path) -> str:
    return f"sqlite:///{file}"


@pytest.fixture(scope="session")
def grown(tmp_path_factory: pytest.TempPathFactory) -> dict[str, Path]:
    """A database at every revision, with rows in every table, to be copied."""
    return made_once(tmp_path_factory, "grown", grown_in)


@pytest.fixture
def database(url: str, file: Path, empty_record: Path) -> Iterator[Database]:
    shutil.copyfile(empty_record, file)
    with open_database(url) as opened:
        yield opened


@pytest.fixture(scope="session")
def begin_visit() -> Callable[..., Visit]:
    """A visit of a unit to a bench, begun and not ended; all names are invented."""

    def begin(session: Session, serial: str = "TR-0001-7", *, bench: str = "Bench A", day: int = 0) -> Visit:
        product = get_or_add_product_revision(
            session, product_name="Demo oscillator", toml_text="law = 'octave'\n", at_utc=MORNING
        )
        place = get_or_add_bench_revision(session, bench_name=bench, toml_text=f"name = '{bench}'\n", at_utc=MORNING)
        unit = get_or_add_unit(session, serial=serial, product_id=product.product_id, batch_code="B26-03")
        visit = Visit(
            unit_id=unit.id,
            product_revision_id=product.id,
            bench_revision_id=place.id,
            operator="operator 1",
            purpose="work",
            software_version="0.1.0",
            started_utc=MORNING + timedelta(days=day),
            ambient_c=22.5,
            demonstration=True,
            seed=7,
        )
        session.add(visit)
        session.flush()
        return visit

    return begin


@pytest.fixture(scope="session")
def point_of() -> Callable[[Sweep, int], Point]:
    def point(sweep: Sweep, index: int) -> Point:
        return Point(
            sweep_id=sweep.id,
            index=index,
            cv_programmed_v=0.5 * index,
            cv_v=0.5 * index + 0.005,
            cv_standard_uncertainty_v=2e-5,
            read_back_v=0.5 * index,
            frequency_hz=32.703 * 2 ** (0.5 * index),
            relative_standard_uncertainty=3e-6,
            gate_s=0.1,
            elapsed_s=0.4 * index,
            taken_utc=sweep.started_utc + timedelta(seconds=0.4 * index),
            readings_count=3,
            revisit=False,
        )

    return point


@pytest.fixture(scope="session")
def finding_of() -> Callable[..., Finding]:
    def finding(
        visit: Visit,
        phase: str = "as_left",
        characteristic: str = "scale error",
        *,
        value: float | None = 0.4,
        decision: str = "pass",
        revision: int = 0,
        note: str | None = None,
    ) -> Finding:
        return Finding(
            visit_id=visit.id,
            phase=phase,
            characteristic=characteristic,
            revision=revision,
            value=value,
            unit="cent/octave",
            expanded_uncertainty=0.1,
            coverage_probability=0.95,
            lower_limit=-1.0,
            upper_limit=1.0,
            bound_low=0.3,
            bound_high=0.5,
            rule="guard band",
            decision=decision,
            note=note,
            created_utc=visit.started_utc + timedelta(minutes=9 + revision),
        )

    return finding


@pytest.fixture(scope="session")
def move_of() -> Callable[..., Move]:
    """A move of a visit, two minutes after its start; any of its values may be another."""

    def move(visit: Visit, **changes: Any) -> Move:
        made: dict[str, Any] = {
            "visit_id": visit.id,
            "sequence": 0,
            "trim": "scale",
            "target_value": 523.251,
            "target_unit": "Hz",
            "held_cv_v": 4.0,
            "controls": {"octave": "low"},
            "turns_estimate": 0.7,
            "reading_before": 524.0,
            "reading_after": 523.26,
            "outcome": "reached",
            "started_utc": visit.started_utc + timedelta(minutes=2),
            "ended_utc": visit.started_utc + timedelta(minutes=3),
        }
        return Move(**(made | changes))

    return move


@pytest.fixture(scope="session")
def whole_visit(
    begin_visit: Callable[..., Visit],
    point_of: Callable[[Sweep, int], Point],
    finding_of: Callable[..., Finding],
    move_of: Callable[..., Move],
) -> Callable[..., Visit]:
    """An ended visit with at least one row in every table."""

    def record(session: Session, serial: str = "TR-0001-7", *, day: int = 0) -> Visit:
        visit = begin_visit(session, serial, day=day)
        start = visit.started_utc
        source = get_or_add_instrument(session, maker="Invented", model="Source", serial="S1", firmware="1.0")
        meter = get_or_add_instrument(session, maker="Invented", model="Meter", serial="M1", firmware="1.0")
        characterisation = Characterisation(
            bench_revision_id=visit.bench_revision_id,
            source_instrument_id=source.id,
            meter_instrument_id=meter.id,
            taken_utc=start,
            valid_until_utc=start + timedelta(hours=8),
            law="line",
            coefficients=(0.005, 1.0005),
            covariance=((1e-10, 0.0), (0.0, 1e-12)),
            chi_squared=7.5,
            degrees_of_freedom=8,
            points=({"programmed_v": 0.0, "measured_v": 0.005},),
        )
        sweep = Sweep(visit_id=visit.id, purpose="as_found", sequence=0, started_utc=start, controls={"octave": "low"})
        session.add_all([characterisation, sweep, *(point_of(sweep, index) for index in range(3))])
        for role, instrument in (("source", source), ("meter", meter)):
            session.add(
                VisitInstrument(
                    visit_id=visit.id,
                    role=role,
                    instrument_id=instrument.id,
                    calibrated_on=date(2025, 9, 1),
                    calibration_due=date(2026, 9, 1),
                )
            )
        session.add_all(
            [
                Reading(
                    visit_id=visit.id,
                    purpose="as_found",
                    quantity="rail voltage",
                    controls={},
                    value=10.002,
                    unit="V",
                    standard_uncertainty=0.0005,
                    taken_utc=start + timedelta(minutes=1),
                ),
                TrackingFit(
                    sweep_id=sweep.id,
                    core_pitch_octaves=5.03,
                    slope=1.002,
                    leakage_hz=0.01,
                    dead_time_s=4e-7,
                    covariance=((1e-10, 0.0, 0.0, 0.0),) * 4,
                    drift_low_cents_per_minute=0.02,
                    drift_high_cents_per_minute=0.05,
                    chi_squared=12.0,
                    degrees_of_freedom=13,
                    lack_of_fit_probability=0.5,
                ),
                Recommendation(visit_id=visit.id, sweep_id=sweep.id, document={"moves": [{"trim": "scale"}]}),
                move_of(visit),
                TrimObservation(
                    visit_id=visit.id,
                    product_revision_id=visit.product_revision_id,
                    batch_code="B26-03",
                    trim="scale",
                    quantity="pivot",
                    value=9.03,
                    standard_uncertainty=0.05,
                    taken_utc=start + timedelta(minutes=3),
                ),
                finding_of(visit, "as_found", value=2.4, decision="fail"),
                finding_of(visit, "as_left"),
                Verdict(
                    visit_id=visit.id,
                    decision="pass",
                    causes=(),
                    reason="all findings pass",
                    created_utc=start + timedelta(minutes=10),
                ),
            ]
        )
        session.flush()
        end_visit(session, visit.id, outcome="finished", ended_utc=start + timedelta(minutes=11))
        return visit

    return record
