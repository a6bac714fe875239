"""SCPI text to Python values and back, as a controller reads and writes it.

The forms are those of IEEE 488.2-1992 chapter 8 (responses) and 7.7 (program data), and the special numbers
those of SCPI-1999 volume 1, 7.2.1. Reading is strict: the whole text is one value of the wanted form, or a
typed error says why not. The only liberties are those that instruments in the field take: blanks or a
carriage return at the ends, a trailing unit, and what their displays show in place of a number.
"""

from __future__ import annotations

import math
import re
from dataclasses import dataclass

from drivers.errors import ErrorEntry, NotANumber, Overload, Unreadable

__all__ = [
    "ErrorEntry",
    "Identity",
    "count_queries",
    "format_number",
    "parse_block",
    "parse_boolean",
    "parse_error_entry",
    "parse_identity",
    "parse_nonnegative_integer",
    "parse_number",
    "parse_numbers",
    "parse_string",
    "split_units",
]

INFINITY = 9.9e37
NOT_A_NUMBER = 9.91e37
_WITHIN = 1e33

_BLANKS = " \t\r\n"
_NUMBER = re.compile(
    # digits can be matched in one way only: a garbled answer of many thousands costs no more than their number
    r"(?P<number>[+-]?(?:[0-9]+(?:\.[0-9]*)?|\.[0-9]+)(?:[eE][+-]?[0-9]+)?)(?:[ \t]*(?P<suffix>[A-Za-z]+))?"
)
# what displays show where there is no number, and some instruments answer (common practice)
_OVER = re.compile(r"[+-]?(?:OL|O\.L|OVLD|OVER|OVERLOAD|OVERRANGE)")
_DASHES = re.compile(r"-(?:[-. ]*-)")
_BASES = {
    "H": (16, re.compile(r"[0-9A-Fa-f]+")),
    "Q": (8, re.compile(r"[0-7]+")),
    "B": (2, re.compile(r"[01]+")),
}
_DECIMAL = re.compile(r"\+?[0-9]+")
_ERROR = re.compile(r"(?P<code>[+-]?[0-9]{1,6})[ \t]*,[ \t]*(?P<string>.+)", re.DOTALL)
# a unit that says what kind of voltage it is (common practice)
_KINDS = {"VDC": "V"}
_UNITS = ("OHM", "HZ", "V", "S", "A", "W")
# IEEE 488.2-1992 table 7-2
_MULTIPLIERS = {
    "EX": 1e18, "PE": 1e15, "T": 1e12, "G": 1e9, "MA": 1e6, "K": 1e3, "": 1.0,
    "M": 1e-3, "U": 1e-6, "N": 1e-9, "P": 1e-12, "F": 1e-15, "A": 1e-18,
}  # fmt: skip
_SHOWN = 60


_SHOWN_OF_A_FIELD = 72
"""IEEE 488.2-1992, 10.14.3: the whole identity is no longer than that (from memory)."""


@dataclass(frozen=True, slots=True)
class Identity:
    """The four fields of ``*IDN?`` (IEEE 488.2-1992, 10.14); a field that is left out reads ``"0"``."""

    maker: str
    model: str
    serial: str
    firmware: str

    def __str__(self) -> str:
        """Return the fields as the instrument sends them, each cut to a length that a person can read."""
        fields = (self.maker, self.model, self.serial, self.firmware)
        return ",".join(each if len(each) <= _SHOWN_OF_A_FIELD else f"{each[:_SHOWN_OF_A_FIELD]}..." for each in fields)


def parse_number(text: str, unit: str | None = None) -> float:
    """Read one NR1, NR2 or NR3 number, with or without a unit behind it.

    :param text: the whole reply, for example ``"+1.25E+00"`` or ``"12.5 mV"``.
    :param unit: the unit, if there is one, must be this one (``"V"``, ``"HZ"``, ``"S"``, ...); any known one
        when ``None``.
    :raises Overload: +-9.9E37, SCPI's infinity, or a display's word for it (``OL``).
    :raises NotANumber: 9.91E37, SCPI's not-a-number, or a display's dashes.
    :raises Unreadable: anything else that is not a finite number.
    """
    bare = text.strip(_BLANKS)
    match = _NUMBER.fullmatch(bare)
    if match is None:
        _require_no_display(bare)
        raise Unreadable(f"{_shown(text)} is not a number; check that the right instrument answers here")
    value = float(match["number"])
    if abs(abs(value) - NOT_A_NUMBER) < _WITHIN:
        raise NotANumber("there is no result (9.91E37, SCPI's not-a-number); check the input and read again")
    if not math.isfinite(value):
        raise Unreadable(f"{_shown(text)} is larger than any number that can be meant; read again")
    if abs(value) > INFINITY - _WITHIN:
        raise Overload("the input is beyond the range (9.9E37, SCPI's infinity): choose a larger range, or lower it")
    suffix = match["suffix"]
    return value if suffix is None else value * _multiplier(suffix, unit, text)


def _require_no_display(bare: str) -> None:
    """Let a text pass that is not what a display shows in place of a number.

    :raises Overload, NotANumber: it is.
    """
    if _OVER.fullmatch(bare.upper()):
        raise Overload(f"the input is beyond the range ({bare}): choose a larger range, or lower it")
    if _DASHES.fullmatch(bare):
        raise NotANumber(f"there is no result ({_shown(bare)}); check the input and read again")


def parse_numbers(text: str, unit: str | None = None) -> tuple[float, ...]:
    """Read a comma list of numbers; errors as those of :func:`parse_number`, at the first bad item."""
    return tuple(parse_number(item, unit) for item in text.split(","))


def parse_nonnegative_integer(text: str) -> int:
    """Read an integer in decimal, or in #H, #Q or #B form (IEEE 488.2-1992, 8.7.2 and 8.7.5 to 8.7.7).

    :raises Unreadable: it is not one.
    """
    bare = text.strip(_BLANKS)
    if _DECIMAL.fullmatch(bare) and len(bare) <= _SHOWN:
        return int(bare)
    if 2 < len(bare) <= _SHOWN and bare[0] == "#" and bare[1].upper() in _BASES:
        base, digits = _BASES[bare[1].upper()]
        if digits.fullmatch(bare, 2):
            return int(bare[2:], base)
    raise Unreadable(f"{_shown(text)} is not a whole number; check that the right instrument answers here")


def parse_boolean(text: str) -> bool:
    """Read 0 or 1 (SCPI-1999 volume 1, 7.3: a boolean is answered so); ON and OFF are taken as well.

    :raises Unreadable: it is neither.
    """
    bare = text.strip(_BLANKS).upper()
    if bare in {"1", "+1", "ON"}:
        return True
    if bare in {"0", "+0", "OFF"}:
        return False
    raise Unreadable(f"{_shown(text)} is neither 0 nor 1; check that the right instrument answers here")


def parse_string(text: str) -> str:
    """Read a quoted string, in which a doubled quote stands for one (IEEE 488.2-1992, 8.7.8 and 7.7.5).

    :raises Unreadable: quotes are missing, or one stands alone inside.
    """
    bare = text.strip(_BLANKS)
    if len(bare) >= 2 and bare[0] in "\"'" and bare[-1] == bare[0]:
        quote, inside = bare[0], bare[1:-1]
        if quote not in inside.replace(quote * 2, ""):
            return inside.replace(quote * 2, quote)
    raise Unreadable(f"{_shown(text)} is not a quoted string; check that the right instrument answers here")


def parse_block(data: bytes) -> bytes:
    """Read a definite-length arbitrary block, ``#<n><n digits of length><bytes>`` (IEEE 488.2-1992, 8.7.9).

    A line end behind the block is allowed.

    :raises Unreadable: the header is not one, or the length does not fit the bytes.
    """
    header = data[:2]
    if len(header) == 2 and header[:1] == b"#" and header[1:].isdigit() and header[1:] != b"0":
        begin = 2 + int(header[1:])
        length = data[2:begin]
        if len(length) == begin - 2 and length.isdigit():
            end = begin + int(length)
            if len(data) >= end and data[end:] in {b"", b"\n", b"\r\n"}:
                return data[begin:end]
    raise Unreadable(f"{_shown(data)} is not a block of the length that it states; read again")


def split_units(text: str) -> list[str]:
    """Split a message at the semicolons that stand outside quotes (IEEE 488.2-1992, 8.4.1)."""
    if '"' not in text and "'" not in text:
        return text.split(";")
    units: list[str] = []
    quote = ""
    begin = 0
    for position, character in enumerate(text):
        if quote:
            quote = "" if character == quote else quote
        elif character in "\"'":
            quote = character
        elif character == ";":
            units.append(text[begin:position])
            begin = position + 1
    return [*units, text[begin:]]


def count_queries(message: str) -> int:
    """Count the units of a program message whose header ends in a question mark: each has an answer."""
    return sum(unit.split(maxsplit=1)[0].endswith("?") for unit in split_units(message) if unit.strip())


def parse_error_entry(text: str) -> ErrorEntry:
    """Read one answer of ``SYST:ERR?``, for example ``-113,"Undefined header;OUTPP"`` (SCPI-1999 volume 2,
    21.8).

    :raises Unreadable: it is not a number and a quoted string.
    """
    match = _ERROR.fullmatch(text.strip(_BLANKS))
    if match is None:
        raise Unreadable(
            f"{_shown(text)} is not an entry of an error queue; check that the right instrument answers here"
        )
    description, _, detail = parse_string(match["string"]).partition(";")
    return ErrorEntry(int(match["code"]), description, detail)


def parse_identity(text: str, fields: int = 4) -> Identity:
    """Read the answer of ``*IDN?``: four fields between commas, of printable ASCII (IEEE 488.2-1992, 10.14).

    :param fields: how many there must be at least; what is missing reads ``"0"``.
    :raises Unreadable: there are fewer fields, or other characters.
    """
    bare = text.strip(_BLANKS)
    found = [field.strip(_BLANKS) for field in bare.split(",", 3)]
    if len(found) >= fields and bare.isascii() and bare.isprintable():
        return Identity(*[*found, "0", "0", "0"][:4])
    number = {4: "four", 3: "three"}.get(fields, str(fields))
    raise Unreadable(f"{_shown(text)} is not the {number} fields of an identity; check what is connected here")


def format_number(value: float) -> str:
    """Write a number as decimal program data without losing a digit (IEEE 488.2-1992, 7.7.2: NRf).

    :raises ValueError: it is not finite.
    """
    if not math.isfinite(value):
        raise ValueError(f"{value} cannot be sent to an instrument: a finite number is needed")
    return repr(float(value) + 0.0).upper()


def _multiplier(suffix: str, wanted: str | None, text: str) -> float:
    upper = suffix.upper()
    for kind, plain in _KINDS.items():
        if upper.endswith(kind):
            upper = upper.removesuffix(kind) + plain
    for unit in _UNITS:
        if not upper.endswith(unit) or (wanted is not None and unit != wanted.upper()):
            continue
        prefix = upper[: -len(unit)]
        if prefix == "M" and unit in {"HZ", "OHM"}:
            # IEEE 488.2-1992, 7.7.3.4: MHZ and MOHM are mega; a small m would be read as milli by people
            if suffix[0] == "m":
                break
            return 1e6
        if prefix in _MULTIPLIERS:
            return _MULTIPLIERS[prefix]
    expected = "" if wanted is None else f" in {wanted}"
    raise Unreadable(f"{_shown(text)} is not a number{expected}; check that the right instrument answers here")


def _shown(text: str | bytes) -> str:
    """Return the text as a literal, cut to a length that fits into a sentence."""
    return repr(text) if len(text) <= _SHOWN else repr(text[:_SHOWN]) + "..."
