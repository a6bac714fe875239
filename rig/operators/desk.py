"""What reaches the operator's desk: key presses and scans, in the order in which they came.

A barcode scanner that acts as a keyboard types faster than any person, so strokes that follow one another within
:data:`ALONE_S` belong together: they are a burst, and none of its letters is a key press. A scanner on a serial line
puts its bursts on the same desk.
"""

from __future__ import annotations

import os
import queue
import signal
import threading
import time
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, NoReturn, Self

from rig.errors import Stopped
from rig.operators.keys import Key

if TYPE_CHECKING:
    from collections.abc import Callable
    from types import FrameType

    from rig.operators.keys import Keyboard

ALONE_S = 0.12
"""A character is a key press when nothing follows it for this long.

Common practice: scanners send a character every 1 to 50 ms, a person hardly ever two within 80 ms.
"""
DOUBLE_SCAN_S = 2.0
INTERRUPTIBLE_S = 0.1
"""Longest wait in one go: on Windows a wait cannot be interrupted by Ctrl-C."""
JOIN_S = 1.0


@dataclass(frozen=True, slots=True)
class Press:
    """One key pressed by a person: a character or a :class:`rig.operators.keys.Key`."""

    key: str
    at_s: float


@dataclass(frozen=True, slots=True)
class Burst:
    """Characters that came too fast for fingers; ``ended`` by Enter or Tab, or just by a pause."""

    text: str
    at_s: float
    ended: bool


@dataclass(frozen=True, slots=True)
class Notice:
    """One sentence from something on the desk, for instance a scanner that was unplugged."""

    sentence: str


Event = Press | Burst | Notice


@dataclass(slots=True)
class Gathering:
    """Strokes to events: single presses told from bursts.

    ``quiet`` is to be called whenever nothing has come for :data:`ALONE_S`; whoever calls must have looked for
    strokes after that time, or a program that was held up would tear a burst apart.
    """

    _pending: str = ""
    _after_burst: bool = False

    @property
    def pending(self) -> str:
        """Characters of which it is not known yet what they are."""
        return self._pending

    @property
    def waiting(self) -> bool:
        """Whether ``quiet`` would change anything."""
        return bool(self._pending) or self._after_burst

    def feed(self, stroke: str, at_s: float) -> list[Event]:
        """Events that this stroke completes."""
        if len(stroke) == 1:
            self._pending += stroke
            self._after_burst = False
            return []
        if stroke not in (Key.ENTER, Key.TAB):
            return [*self.quiet(at_s), Press(stroke, at_s)]
        text, self._pending = self._pending, ""
        if len(text) > 1:
            self._after_burst = True
            return [Burst(text, at_s, ended=True)]
        if text:
            return [Press(text, at_s), Press(stroke, at_s)]
        # Some scanners end in two line ends: the second belongs to the scan as well.
        belongs, self._after_burst = self._after_burst, False
        return [] if belongs else [Press(stroke, at_s)]

    def quiet(self, at_s: float) -> list[Event]:
        """Nothing has come for a while: what is pending is one press, or a burst without an end."""
        text, self._pending, self._after_burst = self._pending, "", False
        if not text:
            return []
        if len(set(text)) == 1:
            # One key held down repeats itself.
            return [Press(text[0], at_s)]
        return [Burst(text, at_s, ended=False)]


@dataclass(slots=True)
class Lines:
    """Strokes of a file or a pipe to events: a line of one character is a key, an empty one is Enter."""

    pending: str = ""
    waiting = False

    def feed(self, stroke: str, at_s: float) -> list[Event]:
        """Events that this stroke completes."""
        if len(stroke) == 1:
            self.pending += stroke
            return []
        if stroke != Key.ENTER:
            return []
        text, self.pending = self.pending, ""
        return [Burst(text, at_s, ended=True) if len(text) > 1 else Press(text or Key.ENTER, at_s)]

    def quiet(self, at_s: float) -> list[Event]:
        """The input has ended: what is left counts as its last line."""
        return self.feed(Key.ENTER, at_s) if self.pending else []


class _End:
    """Nothing more will come."""


@dataclass(slots=True)
class Desk:
    """Events from the keyboard and whatever else was put here, for the main thread.

    In a ``with`` block (which may be entered again inside itself) keys are taken singly, a hangup or a request to
    end raises :class:`~rig.errors.Stopped` in the main thread, and suspending gives the terminal back.
    ``set_aside`` holds scans that came in the middle of a visit; ``on_bench`` is the scan that the visit is for;
    ``between_units`` says that the next scan is waited for, so that whatever comes belongs to that.
    """

    keyboard: Keyboard
    now: Callable[[], float] = time.monotonic
    set_aside: list[str] = field(default_factory=list)
    on_bench: Burst | None = None
    between_units: bool = False
    before_suspend: Callable[[], None] = field(default=lambda: None)
    _events: queue.SimpleQueue[Event | _End] = field(default_factory=queue.SimpleQueue)
    _gathering: Gathering | Lines = field(init=False)
    _thread: threading.Thread | None = None
    _depth: int = 0
    _leaving: bool = False
    _ended: bool = False
    _gone: str = ""
    _ending: bool = False
    _handlers: dict[int, object] = field(default_factory=dict)

    def __post_init__(self) -> None:
        self._gathering = Gathering() if self.keyboard.interactive else Lines()

    @property
    def interactive(self) -> bool:
        """Whether a person presses keys here."""
        return self.keyboard.interactive

    @property
    def open(self) -> bool:
        """Whether anything can arrive."""
        return self._depth > 0

    @property
    def pending(self) -> str:
        """What is being typed or scanned at this moment."""
        return self._gathering.pending

    @property
    def gone(self) -> str:
        """Why nobody can be asked any more; empty while somebody can."""
        return self._gone

    def __enter__(self) -> Self:
        if self._depth == 0:
            self._leaving = False
            self.keyboard.start()
            self._take_signals()
            self._thread = threading.Thread(target=self._listen, name="operator's desk", daemon=True)
            self._thread.start()
        self._depth += 1
        return self

    def __exit__(self, *_exception: object) -> None:
        self._depth -= 1
        if self._depth > 0:
            return
        self._leaving = True
        self._give_signals_back()
        self.keyboard.wake()
        if self._thread is not None:
            self._thread.join(JOIN_S)
        self.keyboard.stop()

    def put(self, event: Event) -> None:
        """Put something on the desk; any thread may."""
        self._events.put(event)

    def hang_up(self, reason: str) -> None:
        """Nobody can be asked any more."""
        self._gone = self._gone or reason

    def require_somebody(self) -> None:
        """See that somebody is still there.

        :raises Stopped: the terminal was closed, or the program was asked to end.
        """
        self._ending = bool(self._gone)
        if self._gone:
            raise Stopped(self._gone)

    def stop(self, sentence: str) -> NoReturn:
        """End the visit.

        :raises Stopped: always.
        """
        self._ending = True
        raise Stopped(sentence)

    def next(self, timeout_s: float | None) -> Event | None:
        """The next event, or None after the timeout.

        :raises Stopped: nobody is there any more.
        """
        ending = None if timeout_s is None else self.now() + timeout_s
        while True:
            left_s = INTERRUPTIBLE_S if ending is None else min(ending - self.now(), INTERRUPTIBLE_S)
            event = self._taken(max(left_s, 0.0))
            self.require_somebody()
            if event is not None:
                return event
            if self._ended:
                self.stop("Nobody answers at the terminal: its input has ended, so the visit ends here.")
            if ending is not None and self.now() >= ending:
                return None

    def arrived(self, timeout_s: float = 0.0) -> list[Event]:
        """Everything that has come so far, or comes first within the timeout.

        Asks nobody, so that an input which has ended does not matter.

        :raises Stopped: the terminal was closed, or the program was asked to end.
        """
        events: list[Event] = []
        while (event := self._taken(0.0 if events else timeout_s)) is not None:
            events.append(event)
        self.require_somebody()
        return events

    def _taken(self, timeout_s: float) -> Event | None:
        try:
            event = self._events.get(timeout=timeout_s) if timeout_s > 0.0 else self._events.get_nowait()
        except queue.Empty:
            return None
        if not isinstance(event, _End):
            return event
        self._ended = True
        if self.interactive:
            self.hang_up("The terminal was closed: the visit ends here and the source is left safe.")
        return None

    def _listen(self) -> None:
        """Hand on what comes, until leaving; the wait itself proves that a press stands alone."""
        gathering = self._gathering
        while not self._leaving:
            strokes = self.keyboard.strokes(ALONE_S if gathering.waiting else None)
            at_s = self.now()
            for stroke in strokes or ():
                self._put_all(gathering.feed(stroke, at_s))
            if not strokes:
                self._put_all(gathering.quiet(at_s) if strokes is None or self.interactive else [])
            if strokes is None:
                self._events.put(_End())
                return

    def _put_all(self, events: list[Event]) -> None:
        for event in events:
            self._events.put(event)

    def _take_signals(self) -> None:
        if threading.current_thread() is not threading.main_thread():
            return
        wanted = {"SIGTERM": self._on_end, "SIGHUP": self._on_hangup, "SIGTSTP": self._on_suspend}
        for name, handler in wanted.items():
            number = getattr(signal, name, None)
            if number is not None and signal.getsignal(number) is not signal.SIG_IGN:
                self._handlers[number] = signal.signal(number, handler)

    def _give_signals_back(self) -> None:
        for number, handler in self._handlers.items():
            signal.signal(number, handler if callable(handler) or isinstance(handler, int) else signal.SIG_DFL)
        self._handlers.clear()

    def _on_end(self, _number: int, _frame: FrameType | None) -> None:
        self._stop_now("The program was asked to end: the visit ends here and the source is left safe.")

    def _on_hangup(self, _number: int, _frame: FrameType | None) -> None:
        self._stop_now("The terminal was closed: the visit ends here and the source is left safe.")

    def _stop_now(self, reason: str) -> None:
        """Raise, unless a visit is being ended already: its way to a safe source must not be interrupted."""
        self.hang_up(reason)
        if not self._ending:
            self.require_somebody()

    def _on_suspend(self, _number: int, _frame: FrameType | None) -> None:
        self.before_suspend()
        self.keyboard.give_back()
        os.kill(os.getpid(), getattr(signal, "SIGSTOP"))  # noqa: B009  not there on Windows, where nothing suspends
        self.keyboard.take()
