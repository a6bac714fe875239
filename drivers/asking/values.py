"""Values to try settings with, and what their answers have to look like."""

from __future__ import annotations

from functools import partial

from drivers.asking.asker import Setting
from drivers.scpi import format_number, parse_boolean, parse_number, parse_string

RELATIVE = 0.02
"""An instrument may round a setting, but not move it."""


def number(value: float, unit: str | None, absolute: float = 0.0) -> Setting:
    """Return a number, which comes back as it was sent, up to rounding.

    :param unit: the unit that may stand behind it.
    :param absolute: rounding that is allowed besides the relative one.
    """

    def same(answer: str) -> bool:
        return abs(parse_number(answer, unit) - value) <= RELATIVE * abs(value) + absolute

    return Setting(format_number(value), same)


def at_least(value: float, unit: str | None) -> Setting:
    """Return a range, which comes back as the one that holds it: not smaller, nor ten times larger (common
    practice: ranges go by decades).
    """

    def same(answer: str) -> bool:
        return (1 - RELATIVE) * value <= parse_number(answer, unit) <= 12.0 * value

    return Setting(format_number(value), same)


def whole(value: int) -> Setting:
    """Return a count."""
    return Setting(str(value), lambda answer: parse_number(answer) == value)


def switch(text: str, *, on: bool) -> Setting:
    """Return a position of a switch, in one of its spellings."""
    return Setting(text, lambda answer: parse_boolean(answer) is on)


def word(text: str) -> Setting:
    """Return a word, which comes back in its short or long form, with or without quotes."""
    return Setting(text, partial(_begins, text.strip("\"'")))


def _begins(text: str, answer: str) -> bool:
    bare = parse_string(answer) if answer[:1] in {'"', "'"} else answer
    return bare.strip().upper().startswith(text.upper())
