"""Program messages taken apart: units, headers, data.

Source: IEEE 488.2-1992, chapter 7 (syntax of what a device listens to): mnemonics 7.6.1.4, character data
7.7.1, numbers 7.7.2, suffixes 7.7.3, strings 7.7.5, blocks 7.7.6, expressions 7.7.7.
"""

from __future__ import annotations

import re
from dataclasses import dataclass
from enum import Enum, auto
from functools import lru_cache
from typing import TYPE_CHECKING

from drivers.virtual.scpi_errors import ScpiError

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator

LONGEST_MNEMONIC = 12
LONGEST_SUFFIX = 12
MOST_DIGITS = 255
LARGEST_EXPONENT = 32000
MOST_KNOWN = 4096
LONGEST_KNOWN = 256
"""So many messages of no more characters are remembered: a program says the same few things."""

_BLANK = r"[\x00-\x09\x0b-\x20]"
_BLANKS = re.compile(f"{_BLANK}*")
_HEADER = re.compile(
    r"(?P<common>\*)?(?P<root>:)?(?P<words>[A-Za-z][A-Za-z0-9_]*(?::[A-Za-z][A-Za-z0-9_]*)*)(?P<query>\?)?"
)
_NUMBER = re.compile(
    rf"(?P<mantissa>[+-]?(?:[0-9]+(?:\.[0-9]*)?|\.[0-9]+))(?:{_BLANK}*[Ee]{_BLANK}*(?P<exponent>[+-]?[0-9]+))?"
    rf"(?:{_BLANK}*(?P<suffix>/?[A-Za-z][A-Za-z0-9/.\-]*))?"
)
_RADIX = re.compile(r"#(?:[Hh](?P<hex>[0-9A-Fa-f]+)|[Qq](?P<octal>[0-7]+)|[Bb](?P<binary>[01]+))(?![0-9A-Za-z])")
_BLOCK = re.compile(r"#([0-9])")
_WRONG_RADIX = re.compile(r"#[A-Za-z]")
_CHARACTER = re.compile(r"[A-Za-z][A-Za-z0-9_]*")
_STRING = re.compile(r'"(?:[^"]|"")*+"|\'(?:[^\']|\'\')*+\'')
_EXPRESSION = re.compile(r"\([^()\"'#;]*\)")
_OPAQUE = re.compile(r"[\"'#()]")
"""Where one of these stands, a semicolon may be part of a string, block or expression."""
_SKIPPED = re.compile(r'(?:"(?:[^"]|"")*"|\'(?:[^\']|\'\')*\'|[^;])*')


class Kind(Enum):
    """Kinds of program data (IEEE 488.2, 7.7)."""

    CHARACTER = auto()
    NUMBER = auto()
    STRING = auto()
    BLOCK = auto()
    EXPRESSION = auto()


@dataclass(frozen=True, slots=True)
class Element:
    """One element of program data.

    :param text: as it stands in the message; a string's contents without its quotes.
    :param number: value of a number, before its suffix is applied.
    :param suffix: suffix of a number, in capitals.
    """

    kind: Kind
    text: str
    number: float = 0.0
    suffix: str = ""


@dataclass(frozen=True, slots=True)
class Unit:
    """One program message unit.

    :param words: mnemonics of the header, in capitals; a common command's single one begins with an asterisk.
    :param absolute: whether the header began with a colon.
    """

    words: tuple[str, ...]
    absolute: bool
    query: bool
    elements: tuple[Element, ...]
    text: str

    @property
    def common(self) -> bool:
        """Whether it is a common command, which leaves the header path alone."""
        return self.words[0].startswith("*")


def units(message: str) -> Iterable[Unit | ScpiError]:
    """Units of a program message, in order.

    What cannot be read comes as its error; reading goes on behind the next semicolon that is outside a
    string.
    """
    known = _known_units(message) if len(message) <= LONGEST_KNOWN else None
    return _read(message) if known is None else known


@lru_cache(maxsize=MOST_KNOWN)
def _known_units(message: str) -> tuple[Unit, ...] | None:
    """Units of a message in which every semicolon ends one and none is wrong; None for any other message."""
    if _OPAQUE.search(message) is not None:
        return None
    found = tuple(_known_unit(text) for text in message.split(";"))
    return tuple(unit for unit in found if unit is not None) if None not in found else None


@lru_cache(maxsize=MOST_KNOWN)
def _known_unit(text: str) -> Unit | None:
    """A unit that was read before, or is now; None for one that cannot be read."""
    try:
        unit, _ = _unit(text, 0)
    except ScpiError:
        return None
    return unit


def _read(message: str) -> Iterator[Unit | ScpiError]:
    position = _after_blanks(message, 0)
    if position == len(message):
        return
    while True:
        try:
            unit, position = _unit(message, position)
        except ScpiError as error:
            yield error
            skipped = _SKIPPED.match(message, position)
            position = len(message) if skipped is None else skipped.end()
        else:
            yield unit
        if position >= len(message):
            return
        position += 1


def _after_blanks(message: str, position: int) -> int:
    match = _BLANKS.match(message, position)
    return position if match is None else match.end()


def _unit(message: str, start: int) -> tuple[Unit, int]:
    start = _after_blanks(message, start)
    match = _HEADER.match(message, start)
    if match is None:
        raise _unreadable(message, start, -102)
    common, root, words = match["common"], match["root"], match["words"].upper().split(":")
    if common and (root or len(words) > 1):
        raise ScpiError(-110, match[0])
    if any(len(word) > LONGEST_MNEMONIC for word in words):
        raise ScpiError(-112, match[0])
    position = match.end()
    behind = _after_blanks(message, position)
    elements: list[Element] = []
    if behind < len(message) and message[behind] != ";":
        if behind == position:
            raise _unreadable(message, position, -111)
        behind = _data(message, behind, elements)
    header = (f"*{words[0]}",) if common else tuple(words)
    text = message[start:behind].strip()
    return Unit(header, bool(root), bool(match["query"]), tuple(elements), text), behind


def _data(message: str, position: int, elements: list[Element]) -> int:
    while True:
        element, position = _element(message, position)
        elements.append(element)
        position = _after_blanks(message, position)
        if position == len(message) or message[position] == ";":
            return position
        if message[position] != ",":
            raise _unreadable(message, position, -103)
        position = _after_blanks(message, position + 1)


def _element(message: str, position: int) -> tuple[Element, int]:
    first = message[position : position + 1]
    if first in {'"', "'"}:
        return _string(message, position)
    if first == "#":
        return _radix_or_block(message, position)
    if first == "(":
        match = _EXPRESSION.match(message, position)
        if match is None:
            raise ScpiError(-171)
        return Element(Kind.EXPRESSION, match[0]), match.end()
    if match := _NUMBER.match(message, position):
        return _number(match), match.end()
    if match := _CHARACTER.match(message, position):
        if len(match[0]) > LONGEST_MNEMONIC:
            raise ScpiError(-144, match[0])
        return Element(Kind.CHARACTER, match[0].upper()), match.end()
    if first and first in "+-.":
        raise ScpiError(-121, message[position : position + LONGEST_MNEMONIC])
    raise _unreadable(message, position, -102)


def _string(message: str, position: int) -> tuple[Element, int]:
    match = _STRING.match(message, position)
    if match is None or not match[0].isascii():
        raise ScpiError(-151)
    quote = match[0][0]
    return Element(Kind.STRING, match[0][1:-1].replace(quote * 2, quote)), match.end()


def _number(match: re.Match[str]) -> Element:
    exponent, suffix = match["exponent"] or "0", (match["suffix"] or "").upper()
    digits = match["mantissa"].lstrip("+-0.")
    if len(digits) > MOST_DIGITS:
        raise ScpiError(-124)
    if len(exponent) > MOST_DIGITS or abs(int(exponent)) > LARGEST_EXPONENT:
        raise ScpiError(-123, exponent[:LONGEST_MNEMONIC])
    if len(suffix) > LONGEST_SUFFIX:
        raise ScpiError(-134, suffix[:LONGEST_MNEMONIC])
    return Element(Kind.NUMBER, match[0], float(f"{match['mantissa']}E{exponent}"), suffix)


def _radix_or_block(message: str, position: int) -> tuple[Element, int]:
    if match := _RADIX.match(message, position):
        digits, base = next(
            (match[name], base) for name, base in (("hex", 16), ("octal", 8), ("binary", 2)) if match[name]
        )
        if len(digits) > MOST_DIGITS:
            raise ScpiError(-124)
        return Element(Kind.NUMBER, match[0], float(int(digits, base))), match.end()
    if match := _BLOCK.match(message, position):
        return _block(message, match.end(), int(match[1]))
    if _WRONG_RADIX.match(message, position):
        raise ScpiError(-121, message[position : position + LONGEST_MNEMONIC])
    raise ScpiError(-161)


def _block(message: str, position: int, digits: int) -> tuple[Element, int]:
    if digits == 0:
        return Element(Kind.BLOCK, message[position:]), len(message)
    length = message[position : position + digits]
    start = position + digits
    if not re.fullmatch(r"[0-9]+", length) or len(length) < digits or start + int(length) > len(message):
        raise ScpiError(-161)
    return Element(Kind.BLOCK, message[start : start + int(length)]), start + int(length)


def _unreadable(message: str, position: int, code: int) -> ScpiError:
    """The error for a place where something else was expected: -101 when no device knows that character."""
    found = message[position : position + 1]
    known = found == "" or (found.isascii() and found.isprintable() and found not in "$&@[\\]^`{|}~!%")
    return ScpiError(code if known else -101, ascii(found)[1:-1] if found else "")
