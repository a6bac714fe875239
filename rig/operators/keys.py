"""Single keys, at once: what stands before the operator, turned into strokes.

A stroke is one character, or the name of a key that has none (:class:`Key`). A keyboard takes single keys
between ``start`` and ``stop`` only, and gives the terminal back as it was, however the program ends.
"""

from __future__ import annotations

import atexit
import codecs
import contextlib
import io
import os
import select
import sys
import threading
import time
from enum import StrEnum
from typing import TYPE_CHECKING, Protocol

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence
    from typing import TextIO

ESCAPE = "\x1b"
ESCAPE_ALONE_S = 0.06
"""An escape that nothing follows for this long is the key; else it begins a sequence."""
LONGEST_SEQUENCE = 32
LARGEST_READ = 4096
WINDOWS_POLL_S = 0.01


class Key(StrEnum):
    """Keys that give no character."""

    ENTER = "enter"
    TAB = "tab"
    BACKSPACE = "backspace"
    ESCAPE = "escape"
    END = "end of input"
    UP = "up"
    DOWN = "down"
    LEFT = "left"
    RIGHT = "right"


_CONTROLS = {"\t": Key.TAB, "\x7f": Key.BACKSPACE, "\x08": Key.BACKSPACE, "\x04": Key.END}
# ECMA-48, 8.3.19 to 8.3.22: final bytes of the cursor movements that terminals send for the arrow keys.
_FINALS = {"A": Key.UP, "B": Key.DOWN, "C": Key.RIGHT, "D": Key.LEFT}
_WINDOWS_CODES = {"H": Key.UP, "P": Key.DOWN, "M": Key.RIGHT, "K": Key.LEFT}


class StrokeDecoder:
    """Bytes of a terminal to strokes; characters and escape sequences may come in pieces.

    CR LF is one Enter. Sequences that mean no key of ours are swallowed whole, so that none of their letters
    is taken for a key.
    """

    def __init__(self) -> None:
        self._utf8 = codecs.getincrementaldecoder("utf-8")(errors="replace")
        self._sequence = ""
        self._after_return = False

    @property
    def waiting(self) -> bool:
        """Whether an escape has come and not yet shown what it is."""
        return bool(self._sequence)

    def feed(self, data: bytes) -> list[str]:
        """Strokes that these bytes complete."""
        return [stroke for character in self._utf8.decode(data) for stroke in self._character(character)]

    def quiet(self) -> list[str]:
        """Nothing came for a while: an escape alone was the key, anything longer is given up."""
        alone = self._sequence == ESCAPE
        self._sequence = ""
        return [Key.ESCAPE] if alone else []

    def _character(self, character: str) -> list[str]:
        after_return, self._after_return = self._after_return, character == "\r"
        if self._sequence:
            return self._in_sequence(character)
        if character == ESCAPE:
            self._sequence = ESCAPE
            return []
        if character == "\n" and after_return:
            return []
        if character in "\r\n":
            return [Key.ENTER]
        return [_CONTROLS.get(character, character)]

    def _in_sequence(self, character: str) -> list[str]:
        if self._sequence == ESCAPE and character in "[O":
            self._sequence += character
            return []
        if self._sequence == ESCAPE:
            # A letter with the Alt key held is not the letter.
            again = character == ESCAPE
            self._sequence = ESCAPE if again else ""
            return [Key.ESCAPE] if again else []
        if "\x40" <= character <= "\x7e" or len(self._sequence) >= LONGEST_SEQUENCE:
            self._sequence = ""
            return [_FINALS[character]] if character in _FINALS else []
        self._sequence += character
        return []


class Keyboard(Protocol):
    """Where strokes come from. ``strokes`` and ``wake`` may be called from two threads, nothing else."""

    @property
    def interactive(self) -> bool:
        """Whether a person presses keys here; else lines come from a file or a pipe."""

    def start(self) -> None:
        """Take single keys, without echo, and let ``strokes`` be called."""

    def stop(self) -> None:
        """Give the terminal back as it was; ``strokes`` must have returned."""

    def take(self) -> None:
        """Take single keys again after ``give_back``."""

    def give_back(self) -> None:
        """Give the terminal back for a while (the program is suspended); ``strokes`` may go on waiting."""

    def strokes(self, timeout_s: float | None) -> list[str] | None:
        """Strokes as soon as there are some: none after the timeout or a wake, None once no more can come."""

    def wake(self) -> None:
        """Have a waiting ``strokes`` return."""


class _Wake:
    """A pipe that ends a wait."""

    def __init__(self) -> None:
        self.reading, self._writing = os.pipe()

    def ring(self) -> None:
        os.write(self._writing, b"\0")

    def silence(self) -> None:
        os.read(self.reading, LARGEST_READ)

    def close(self) -> None:
        os.close(self.reading)
        os.close(self._writing)


class LineInput:
    """Lines from a file or a pipe: no terminal, so nothing to switch."""

    interactive = False

    def __init__(self, descriptor: int) -> None:
        self._descriptor = descriptor
        self._decoder = StrokeDecoder()
        self._wake: _Wake | None = None

    def start(self) -> None:
        """Make waits endable, and take single keys where there are some."""
        self._wake = self._wake or _Wake()
        self.take()

    def stop(self) -> None:
        """End what ``start`` made."""
        self.give_back()
        if self._wake is not None:
            self._wake.close()
            self._wake = None

    def take(self) -> None:
        """Nothing to switch."""

    def give_back(self) -> None:
        """Nothing to switch back."""

    def wake(self) -> None:
        """Have a waiting ``strokes`` return."""
        if self._wake is not None:
            self._wake.ring()

    def strokes(self, timeout_s: float | None) -> list[str] | None:
        """Strokes of the next piece of input; None at its end."""
        while self._ready(ESCAPE_ALONE_S if self._decoder.waiting else timeout_s):
            data = _read(self._descriptor)
            if not data:
                return None
            strokes = self._decoder.feed(data)
            if strokes:
                return strokes
        return self._decoder.quiet()

    def _ready(self, timeout_s: float | None) -> bool:
        if sys.platform != "win32" and self._wake is not None:
            ready, _, _ = select.select([self._descriptor, self._wake.reading], [], [], timeout_s)
            if self._wake.reading in ready:
                self._wake.silence()
            return self._descriptor in ready
        # Only sockets can be waited for on Windows: there the read itself waits.
        return True


def _read(descriptor: int) -> bytes:
    """What is there; nothing at the end of input, or when the terminal is gone (an I/O error)."""
    try:
        return os.read(descriptor, LARGEST_READ)
    except OSError:
        return b""


class NoInput:
    """Nobody can type: there is no standard input at all."""

    interactive = False

    def start(self) -> None:
        """Nothing to start."""

    def stop(self) -> None:
        """Nothing to stop."""

    def take(self) -> None:
        """Nothing to switch."""

    def give_back(self) -> None:
        """Nothing to switch back."""

    def wake(self) -> None:
        """Nothing waits."""

    def strokes(self, _timeout_s: float | None) -> list[str] | None:
        """No stroke will ever come."""
        return None


class ConsoleKeys(Protocol):
    """What a Windows console offers (the module ``msvcrt``)."""

    def kbhit(self) -> bool:
        """Whether a key waits."""

    def getwch(self) -> str:
        """The next character, unechoed; an arrow comes as a prefix and a code."""


class WindowsKeyboard:
    """Keys of a Windows console, which gives them singly by itself."""

    interactive = True

    def __init__(self, keys: ConsoleKeys, interrupt: Callable[[], None]) -> None:
        self._keys = keys
        self._interrupt = interrupt
        self._decoder = StrokeDecoder()
        self._woken = threading.Event()

    def start(self) -> None:
        """Nothing to start."""

    def stop(self) -> None:
        """Nothing to stop."""

    def take(self) -> None:
        """Nothing to switch."""

    def give_back(self) -> None:
        """Nothing to switch back."""

    def wake(self) -> None:
        """Have a waiting ``strokes`` return."""
        self._woken.set()

    def strokes(self, timeout_s: float | None) -> list[str] | None:
        """Strokes as soon as there are some."""
        ending = None if timeout_s is None else time.monotonic() + timeout_s
        while not self._keys.kbhit():
            if self._woken.is_set() or (ending is not None and time.monotonic() >= ending):
                self._woken.clear()
                return []
            time.sleep(WINDOWS_POLL_S)
        taken: list[str] = []
        while self._keys.kbhit():
            taken += self._next()
        return taken

    def _next(self) -> Sequence[str]:
        character = self._keys.getwch()
        if character in "\x00\xe0":
            named = _WINDOWS_CODES.get(self._keys.getwch())
            return [named] if named is not None else []
        if character == "\x03":
            self._interrupt()
            return []
        if character == ESCAPE:
            return [Key.ESCAPE]
        if character == "\x1a":
            return [Key.END]
        return self._decoder.feed(character.encode("utf-8", errors="replace"))


if sys.platform == "win32":
    import _thread
    import msvcrt

    def terminal_keyboard(_descriptor: int) -> Keyboard:
        """The keyboard of the console that this program runs in."""
        return WindowsKeyboard(msvcrt, _thread.interrupt_main)

else:
    import termios

    class PosixKeyboard(LineInput):
        """A terminal: keys come singly and unechoed, while Ctrl-C and Ctrl-Z keep their meaning."""

        interactive = True

        def __init__(self, descriptor: int) -> None:
            super().__init__(descriptor)
            self._before: list[int | list[bytes | int]] | None = None

        def take(self) -> None:
            """Take single keys."""
            if self._before is not None:
                return
            before = termios.tcgetattr(self._descriptor)
            single = termios.tcgetattr(self._descriptor)
            # Return and line feed stay apart, so that a scanner's CR LF can be told from two Enters.
            single[0] &= ~(termios.ICRNL | termios.INLCR | termios.IGNCR)
            single[3] &= ~(termios.ICANON | termios.ECHO)
            single[6][termios.VMIN], single[6][termios.VTIME] = 1, 0
            self._before = before
            atexit.register(self.give_back)
            termios.tcsetattr(self._descriptor, termios.TCSANOW, single)

        def give_back(self) -> None:
            """Give the terminal back as it was."""
            before, self._before = self._before, None
            if before is None:
                return
            atexit.unregister(self.give_back)
            # A terminal that was closed cannot be given back.
            with contextlib.suppress(termios.error, OSError):
                termios.tcsetattr(self._descriptor, termios.TCSANOW, before)

    def terminal_keyboard(descriptor: int) -> Keyboard:
        """The keyboard of the terminal behind a descriptor."""
        return PosixKeyboard(descriptor)


def open_keyboard(stream: TextIO | None) -> Keyboard:
    """The keyboard behind a stream: that of a terminal, or lines, or nothing where the stream has no file."""
    try:
        descriptor = stream.fileno() if stream is not None else -1
    except (io.UnsupportedOperation, ValueError):
        descriptor = -1
    if descriptor < 0:
        return NoInput()
    return terminal_keyboard(descriptor) if os.isatty(descriptor) else LineInput(descriptor)
