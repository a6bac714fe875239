"""People's words as a screen can show them: signs that steer it, or that turn text around, stand as marks."""

from __future__ import annotations

import unicodedata
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from collections.abc import Iterable

STEERING = frozenset({"Cc", "Cf", "Cs", "Zl", "Zp"})
"""Categories of the Unicode Standard: control and formatting characters, halves of pairs, ends of lines."""
JOINERS = frozenset("\u200c\u200d")
"""Several scripts need them between their letters; they steer nothing."""


def marked(sign: str) -> str:
    """A sign by its number: [U+202E]."""
    return f"[U+{ord(sign):04X}]"


def as_marks(text: str) -> str:
    """One line that stays one, read in the order in which it stands."""
    if text.isprintable():
        return text
    return "".join(
        marked(each) if unicodedata.category(each) in STEERING and each not in JOINERS else each for each in text
    )


def on_screen(lines: Iterable[str]) -> str:
    """Lines for a terminal, each of them one line whatever people typed into it."""
    return "\n".join(as_marks(line) for line in lines)
