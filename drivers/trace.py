"""A trace of every message: the last minute always in memory, everything in a file on request.

One line of JSON an exchange, after a first line that says what the file is, so that what was written before a
program was killed can be read. Control bytes are escaped and secrets hidden before anything is kept in a file.
"""

from __future__ import annotations

import json
import re
from collections import deque
from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass
from datetime import datetime, timedelta
from pathlib import Path
from types import TracebackType
from typing import Self, TextIO

from drivers.clock import Clock
from drivers.exchange import Exchange
from drivers.secrets import escaped, without_secrets

REMEMBERED_S = 60.0
MOST_REMEMBERED = 20_000
LONGEST_TEXT = 10_000
_LONGEST_LINE = 8 * LONGEST_TEXT
_FORMAT = "trimrig trace 1"


class NotATrace(Exception):
    """A file is not a trace; the sentence says which line is wrong, and how."""


@dataclass(frozen=True, slots=True)
class Line:
    """One exchange as a trace tells it; texts are printable ASCII.

    :param at: when it began, UTC.
    :param took_s: until its answer was there.
    """

    at: datetime
    took_s: float
    role: str
    sent: str
    received: str
    failure: str = ""

    def __str__(self) -> str:
        """Return time of day, duration, role, what was sent, what came back."""
        came = f"!! {self.failure}" if self.failure else f"<- {self.received}" if self.received else "(no answer asked)"
        sent = f"-> {self.sent}" if self.sent else "(one more)"
        return f"{self.at:%H:%M:%S.%f}"[:-3] + f" {1000 * self.took_s:8.1f} ms {self.role:<8} {sent}  {came}"


class Trace:
    """Remembers the last minute of every session that it observes, and writes all of it when given a file.

    Hand :meth:`observe` to sessions as their observer. Trouble with the file never disturbs whoever talks to an
    instrument: writing ends, and ``problem`` says why.

    :param clock: the clock of the sessions; its date stands in the lines.
    :param path: file for everything, from the start; nothing is written when ``None``.
    """

    def __init__(self, clock: Clock, path: Path | None = None) -> None:
        self.problem = ""
        self.path = path
        self._clock = clock
        self._remembered: deque[Exchange] = deque(maxlen=MOST_REMEMBERED)
        self._file: TextIO | None = None
        if path is not None:
            self._file = path.open("w", encoding="ascii", buffering=1)
            self._write(self._file, [_head()])

    def observe(self, exchange: Exchange) -> None:
        """Take in one exchange."""
        self._remembered.append(exchange)
        oldest_s = exchange.ended_s - REMEMBERED_S
        while self._remembered[0].ended_s < oldest_s:
            self._remembered.popleft()
        if self._file is not None:
            self._write(self._file, [_encoded(self._line(exchange))])

    def last_minute(self) -> tuple[Line, ...]:
        """Return what is remembered, oldest first."""
        return tuple(self._line(exchange) for exchange in self._remembered)

    def keep(self, path: Path) -> None:
        """Write what is remembered to a file.

        :raises OSError: it cannot be written.
        """
        text = "\n".join([_head(), *(_encoded(line) for line in self.last_minute())])
        path.write_text(text + "\n", encoding="ascii")

    def close(self) -> None:
        """End the file; the last minute stays in memory."""
        if self._file is not None:
            file, self._file = self._file, None
            self._close(file)

    def __enter__(self) -> Self:
        return self

    def __exit__(self, _kind: type[BaseException] | None, _error: object, _traceback: TracebackType | None) -> None:
        self.close()

    def _line(self, exchange: Exchange) -> Line:
        begun = self._clock.utc() - timedelta(seconds=self._clock.now() - exchange.begun_s)
        texts = (exchange.role, exchange.sent, exchange.received, exchange.failure)
        role, sent, received, failure = (_fit(text) for text in texts)
        return Line(begun, exchange.ended_s - exchange.begun_s, role, sent, received, failure)

    def _write(self, file: TextIO, lines: Iterable[str]) -> None:
        try:
            file.writelines(f"{line}\n" for line in lines)
        except OSError as error:
            self._stop(file, error)

    def _close(self, file: TextIO) -> None:
        try:
            file.close()
        except OSError as error:
            self._note(error)

    def _stop(self, file: TextIO, error: OSError) -> None:
        self._note(error)
        self._file = None
        self._close(file)

    def _note(self, error: OSError) -> None:
        self.problem = self.problem or f"The trace {self.path} ends early ({error.strerror}): make room and try again."


def read_trace(path: Path, tell: Callable[[str], None] = lambda _sentence: None) -> Iterator[Line]:
    """Read a trace, line by line; a last line cut short by a kill is left out.

    :param tell: is told when one was left out, after all others.
    :raises NotATrace: the file is something else, or a line in it is.
    :raises OSError: it cannot be read.
    """
    with path.open("rb") as file:
        first = file.readline(LONGEST_TEXT)
        if first.rstrip() != _head().encode("ascii"):
            raise NotATrace(f"{path} is not a trace: its first line does not say so; check the name")
        number = 1
        while data := file.readline(_LONGEST_LINE):
            number += 1
            if not data.endswith(b"\n") and len(data) < _LONGEST_LINE:
                tell(f"The last line of {path} is cut short: whoever wrote it was killed, or ran out of room.")
                return
            yield _decoded(data, path, number)


def _head() -> str:
    return json.dumps({"format": _FORMAT})


def _encoded(line: Line) -> str:
    document = {
        "at": line.at.isoformat(),
        "took_s": round(line.took_s, 6),
        "role": line.role,
        "sent": line.sent,
        "received": line.received,
    }
    if line.failure:
        document["failure"] = line.failure
    return json.dumps(document)


def _decoded(data: bytes, path: Path, number: int) -> Line:
    try:
        raw = json.loads(data)
        # what stands in a file may have been changed since: it is made fit to be shown again
        return Line(
            datetime.fromisoformat(raw["at"]),
            float(raw["took_s"]),
            _shown(raw["role"]),
            _shown(raw["sent"]),
            _shown(raw["received"]),
            _shown(raw.get("failure", "")),
        )
    except (ValueError, KeyError, TypeError, AttributeError, RecursionError, OverflowError):
        raise NotATrace(f"{path} is damaged at line {number}: what stands before it can be read") from None


def _fit(text: str) -> str:
    """Return the text without secrets and control bytes, cut to a length that a person can read."""
    shown = escaped(without_secrets(text))
    return shown if len(shown) <= LONGEST_TEXT else f"{shown[:LONGEST_TEXT]}... ({len(text)} characters)"


def _shown(text: str) -> str:
    return re.sub(r"[^ -~]", "?", without_secrets(text))
