"""The operator's terminal as something to write on: lines that stay, and a block that is drawn over in place.

On a terminal without cursor control, or where the output is no terminal, nothing is ever drawn over.
"""

from __future__ import annotations

import io
import os
from typing import TYPE_CHECKING, NoReturn

from rich.text import Text

from rig.marks import as_marks
from rig.operators.glyphs import glyphs_for

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence

    from rich.console import Console

# ECMA-48: cursor up (8.3.22), erase in line and page (8.3.41, 8.3.39), cursor position (8.3.21); the cursor's
# visibility is a private mode that terminals share.
UP, TO_LINE_END, TO_PAGE_END, WHOLE_PAGE = "\x1b[{}A", "\x1b[K", "\x1b[J", "\x1b[2J\x1b[H"
HIDE_CURSOR, SHOW_CURSOR = "\x1b[?25l", "\x1b[?25h"
BELL = "\a"
ASSUMED_SIZE = (80, 24)


def printable(text: str, longest: int = 64) -> str:
    """Text from outside, harmless for a terminal."""
    shown = "".join(character if character.isprintable() else "?" for character in text)
    return shown if len(shown) <= longest else shown[: longest - 3] + "..."


class Screen:
    """Lines that stay and at most one block in place below them.

    :param lost: called when the output can no longer be written (the terminal was closed); it raises.
    """

    def __init__(self, console: Console, lost: Callable[[], NoReturn]) -> None:
        self._console = console
        self._lost = lost
        self._rows = 0
        self._drawn_for = ASSUMED_SIZE
        self.glyphs = glyphs_for(console.encoding)
        self.redraws = console.is_terminal and not console.is_dumb_terminal and not console.legacy_windows

    @property
    def is_terminal(self) -> bool:
        """Whether somebody looks at a terminal, with or without cursor control."""
        return self._console.is_terminal

    def size(self) -> tuple[int, int]:
        """Columns and rows at this moment."""
        try:
            size = os.get_terminal_size(self._console.file.fileno())
        except (OSError, ValueError, io.UnsupportedOperation):
            return self._console.size.width or ASSUMED_SIZE[0], self._console.size.height or ASSUMED_SIZE[1]
        return size.columns or ASSUMED_SIZE[0], size.lines or ASSUMED_SIZE[1]

    def line(self, text: str | Text, style: str = "") -> None:
        """Write a line that stays, wrapped at words on a terminal; a block in place gives way to it.

        Signs in a text that steer the screen are written as marks.
        """
        self.wipe()
        written = Text(as_marks(text), style) if isinstance(text, str) else text
        self._write(self._rendered(written, wrap=self.is_terminal))

    def paint(self, lines: Sequence[Text]) -> None:
        """Draw the block anew in its place. After a change of the terminal's size the page is begun anew."""
        size = self.size()
        pieces = [HIDE_CURSOR]
        if self._rows and size != self._drawn_for:
            pieces.append(WHOLE_PAGE)
        elif self._rows > 1:
            pieces.append(UP.format(self._rows - 1))
        rendered = [self._rendered(line, wrap=False).rstrip("\n") for line in lines]
        pieces.append("\r" + "\r\n".join(f"{line}{TO_LINE_END}" for line in rendered) + TO_PAGE_END)
        self._rows, self._drawn_for = len(lines), size
        self._write("".join(pieces))

    def wipe(self) -> None:
        """Take the block away."""
        if self._rows:
            up = UP.format(self._rows - 1) if self._rows > 1 else ""
            self._rows = 0
            self._write(f"{up}\r{TO_PAGE_END}{SHOW_CURSOR}")

    def bell(self) -> None:
        """Ring the terminal's bell."""
        if self.is_terminal:
            self._write(BELL)

    def echo(self, text: str) -> None:
        """Write something at the end of the line, as an echo."""
        self._write(text)

    def _rendered(self, text: Text, *, wrap: bool) -> str:
        # The capturing console writes an empty text of its own, which a closed terminal refuses as well.
        try:
            with self._console.capture() as captured:
                if wrap:
                    self._console.print(text, width=self.size()[0], soft_wrap=False)
                else:
                    self._console.print(text, soft_wrap=True)
        except OSError:
            self._rows = 0
            self._lost()
        return captured.get()

    def _write(self, text: str) -> None:
        # What the terminal cannot show becomes a question mark, not an error.
        encoding = self._console.encoding
        shown = text.encode(encoding, errors="replace").decode(encoding)
        try:
            self._console.file.write(shown)
            self._console.file.flush()
        except OSError:
            self._rows = 0
            self._lost()
