"""Where the next serial comes from: a scanner that types like a keyboard, one on a serial line, or ten fingers."""

from __future__ import annotations

import threading
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Protocol, Self

from rich.text import Text

from drivers.errors import LinkError, LinkLost
from rig.errors import SerialProblem, Stopped
from rig.operators.desk import DOUBLE_SCAN_S, Burst, Notice, Press
from rig.operators.keys import Key
from rig.operators.live_line import QUIET, STRONG, WARNING
from rig.operators.screen import printable
from rig.scanned import clean_scan

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator

    from drivers.scanner import Scanner
    from rig.operators.desk import Desk, Event
    from rig.operators.screen import Screen
    from rig.product import SerialFormat

STOP_SCANS = ("STOP", "S")
AGAIN = "A"
END = "\x04"
"""Ctrl-D, or its key."""
UNENDED_S = 0.6
"""A scan without an end is taken after this pause, when it is a serial."""
LINE_POLL_S = 0.2
REOPEN_S = 1.0
GARBLED_EVERY_S = 2.0
SHORTEST = 2
"""Characters of the shortest line that can be a scan."""
GARBLED = "\ufffd"


class ScanSource(Protocol):
    """Where serials come from."""

    def next_scan(self) -> str | None:
        """Wait for the next serial; None once there will be no more (stop, end of input, terminal closed).

        :raises SerialProblem: what came is not one serial.
        """


def one_serial(scanned: str, serials: SerialFormat) -> str:
    """The serial in a scan.

    A scan that came twice without an end between counts once; small letters (a scanner under caps lock) count as
    capitals where only those fit.

    :raises SerialProblem: it is none, or two different ones glued together.
    """
    text = clean_scan(scanned)
    for candidate in (text, text.upper()):
        if _fits(candidate, serials):
            return candidate
    for place in range(1, len(text)):
        one, other = text[:place].upper(), text[place:].upper()
        if _fits(one, serials) and _fits(other, serials):
            if one == other:
                return one
            raise SerialProblem(f"Two serials came as one scan, {one} and {other}: scan one unit at a time.")
    for around, serial in _around(text, serials):
        raise SerialProblem(
            f"{printable(text)} is {serial} with {around}: switch off what the scanner adds to it, then scan again."
        )
    serials.batch_of(text)
    raise SerialProblem(f"{printable(text)} is not a serial of this product: scan it again.")


def _around(text: str, serials: SerialFormat) -> Iterator[tuple[str, str]]:
    """What stands before or after a serial of these in a scan, in words, and the serial: the longest first."""
    for place in range(1, len(text)):
        if _fits(text[place:], serials):
            yield f"{text[:place]!a} before it", text[place:]
        if _fits(text[:-place], serials):
            yield f"{text[-place:]!a} after it", text[:-place]


def _fits(text: str, serials: SerialFormat) -> bool:
    try:
        serials.batch_of(text)
    except SerialProblem:
        return False
    return True


@dataclass(slots=True)
class ScanLine:
    """The line on which a serial is scanned or typed."""

    text: str = ""
    scanned: bool = False

    def take(self, event: Press | Burst) -> str | None:
        """What is on the line when the event ends it, else None."""
        if isinstance(event, Burst):
            self.scanned = not self.text
            self.text += event.text
            return self._ended() if event.ended else None
        if event.key in (Key.ENTER, Key.TAB):
            return self._ended()
        if event.key == Key.BACKSPACE:
            self.text = self.text[:-1]
        elif len(event.key) == 1 and event.key.isprintable():
            self.text += event.key
            self.scanned = False
        return None

    def clear(self) -> None:
        """Begin anew."""
        self.text, self.scanned = "", False

    def _ended(self) -> str | None:
        text = self.text
        self.clear()
        return text or None


@dataclass(slots=True)
class DeskScans:
    """Serials scanned or typed at the operator's desk.

    The same scan twice within two seconds counts once. A scan of STOP, or ``s`` and Enter, ends the work; ``a`` and
    Enter asks for the last unit again.
    """

    desk: Desk
    screen: Screen
    serials: SerialFormat
    _line: ScanLine = field(default_factory=ScanLine)
    _last: Burst | None = None

    def next_scan(self) -> str | None:
        """Wait for the next serial; None once there will be no more."""
        try:
            self._ask()
            with self.desk:
                return self._scanned()
        except Stopped:
            # The input has ended, or the terminal is gone: no more scans.
            return None

    def _ask(self) -> None:
        for text in dict.fromkeys(self.desk.set_aside):
            self.screen.line(f"{printable(text)} was scanned meanwhile: scan it again when its turn comes.", WARNING)
        self.desk.set_aside.clear()
        self.desk.on_bench = None
        self.desk.between_units = True
        self.screen.line("Scan the next unit", STRONG)
        again = ", a and Enter: the same unit again" if self._last is not None else ""
        self.screen.line(f"  s and Enter, or a scan of STOP, ends the work{again}", QUIET)

    def _scanned(self) -> str | None:
        while True:
            line = self._next_line()
            if line is None or line.text.upper() in STOP_SCANS:
                return None
            last = self._last
            if line.text.upper() == AGAIN and last is not None:
                serial = last.text
            else:
                serial = one_serial(line.text, self.serials)
                if last is not None and last.text == serial and line.at_s - last.at_s < DOUBLE_SCAN_S:
                    continue
            self._last = self.desk.on_bench = Burst(serial, line.at_s, ended=True)
            self.desk.between_units = False
            return serial

    def _next_line(self) -> Burst | None:
        """The next whole line; None at Ctrl-D."""
        self._line.clear()
        while True:
            # A scanner may send no line end: a whole serial that nothing follows is a scan.
            whole = self._line.scanned and _fits(self._line.text, self.serials)
            event = self.desk.next(UNENDED_S if whole else None)
            taken = self._taken(event) if event is not None else self._line.text
            if taken is not None:
                self.screen.wipe()
                at_s = event.at_s if isinstance(event, Press | Burst) else self.desk.now()
                return Burst(taken, at_s, ended=True) if taken != END else None

    def _taken(self, event: Event) -> str | None:
        """The line that the event ends, None while it goes on."""
        if isinstance(event, Notice):
            self.screen.line(event.sentence, WARNING)
            return None
        if isinstance(event, Press) and event.key == Key.END:
            return END
        before = self._line.text
        taken = self._line.take(event)
        if taken is None and not self.desk.interactive:
            # From a file even a single character comes as a whole line.
            taken = self._line.text or None
        if taken is None:
            self._echo(before)
        return taken

    def _echo(self, before: str) -> None:
        text = self._line.text
        if self.screen.redraws:
            self.screen.paint([Text.assemble(("> ", QUIET), printable(text))])
        elif self.screen.is_terminal:
            added = text[len(before) :] if text.startswith(before) else "\r\n" + text
            self.screen.echo(printable(added))


class ScannerFeed:
    """Puts what a scanner on a serial line reads on the desk, while in its ``with`` block.

    A scanner that is missing or was unplugged is told of once, and taken up when it is there (again). Bytes that are
    no text are no scan, and told at most every :data:`GARBLED_EVERY_S`; nor is a single character, which a person
    means as a key and a line at a wrong speed as nothing.
    """

    def __init__(self, open_scanner: Callable[[], Scanner], desk: Desk) -> None:
        self._open = open_scanner
        self._desk = desk
        self._closing = threading.Event()
        self._garbled_s = -GARBLED_EVERY_S
        self._thread = threading.Thread(target=self._feed, name="barcode scanner", daemon=True)

    def __enter__(self) -> Self:
        self._thread.start()
        return self

    def __exit__(self, *_exception: object) -> None:
        self._closing.set()
        self._thread.join()

    def _feed(self) -> None:
        missed = False
        while not self._closing.is_set():
            try:
                self._read_until_lost(missed)
            except LinkError as lost:
                if not missed or isinstance(lost, LinkLost):
                    self._desk.put(Notice(f"{lost}."))
                missed = True
                self._closing.wait(REOPEN_S)

    def _read_until_lost(self, missed: bool) -> None:
        with self._open() as scanner:
            if missed:
                self._desk.put(Notice("The scanner is back."))
            while not self._closing.is_set():
                text = scanner.read_line(LINE_POLL_S)
                if text is None:
                    continue
                if GARBLED in text or len(text) < SHORTEST:
                    self._tell_garbled(scanner)
                else:
                    self._desk.put(Burst(text, self._desk.now(), ended=True))

    def _tell_garbled(self, scanner: Scanner) -> None:
        now_s = self._desk.now()
        if now_s - self._garbled_s < GARBLED_EVERY_S:
            return
        self._garbled_s = now_s
        self._desk.put(
            Notice(
                f"The scanner at {scanner.port} sent what is no text: scan again; where that goes on, it is set to "
                f"another speed than {scanner.baud_rate} baud (--baud says which), or its plug is loose."
            )
        )
