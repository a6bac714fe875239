"""How an instrument spells what it can do: templates, with the spelling of SCPI-1999 as default.

A template is filled with ``str.format``; numbers come in SI units, written by
:func:`drivers.scpi.format_number`. A channel is part of the spelling, whichever way the instrument addresses
it: ``"SOUR2:VOLT {voltage}"``, ``"SOUR:VOLT {voltage},(@2)"`` or ``"INST:NSEL 2;:SOUR:VOLT {voltage}"``. An
empty template means that the instrument has no such command and needs none.
"""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class LinkDialect:
    """What every message rests on: the error queue, and a register that can be written and read back.

    :param identity: asks who is there.
    :param clear: empties the error queue and the status registers.
    :param error_query: takes the oldest entry off the error queue; empty for an instrument that has none.
    :param token_write: writes ``{token}`` to a register that does nothing else; empty for an instrument that
        has none.
    :param token_read: reads that register back.
    :param token_count: how many values from 1 up the register holds.
    """

    identity: str = "*IDN?"
    clear: str = "*CLS"
    error_query: str = "SYST:ERR?"
    token_write: str = "*ESE {token}"
    token_read: str = "*ESE?"
    token_count: int = 255


@dataclass(frozen=True, slots=True)
class SourceDialect:
    """A voltage source; ``{voltage}`` in V."""

    set_voltage: str = "SOUR:VOLT {voltage}"
    programmed: str = "SOUR:VOLT?"
    read_back: str = "MEAS:VOLT?"
    on: str = "OUTP ON"
    off: str = "OUTP OFF"
    output_state: str = "OUTP?"


@dataclass(frozen=True, slots=True)
class MeterDialect:
    """A DC voltmeter; ``{range}`` in V, ``{cycles}`` in power-line cycles, ``{count}`` readings a trigger."""

    function: str = "CONF:VOLT:DC"
    fixed_range: str = "SENS:VOLT:DC:RANG {range}"
    automatic_range: str = "SENS:VOLT:DC:RANG:AUTO ON"
    integration: str = "SENS:VOLT:DC:NPLC {cycles}"
    samples: str = "SAMP:COUN {count}"
    read: str = "READ?"


@dataclass(frozen=True, slots=True)
class CounterDialect:
    """A frequency counter; ``{gate}`` in s, ``{level}`` in V, ``{impedance}`` in ohm, ``{coupling}`` AC or
    DC.
    """

    function: str = "CONF:FREQ"
    coupling: str = "INP:COUP {coupling}"
    impedance: str = "INP:IMP {impedance}"
    level: str = "SENS:EVEN:LEV {level}"
    gate: str = "SENS:FREQ:APER {gate}"
    samples: str = "SAMP:COUN {count}"
    start: str = "INIT"
    fetch: str = "FETC?"
    read: str = "READ?"
