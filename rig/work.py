"""The operator's loop: scan, the right workflow for that serial, visit, verdict, slip, next scan.

One unit's fault never ends it: the fault is told in a sentence, the source is made safe, and the next unit may come.
"""

from __future__ import annotations

import sys
from collections import Counter
from contextlib import nullcontext, suppress
from dataclasses import dataclass, field
from enum import StrEnum
from typing import TYPE_CHECKING

from db.errors import DatabaseError
from db.history import unfinished_visits
from db.questions import connection_of
from drivers.errors import DriverError
from drivers.link import SerialOptions
from drivers.scanner import Scanner
from rig.beginning import RESUMABLE, bench_records
from rig.bench_history import reference_checks
from rig.bench_lock import runs_now
from rig.endings import sentence
from rig.errors import RigError, SerialProblem, Stopped
from rig.handing_in import hand_in_now, known_history, known_return, visit_on_the_floor
from rig.kept_visit import read_visit
from rig.operators.console import ConsoleOperator
from rig.operators.desk import Desk
from rig.operators.keys import open_keyboard
from rig.operators.live_line import QUIET, STRONG
from rig.operators.newcomer import NewcomerOperator
from rig.operators.verdict_sign import verdict_lines
from rig.operators.virtual import VirtualOperator
from rig.printing import after_verdict
from rig.recovery import passes, restore
from rig.reports.keep import keep_reports
from rig.returns import is_of_this_shift
from rig.scan import DeskScans, ScannerFeed
from rig.science.conformity import Decision
from rig.sight import KnobPosition
from rig.stages.survey import KNOB, OCTAVE
from rig.stages.verify_bench import verification_due
from rig.visit import PASSED, Purpose, Request

if TYPE_CHECKING:
    from collections.abc import Callable
    from contextlib import AbstractContextManager
    from datetime import datetime, tzinfo
    from pathlib import Path

    from rich.console import Console

    from db.engine import Database
    from db.history import UnitHistory, VisitRow
    from db.returned import ReturnRow
    from rig.bench import Bench, BenchFile
    from rig.operators.port import Operator
    from rig.paper import PrinterTable
    from rig.product import Product
    from rig.scan import ScanSource
    from rig.tomlfile import Loaded
    from rig.visit import Visit

FAULTS = (RigError, DriverError, DatabaseError, OSError)
"""What one unit, one instrument or one full disk may do without ending the work."""


class Standing(StrEnum):
    """What the record knows of a serial when it is scanned."""

    NEW = "new"
    UNFINISHED = "known, without a verdict"
    FAILED = "failed before"
    RETURNED = "passed before and came back"
    PASSED_ALREADY = "passed already in this shift"


@dataclass(frozen=True, slots=True)
class Known:
    """A serial's standing, and what to say of it."""

    standing: Standing
    said: str


def known(
    serial: str,
    recorded: UnitHistory | None,
    now: datetime,
    zone: tzinfo | None = None,
    *,
    entered: ReturnRow | None = None,
) -> Known:
    """What a serial's history means now.

    :param recorded: None for a serial that was never recorded.
    :param now: aware.
    :param zone: whose days count; ``None`` for the computer's own, which knows when summer time begins and ends.
    :param entered: why it came back, where somebody entered that since it left.
    """
    visits = recorded.visits if recorded is not None else ()
    if not visits and entered is not None:
        return Known(Standing.RETURNED, f"Unit {serial} came back and was not measured here before.")
    if not visits:
        return Known(Standing.NEW, f"Unit {serial} is new.")
    judged = [each for each in visits if each.verdict is not None]
    if not judged or (visits[-1].verdict is None and visits[-1].ended_utc is None):
        last = visits[-1]
        return Known(
            Standing.UNFINISHED,
            f"Unit {serial} was begun {_when(last, now, zone)} by {last.operator} and has no verdict yet.",
        )
    last = judged[-1]
    decision = last.verdict.decision if last.verdict is not None else ""
    when = f"{_when(last, now, zone)} by {last.operator}"
    if decision not in PASSED:
        causes = "; ".join(last.verdict.causes) if last.verdict is not None else ""
        because = f" ({causes})" if causes else ""
        return Known(Standing.FAILED, f"Unit {serial} was judged {when}: {decision}{because}. It is measured again.")
    if entered is None and is_of_this_shift(last.started_utc, now, zone):
        return Known(
            Standing.PASSED_ALREADY,
            f"Unit {serial} has passed already ({when}): scan it again to measure it again, or scan the next.",
        )
    return Known(
        Standing.RETURNED,
        f"Unit {serial} passed {when} and came back: what it shows as found is held against what it left with.",
    )


def _when(visit: VisitRow, now: datetime, zone: tzinfo | None) -> str:
    started = visit.started_utc.astimezone(zone)
    # a clock that was set back makes a visit of days to come, which the hour alone would not say
    near = is_of_this_shift(started, now, zone) and is_of_this_shift(now, started, zone)
    return f"at {started:%H:%M}" if near else f"on {started:%Y-%m-%d}"


@dataclass(slots=True)
class Shift:
    """What came of a shift's work."""

    decisions: Counter[Decision] = field(default_factory=Counter)
    stopped: int = 0
    faults: int = 0
    interrupted: bool = False
    on_bench: str = ""
    """Serial of the unit that is being measured; empty between units."""

    def sentence(self) -> str:
        """The shift in one sentence."""
        parts = [f"{count} {decision.value}" for decision in Decision if (count := self.decisions[decision])]
        parts += [f"{self.stopped} stopped"] if self.stopped else []
        parts += [f"{self.faults} not measured for a fault of the bench or the scan"] if self.faults else []
        total = sum(self.decisions.values()) + self.stopped + self.faults
        return f"{total} unit{'' if total == 1 else 's'}: {', '.join(parts)}." if parts else "No unit was measured."


@dataclass(frozen=True, slots=True)
class Calls:
    """What the loop does with a serial.

    ``visit`` runs its visit; ``finish`` shows the verdict and writes the slip; ``recover`` brings the bench into a safe
    state between units, is told what went wrong, and raises what it cannot cure; ``tell`` says a sentence; ``now`` is
    the present date, aware.
    """

    visit: Callable[[str], Visit]
    finish: Callable[[Visit], None]
    recover: Callable[[Exception | None], None]
    tell: Callable[[str], None]
    now: Callable[[], datetime]


def work(scans: ScanSource, database: Database, calls: Calls) -> Shift:
    """Take scans until there are no more, or until Ctrl-C."""
    shift = Shift()
    passed_already = ""
    try:
        while True:
            try:
                serial = scans.next_scan()
            except SerialProblem as problem:
                _say(str(problem), calls)
                continue
            if serial is None:
                return shift
            met: Exception | None = None
            try:
                passed_already = _one_unit(serial, database, shift, calls, passed_already)
            except FAULTS as fault:
                met = fault
                _count(shift, fault)
                _say(sentence(fault), calls)
            safe = _recover(calls, met)
            if safe and isinstance(met, Stopped):
                _say_how_it_stands(serial, database, calls)
            shift.on_bench = ""
    except KeyboardInterrupt:
        shift.interrupted = True
        shift.stopped += bool(shift.on_bench)
        if _recover(calls, None) and shift.on_bench:
            _say_how_it_stands(shift.on_bench, database, calls)
        return shift


def _say_how_it_stands(serial: str, database: Database, calls: Calls) -> None:
    """After a visit was stopped and the source confirmed safe: what is kept, and what the next scan does."""
    with suppress(*FAULTS):
        recorded = known_history(database, serial)
        last = recorded.visits[-1] if recorded is not None and recorded.visits else None
        if last is None or last.ended_utc is not None:
            kept = f"Nothing of unit {serial} was measured this time: its next scan begins a visit."
        else:
            found = "as found and since" if last.as_found else "so far"
            within_h = RESUMABLE.total_seconds() / 3600.0
            kept = (
                f"What was measured of unit {serial} {found} is kept: its next scan on this bench, within {within_h:g} "
                "hours, goes on with the visit."
            )
        calls.tell(f"The source is at 0 V with its output off. {kept}")


def _one_unit(serial: str, database: Database, shift: Shift, calls: Calls, passed_already: str) -> str:
    """One scan to its end.

    :param passed_already: a serial that passed in this shift and was scanned just before: the second scan means it.
    :return: this serial, if it is such a one now.
    """
    recorded = known_history(database, serial)
    found = known(serial, recorded, calls.now(), entered=known_return(database, serial, recorded))
    if found.standing is Standing.PASSED_ALREADY and serial != passed_already:
        calls.tell(found.said)
        return serial
    calls.tell(f"Unit {serial} once more." if found.standing is Standing.PASSED_ALREADY else found.said)
    shift.on_bench = serial
    visit = calls.visit(serial)
    shift.on_bench = ""
    shift.decisions[visit.verdict.decision] += 1
    try:
        calls.finish(visit)
    except FAULTS as fault:
        # The verdict stands in the record, whatever became of the slip.
        _say(sentence(fault), calls)
    return ""


def _count(shift: Shift, fault: Exception) -> None:
    if isinstance(fault, Stopped):
        shift.stopped += 1
    else:
        shift.faults += 1


def _say(text: str, calls: Calls) -> None:
    """Say something where perhaps nobody listens any more, or stops what has been stopped already."""
    with suppress(Stopped):
        calls.tell(text)


def _recover(calls: Calls, met: Exception | None) -> bool:
    """Make the bench safe; whether that was confirmed."""
    try:
        calls.recover(met)
    except FAULTS as fault:
        _say(sentence(fault), calls)
        return False
    return True


def recover_bench(bench: Bench, met: Exception | None) -> None:
    """Make the source safe, and after trouble with the bench set it up anew.

    :raises SourceNotSafe: somebody has to switch it off by hand.
    :raises LinkError: an instrument does not answer.
    """
    if met is not None and passes(met):
        restore(bench)
    bench.source.make_safe()


def work_at_terminal(
    bench: Bench,
    bench_file: Loaded[BenchFile],
    product: Loaded[Product],
    database: Database,
    console: Console,
    *,
    who: str,
    ambient_c: float | None = None,
    scanner_port: str = "",
    scanner_baud: int = 9600,
    tone: bool = False,
    virtual_seed: int | None = None,
    printer: PrinterTable | None = None,
    out: Path | None = None,
) -> Shift:
    """The operator's loop at this terminal, with keyboard scanner and, where a port is given, a serial one.

    On a virtual bench the arrow keys turn the trims; with a ``virtual_seed`` the virtual operator does instead.
    """
    person = ConsoleOperator(console, Desk(open_keyboard(sys.stdin)), tone_on=tone)
    operator = _operator(person, bench, product.contents, virtual_seed)
    with person.desk, _feed(person.desk, scanner_port, scanner_baud):
        person.tell(
            f"{product.contents.product.name} on the {bench.file.bench.name}; results go to {database.url_shown}."
        )
        for sentence_due in (
            *hand_in_now(database),
            *_left_open(database, bench),
            *_verification(database, bench, bench_file),
        ):
            person.tell(sentence_due)
        calls = Calls(
            visit=lambda serial: visit_on_the_floor(
                bench,
                bench_file,
                product,
                operator,
                database,
                Request(serial, Purpose.ADJUST, who, ambient_c, virtual_seed),
            ),
            finish=lambda visit: _finish(visit, person, database, product.contents, printer, out),
            recover=lambda met: recover_bench(bench, met),
            tell=person.tell,
            now=bench.provider.clock.utc,
        )
        shift = work(DeskScans(person.desk, person.screen, product.contents.serial), database, calls)
        if not person.desk.gone:
            person.tell(shift.sentence())
    return shift


def _operator(person: ConsoleOperator, bench: Bench, product: Product, virtual_seed: int | None) -> Operator:
    if bench.hands is None:
        return person
    if virtual_seed is not None:
        return VirtualOperator(bench.hands, bench.clock, virtual_seed, say=person.tell, show_progress=person.progress)
    octave = product.controls.octave
    positions = {KNOB: tuple(KnobPosition), OCTAVE: octave.positions if octave is not None else ()}
    return NewcomerOperator(person, bench.hands, positions)


def _feed(desk: Desk, port: str, baud: int) -> AbstractContextManager[object]:
    if not port:
        return nullcontext()
    return ScannerFeed(lambda: Scanner.open(port, SerialOptions(baud_rate=baud)), desk)


def _left_open(database: Database, bench: Bench) -> list[str]:
    """A sentence where visits on this bench were begun and never ended."""
    with database.reading() as session:
        lying = unfinished_visits(connection_of(session), bench.file.bench.name)
    left = [each for each in lying if not runs_now(each.visit_id)]
    if not left:
        return []
    serials = ", ".join(dict.fromkeys(each.serial for each in left))
    return [
        f"Begun on this bench and never ended: {serials}. Scan a unit to go on with it, or close it with rig close; "
        "what was measured is kept."
    ]


def _verification(database: Database, bench: Bench, bench_file: Loaded[BenchFile]) -> list[str]:
    """A sentence where the bench is due for verification with its reference unit."""
    reference = bench.file.reference
    if reference is None:
        return []
    records = bench_records(database, bench, bench_file)
    checks = reference_checks(database, records.revision_id, reference.serial)
    due = verification_due(checks, bench.clock.utc(), reference.every_hours)
    return [due] if due else []


def _finish(
    visit: Visit,
    person: ConsoleOperator,
    database: Database,
    product: Product,
    printer: PrinterTable | None,
    out: Path | None,
) -> None:
    """Keep slip and plots, show the slip, and below it, where it stays in sight, the verdict; then print."""
    screen, verdict = person.screen, visit.verdict
    screen.line(f"{visit.serial}: {verdict.decision.value.upper()}", STRONG)
    record = read_visit(database, visit.serial, visit.visit_id)
    kept = keep_reports(visit, product, record, out)
    for row in kept.slip_text.splitlines():
        screen.line(row)
    screen.line(f"Slip: {kept.slip}", QUIET)
    causes = [cause.sentence for cause in verdict.causes]
    width = screen.size()[0] - 1
    for line in verdict_lines(visit.serial, verdict.decision, verdict.reason, causes, width, screen.glyphs):
        screen.line(line)
    for sentence_printed in after_verdict(record, printer) if printer is not None else ():
        screen.line(sentence_printed, QUIET)
