"""What a terminal can draw: signs for lines and bars, and block letters that are read from across the bench."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class Glyphs:
    """Signs for one kind of terminal; each is one column wide, ``plus_minus`` perhaps two.

    ``dots`` are the block letters' picture elements, upper and lower, alone and together; where they are equal a
    letter takes a row of text for each row of dots, else half as many.
    """

    dots: tuple[str, str, str]
    fill: str
    track: str
    gate: tuple[str, str]
    doubt: str
    clockwise: str
    counter_clockwise: str
    plus_minus: str

    @property
    def halves(self) -> bool:
        """Whether one row of text holds two rows of dots."""
        return self.dots[0] != self.dots[1]


BLOCKS = Glyphs(("▀", "▄", "█"), "█", "·", ("▕", "▏"), "░", "»", "«", "±")
ASCII = Glyphs(("#", "#", "#"), "#", ".", ("[", "]"), "~", ">", "<", "+-")


def glyphs_for(encoding: str) -> Glyphs:
    """Blocks where the terminal's encoding has them, else ASCII."""
    try:
        "".join((*BLOCKS.dots, BLOCKS.track, *BLOCKS.gate, BLOCKS.doubt)).encode(encoding)
    except (UnicodeEncodeError, LookupError):
        return ASCII
    return BLOCKS


_LETTERS = {
    "0": ("###", "# #", "# #", "# #", "###"),
    "1": (" # ", "## ", " # ", " # ", "###"),
    "2": ("###", "  #", "###", "#  ", "###"),
    "3": ("###", "  #", " ##", "  #", "###"),
    "4": ("# #", "# #", "###", "  #", "  #"),
    "5": ("###", "#  ", "###", "  #", "###"),
    "6": ("###", "#  ", "###", "# #", "###"),
    "7": ("###", "  #", " # ", " # ", " # "),
    "8": ("###", "# #", "###", "# #", "###"),
    "9": ("###", "# #", "###", "  #", "###"),
    "+": ("   ", " # ", "###", " # ", "   "),
    "-": ("   ", "   ", "###", "   ", "   "),
    ".": (" ", " ", " ", " ", "#"),
    " ": ("  ", "  ", "  ", "  ", "  "),
    "A": (" # ", "# #", "###", "# #", "# #"),
    "C": ("###", "#  ", "#  ", "#  ", "###"),
    "D": ("## ", "# #", "# #", "# #", "## "),
    "E": ("###", "#  ", "## ", "#  ", "###"),
    "F": ("###", "#  ", "## ", "#  ", "#  "),
    "I": ("###", " # ", " # ", " # ", "###"),
    "L": ("#  ", "#  ", "#  ", "#  ", "###"),
    "N": ("#  #", "## #", "# ##", "#  #", "#  #"),
    "O": ("###", "# #", "# #", "# #", "###"),
    "P": ("###", "# #", "###", "#  ", "#  "),
    "S": ("###", "#  ", "###", "  #", "###"),
    "T": ("###", " # ", " # ", " # ", " # "),
}
DOT_ROWS = 5


def letters(text: str, glyphs: Glyphs) -> tuple[str, ...]:
    """Rows of block letters, three or five; a text with a letter that is not drawn comes as it is."""
    dots = _dots(text)
    if dots is None:
        return (text,)
    if not glyphs.halves:
        return _filled(dots, glyphs)
    padded = (*dots, " " * len(dots[0]))
    return tuple(
        "".join(_half(above, below, glyphs) for above, below in zip(*pair, strict=True)).rstrip()
        for pair in zip(padded[::2], padded[1::2], strict=True)
    )


def large_letters(text: str, glyphs: Glyphs) -> tuple[str, ...]:
    """Five rows of block letters, two columns to a dot; a text with a letter that is not drawn comes as it is."""
    dots = _dots(text)
    if dots is None:
        return (text,)
    return _filled(tuple("".join(dot * 2 for dot in row) for row in dots), glyphs)


def _dots(text: str) -> tuple[str, ...] | None:
    if any(character not in _LETTERS for character in text):
        return None
    return tuple(" ".join(_LETTERS[character][row] for character in text) for row in range(DOT_ROWS))


def _filled(dots: tuple[str, ...], glyphs: Glyphs) -> tuple[str, ...]:
    return tuple(row.replace("#", glyphs.dots[2]).rstrip() for row in dots)


def _half(above: str, below: str, glyphs: Glyphs) -> str:
    upper, lower, both = glyphs.dots
    return {"##": both, "# ": upper, " #": lower}.get(above + below, " ")
