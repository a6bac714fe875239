"""A device on a serial line: a pseudo-terminal, lines in and lines out. Not on Windows."""

from __future__ import annotations

import os
import select
import threading
import tty
from collections.abc import Callable

from drivers.virtual.links.serving import Executes, Lines, Link, Spoiler, at_once


class TerminalLink(Link):
    """Serves one device on a pseudo-terminal, which a program opens as it would a serial port."""

    def __init__(
        self,
        device: Executes,
        *,
        termination: str = "\n",
        before_answer: Callable[[str], float] = at_once,
        spoiler: Spoiler | None = None,
    ) -> None:
        super().__init__(device, termination=termination, before_answer=before_answer, spoiler=spoiler)
        self._ours, self._theirs = os.openpty()
        # The far end stays open here as well, or the line would hang up with its first caller.
        tty.setraw(self._theirs)
        self._resource = f"ASRL{os.ttyname(self._theirs)}::INSTR"
        self._woken, self._wake = os.pipe()
        self._thread = threading.Thread(target=self._serve, name=f"link {self._resource}", daemon=True)
        self._thread.start()

    @property
    def resource(self) -> str:
        """VISA resource string."""
        return self._resource

    def close(self) -> None:
        """Stop serving: the line hangs up, and no thread or descriptor is left."""
        if not self._closing.is_set():
            self._closing.set()
            os.write(self._wake, b"\0")
            self._thread.join()
            for descriptor in (self._ours, self._theirs, self._woken, self._wake):
                os.close(descriptor)

    def _serve(self) -> None:
        lines = Lines(self.end)
        while not self._closing.is_set():
            ready, _, _ = select.select([self._ours, self._woken], [], [])
            if self._ours in ready:
                for message in lines.feed(os.read(self._ours, 1 << 16)):
                    self._answer(message)

    def _answer(self, message: str) -> None:
        rest = self.answer(message)
        while rest and not self._closing.is_set():
            # A line that nobody reads fills up; the thread must still be able to leave.
            _, ready, _ = select.select([], [self._ours], [], 0.1)
            if ready:
                rest = rest[os.write(self._ours, rest) :]
