"""One visit on the virtual bench, kept in a database, and beside it a unit whose every text is awkward."""

from __future__ import annotations

from dataclasses import dataclass, replace
from datetime import timedelta
from typing import TYPE_CHECKING

import pytest
from sqlalchemy import select

from db.engine import open_database
from db.models import Finding, Point, Sweep, Unit, Verdict, Visit, VisitInstrument
from db.queries import end_visit
from db.returns import add_repair, add_return
from fixtures import demonstration_bench, demonstration_product
from rig.bench import drawn_anew, load_bench, open_bench
from rig.kept_visit import read_visit
from rig.opening import limits_of
from rig.operators.virtual import VirtualOperator
from rig.product import load_product
from rig.visit import Purpose, Request, run_visit
from tests.made_once import made_once

if TYPE_CHECKING:
    from pathlib import Path

    from rig.kept_visit import KeptVisit
    from rig.visit import Visit as LiveVisit

HEBREW = "\u05e9\u05dc\u05d5\u05dd"
AWKWARD_SERIAL = f"=1+1,\"<b>x</b>'\n{HEBREW}\U0001f642"
FORMULA = "=cmd|' /C calc'!A0"
SCRIPT = "<script>alert(1)</script>&amp;<img src=x onerror=alert(2)>"
BACKWARDS = "pass\u202edaolnwod"
LONG = "A long note, word after word, that goes on for pages. " * 150 + "x" * 5000
NOTES = (FORMULA, SCRIPT, f"{HEBREW} (12 V) abc\n\u0645\u0631\u062d\u0628\u0627 +7", "\U0001f39b\ufe0f fine", BACKWARDS)


@dataclass(frozen=True, slots=True)
class Kept:
    """A database with both visits, and the visit as it was before it was read back."""

    url: str
    live: LiveVisit
    plain: KeptVisit
    awkward: KeptVisit


@pytest.fixture(scope="session")
def kept(tmp_path_factory: pytest.TempPathFactory) -> Kept:
    return made_once(tmp_path_factory, "kept", _keep)


def _keep(folder: Path) -> Kept:
    bench_file = drawn_anew(load_bench(demonstration_bench()), seed=7, fault="")
    virtual = {**(bench_file.contents.virtual or {}), "link": "direct"}
    bench_file = replace(bench_file, contents=bench_file.contents.model_copy(update={"virtual": virtual}))
    product = load_product(demonstration_product())
    serial = product.contents.serial.with_check_character("DM26070007")
    url = f"sqlite:///{folder}/record.sqlite"
    with open_database(url) as database, open_bench(bench_file, limits_of(product)) as bench:
        assert bench.hands is not None
        operator = VirtualOperator(bench.hands, bench.clock, 7)
        live = run_visit(
            bench, bench_file, product, operator, database, Request(serial, Purpose.ADJUST, "operator 1", 21.5, 7)
        )
        with database.session() as session:
            _add_awkward(session, live.visit_id)
        return Kept(url, live, read_visit(database, serial), read_visit(database, AWKWARD_SERIAL))


def _add_awkward(session, visit_id) -> None:
    """The same points under a serial, a batch, an operator and notes that nobody expects."""
    of = session.get(Visit, visit_id)
    unit = Unit(serial=AWKWARD_SERIAL, product_id=session.get(Unit, of.unit_id).product_id, batch_code='@batch, "7"')
    visit = Visit(
        unit_id=unit.id,
        product_revision_id=of.product_revision_id,
        bench_revision_id=of.bench_revision_id,
        operator=f"{SCRIPT} {HEBREW}",
        purpose="adjust",
        software_version="0.1.0",
        started_utc=of.started_utc,
        demonstration=True,
    )
    session.add_all([unit, visit])
    used = session.scalars(select(VisitInstrument).where(VisitInstrument.visit_id == visit_id)).all()
    session.add_all(
        VisitInstrument(visit_id=visit.id, role=each.role, instrument_id=each.instrument_id) for each in used
    )
    swept = select(Sweep).where(Sweep.visit_id == visit_id, Sweep.purpose == "as_left")
    for sweep in session.scalars(swept).all():
        again = Sweep(
            visit_id=visit.id, purpose="as_left", sequence=0, started_utc=sweep.started_utc, controls=sweep.controls
        )
        session.add(again)
        columns = [each.key for each in Point.__mapper__.column_attrs if each.key != "sweep_id"]
        session.add_all(
            Point(sweep_id=again.id, **{name: getattr(point, name) for name in columns})
            for point in session.scalars(select(Point).where(Point.sweep_id == sweep.id)).all()
        )
    for place, note in enumerate((*NOTES, LONG)):
        session.add(
            Finding(
                visit_id=visit.id,
                phase="as_left",
                characteristic=f"{FORMULA} {place}",
                value=-1.5,
                unit="cents",
                expanded_uncertainty=0.21,
                coverage_probability=0.95,
                lower_limit=-3.0,
                upper_limit=None,
                bound_low=-1.71,
                bound_high=-1.29,
                rule="guard band w = U",
                decision="pass",
                note=note,
                created_utc=of.started_utc + timedelta(minutes=9, microseconds=place),
            )
        )
    first = Verdict(
        visit_id=visit.id, decision="pass", causes=[], reason=SCRIPT, created_utc=of.started_utc + timedelta(minutes=9)
    )
    session.add(first)
    session.flush()
    session.add(
        Verdict(
            visit_id=visit.id,
            decision="fail",
            causes=list(NOTES),
            reason=f"{FORMULA}\n{LONG}",
            corrects_verdict_id=first.id,
            created_utc=of.started_utc + timedelta(hours=1),
        )
    )
    session.flush()
    came, mended = of.started_utc - timedelta(days=1), of.started_utc + timedelta(minutes=5)
    add_return(session, unit.id, reason="out of tune", complaint=SCRIPT, who="desk", received_utc=came)
    add_repair(session, unit.id, parts=["R7", FORMULA], note=LONG, who="bench 2", done_utc=mended)
    add_repair(session, unit.id, parts=["later"], note="", who="bench 2", done_utc=mended + timedelta(days=9))
    end_visit(session, visit.id, outcome="finished", ended_utc=of.started_utc + timedelta(minutes=10))
