"""The operator's loop: what a serial's history means, what one unit's fault may do, and a whole shift in a terminal."""

from __future__ import annotations

import re
import sys
import time
from dataclasses import dataclass, field, replace
from datetime import UTC, datetime, timedelta, timezone
from shutil import copyfile
from typing import TYPE_CHECKING
from uuid import uuid4

import pytest

from db.engine import open_database
from db.errors import DatabaseError
from db.history import UnitHistory, VerdictRow, VisitRow, history
from db.queries import unit_by_serial
from db.questions import connection_of
from db.returned import ReturnRow
from db.returns import add_return
from drivers.errors import LinkLost
from drivers.source import VoltageLimits
from fixtures import demonstration_product
from rig.bench import open_bench
from rig.errors import SerialProblem, Stopped
from rig.operators.virtual import VirtualOperator
from rig.product import load_product
from rig.science.conformity import Decision
from rig.visit import Purpose, Request, run_visit
from rig.work import Calls, Standing, known, recover_bench, work
from tests.benchmarks.fault_matrix.run import Setting
from tests.benchmarks.fault_matrix.run import bench_file as bench_file_of
from tests.benchmarks.fault_matrix.run import product as product_of
from tests.terminal.terminal import KEY_S, PATIENCE_S, Terminal

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator, Sequence

SERIAL = "DM26000001B"
NOW = datetime(2026, 3, 4, 9, 30, tzinfo=UTC)


def a_visit(began, decision=None, causes=()):
    verdicts = () if decision is None else (VerdictRow(uuid4(), decision, tuple(causes), "why", None, began),)
    return VisitRow(
        uuid4(), "bench", "Eve", "adjust", "1", began, began, "finished", None, True, None, verdicts, (), ()
    )  # fmt: skip


def standing(*visits, now=NOW, zone=UTC, entered=None):
    return known(SERIAL, UnitHistory(uuid4(), SERIAL, "DEMO", "2600", visits), now, zone, entered=entered)


def test_a_serial_that_was_never_recorded_is_new():
    assert known(SERIAL, None, NOW).standing is Standing.NEW
    assert standing().standing is Standing.NEW


def test_a_visit_without_a_verdict_is_unfinished_even_after_one_that_passed():
    begun = replace(a_visit(NOW - timedelta(minutes=10)), ended_utc=None)
    found = standing(begun)
    assert found.standing is Standing.UNFINISHED
    assert "at 09:20 by Eve" in found.said
    assert standing(a_visit(NOW - timedelta(hours=2), "pass"), begun).standing is Standing.UNFINISHED
    stopped = a_visit(NOW - timedelta(minutes=10))
    assert standing(stopped).standing is Standing.UNFINISHED
    assert standing(a_visit(NOW - timedelta(hours=2), "pass"), stopped).standing is Standing.PASSED_ALREADY


def test_a_unit_that_passed_in_this_shift_is_told_from_one_that_came_back():
    assert standing(a_visit(NOW - timedelta(hours=2), "pass")).standing is Standing.PASSED_ALREADY
    assert standing(a_visit(NOW - timedelta(hours=2), "conditional pass")).standing is Standing.PASSED_ALREADY
    returned = standing(a_visit(NOW - timedelta(days=40), "pass"))
    assert returned.standing is Standing.RETURNED
    assert "on 2026-01-23" in returned.said


def test_a_unit_that_reception_entered_came_back_also_on_the_day_on_which_it_passed():
    entered = ReturnRow("drifts", "", "reception", NOW - timedelta(minutes=5))
    assert standing(a_visit(NOW - timedelta(hours=2), "pass"), entered=entered).standing is Standing.RETURNED
    never_here = standing(entered=entered)
    assert never_here.standing is Standing.RETURNED
    assert "was not measured here before" in never_here.said
    failed = standing(a_visit(NOW - timedelta(hours=2), "fail"), entered=entered)
    assert failed.standing is Standing.FAILED


def test_today_is_the_day_of_the_people_at_the_bench():
    # 23:30 UTC the day before is 08:30 today nine hours east of it
    east = timezone(timedelta(hours=9))
    late = a_visit(datetime(2026, 3, 3, 23, 30, tzinfo=UTC), "pass")
    assert standing(late, zone=east).standing is Standing.PASSED_ALREADY
    assert standing(late, now=NOW).standing is Standing.RETURNED


def test_a_night_shift_is_one_shift_on_both_sides_of_midnight():
    late, after = datetime(2026, 3, 3, 23, 50, tzinfo=UTC), datetime(2026, 3, 4, 0, 10, tzinfo=UTC)
    found = standing(a_visit(late, "pass"), now=after)
    assert found.standing is Standing.PASSED_ALREADY
    assert "has passed already (at 23:50 by Eve)" in found.said
    assert "at 23:50 by Eve" in standing(replace(a_visit(late), ended_utc=None), now=after).said
    assert standing(a_visit(late, "pass"), now=late + timedelta(hours=8)).standing is Standing.RETURNED


def test_a_unit_that_failed_after_it_passed_has_failed():
    found = standing(
        a_visit(NOW - timedelta(hours=3), "pass"), a_visit(NOW - timedelta(hours=1), "fail", ["the rail resistor"])
    )
    assert found.standing is Standing.FAILED
    assert "the rail resistor" in found.said


@dataclass
class ListedScans:
    """Scans given beforehand; an error among them is raised."""

    scans: list[str | Exception | type[BaseException]]

    def next_scan(self) -> str | None:
        if not self.scans:
            return None
        scan = self.scans.pop(0)
        if isinstance(scan, str):
            return scan
        raise scan


@dataclass
class Floor:
    """A virtual bench with a database, and everything that the loop said and did there."""

    bench: object
    database: object
    visit: Callable[[str], object]
    adjust: Callable[[str, VirtualOperator], object]
    said: list[str] = field(default_factory=list)
    finished: list[str] = field(default_factory=list)

    def calls(self, visit=None) -> Calls:
        return Calls(
            visit=visit or self.visit,
            finish=lambda done: self.finished.append(done.serial),
            recover=lambda met: recover_bench(self.bench, met),
            tell=self.said.append,
            now=self.bench.clock.utc,
        )

    def work(self, scans: Sequence[object], visit=None):
        return work(ListedScans(list(scans)), self.database, self.calls(visit))


@pytest.fixture
def floor(tmp_path, empty_record) -> Iterator[Floor]:
    """What is measured of a unit is no matter here: a check of few points, within limits that any unit keeps.

    Whoever adjusts does so as the demonstration's product wants it.
    """
    quick, trimmed = product_of(Setting(lean=True)), load_product(demonstration_product())
    bench_file = bench_file_of(Setting(), ())
    absolute = trimmed.contents.range.absolute
    copyfile(empty_record, tmp_path / "record.sqlite")
    with (
        open_database(f"sqlite:///{tmp_path}/record.sqlite") as database,
        open_bench(bench_file, VoltageLimits(absolute.low_v, absolute.high_v)) as bench,
    ):

        def visit(serial: str):
            operator = VirtualOperator(bench.hands, bench.clock, 1)
            request = Request(serial, Purpose.CHECK, "Eve", seed=1)
            return run_visit(bench, bench_file, quick, operator, database, request)

        def adjust(serial: str, operator):
            request = Request(serial, Purpose.ADJUST, "Eve", seed=1)
            return run_visit(bench, bench_file, trimmed, operator, database, request)

        yield Floor(bench, database, visit, adjust)


def switched_on(bench):
    bench.source.set_voltage(3.0)
    bench.source.output_on()


def is_safe(bench):
    return not bench.source.is_on() and bench.source.programmed() == 0.0


def test_one_units_fault_is_one_sentence_and_the_next_unit_is_measured(floor):
    faults = [
        LinkLost("The counter is gone: check its cable"),
        DatabaseError("The record cannot be written: make room"),
        Stopped("The operator stopped the visit."),
        PermissionError(13, "denied", "slips"),
    ]
    units = iter(faults)

    def failing(serial):
        switched_on(floor.bench)
        fault = next(units, None)
        if fault is None:
            return floor.visit(serial)
        raise fault

    scans = [f"DM2600000{number}" for number in range(4)]
    shift = floor.work([SerialProblem("Two serials came as one."), *scans, SERIAL], failing)
    assert "Two serials came as one." in floor.said
    assert "The counter is gone: check its cable" in floor.said
    assert any("slips cannot be used" in each for each in floor.said)
    assert floor.finished == [SERIAL]
    assert (shift.faults, shift.stopped, sum(shift.decisions.values())) == (3, 1, 1)
    assert shift.sentence().startswith("5 units: 1 ")
    assert is_safe(floor.bench)
    assert floor.said[-1] == f"Unit {SERIAL} is new."


def test_a_unit_that_passed_in_this_shift_is_measured_again_only_when_scanned_twice(floor):
    visited = []

    def visit(serial):
        visited.append(serial)
        return floor.visit(serial)

    shift = floor.work([SERIAL, SERIAL, SERIAL], visit)
    assert shift.decisions[Decision.PASS] == 2
    assert visited == [SERIAL] * 2
    assert f"Unit {SERIAL} is new." in floor.said
    assert any("has passed already" in each for each in floor.said)
    assert f"Unit {SERIAL} once more." in floor.said


def test_a_unit_that_came_back_on_the_same_day_is_held_against_what_it_left_with(floor):
    floor.work([SERIAL])
    floor.bench.clock.sleep(600.0)
    with floor.database.session() as session:
        unit = unit_by_serial(session, SERIAL)
        add_return(
            session, unit.id, reason="drifts", complaint="", who="reception", received_utc=floor.bench.clock.utc()
        )
    floor.bench.clock.sleep(600.0)
    came_back = []

    def visit(serial):
        visited = floor.visit(serial)
        came_back.append(visited.came_back)
        return visited

    floor.work([SERIAL], visit)
    assert not any("has passed already" in each for each in floor.said)
    assert came_back[0] is not None
    assert came_back[0].reason is not None
    assert came_back[0].reason.reason == "drifts"


def test_ctrl_c_ends_the_work_with_a_safe_source(floor):
    def interrupted(_serial):
        switched_on(floor.bench)
        raise KeyboardInterrupt

    shift = floor.work([SERIAL, SERIAL], interrupted)
    assert shift.interrupted
    assert is_safe(floor.bench)
    assert shift.sentence() == "1 unit: 1 stopped."
    assert floor.said[-1] == (
        f"The source is at 0 V with its output off. Nothing of unit {SERIAL} was measured this time: its next scan "
        "begins a visit."
    )


class Leaves(VirtualOperator):
    """Walks away from the bench when the first trim is to be turned."""

    how: type[BaseException] = KeyboardInterrupt

    def turn(self, turn, watch):
        raise self.how("The operator stopped the visit.")


@pytest.mark.parametrize("how", [KeyboardInterrupt, Stopped])
def test_who_leaves_in_the_middle_of_a_trim_hears_that_the_source_is_safe_and_the_visit_goes_on(floor, how):
    def left(serial):
        operator = Leaves(floor.bench.hands, floor.bench.clock, 1)
        operator.how = how
        return floor.adjust(serial, operator)

    shift = floor.work([SERIAL], left)
    assert is_safe(floor.bench)
    assert shift.sentence() == "1 unit: 1 stopped."
    assert floor.said[-1] == (
        f"The source is at 0 V with its output off. What was measured of unit {SERIAL} as found and since is kept: its "
        "next scan on this bench, within 12 hours, goes on with the visit."
    )


def test_nothing_is_said_of_a_source_that_could_not_be_confirmed_safe(floor):
    def interrupted(_serial):
        raise Stopped("The operator stopped the visit.")

    def not_safe(_met):
        raise LinkLost("Switch the source off by hand")

    calls = replace(floor.calls(interrupted), recover=not_safe)
    work(ListedScans([SERIAL]), floor.database, calls)
    assert floor.said[-1] == "Switch the source off by hand"


def test_ctrl_c_between_units_counts_no_unit(floor):
    shift = floor.work([KeyboardInterrupt])
    assert shift.interrupted
    assert shift.sentence() == "No unit was measured."


ARROWS = {"up": "\x1b[A", "down": "\x1b[B", "right": "\x1b[C", "left": "\x1b[D"}
AGAIN_S = 3.0
"""After so long a key is pressed again: on a busy computer several may come as one, which is no key."""
MOST_TURNS = 150
"""Presses of arrow keys that any unit may need, in bursts: somebody who needs more is going round in circles."""
PICTURE = b"\x1b[?25l"
PICTURES_TO_SEE = 8
"""Pictures after a key until its effect is seen: those on the way, and the few readings that are judged together."""


def keys_for(way: str) -> str:
    """The keys that a newcomer presses, who reads which way and about how far."""
    hair, fine, coarse = (",", "left", "down") if "counter-clockwise" in way else (".", "right", "up")
    turns = re.search(r"about ([0-9.]+) turn", way)
    if turns is not None:
        return ARROWS[coarse] * max(round(3.5 * float(turns[1])), 1)
    said = {"half a turn": ARROWS[coarse], "a quarter turn": ARROWS[fine] * 9, "an eighth": ARROWS[fine] * 5}
    said["a touch"] = ARROWS[fine]
    return next((keys for words, keys in said.items() if words in way), hair)


@dataclass
class Newcomer:
    """Somebody who does what the screen asks for, and what they have done so far."""

    terminal: Terminal
    answered: int = 0
    answered_s: float = 0.0
    turned: int = 0

    def act(self) -> None:
        """One Enter a question, and another where nothing came of it; arrows while a trim is turned."""
        terminal = self.terminal
        asked = terminal.raw.count(b"s stops")
        waited = asked > 0 and time.monotonic() - self.answered_s > AGAIN_S
        if asked > self.answered or (waited and terminal.text.rstrip().endswith("s stops")):
            terminal.child.send("\r")
            self.answered, self.answered_s = asked, time.monotonic()
            return
        lines = [line for line in terminal.text.splitlines() if line.strip()]
        ways = [line for line in lines if line.startswith(("«", "»"))]
        if ways and "s stop" in lines[-1]:
            self.turned += 1
            terminal.child.send(keys_for(ways[-1]))
            pictures = terminal.raw.count(PICTURE)
            terminal.until(
                lambda it: it.raw.count(PICTURE) >= pictures + PICTURES_TO_SEE or it.raw.count(b"s stops") > asked
            )


@pytest.mark.skipif(sys.platform == "win32", reason="pseudo-terminals are POSIX")
@pytest.mark.timeout(400)
def test_a_newcomer_adjusts_a_virtual_unit_with_the_arrow_keys(tmp_path):
    with Terminal.start("work", "1", str(tmp_path), columns=90, rows=30) as terminal:
        terminal.until("Scan the next unit")
        terminal.scan(SERIAL, "\r\n")
        terminal.until("the arrows right and left")
        terminal.watch(KEY_S)
        newcomer = Newcomer(terminal)
        while b"Slip: " not in terminal.raw:
            # on a busy computer this takes its time; what may not grow is what the newcomer has to do
            assert newcomer.turned < MOST_TURNS, terminal.text
            assert terminal.pump(), terminal.said
            newcomer.act()
        terminal.until(f"{SERIAL}: PASS")
        terminal.until(f"'rig print slip {SERIAL}' prints it again")
        terminal.until("Scan the next unit")
        terminal.scan(SERIAL)
        terminal.until("has passed already")
        terminal.scan("STOP")
        assert terminal.end() == 0
        assert "1 unit: 1 pass." in terminal.text
        assert "source: off 0.0" in terminal.text
        assert "terminal: as before" in terminal.text
    assert len(list(tmp_path.glob(f"{SERIAL}-*.txt"))) == 1


@pytest.mark.skipif(sys.platform == "win32", reason="pseudo-terminals are POSIX")
def test_s_stops_a_visit_and_a_closed_terminal_the_work_and_both_leave_the_source_safe(tmp_path):
    note = tmp_path / "source"
    with Terminal.start("work", "1", str(tmp_path), columns=90, rows=30) as terminal:
        terminal.until("Scan the next unit")
        terminal.scan(SERIAL)
        for asked in ("Read the cautions", "on the bench", "Checked?"):
            terminal.until(asked)
            terminal.watch(KEY_S)
            terminal.press("\r")
        terminal.until("Meter lead to the unit's CV jack")
        terminal.press("s")
        terminal.until("The operator stopped the visit.")
        terminal.until(lambda it: it.raw.count(b"Scan the next unit") == 2)
        terminal.press("a", "\r")
        # cautions that were read at an earlier scan are not asked again, checks of the unit are
        terminal.until("cautions hold as before")
        for question in (b"Put unit", b"Checked?", b"CV jack"):
            terminal.until(lambda it, question=question: it.raw.count(question) == 2)
            terminal.press("\r")
        terminal.until("Meter lead to the unit's reference rail")
        terminal.hang_up()
        ending = time.monotonic() + PATIENCE_S
        while not note.exists() or not note.read_text():
            assert time.monotonic() < ending, "the work went on without a terminal"
            time.sleep(0.02)
    assert note.read_text() == "off 0.0"
    with open_database(f"sqlite:///{tmp_path}/record.sqlite") as database, database.reading() as session:
        # still open, so that the visit can go on
        (lying,) = history(connection_of(session), SERIAL).visits
        assert (lying.outcome, lying.verdict) == (None, None)
