"""How an instrument spells what it can do: templates, with the spelling of SCPI-1999 as default.

A template is filled with ``str.format``; numbers come in SI units, written by
:func:`drivers.scpi.format_number`. A channel is part of the spelling, whichever way the instrument addresses
it: ``"SOUR2:VOLT {voltage}"``, ``"SOUR:VOLT {voltage},(@2)"`` or ``"INST:NSEL 2;:SOUR:VOLT {voltage}"``. An
empty template means that the instrument has no such command and needs none.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, fields
from enum import StrEnum
from string import Formatter
from typing import TypeVar


class ErrorForm(StrEnum):
    """How an instrument answers when it is asked what went wrong."""

    QUOTED = "quoted"
    """A number and a quoted string (SCPI-1999 volume 2, 21.8)."""
    UNQUOTED = "unquoted"
    """A number and a text without quotes."""
    NUMBER = "number"
    """A number alone."""
    REGISTER = "register"
    """The standard event register (IEEE 488.2-1992, 11.5.1): it tells the kind of error, and no more."""


@dataclass(frozen=True, slots=True)
class LinkDialect:
    """What every message rests on: the error queue, and a register that can be written and read back.

    :param identity: asks who is there.
    :param identity_fields: how many fields the answer has at least; four by the standard.
    :param clear: empties the error queue and the status registers; empty for an instrument that cannot.
    :param error_query: takes the oldest entry off the error queue; empty for an instrument that has none.
    :param error_form: what the answer to that looks like.
    :param joins: whether it takes several units in one message and joins their answers; to one that does not,
        each unit goes as a message of its own, and no token can be used.
    :param token_write: writes ``{token}`` to a register that does nothing else; empty for an instrument that
        has none.
    :param token_read: reads that register back.
    :param token_count: how many values from 1 up the register holds.
    :param remote: puts the instrument under remote control, where it takes no setting before; said first over every
        link that is opened. Empty for one that needs no such word.
    """

    identity: str = "*IDN?"
    identity_fields: int = 4
    clear: str = "*CLS"
    error_query: str = "SYST:ERR?"
    error_form: ErrorForm = ErrorForm.QUOTED
    joins: bool = True
    token_write: str = "*ESE {token}"
    token_read: str = "*ESE?"
    token_count: int = 255
    remote: str = ""


@dataclass(frozen=True, slots=True)
class SourceDialect:
    """A voltage source; ``{voltage}`` and ``{range}`` in V, ``{current}`` in A.

    What limits the output (range, current limit, voltage protection) is empty unless the instrument was found to
    have it; each comes with the query that confirms it. So are the questions whether a protection has tripped, which
    are answered by 0 or 1, and what lets go of one that has.
    """

    set_voltage: str = "SOUR:VOLT {voltage}"
    programmed: str = "SOUR:VOLT?"
    read_back: str = "MEAS:VOLT?"
    on: str = "OUTP ON"
    off: str = "OUTP OFF"
    output_state: str = "OUTP?"
    range: str = ""
    range_query: str = ""
    current_limit: str = ""
    current_limit_query: str = ""
    voltage_protection: str = ""
    voltage_protection_query: str = ""
    voltage_protection_tripped: str = ""
    current_protection_tripped: str = ""
    clear_protection: str = ""


@dataclass(frozen=True, slots=True)
class MeterDialect:
    """A DC voltmeter; ``{range}`` in V, integration as ``{cycles}`` of the power line or ``{seconds}``, ``{count}``
    readings a trigger.

    ``select`` chooses the instrument behind a link that leads to several; it goes in front of whatever is said after
    another role has spoken.
    """

    select: str = ""
    function: str = "CONF:VOLT:DC"
    fixed_range: str = "SENS:VOLT:DC:RANG {range}"
    automatic_range: str = "SENS:VOLT:DC:RANG:AUTO ON"
    integration: str = "SENS:VOLT:DC:NPLC {cycles}"
    auto_zero: str = ""
    trigger: str = ""
    samples: str = "SAMP:COUN {count}"
    read: str = "READ?"


@dataclass(frozen=True, slots=True)
class CounterDialect:
    """A frequency counter; ``{gate}`` in s, ``{level}`` in V, ``{impedance}`` in ohm, ``{coupling}`` AC or
    DC.

    One that takes a resolution instead of a gate time has ``{resolution}``, in Hz, in ``gate``: a conventional
    counter resolves one cycle a gate (common practice). Without ``gate`` readings take the time that they take;
    without ``start`` and ``fetch`` nothing can be done while the gate is open. ``select`` is as for a meter.
    """

    select: str = ""
    function: str = "CONF:FREQ"
    coupling: str = "INP:COUP {coupling}"
    impedance: str = "INP:IMP {impedance}"
    level: str = "SENS:EVEN:LEV {level}"
    gate: str = "SENS:FREQ:APER {gate}"
    samples: str = "SAMP:COUN {count}"
    start: str = "INIT"
    fetch: str = "FETC?"
    read: str = "READ?"


@dataclass(frozen=True, slots=True)
class ThermometerDialect:
    """A thermometer, or what reads a probe: one question that sets what it needs and is answered by a number."""

    read: str = "MEAS:TEMP?"


Dialect = LinkDialect | SourceDialect | MeterDialect | CounterDialect | ThermometerDialect
DialectT = TypeVar("DialectT", LinkDialect, SourceDialect, MeterDialect, CounterDialect, ThermometerDialect)
_NAMES: Mapping[str, tuple[str, ...]] = {
    "token_write": ("token",),
    "set_voltage": ("voltage",),
    "range": ("range",),
    "current_limit": ("current",),
    "voltage_protection": ("voltage",),
    "fixed_range": ("range",),
    "integration": ("cycles", "seconds"),
    "samples": ("count",),
    "coupling": ("coupling",),
    "impedance": ("impedance",),
    "level": ("level",),
    "gate": ("gate", "resolution"),
}
"""What stands in braces in a template, one of these in each; in the others nothing does."""
_LARGEST = {"identity_fields": (1, 4), "token_count": (0, 65_535)}


def require_whole(dialect: DialectT) -> DialectT:
    """Let a dialect pass that says of each setting what is to be set, and nothing else, in printable ASCII.

    :raises ValueError: a template does not, or a number is out of range.
    """
    for field in fields(dialect):
        value = getattr(dialect, field.name)
        if isinstance(value, str):
            _require_template(field.name, value)
        low, high = _LARGEST.get(field.name, (0, 1))
        if isinstance(value, int) and not low <= value <= high:
            raise ValueError(f"{field.name} is {value}: give {low} to {high}")
    return dialect


def _require_template(field: str, template: str) -> None:
    wanted = _NAMES.get(field, ())
    right = (
        f"names in braces may be {' or '.join(wanted)}, one of them" if wanted else "no names in braces may be in it"
    )
    try:
        found = [
            name + (form or "") + (kind or "")
            for _, name, form, kind in Formatter().parse(template)
            if name is not None
        ]
    except ValueError:
        raise ValueError(f"{field} is {template!r}: {right}") from None
    if len(found) > 1 or not set(found) <= set(wanted):
        raise ValueError(f"{field} is {template!r}: {right}")
    if template and wanted and not found:
        raise ValueError(f"{field} is {template!r}: it sets nothing; {right}")
    if template and not (template.isascii() and template.isprintable()):
        raise ValueError(f"{field} is {template!r}: only printable ASCII can be sent")


def joined(*units: str) -> str:
    """Join program message units into one message, each from the root; empty ones are left out."""
    message = ""
    for unit in units:
        if unit:
            between = "" if not message else ";" if unit[:1] in "*:" else ";:"
            message += between + unit
    return message
