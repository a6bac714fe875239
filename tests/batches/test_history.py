"""An invented history looks like visits of the rig, is marked as invented, and never comes among real ones."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

import pytest
from sqlalchemy import func, select

from db.batches import batch_lines
from db.engine import open_database
from db.history import history as history_of
from db.models import Finding, Move, Point, Product, ProductRevision, Sweep, TrackingFit, Unit, Verdict, Visit
from db.queries import get_or_add_bench_revision, get_or_add_product_revision, get_or_add_unit
from drivers.virtual.faults import Fault
from fixtures import demonstration_product
from rig.causes import named_cause
from rig.diagnosis import Fault as Found
from rig.errors import WrongInput
from rig.invented import story
from rig.invented.history import tell_history
from rig.invented.place import own_place, url_of
from rig.knowledge import learned_trims
from rig.product import load_product

if TYPE_CHECKING:
    from pathlib import Path

    from db.engine import Database
    from rig.invented.history import Told

from tests.batches.conftest import ENDS, UNITS, VISITS, short_plans


def test_every_visit_is_marked_ended_and_judged(history: Database):
    with history.reading() as session:
        visits = session.scalars(select(Visit)).all()
        verdicts = session.scalar(select(func.count()).select_from(Verdict))
    # the units of two batches, some once more, and one that came back
    assert 2 * UNITS < len(visits) <= 4 * UNITS
    assert verdicts == len(visits)
    assert all(each.demonstration and each.outcome == "finished" for each in visits)
    assert max(each.ended_utc for each in visits if each.ended_utc is not None) < ENDS


def test_visits_have_the_rows_that_a_visit_of_the_rig_has(history: Database, told: tuple[Path, Told]):
    with history.reading() as session:
        found = history_of(session, told[1].example)
        sweeps = session.execute(
            select(Sweep.purpose, func.count(Point.index))
            .join(Point, Point.sweep_id == Sweep.id)
            .group_by(Sweep.id, Sweep.purpose)
        ).all()
        fits = session.scalar(select(func.count()).select_from(TrackingFit))
        moves = session.scalar(select(func.count()).select_from(Move))
        findings = session.scalar(select(func.count()).select_from(Finding))
    assert len(found.visits) >= 1
    assert {purpose for purpose, _ in sweeps} == {"as_found", "as_left"}
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


def test_the_same_seed_tells_the_same_unit(told: tuple[Path, Told], tmp_path: Path):
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
    with open_database(url_of(str(tmp_path / "again.sqlite"))) as database:
        tell_history(database, VISITS, seed=3, plans=(alone,))
        again = values(database)
    with open_database(f"sqlite:///{told[0]}") as database:
        first = values(database)
    assert again
    assert again == first[: len(again)]


def test_a_scale_without_travel_takes_no_other_trim_along(monkeypatch: pytest.MonkeyPatch, tmp_path: Path):
    """Highs and base have their travel: what they would need to make up for the scale is no fault of theirs."""
    monkeypatch.setattr(story, "FAULTY_SHARE", 1.0)
    monkeypatch.setattr(story, "Fault", [Fault.SCALE_OUT_OF_TRAVEL])
    plan = replace(short_plans()[0], code="2642", units=UNITS, story=story.Story.PLAIN)
    with open_database(url_of(str(tmp_path / "travel.sqlite"))) as database:
        tell_history(database, VISITS, seed=1, plans=(plan,))
        with database.reading() as session:
            causes = [named_cause(each) for listed in session.scalars(select(Verdict.causes)) for each in listed]
    assert len(causes) >= UNITS - 1
    assert {(each.fault, each.where) for each in causes} == {(Found.OUT_OF_TRAVEL, "SCALE")}


def test_a_record_with_a_real_visit_is_refused(tmp_path: Path):
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
        lines = batch_lines(session)
        assert len(batch_lines(session, latest=1)) == 1
        products = session.scalars(select(Product.name)).all()
        revisions = session.scalar(select(func.count()).select_from(ProductRevision))
    assert {each.batch_code for each in lines} == set(codes)
    assert all(each.demonstration for each in lines)
    assert [each.product for each in lines] == list(products) * len(lines)
    assert revisions == 1
