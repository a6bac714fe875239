"""A terminal as a person has it: a real pseudo-terminal with a program in it, and the screen that it draws."""

from __future__ import annotations

import contextlib
import os
import signal
import sys
import time
from dataclasses import dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING, Self

import pexpect
import pyte

if TYPE_CHECKING:
    from collections.abc import Callable

ROOT = Path(__file__).parents[2]
PATIENCE_S = 40.0
QUIET_S = 0.02
PICTURE_END = b"\x1b[J"
KEY_S = 0.13
"""From one key to the next: longer than what makes characters one scan."""


@dataclass(slots=True)
class Terminal:
    """A program in a pseudo-terminal of some size; ``raw`` keeps every byte that it wrote."""

    child: pexpect.spawn
    screen: pyte.Screen
    stream: pyte.ByteStream
    raw: bytearray = field(default_factory=bytearray)
    _coming: bytearray = field(default_factory=bytearray)
    """What was read and is not on the screen yet."""
    _lines: dict[int, str] = field(default_factory=dict)
    """The screen's lines as they stood when somebody looked last."""

    @classmethod
    def start(cls, *arguments: str, columns: int = 80, rows: int = 24, **environment: str) -> Self:
        """Run ``python -m tests.terminal.programs`` with arguments."""
        names = {name: value for name, value in os.environ.items() if name not in {"NO_COLOR", "COLUMNS", "LINES"}}
        child = pexpect.spawn(
            sys.executable,
            ["-m", "tests.terminal.programs", *arguments],
            dimensions=(rows, columns),
            cwd=str(ROOT),
            env={**names, "TERM": "xterm-256color", "PYTHONIOENCODING": "utf-8", **environment},
            timeout=PATIENCE_S,
        )
        child.delaybeforesend = None
        child.ptyproc.delayafterclose = 0.0
        screen = pyte.Screen(columns, rows)
        return cls(child, screen, pyte.ByteStream(screen))

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *_exception: object) -> None:
        if self.child.closed:
            # Its terminal is gone already; the program must not outlive the test.
            with contextlib.suppress(ProcessLookupError):
                os.kill(self.child.pid, signal.SIGKILL)
            os.waitpid(self.child.pid, 0)
        else:
            self.child.close(force=True)

    @property
    def text(self) -> str:
        """What stands on the screen; only lines that were drawn since the last look are read anew."""
        for row in self.screen.dirty:
            line = self.screen.buffer[row]
            self._lines[row] = "".join(line[column].data for column in range(self.screen.columns)).rstrip()
        self.screen.dirty.clear()
        return "\n".join(self._lines.get(row, "") for row in range(self.screen.lines))

    @property
    def said(self) -> str:
        """Everything that was ever written, as one line of words."""
        return " ".join(self.raw.decode("utf-8", errors="replace").split())

    def pump(self, timeout_s: float = QUIET_S) -> bool:
        """Take what the program has written, no more than one picture at a time; false once it has ended.

        On a busy machine several pictures come at once: none of them goes unseen.
        """
        if not self._coming:
            try:
                data = self.child.read_nonblocking(1 << 16, timeout_s)
            except pexpect.TIMEOUT:
                return True
            except pexpect.EOF:
                return False
            self.raw += data
            self._coming += data
        picture, end, rest = self._coming.partition(PICTURE_END)
        self.stream.feed(bytes(picture + end))
        self._coming = rest
        return True

    def until(self, condition: str | Callable[[Terminal], bool]) -> None:
        """Wait until words stand on the screen (line ends count as blanks), or until a condition holds."""
        holds = (lambda it: condition in " ".join(it.text.split())) if isinstance(condition, str) else condition
        ending = time.monotonic() + PATIENCE_S
        alive = True
        while not holds(self):
            assert alive, f"the program ended before {condition!r}:\n{self.said}"
            assert time.monotonic() < ending, f"never saw {condition!r}:\n{self.text}"
            alive = self.pump()

    def watch(self, duration_s: float) -> None:
        """Let time pass."""
        ending = time.monotonic() + duration_s
        while (self._coming or time.monotonic() < ending) and self.pump():
            pass

    def press(self, *keys: str) -> None:
        """Press keys one after the other, as fingers do."""
        for key in keys:
            self.child.send(key)
            self.watch(KEY_S)

    def scan(self, text: str, end: str = "\r", gap_s: float = 0.004) -> None:
        """Send what a keyboard-wedge scanner sends, character by character."""
        for character in text + end:
            self.child.send(character)
            time.sleep(gap_s)

    def resize(self, columns: int, rows: int) -> None:
        """Change the terminal's size; the program gets SIGWINCH."""
        self.child.setwinsize(rows, columns)
        self.screen.resize(rows, columns)

    def hang_up(self) -> None:
        """Close the terminal under the program, as closing its window does."""
        os.close(self.child.child_fd)
        self.child.closed = self.child.ptyproc.closed = True

    def end(self) -> int:
        """Wait for the end of the program; its exit code, or minus the signal that ended it."""
        ending = time.monotonic() + PATIENCE_S
        while self.pump():
            assert time.monotonic() < ending, f"never ended:\n{self.text}"
        self.child.wait()
        return self.child.exitstatus if self.child.exitstatus is not None else -(self.child.signalstatus or 0)
