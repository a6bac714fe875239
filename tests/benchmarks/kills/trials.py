"""One kill after another: what was left on, how soon it is safe, what the record has, what becomes of the visit."""

from __future__ import annotations

import random
import subprocess
import sys
import time
from dataclasses import dataclass, field
from multiprocessing import get_context
from typing import TYPE_CHECKING, Protocol

from db.engine import open_database
from db.history import unfinished_visits
from db.questions import connection_of
from drivers.virtual.distant import DistantBench
from fixtures import demonstration_product
from rig.product import load_product
from tests.benchmarks.kills import killed
from tests.benchmarks.kills.bench import (
    Truth,
    faults_of_record,
    last_visit,
    points_committed,
    truths_of,
    wrong_statements_on_record,
)

if TYPE_CHECKING:
    from collections.abc import Callable

    from tests.benchmarks.kills.bench import Place

VISIT_MESSAGES = 1600
"""About as many messages as a visit with adjustment has; one that ends before its kill is no kill."""
WITHIN_S = 0.01
"""After the message that was drawn, up to so long: messages are not all that can be interrupted."""
START_S = 0.8
AT_THE_START = 0.1
CLOSED = 0.3
"""Share of the visits that are closed after a kill; the others go on."""
POLL_S = 0.003
LONGEST_S = 60.0


IMPORTED = (
    "rig.commands_run", "rig.commands_safety", "rig.commands_visits", "rig.handing_in", "rig.opening", "rig.printing",
    "rig.reports.keep", "rig.work", "drivers.virtual.distant",
)  # fmt: skip
"""What the commands of a series would import only when they run."""


class Running(Protocol):
    """A program that was started."""

    def kill(self) -> None:
        """Send SIGKILL."""

    def ended(self) -> bool:
        """Whether it is over."""

    def wait(self) -> None:
        """Wait for its end."""


class Executed:
    """A program started as a person starts it, from nothing."""

    def __init__(self, place: Place, typed: str, *arguments: str) -> None:
        self._process = subprocess.Popen(
            [
                sys.executable,
                "-m",
                killed.__name__,
                str(place.committed),
                str(place.said),
                typed,
                *arguments,
            ],
            env=place.environment,
        )

    def kill(self) -> None:
        """Send SIGKILL."""
        self._process.kill()

    def ended(self) -> bool:
        """Whether it is over."""
        return self._process.poll() is not None

    def wait(self) -> None:
        """Wait for its end."""
        self._process.wait()


class Forked:
    """The same from a server that has imported everything: for the short form."""

    def __init__(self, place: Place, typed: str, *arguments: str) -> None:
        context = get_context("forkserver")
        context.set_forkserver_preload([killed.__name__, *IMPORTED])
        self._process = context.Process(
            target=killed.run_in,
            args=(place.environment, str(place.committed), str(place.said), typed, arguments),
        )
        self._process.start()

    def kill(self) -> None:
        """Send SIGKILL."""
        self._process.kill()

    def ended(self) -> bool:
        """Whether it is over."""
        return not self._process.is_alive()

    def wait(self) -> None:
        """Wait for its end."""
        self._process.join()


@dataclass(slots=True)
class Result:
    """What came of a series."""

    kills: int = 0
    left_on: int = 0
    safe_after_s: list[float] = field(default_factory=list)
    resumed: int = 0
    closed: int = 0
    finished: int = 0
    finished_after_a_kill: int = 0
    rows: int = 0
    points: int = 0
    faults: list[str] = field(default_factory=list)
    wrong: list[str] = field(default_factory=list)


@dataclass(slots=True)
class Series:
    """Kills on one bench, one after another.

    :param start: how a program is started.
    """

    place: Place
    seed: int
    start: Callable[..., Running] = Executed
    result: Result = field(default_factory=Result)
    units: int = 0
    serial: str = ""
    open_visit: bool = False

    def run(self, kills: int) -> Result:
        """Kill so many times; then let the last visit come to its end."""
        draw = random.Random(self.seed)
        with DistantBench(self.place.address) as bench:
            truth = Truth(bench)
            while self.result.kills < kills:
                if self.open_visit and draw.random() < CLOSED:
                    self._close(truth)
                self._visit(truth, draw)
            if self.open_visit:
                self._visit(truth, None)
            elif not truth.is_safe():
                self._make_safe(truth)
        self.result.rows = len(self.place.committed.read_text(encoding="utf-8").splitlines())
        self.result.points = points_committed(self.place)
        return self.result

    def _visit(self, truth: Truth, draw: random.Random | None) -> None:
        """Begin or go on with a visit, and kill the program somewhere in it; not without a draw."""
        if not self.open_visit:
            self._next_unit()
        self.result.resumed += self.open_visit
        unsafe = not truth.is_safe()
        began_s = time.monotonic()
        program = self.start(
            self.place,
            f"{self.serial}\n",
            "work",
            "--bench",
            str(self.place.bench),
            "--product",
            str(demonstration_product()),
            "--hands-off",
            "--out",
            str(self.place.folder / "slips"),
        )
        if unsafe:
            self._await_safe(truth, began_s, program)
        if draw is not None and self._killed(program, truth, draw):
            self._look(truth)
        else:
            program.wait()
            self._finished(truth)

    def _killed(self, program: Running, truth: Truth, draw: random.Random) -> bool:
        """Kill at a random moment; false when the program was over before."""
        if draw.random() < AT_THE_START:
            at_s = time.monotonic() + draw.uniform(0.0, START_S)
        else:
            last = truth.messages() + draw.uniform(0.0, VISIT_MESSAGES)
            while truth.messages() < last and not program.ended():
                time.sleep(POLL_S)
            at_s = time.monotonic() + draw.uniform(0.0, WITHIN_S)
        while time.monotonic() < at_s and not program.ended():
            time.sleep(POLL_S)
        if program.ended():
            return False
        program.kill()
        program.wait()
        self.result.kills += 1
        return True

    def _look(self, truth: Truth) -> None:
        """What a killed program left: source, note, record."""
        if not truth.is_safe():
            self.result.left_on += 1
            if not self.place.owed():
                self.result.faults.append("the source is on, and nobody owes it")
        self.result.faults += faults_of_record(self.place)
        self.open_visit = self._lies_open()

    def _await_safe(self, truth: Truth, began_s: float, program: Running) -> None:
        over = False
        while not truth.is_safe():
            # asked once more after the program's end: it may have come between
            if over or time.monotonic() > began_s + LONGEST_S:
                self.result.faults.append("the next start did not make the source safe")
                return
            over = program.ended()
            time.sleep(POLL_S)
        self.result.safe_after_s.append(time.monotonic() - began_s)

    def _make_safe(self, truth: Truth) -> None:
        unsafe = not truth.is_safe()
        began_s = time.monotonic()
        program = self.start(self.place, "", "bench", "safe", str(self.place.bench))
        if unsafe:
            self._await_safe(truth, began_s, program)
        program.wait()

    def _close(self, truth: Truth) -> None:
        """Make the bench safe and close the visit, with the two commands that do that."""
        self._make_safe(truth)
        closing = self.start(self.place, "", "close", self.serial, "--reason", "its program was killed")
        closing.wait()
        with open_database(f"sqlite:///{self.place.database}") as database:
            visit = last_visit(database, self.serial)
        if visit.outcome != "stopped" or "killed" not in visit.closed_because or not truth.is_safe():
            self.result.faults.append(f"the visit of {self.serial} was not closed cleanly: {visit.outcome}")
        self.result.closed += 1
        self.open_visit = False

    def _finished(self, truth: Truth) -> None:
        """A visit that came to its end: source safe, nothing owed, verdict right."""
        if not truth.is_safe() or self.place.owed():
            self.result.faults.append("a visit ended, and the source is not safe or still owed")
        with open_database(f"sqlite:///{self.place.database}") as database:
            visit = last_visit(database, self.serial)
        if visit.outcome != "finished" or visit.verdict is None:
            self.result.faults.append(f"the visit of {self.serial} did not come to its verdict: {visit.outcome}")
        else:
            wrong = wrong_statements_on_record(visit, truths_of(truth))
            self.result.wrong += [f"{self.serial} {visit.verdict.decision}: {each}" for each in wrong]
        self.result.finished += 1
        self.result.finished_after_a_kill += self.open_visit
        self.open_visit = False

    def _next_unit(self) -> None:
        serials = load_product(demonstration_product()).contents.serial
        self.units += 1
        self.serial = serials.with_check_character(f"DM2600{self.units:04d}")

    def _lies_open(self) -> bool:
        """Whether the unit's visit was begun and is not over."""
        with open_database(f"sqlite:///{self.place.database}") as database, database.reading() as session:
            return self.serial in {each.serial for each in unfinished_visits(connection_of(session))}
