"""What instruments answer when they are asked what went wrong, in the forms that are not the standard's own.

Every form becomes an entry of an error queue; number 0 means that nothing went wrong.
"""

from __future__ import annotations

import re
from collections.abc import Callable

from drivers.dialect import ErrorForm
from drivers.errors import ErrorEntry, Unreadable
from drivers.scpi import parse_error_entry, parse_nonnegative_integer

_BLANKS = " \t\r\n"
_NUMBER = re.compile(r"[+-]?[0-9]{1,6}")
_NUMBER_AND_TEXT = re.compile(r"(?P<code>[+-]?[0-9]{1,6})[ \t]*,[ \t]*(?P<text>[ -~]+)")
# the standard event register, gravest first: command, execution, device-dependent and query error
_EVENT_BITS = (
    (32, -100, "Command error"),
    (16, -200, "Execution error"),
    (8, -300, "Device-specific error"),
    (4, -400, "Query error"),
)


def error_reader(form: ErrorForm) -> Callable[[str], ErrorEntry]:
    """Return what reads answers of a form."""
    match form:
        case ErrorForm.QUOTED:
            return parse_error_entry
        case ErrorForm.UNQUOTED:
            return parse_unquoted_error_entry
        case ErrorForm.NUMBER:
            return parse_error_number
        case ErrorForm.REGISTER:
            return parse_event_register


def parse_unquoted_error_entry(text: str) -> ErrorEntry:
    """Read an answer of ``SYST:ERR?`` that lacks the standard's quotes, for example ``0, No Error``.

    :raises Unreadable: it is not a number and a text.
    """
    match = _NUMBER_AND_TEXT.fullmatch(text.strip(_BLANKS))
    if match is None:
        raise Unreadable(f"{text[:60]!r} is not an error number and a text; check that the right instrument answers")
    description, _, detail = match["text"].strip("\"' ").partition(";")
    return ErrorEntry(int(match["code"]), description, detail)


def parse_error_number(text: str) -> ErrorEntry:
    """Read an answer of ``SYST:ERR?`` that is a number alone.

    :raises Unreadable: it is not one.
    """
    bare = text.strip(_BLANKS)
    if _NUMBER.fullmatch(bare) is None:
        raise Unreadable(f"{text[:60]!r} is not an error number; check that the right instrument answers here")
    return ErrorEntry(int(bare), "error" if int(bare) else "No error")


def parse_event_register(text: str) -> ErrorEntry:
    """Read ``*ESR?`` as an entry of an error queue: the gravest of the error bits (IEEE 488.2-1992, 11.5.1), with the
    number that stands for its class (SCPI-1999 volume 2, 21.8); no error when none is set.

    :raises Unreadable: it is not a whole number.
    """
    register = parse_nonnegative_integer(text)
    for bit, code, description in _EVENT_BITS:
        if register & bit:
            return ErrorEntry(code, description, f"*ESR? {register}")
    return ErrorEntry(0, "No error")
