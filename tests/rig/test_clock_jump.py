"""The computer's clock is set in the middle of a visit: no verdict, no order, no age hangs on it, and it is said."""

from __future__ import annotations

import shutil
import time
from dataclasses import dataclass, replace
from datetime import UTC, datetime, timedelta
from uuid import uuid4
from zoneinfo import ZoneInfo

import pytest
from sqlalchemy import select

from db import models
from db.engine import open_database
from db.history import UnitHistory, VerdictRow, VisitRow
from drivers.source import VoltageLimits
from drivers.virtual.clock import InstantClock
from fixtures import demonstration_bench, demonstration_product
from rig.bench import drawn_anew, load_bench, open_bench
from rig.operators.virtual import VirtualOperator
from rig.product import load_product
from rig.specification import Calibration
from rig.steady_clock import SteadyClock
from rig.visit import Purpose, Request, run_visit
from rig.work import Standing, known

HOUR_S = 3600.0
WARMING_S, SWEEPING_S = 200.0, 495.5
"""On the bench's clock: in the warm-up, and in the sweeps after it."""


@dataclass
class Set:
    """A clock whose date is set, by so many seconds at such a time, as a time server steps one (RFC 5905, 11.3)."""

    clock: InstantClock
    steps: tuple[tuple[float, float], ...]

    def now(self):
        return self.clock.now()

    def sleep(self, duration_s):
        self.clock.sleep(duration_s)

    def utc(self):
        now_s = self.now()
        return self.clock.utc() + timedelta(seconds=sum(step_s for at_s, step_s in self.steps if now_s >= at_s))


@pytest.fixture
def visited(tmp_path, empty_record):
    """A check of a unit; its clock is set meanwhile where a step is given."""
    drawn = drawn_anew(load_bench(demonstration_bench()), seed=5, fault="")
    virtual = {**drawn.contents.virtual, "link": "direct", "started": "2026-03-04T09:00:00Z"}
    bench_file = replace(drawn, contents=drawn.contents.model_copy(update={"virtual": virtual}))
    product = load_product(demonstration_product())

    def visit(*steps):
        told = []
        shutil.copy(empty_record, tmp_path / f"{len(steps)}.sqlite")
        with (
            open_database(f"sqlite:///{tmp_path}/{len(steps)}.sqlite") as database,
            open_bench(bench_file, VoltageLimits(-0.5, 8.5)) as opened,
        ):
            bench = replace(opened, clock=SteadyClock(Set(opened.provider.clock, steps)))
            operator = VirtualOperator(bench.hands, bench.clock, 5, say=told.append)
            request = Request("DM260000029", Purpose.CHECK, "test", seed=5)
            made = run_visit(bench, bench_file, product, operator, database, request)
            with database.reading() as session:
                wanted = select(models.Point).join(models.Sweep, models.Sweep.id == models.Point.sweep_id)
                rows = session.scalars(wanted.order_by(models.Sweep.sequence, models.Point.index)).all()
        return made, [(row.taken_utc, row.elapsed_s, row.frequency_hz) for row in rows], told

    return visit


def test_a_clock_set_in_a_visit_changes_no_verdict_no_date_of_a_point_and_no_order(visited):
    undisturbed, points, told = visited()
    assert not any("clock was set" in each for each in told)
    assert [each[0] for each in points] == sorted(each[0] for each in points)
    made, moved, said = visited((WARMING_S, HOUR_S), (SWEEPING_S, -2.0 * HOUR_S))
    assert moved == points
    began = datetime(2026, 3, 4, 9, 0, tzinfo=UTC)
    assert (points[0][0] - began).total_seconds() < SWEEPING_S < (points[-1][0] - began).total_seconds()
    assert made.verdict == undisturbed.verdict
    assert [each.value for each in made.findings] == [each.value for each in undisturbed.findings]
    assert any("The computer's clock was set back by 1 h 0 min" in each for each in said)


def clock(step_s):
    """A clock that is set after a minute, as a visit sees it; and the one beneath."""
    beneath = Set(InstantClock(datetime(2026, 3, 4, 9, 0, tzinfo=UTC)), ((60.0, step_s),))
    return SteadyClock(beneath), beneath


def test_the_date_goes_on_with_the_time_that_passes_until_it_is_taken_anew():
    steady, beneath = clock(-HOUR_S)
    beneath.sleep(90.0)
    assert steady.utc() == datetime(2026, 3, 4, 9, 1, 30, tzinfo=UTC)
    said = steady.take_date()
    assert "set back by 1 h 0 min" in said
    assert said.endswith("Check that it is right now: 2026-03-04 08:01 UTC.")
    assert steady.utc() == datetime(2026, 3, 4, 8, 1, 30, tzinfo=UTC)
    assert steady.take_date() == ""


def test_only_a_clock_that_was_set_back_makes_ages_doubtful():
    for step_s, doubtful_s in ((HOUR_S, 0.0), (-HOUR_S, HOUR_S), (-5.0, 0.0)):
        steady, beneath = clock(step_s)
        beneath.sleep(90.0)
        steady.take_date()
        assert steady.set_back_s == doubtful_s
        steady.forgive()
        assert steady.set_back_s == 0.0


def passed(began):
    verdict = VerdictRow(uuid4(), "pass", (), "why", None, began)
    return VisitRow(
        uuid4(), "bench", "Eve", "adjust", "1", began, began, "finished", None, True, None, (verdict,), (), ()
    )  # fmt: skip


def standing(began, now, zone):
    return known("S", UnitHistory(uuid4(), "S", "DEMO", "2600", (passed(began),)), now, zone).standing


def test_today_is_one_day_on_the_day_that_summer_time_ends_and_begins():
    # Directive 2000/84/EC: summer time ends at 01:00 UTC on the last Sunday of October and begins so in March
    berlin = ZoneInfo("Europe/Berlin")
    for day in (datetime(2026, 10, 25, tzinfo=berlin), datetime(2026, 3, 29, tzinfo=berlin)):
        early, late = day.replace(hour=0, minute=10), day.replace(hour=23, minute=50)
        assert standing(early.astimezone(UTC), late.astimezone(UTC), berlin) is Standing.PASSED_ALREADY
        before = early - timedelta(minutes=20)
        assert standing(before.astimezone(UTC), late.astimezone(UTC), berlin) is Standing.RETURNED


def certified(file, calibration):
    """The bench with another certificate of its meter."""
    return file.model_copy(update={"meter": file.meter.model_copy(update={"calibration": calibration})})


@pytest.mark.skipif(not hasattr(time, "tzset"), reason="the time zone of a running program is set on POSIX only")
@pytest.mark.parametrize(("zone", "east_h"), [("WEST12", -12), ("UTC0", 0), ("EAST-14", 14)])
def test_a_certificate_of_this_morning_counts_and_one_due_today_still_does(stand, monkeypatch, zone, east_h):
    # IEEE 1003.1, 8.3: hours of TZ are counted west of Greenwich; the two ends of the earth never have one date
    monkeypatch.setenv("TZ", zone)
    time.tzset()
    try:
        with stand() as it:
            today, year = (it.bench.clock.utc() + timedelta(hours=east_h)).date(), timedelta(days=365)
            assert it.bench.today == today
            for on in (today, today - year):
                file = certified(it.bench.file, Calibration(on=on, due=on + year))
                assert replace(it.bench, file=file).overdue() == ()
            lapsed = certified(it.bench.file, Calibration(on=today - year, due=today - timedelta(days=1)))
            assert len(replace(it.bench, file=lapsed).overdue()) == 1
    finally:
        monkeypatch.undo()
        time.tzset()


def test_a_unit_that_passed_later_than_the_clock_says_has_not_come_back():
    now = datetime(2026, 3, 4, 23, 30, tzinfo=UTC)
    assert standing(now + timedelta(hours=1), now, UTC) is Standing.PASSED_ALREADY
    recorded = UnitHistory(uuid4(), "S", "DEMO", "2600", (passed(now + timedelta(days=3)),))
    assert "on 2026-03-07" in known("S", recorded, now, UTC).said
