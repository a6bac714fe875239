"""What a command takes: numbers with units, switches, words, strings, each checked as the standards say.

Sources: IEEE 488.2-1992, 7.7 (kinds of data, suffixes); SCPI-1999 volume 1, chapter 7 (MINimum, MAXimum,
DEFault, booleans, units).
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Protocol

from drivers.virtual.grammar import Element, Kind
from drivers.virtual.headers import nodes_of
from drivers.virtual.scpi_errors import ScpiError

Value = float | bool | str | None
INFINITY = 9.9e37
"""SCPI's infinity (SCPI-1999 volume 1, 7.2.1.4)."""
NOT_A_NUMBER = 9.91e37
"""SCPI's not-a-number (SCPI-1999 volume 1, 7.2.1.5)."""

_MULTIPLIERS = {
    "EX": 1e18, "PE": 1e15, "T": 1e12, "G": 1e9, "MA": 1e6, "K": 1e3, "": 1.0,
    "M": 1e-3, "U": 1e-6, "N": 1e-9, "P": 1e-12, "F": 1e-15, "A": 1e-18,
}  # fmt: skip
"""IEEE 488.2, table 7-2."""
_MEGA_UNITS = ("HZ", "OHM")
"""With these units M means mega (IEEE 488.2, 7.7.3.3)."""
_NOT_ALLOWED = {
    Kind.CHARACTER: -148,
    Kind.NUMBER: -128,
    Kind.STRING: -158,
    Kind.BLOCK: -168,
    Kind.EXPRESSION: -178,
}


class Parameter(Protocol):
    """One parameter of a command."""

    @property
    def optional(self) -> bool:
        """Whether it may be left out; its value is then None."""

    def read(self, element: Element) -> Value:
        """Value of an element of program data.

        :raises ScpiError: it is of the wrong kind, or out of range.
        """


def words(*patterns: str) -> dict[str, str]:
    """Spellings, in capitals, of words in the standard's notation, each with its short form."""
    spellings: dict[str, str] = {}
    for pattern in patterns:
        node = nodes_of(pattern)[0]
        spellings[node.short] = node.short
        spellings[node.long] = node.short
    return spellings


_LIMIT_WORDS = words("MINimum", "MAXimum", "DEFault")


@dataclass(frozen=True, slots=True)
class Number:
    """A number with a unit and limits; MINimum, MAXimum and DEFault stand for what they say.

    :param unit: the only unit that it takes, in capitals; empty for none.
    """

    low: float
    high: float
    default: float
    unit: str = ""
    whole: bool = False
    optional: bool = False

    def read(self, element: Element) -> float:
        """Value in the base unit.

        :raises ScpiError: -148 and relatives, -131 or -138 for a wrong suffix, -222 when out of range.
        """
        if element.kind is Kind.CHARACTER:
            return self.limit(element)
        if element.kind is not Kind.NUMBER:
            raise ScpiError(_NOT_ALLOWED[element.kind], element.text)
        value = element.number * self._multiplier(element.suffix)
        if self.whole:
            # IEEE 488.2, 7.7.2.4: a number is rounded to the resolution of what takes it
            value = float(round(value)) if abs(value) < INFINITY else value
        if not self.low <= value <= self.high:
            raise ScpiError(-222, element.text)
        return value

    def limit(self, element: Element) -> float:
        """Value that MINimum, MAXimum or DEFault stands for.

        :raises ScpiError: -141, it is another word.
        """
        meaning = _LIMIT_WORDS.get(element.text)
        if meaning is None:
            raise ScpiError(-141, element.text)
        return {"MIN": self.low, "MAX": self.high, "DEF": self.default}[meaning]

    def _multiplier(self, suffix: str) -> float:
        if not suffix:
            return 1.0
        if not self.unit:
            raise ScpiError(-138, suffix)
        if not suffix.endswith(self.unit):
            raise ScpiError(-131, suffix)
        prefix = suffix.removesuffix(self.unit)
        if prefix == "M" and self.unit in _MEGA_UNITS:
            return 1e6
        if prefix not in _MULTIPLIERS:
            raise ScpiError(-131, suffix)
        return _MULTIPLIERS[prefix]


@dataclass(frozen=True, slots=True)
class LimitWord:
    """The optional MINimum, MAXimum or DEFault of a query about a number."""

    number: Number
    optional: bool = True

    def read(self, element: Element) -> float:
        """Value that the word stands for.

        :raises ScpiError: it is no such word.
        """
        if element.kind is not Kind.CHARACTER:
            raise ScpiError(_NOT_ALLOWED[element.kind], element.text)
        return self.number.limit(element)


@dataclass(frozen=True, slots=True)
class Boolean:
    """ON, OFF, or a number that is off when it rounds to 0 (SCPI-1999 volume 1, 7.3)."""

    optional: bool = False

    def read(self, element: Element) -> bool:
        """Whether it is on.

        :raises ScpiError: it is neither a switch word nor a number.
        """
        if element.kind is Kind.CHARACTER:
            if element.text not in ("ON", "OFF"):
                raise ScpiError(-141, element.text)
            return element.text == "ON"
        if element.kind is not Kind.NUMBER:
            raise ScpiError(_NOT_ALLOWED[element.kind], element.text)
        if element.suffix:
            raise ScpiError(-138, element.suffix)
        return abs(element.number) >= INFINITY or round(element.number) != 0


@dataclass(frozen=True, slots=True)
class NumericBoolean(Boolean):
    """A switch that takes 0 and 1 only."""

    def read(self, element: Element) -> bool:
        """Whether it is on.

        :raises ScpiError: it is not a number.
        """
        if element.kind is Kind.CHARACTER:
            raise ScpiError(_NOT_ALLOWED[element.kind], element.text)
        return Boolean.read(self, element)


@dataclass(frozen=True, slots=True)
class Word:
    """One of a few words, in short or long form; its value is the short form."""

    choices: dict[str, str]
    optional: bool = False

    def read(self, element: Element) -> str:
        """Short form of the word.

        :raises ScpiError: -141, it is none of the words.
        """
        if element.kind is not Kind.CHARACTER:
            raise ScpiError(_NOT_ALLOWED[element.kind], element.text)
        if element.text not in self.choices:
            raise ScpiError(-141, element.text)
        return self.choices[element.text]


@dataclass(frozen=True, slots=True)
class Quoted:
    """A quoted string that names one of a few functions."""

    choices: dict[str, str]
    optional: bool = False

    def read(self, element: Element) -> str:
        """Short form of what the string names.

        :raises ScpiError: -224, it names something else.
        """
        if element.kind is not Kind.STRING:
            raise ScpiError(_NOT_ALLOWED[element.kind], element.text)
        name = element.text.strip().upper()
        if name not in self.choices:
            raise ScpiError(-224, element.text)
        return self.choices[name]


def read_all(takes: tuple[Parameter, ...], elements: tuple[Element, ...]) -> list[Value]:
    """Values of all parameters, in order.

    :raises ScpiError: -109 when one is missing, -108 when there are too many, or what a parameter says.
    """
    if len(elements) > len(takes):
        raise ScpiError(-108, elements[len(takes)].text)
    values: list[Value] = [parameter.read(element) for parameter, element in zip(takes, elements, strict=False)]
    for parameter in takes[len(elements) :]:
        if not parameter.optional:
            raise ScpiError(-109)
        values.append(None)
    return values


def integer(value: float) -> str:
    """Answer in NR1 form (IEEE 488.2, 8.7.2)."""
    return str(int(value))


def real(value: float, digits: int) -> str:
    """Answer in NR3 form (IEEE 488.2, 8.7.4) with so many significant digits."""
    return f"{value:+.{digits - 1}E}"
