"""The bytes on the wire in spellings that asking may find in place of the standard's own, pair by pair."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager

import pytest

from drivers.counter import Counter
from drivers.dialect import CounterDialect, ErrorForm, LinkDialect, MeterDialect, SourceDialect
from drivers.errors import InstrumentError, ReadBackDiffers
from drivers.meter import Meter
from drivers.session import Session
from drivers.source import Source
from tests.drivers.instruments import IDENTITY, ScriptedInstrument, on_the_wire
from tests.drivers.test_wire import LIMITS, OK, made_safe

SINGLE = LinkDialect(joins=False, token_write="", token_count=0)
MUTE = LinkDialect(clear="", error_query="", joins=False, token_write="", token_count=0)
SINGLE_OPENING: list[tuple[str, str | bytes | None]] = [
    ("*IDN?", IDENTITY),
    ("*CLS", None),
    ("SYST:ERR?", OK),
]


@contextmanager
def wired(pairs: list[tuple[str, str | bytes | None]]) -> Iterator[str]:
    """Serve a script from the first message on."""
    instrument = ScriptedInstrument(pairs)
    yield instrument.resource
    instrument.close()


def test_to_an_instrument_that_joins_nothing_each_unit_is_a_message():
    safe: list[tuple[str, str | bytes | None]] = [
        ("OUTP OFF", None),
        (":SOUR:VOLT 0", None),
        ("SYST:ERR?", OK),
        ("SOUR:VOLT?", "0.0"),
        ("OUTP?", "0"),
    ]
    pairs = [*SINGLE_OPENING, *safe, ("SOUR:VOLT 1.5", None), ("SYST:ERR?", OK), *safe]
    with (
        wired(pairs) as resource,
        Source(Session.open(resource, role="source", link=SINGLE), LIMITS) as source,
    ):
        source.set_voltage(1.5)


def test_a_selected_channel_is_selected_in_every_message():
    dialect = MeterDialect(read="INST:NSEL 2;:READ?", samples="")
    pairs = [*SINGLE_OPENING, ("INST:NSEL 2", None), (":READ?", "+1.5E+00")]
    with (
        wired(pairs) as resource,
        Meter(Session.open(resource, role="meter", link=SINGLE), dialect) as meter,
    ):
        assert meter.read_voltage() == 1.5


def test_what_a_mute_source_was_told_is_read_back():
    safe: list[tuple[str, str | bytes | None]] = [
        ("OUTP OFF", None),
        (":SOUR:VOLT 0", None),
        ("SOUR:VOLT?", "0.0"),
        ("OUTP?", "0"),
    ]
    pairs = [
        ("*IDN?", IDENTITY),
        *safe,
        ("SOUR:VOLT 1.5", None),
        ("SOUR:VOLT?", "+1.5000E+00"),
        ("OUTP ON", None),
        ("OUTP?", "1"),
        ("SOUR:VOLT 2.5", None),
        ("SOUR:VOLT?", "+1.5000E+00"),
        *safe,
    ]
    with (
        wired(pairs) as resource,
        Source(Session.open(resource, role="source", link=MUTE), LIMITS) as source,
    ):
        source.set_voltage(1.5)
        source.output_on()
        with pytest.raises(ReadBackDiffers, match=r"was told 2.5000 V and says that it stands at 1.5000 V"):
            source.set_voltage(2.5)


def test_limits_of_the_output_are_set_and_confirmed():
    dialect = SourceDialect(
        range="SOUR:VOLT:RANG {range}", current_limit="SOUR:CURR {current}", current_limit_query="SOUR:CURR?"
    )
    pairs = [
        *made_safe(3),
        ("SOUR:VOLT:RANG 8.5;:SYST:ERR?;*ESE 6;*ESE?", f"{OK};6"),
        ("SOUR:CURR 0.02;:SYST:ERR?;*ESE 7;*ESE?", f"{OK};7"),
        ("*ESE 8;:SOUR:CURR?;*ESE?", "0.02;8"),
        ("SOUR:CURR 0.001;:SYST:ERR?;*ESE 9;*ESE?", f"{OK};9"),
        ("*ESE 10;:SOUR:CURR?;*ESE?", "0.02 A;10"),
        *made_safe(11),
    ]
    with on_the_wire(pairs) as resource, Source(Session.open(resource, role="source"), LIMITS, dialect) as source:
        source.choose_range()
        source.limit_current(0.02)
        with pytest.raises(ReadBackDiffers, match=r"a current limit of 0.001 A and says that it is 0.02 A"):
            source.limit_current(0.001)


def test_integration_time_goes_out_in_seconds_where_the_meter_wants_seconds():
    dialect = MeterDialect(
        function='FUNC "VOLT:DC"', integration="SENS:VOLT:DC:APER {seconds}", auto_zero="SENS:ZERO:AUTO ON"
    )
    message = 'FUNC "VOLT:DC";:SENS:VOLT:DC:RANG 10.0;:SENS:VOLT:DC:APER 0.1;:SENS:ZERO:AUTO ON'
    pairs: list[tuple[str, str | bytes | None]] = [(f"{message};:SYST:ERR?;*ESE 3;*ESE?", f"{OK};3")]
    with on_the_wire(pairs) as resource, Meter(Session.open(resource, role="meter"), dialect, mains_hz=60.0) as meter:
        meter.configure_dc(10.0, 6.0)


def test_a_counter_that_takes_a_resolution_gets_one_cycle_a_gate():
    dialect = CounterDialect(gate="SENS:FREQ:RES {resolution}", start="", fetch="", samples="")
    pairs: list[tuple[str, str | bytes | None]] = [
        ("SENS:FREQ:RES 5.0;:SYST:ERR?;*ESE 3;*ESE?", f"{OK};3"),
        ("*ESE 4;:READ?;*ESE?", "+4.4E+02;4"),
    ]
    with on_the_wire(pairs) as resource, Counter(Session.open(resource, role="counter"), dialect) as counter:
        counter.start(0.2)
        assert counter.fetch() == 440.0


@pytest.mark.parametrize(
    ("form", "answer", "words"),
    [
        (ErrorForm.UNQUOTED, "-222, Data out of range;VOLT 9", "-222 Data out of range;VOLT 9"),
        (ErrorForm.NUMBER, "-222", "-222 error"),
        # IEEE 488.2-1992, 11.5.1: bit 4 is an execution error, bit 5 a command error
        (ErrorForm.REGISTER, "16", "-200 Execution error"),
        (ErrorForm.REGISTER, "48", "-100 Command error"),
    ],
)
def test_a_refusal_is_understood_in_any_form(form, answer, words):
    query = "*ESR?" if form is ErrorForm.REGISTER else "SYST:ERR?"
    nothing = {ErrorForm.UNQUOTED: "0, No error"}.get(form, "0")
    link = LinkDialect(clear="", error_query=query, error_form=form, joins=False, token_write="", token_count=0)
    pairs = [("*IDN?", IDENTITY), ("SOUR:VOLT 9", None), (query, answer), (query, nothing)]
    with wired(pairs) as resource, Session.open(resource, role="source", link=link) as session:
        with pytest.raises(InstrumentError) as caught:
            session.command("SOUR:VOLT 9")
        assert words in str(caught.value)
