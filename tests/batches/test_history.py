"""An invented history looks like visits of the rig, is marked as invented, and never comes among real ones."""

from __future__ import annotations

import shutil
from dataclasses import replace
from typing import TYPE_CHECKING

import pytest
from sqlalchemy import func, select

from db.batches import batch_lines
from db.engine import open_database
from db.history import history as history_of
from db.models import (
    Bench,
    BenchCheck,
    BenchRevision,
    Finding,
    Move,
    Point,
    Product,
    ProductRevision,
    Repair,
    Suspicion,
    Sweep,
    TrackingFit,
    Unit,
    UnitReturn,
    Verdict,
    Visit,
)
from db.queries import get_or_add_bench_revision, get_or_add_product_revision, get_or_add_unit
from db.questions import connection_of
from drivers.virtual.faults import Fault
from fixtures import demonstration_product
from rig.causes import named_cause
from rig.diagnosis import Fault as Found
from rig.errors import WrongInput
from rig.invented import story
from rig.invented.history import BENCHES, tell_history
from rig.invented.place import own_place, url_of
from rig.knowledge import learned_trims
from rig.product import load_product
from rig.returns import Reason
from rig.science.reference import Standing
from rig.stages.verify_bench import REFERENCE_BATCH, VERIFY

if TYPE_CHECKING:
    from pathlib import Path

    from db.engine import Database
    from rig.invented.history import Told

from tests.batches.conftest import ENDS, UNITS, VISITS, short_plans


def test_every_visit_is_marked_ended_and_judged(history: Database):
    with history.reading() as session:
        every = session.scalars(select(Visit)).all()
        verdicts = session.scalar(select(func.count()).select_from(Verdict))
    visits = [each for each in every if each.purpose != VERIFY]
    # the units of two batches, some once more, and one that came back
    assert 2 * UNITS < len(visits) <= 4 * UNITS
    assert verdicts == len(visits)
    assert all(each.demonstration and each.outcome == "finished" for each in every)
    assert max(each.ended_utc for each in every if each.ended_utc is not None) < ENDS


def test_returns_are_entered_with_reasons_and_suspicions_and_failures_with_repairs(history: Database):
    """A unit counts as back that left the line on an earlier day, with the program's own functions."""
    with history.reading() as session:
        back = session.scalars(select(UnitReturn)).all()
        repairs = session.scalars(select(Repair)).all()
        judged = session.execute(
            select(Visit.unit_id, Visit.id, Visit.started_utc, Verdict.decision)
            .join(Verdict, Verdict.visit_id == Visit.id)
            .order_by(Visit.started_utc)
        ).all()
        suspected = set(session.scalars(select(Suspicion.visit_id)))
    assert back
    assert all(each.reason in list(Reason) and each.who.startswith("invented") for each in back)
    again = [
        visit_id
        for unit_id, visit_id, started, _ in judged
        if any(each.unit_id == unit_id and abs((started - each.received_utc).total_seconds()) < 60.0 for each in back)
    ]
    assert len(again) == len(back)
    assert suspected <= {visit_id for _, visit_id, _, _ in judged}
    failed = {unit_id for unit_id, _, _, decision in judged if decision.endswith("fail")}
    assert {each.unit_id for each in repairs} <= failed
    assert all(each.note or each.parts for each in repairs)


def test_the_reference_unit_tells_a_lead_that_went_bad(history: Database):
    """Both batches begin and end with a check of their bench, and so do the returns begin."""
    with history.reading() as session:
        checks = session.scalars(select(BenchCheck).order_by(BenchCheck.taken_utc)).all()
        ended = session.scalars(select(Visit.outcome).where(Visit.purpose == VERIFY)).all()
        moved = {
            bench
            for bench, standing in session.execute(
                select(Bench.name, BenchCheck.standing)
                .join(Visit, Visit.id == BenchCheck.visit_id)
                .join(BenchRevision, BenchRevision.id == Visit.bench_revision_id)
                .join(Bench, Bench.id == BenchRevision.bench_id)
            )
            if standing == Standing.MOVED.value
        }
    assert len(checks) == 2 * 2 + 1
    assert set(ended) == {"finished"}
    assert moved == {BENCHES[1]}


def test_visits_have_the_rows_that_a_visit_of_the_rig_has(history: Database, told: tuple[Path, Told]):
    with history.reading() as session:
        found = history_of(connection_of(session), told[1].example)
        sweeps = session.execute(
            select(Sweep.purpose, func.count(Point.index))
            .join(Point, Point.sweep_id == Sweep.id)
            .group_by(Sweep.id, Sweep.purpose)
        ).all()
        fits = session.scalar(select(func.count()).select_from(TrackingFit))
        moves = session.scalar(select(func.count()).select_from(Move))
        findings = session.scalar(select(func.count()).select_from(Finding))
    assert len(found.visits) >= 1
    assert {purpose for purpose, _ in sweeps} == {"as_found", "as_left", VERIFY}
    # 17 points, and four returns to low and high
    assert {count for _, count in sweeps} == {21}
    assert fits == len(sweeps)
    assert moves
    assert findings


def test_what_the_moves_taught_is_there_for_the_next_unit(history: Database):
    product = load_product(demonstration_product())
    with history.reading() as session:
        known = learned_trims(session, product, None, demonstration=True)
    assert known["scale"].gain.others
    assert known["scale"].pivot is not None


def test_the_same_seed_tells_the_same_unit(told: tuple[Path, Told], tmp_path: Path, empty_record: Path):
    first_unit = f"%{told[1].batches[0].code}0001_"

    def values(database: Database) -> list[tuple[str, str, str, float | None]]:
        with database.reading() as session:
            rows = session.execute(
                select(Unit.serial, Finding.phase, Finding.characteristic, Finding.value)
                .join(Visit, Visit.id == Finding.visit_id)
                .join(Unit, Unit.id == Visit.unit_id)
                .where(Unit.serial.like(first_unit))
                .order_by(Visit.started_utc, Finding.phase, Finding.characteristic)
            ).all()
        return [(serial, phase, name, value) for serial, phase, name, value in rows]

    alone = replace(told[1].batches[0], units=1)
    shutil.copyfile(empty_record, tmp_path / "again.sqlite")
    with open_database(url_of(str(tmp_path / "again.sqlite"))) as database:
        tell_history(database, VISITS, seed=3, plans=(alone,))
        again = values(database)
    with open_database(f"sqlite:///{told[0]}") as database:
        first = values(database)
    assert again
    assert again == first[: len(again)]


def test_a_scale_without_travel_takes_no_other_trim_along(
    monkeypatch: pytest.MonkeyPatch, tmp_path: Path, empty_record: Path
):
    """Highs and base have their travel: what they would need to make up for the scale is no fault of theirs."""
    monkeypatch.setattr(story, "FAULTY_SHARE", 1.0)
    monkeypatch.setattr(story, "Fault", [Fault.SCALE_OUT_OF_TRAVEL])
    plan = replace(short_plans()[0], code="2642", units=UNITS, story=story.Story.PLAIN)
    shutil.copyfile(empty_record, tmp_path / "travel.sqlite")
    with open_database(url_of(str(tmp_path / "travel.sqlite"))) as database:
        tell_history(database, VISITS, seed=1, plans=(plan,))
        with database.reading() as session:
            causes = [named_cause(each) for listed in session.scalars(select(Verdict.causes)) for each in listed]
    assert len(causes) >= UNITS - 1
    assert {(each.fault, each.where) for each in causes} == {(Found.OUT_OF_TRAVEL, "SCALE")}


def test_a_record_with_a_real_visit_is_refused(tmp_path: Path, empty_record: Path):
    shutil.copyfile(empty_record, tmp_path / "real.sqlite")
    with open_database(url_of(str(tmp_path / "real.sqlite"))) as database:
        with database.session() as session:
            revision = get_or_add_product_revision(session, product_name="Real", toml_text="real", at_utc=ENDS)
            bench = get_or_add_bench_revision(session, bench_name="real", toml_text="real", at_utc=ENDS)
            unit = get_or_add_unit(session, serial="R1", product_id=revision.product_id, batch_code="B1")
            session.add(
                Visit(
                    unit_id=unit.id,
                    product_revision_id=revision.id,
                    bench_revision_id=bench.id,
                    operator="someone",
                    purpose="adjust",
                    software_version="0",
                    started_utc=ENDS,
                    demonstration=False,
                )
            )
        with pytest.raises(WrongInput, match="holds visits of real units"):
            tell_history(database, 20, seed=1)
        with database.reading() as session:
            assert session.scalar(select(func.count()).select_from(Visit)) == 1


def test_the_same_batches_are_not_told_twice(history: Database):
    with pytest.raises(WrongInput, match="already"):
        tell_history(history, VISITS, seed=3, plans=short_plans())


@pytest.mark.parametrize("visits", [0, 5, 10**9])
def test_a_number_that_makes_no_history_is_refused(history: Database, visits: int):
    with pytest.raises(WrongInput, match=f"not {visits}"):
        tell_history(history, visits, seed=3)


def test_a_history_has_a_file_of_its_own(monkeypatch: pytest.MonkeyPatch, tmp_path: Path):
    monkeypatch.setenv("XDG_DATA_HOME", str(tmp_path))
    first = own_place()
    open_database(first).close()
    assert own_place() != first


def test_the_list_of_batches_has_them_all(history: Database, codes: tuple[str, ...]):
    with history.reading() as session:
        lines = batch_lines(connection_of(session))
        assert len(batch_lines(connection_of(session), latest=1)) == 1
        products = session.scalars(select(Product.name)).all()
        revisions = session.scalar(select(func.count()).select_from(ProductRevision))
    assert {each.batch_code for each in lines} == {*codes, REFERENCE_BATCH}
    assert all(each.demonstration for each in lines)
    assert [each.product for each in lines] == list(products) * len(lines)
    assert revisions == 1
