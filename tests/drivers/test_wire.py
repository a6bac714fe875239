"""Every driver method as the bytes on the wire, pair by pair, to be checked against a programming manual.

The spelling is that of SCPI-1999 volume 2: SOURce, OUTPut, MEASure, SENSe, INPut, INITiate, FETCh, SYSTem.
"""

from __future__ import annotations

import pytest

from drivers.counter import Counter
from drivers.dialect import CounterDialect, LinkDialect, MeterDialect, SourceDialect
from drivers.errors import (
    InstrumentError,
    NoSignal,
    NotANumber,
    OutsideLimits,
    Overload,
    ReadBackDiffers,
    Unreadable,
)
from drivers.exchange import Exchange
from drivers.meter import Meter
from drivers.scpi import ErrorEntry, Identity
from drivers.session import Session
from drivers.source import Source, VoltageLimits
from tests.drivers.instruments import IDENTITY, ScriptedInstrument, on_the_wire

LIMITS = VoltageLimits(-1.0, 8.5)
OK = '0,"No error"'


def made_safe(token: int) -> list[tuple[str, str | bytes | None]]:
    """The three messages that bring a source to 0 V and off and confirm it, beginning with this token."""
    return [
        (f"OUTP OFF;:SOUR:VOLT 0;:SYST:ERR?;*ESE {token};*ESE?", f"{OK};{token}"),
        (f"*ESE {token + 1};:SOUR:VOLT?;*ESE?", f"+0.000E+00;{token + 1}"),
        (f"*ESE {token + 2};:OUTP?;*ESE?", f"0;{token + 2}"),
    ]


def test_opening_asks_who_is_there_and_clears_the_status():
    with on_the_wire([]) as resource, Session.open(resource, role="meter") as session:
        assert session.identity == Identity("Invented Instruments", "Echo", "0001", "1.0")


def test_a_source_is_made_safe_on_opening_and_on_leaving():
    with (
        on_the_wire([*made_safe(3), *made_safe(6)]) as resource,
        Source(Session.open(resource, role="source"), LIMITS),
    ):
        pass


def test_a_voltage_is_set_by_one_message_that_carries_its_error_check():
    pairs = [
        *made_safe(3),
        ("SOUR:VOLT 1.25;:SYST:ERR?;*ESE 6;*ESE?", f"{OK};6"),
        ("OUTP ON;:SYST:ERR?;*ESE 7;*ESE?", f"{OK};7"),
        ("SOUR:VOLT -0.08333333333333333;:SYST:ERR?;*ESE 8;*ESE?", f"{OK};8"),
        ("SOUR:VOLT 1E-06;:SYST:ERR?;*ESE 9;*ESE?", f"{OK};9"),
        ("OUTP OFF;:SYST:ERR?;*ESE 10;*ESE?", f"{OK};10"),
        *made_safe(11),
    ]
    with on_the_wire(pairs) as resource, Source(Session.open(resource, role="source"), LIMITS) as source:
        source.set_voltage(1.25)
        source.output_on()
        source.set_voltage(-1 / 12)
        source.set_voltage(1e-6)
        source.output_off()


def test_a_source_tells_what_it_was_told_and_what_it_puts_out():
    pairs = [
        *made_safe(3),
        ("*ESE 6;:SOUR:VOLT?;*ESE?", "+1.25000E+00;6"),
        ("*ESE 7;:MEAS:VOLT?;*ESE?", "+1.25063E+00;7"),
        ("*ESE 8;:OUTP?;*ESE?", "1;8"),
        ("*ESE 9;:MEAS:VOLT?;*ESE?", "1250.63 mV;9\r"),
        *made_safe(10),
    ]
    with on_the_wire(pairs) as resource, Source(Session.open(resource, role="source"), LIMITS) as source:
        assert source.programmed() == 1.25
        assert source.read_back() == 1.25063
        assert source.is_on()
        assert source.check(1.25, tolerance_v=0.001) == pytest.approx(1.25063)


@pytest.mark.parametrize("voltage_v", [8.500001, -1.000001, 9.9e37, float("inf"), float("-inf"), float("nan")])
def test_nothing_outside_the_limits_reaches_the_wire(voltage_v):
    with (
        on_the_wire([*made_safe(3), *made_safe(6)]) as resource,
        Source(Session.open(resource, role="source"), LIMITS) as source,
        pytest.raises(OutsideLimits, match=r"Source at .* is outside the limits of -1 V to 8.5 V"),
    ):
        source.set_voltage(voltage_v)


def test_both_limits_may_be_programmed():
    pairs = [
        *made_safe(3),
        ("SOUR:VOLT 8.5;:SYST:ERR?;*ESE 6;*ESE?", f"{OK};6"),
        ("SOUR:VOLT -1.0;:SYST:ERR?;*ESE 7;*ESE?", f"{OK};7"),
        *made_safe(8),
    ]
    with on_the_wire(pairs) as resource, Source(Session.open(resource, role="source"), LIMITS) as source:
        source.set_voltage(8.5)
        source.set_voltage(-1.0)


def test_a_refused_setting_quotes_every_error_of_the_instrument():
    pairs = [
        *made_safe(3),
        ("SOUR:VOLT 7.0;:SYST:ERR?;*ESE 6;*ESE?", '-222,"Data out of range;VOLT";6'),
        ("*ESE 7;:SYST:ERR?;*ESE?", '-350,"Queue overflow";7'),
        ("*ESE 8;:SYST:ERR?;*ESE?", f"{OK};8"),
        *made_safe(9),
    ]
    with on_the_wire(pairs) as resource, Source(Session.open(resource, role="source"), LIMITS) as source:
        with pytest.raises(InstrumentError, match="-222 Data out of range;VOLT, -350 Queue overflow") as caught:
            source.set_voltage(7.0)
        assert caught.value.entries == (
            ErrorEntry(-222, "Data out of range", "VOLT"),
            ErrorEntry(-350, "Queue overflow"),
        )


def test_a_question_that_is_refused_quotes_the_instrument_and_is_no_value():
    pairs = [
        *made_safe(3),
        ("*ESE 6;:MEAS:VOLT?;*ESE?", "6"),
        ("*ESE 7;:SYST:ERR?;*ESE?", '-113,"Undefined header;MEAS";7'),
        ("*ESE 8;:SYST:ERR?;*ESE?", f"{OK};8"),
        *made_safe(9),
    ]
    with (
        on_the_wire(pairs) as resource,
        Source(Session.open(resource, role="source"), LIMITS) as source,
        pytest.raises(InstrumentError, match=r"refused 'MEAS:VOLT\?'.*-113 Undefined header;MEAS"),
    ):
        source.read_back()


def test_a_source_that_puts_out_something_else_is_found_out():
    pairs = [*made_safe(3), ("*ESE 6;:MEAS:VOLT?;*ESE?", "+0.4E+00;6"), *made_safe(7)]
    with (
        on_the_wire(pairs) as resource,
        Source(Session.open(resource, role="source"), LIMITS) as source,
        pytest.raises(ReadBackDiffers, match=r"puts out 0.4000 V instead of 1.0000 V.*check its output lead"),
    ):
        source.check(1.0, tolerance_v=0.02)


def test_an_error_inside_the_block_ends_at_zero_volts_and_off():
    def work(source: Source) -> None:
        source.set_voltage(5.0)
        raise RuntimeError("the bench fell over")

    pairs = [*made_safe(3), ("SOUR:VOLT 5.0;:SYST:ERR?;*ESE 6;*ESE?", f"{OK};6"), *made_safe(7)]
    with (
        on_the_wire(pairs) as resource,
        pytest.raises(RuntimeError, match="the bench fell over"),
        Source(Session.open(resource, role="source"), LIMITS) as source,
    ):
        work(source)


def test_a_source_of_another_dialect_is_addressed_by_channel():
    dialect = SourceDialect(
        set_voltage="INST:NSEL 2;:VOLT {voltage}",
        programmed="INST:NSEL 2;:VOLT?",
        on="",
        off="",
        output_state="",
    )
    pairs = [
        ("INST:NSEL 2;:VOLT 0;:SYST:ERR?;*ESE 3;*ESE?", f"{OK};3"),
        ("*ESE 4;:INST:NSEL 2;:VOLT?;*ESE?", "0;4"),
        ("INST:NSEL 2;:VOLT 3.0;:SYST:ERR?;*ESE 5;*ESE?", f"{OK};5"),
        ("INST:NSEL 2;:VOLT 0;:SYST:ERR?;*ESE 6;*ESE?", f"{OK};6"),
        ("*ESE 7;:INST:NSEL 2;:VOLT?;*ESE?", "0;7"),
    ]
    with (
        on_the_wire(pairs) as resource,
        Source(Session.open(resource, role="source"), LIMITS, dialect) as source,
    ):
        source.output_on()
        source.set_voltage(3.0)
        assert not source.is_on()


def test_a_meter_is_configured_by_one_message_and_read_by_one():
    pairs = [
        ("CONF:VOLT:DC;:SENS:VOLT:DC:RANG 10.0;:SENS:VOLT:DC:NPLC 10.0;:SYST:ERR?;*ESE 3;*ESE?", f"{OK};3"),
        ("SAMP:COUN 1;:SYST:ERR?;*ESE 4;*ESE?", f"{OK};4"),
        ("*ESE 5;:READ?;*ESE?", "+9.99987E+00;5"),
        ("*ESE 6;:READ?;*ESE?", "+9.99985E+00;6"),
        ("SAMP:COUN 3;:SYST:ERR?;*ESE 7;*ESE?", f"{OK};7"),
        ("*ESE 8;:READ?;*ESE?", "+1.0E+00,+1.1E+00,+1.2E+00;8"),
        ("CONF:VOLT:DC;:SENS:VOLT:DC:RANG:AUTO ON;:SENS:VOLT:DC:NPLC 0.2;:SYST:ERR?;*ESE 9;*ESE?", f"{OK};9"),
    ]
    with on_the_wire(pairs) as resource, Meter(Session.open(resource, role="meter")) as meter:
        meter.configure_dc(range_v=10.0, integration_cycles=10.0)
        assert meter.read_voltage() == 9.99987
        assert meter.read_voltage() == 9.99985
        assert meter.read_voltages(3) == (1.0, 1.1, 1.2)
        meter.configure_dc(range_v=None, integration_cycles=0.2)


def test_a_meter_says_on_which_range_it_stands_and_is_asked_once():
    pairs = [
        ("CONF:VOLT:DC;:SENS:VOLT:DC:RANG 10.0;:SENS:VOLT:DC:NPLC 1.0;:SYST:ERR?;*ESE 3;*ESE?", f"{OK};3"),
        ("*ESE 4;:SENS:VOLT:DC:RANG?;*ESE?", "+1.00000000E+02;4"),
    ]
    with on_the_wire(pairs) as resource, Meter(Session.open(resource, role="meter")) as meter:
        assert meter.range_in_use() is None
        meter.configure_dc(range_v=10.0, integration_cycles=1.0)
        assert meter.range_in_use() == 100.0
        assert meter.range_in_use() == 100.0


def test_a_meter_beyond_its_range_gives_no_voltage():
    pairs = [
        ("SAMP:COUN 1;:SYST:ERR?;*ESE 3;*ESE?", f"{OK};3"),
        ("*ESE 4;:READ?;*ESE?", "+9.90000000E+37;4"),
        ("*ESE 5;:READ?;*ESE?", "+9.91000000E+37;5"),
        ("*ESE 6;:READ?;*ESE?", "OVLD;6"),
        # what cannot be read is asked once more
        ("*ESE 7;:READ?;*ESE?", "?;7"),
        ("*ESE 8;*ESR?;*ESE?", "0;8"),
        ("*ESE 9;:READ?;*ESE?", "?;9"),
        ("*ESE 10;:READ?;*ESE?", "440.0 HZ;10"),
        ("*ESE 11;*ESR?;*ESE?", "0;11"),
        ("*ESE 12;:READ?;*ESE?", "440.0 HZ;12"),
    ]
    with on_the_wire(pairs) as resource, Meter(Session.open(resource, role="meter")) as meter:
        for error in (Overload, NotANumber, Overload, Unreadable, Unreadable):
            with pytest.raises(error, match=r"^Meter at TCPIP::127.0.0.1"):
                meter.read_voltage()


def test_a_meter_that_gives_fewer_readings_than_asked_is_not_believed():
    pairs = [
        ("SAMP:COUN 3;:SYST:ERR?;*ESE 3;*ESE?", f"{OK};3"),
        ("*ESE 4;:READ?;*ESE?", "+1.0E+00,+1.1E+00;4"),
        # it is asked once more, after it was asked whether it has been switched off and on
        ("*ESE 5;*ESR?;*ESE?", "0;5"),
        ("*ESE 6;:READ?;*ESE?", "+1.0E+00,+1.1E+00;6"),
    ]
    with (
        on_the_wire(pairs) as resource,
        Meter(Session.open(resource, role="meter")) as meter,
        pytest.raises(Unreadable, match="2 readings instead of 3"),
    ):
        meter.read_voltages(3)


def test_a_counter_is_configured_by_one_message_and_its_gate_is_sent_when_it_changes():
    pairs = [
        (
            "CONF:FREQ;:INP:COUP DC;:INP:IMP 1000000.0;:SENS:EVEN:LEV 0.5;:SYST:ERR?;*ESE 3;*ESE?",
            f"{OK};3",
        ),
        ("SENS:FREQ:APER 0.1;:SYST:ERR?;*ESE 4;*ESE?", f"{OK};4"),
        ("INIT;:SYST:ERR?;*ESE 5;*ESE?", f"{OK};5"),
        ("*ESE 6;:FETC?;*ESE?", "+3.2703195662575E+01;6"),
        ("SENS:FREQ:APER 0.2;:SYST:ERR?;*ESE 7;*ESE?", f"{OK};7"),
        ("SAMP:COUN 1;:SYST:ERR?;*ESE 8;*ESE?", f"{OK};8"),
        ("*ESE 9;:READ?;*ESE?", "440.0 HZ;9"),
        ("*ESE 10;:READ?;*ESE?", "440.1;10"),
        ("CONF:FREQ;:SYST:ERR?;*ESE 11;*ESE?", f"{OK};11"),
        ("SENS:FREQ:APER 0.2;:SYST:ERR?;*ESE 12;*ESE?", f"{OK};12"),
    ]
    with on_the_wire(pairs) as resource, Counter(Session.open(resource, role="counter")) as counter:
        counter.configure(coupling="DC", level_v=0.5, impedance_ohm=1e6)
        counter.set_gate(0.1)
        counter.set_gate(0.1)
        counter.start()
        assert counter.fetch() == 32.703195662575
        counter.set_gate(0.2)
        assert counter.read_frequency() == 440.0
        assert counter.read_frequency() == 440.1
        counter.configure()
        counter.set_gate(0.2)


def test_a_counter_without_a_signal_says_so_and_what_to_do():
    pairs = [
        ("*ESE 3;:FETC?;*ESE?", "9.91E37;3"),
        ("SAMP:COUN 1;:SYST:ERR?;*ESE 4;*ESE?", f"{OK};4"),
        ("*ESE 5;:READ?;*ESE?", "9.91E37;5"),
    ]
    with on_the_wire(pairs) as resource, Counter(Session.open(resource, role="counter")) as counter:
        with pytest.raises(NoSignal, match=r"^Counter at .* sees no signal: check the output lead"):
            counter.fetch()
        with pytest.raises(NoSignal):
            counter.read_frequency()


def test_a_refused_gate_is_sent_again_the_next_time():
    pairs = [
        ("SENS:FREQ:APER 0.1;:SYST:ERR?;*ESE 3;*ESE?", '-221,"Settings conflict";3'),
        ("*ESE 4;:SYST:ERR?;*ESE?", f"{OK};4"),
        ("SENS:FREQ:APER 0.1;:SYST:ERR?;*ESE 5;*ESE?", f"{OK};5"),
    ]
    with on_the_wire(pairs) as resource, Counter(Session.open(resource, role="counter")) as counter:
        with pytest.raises(InstrumentError, match="Settings conflict"):
            counter.set_gate(0.1)
        counter.set_gate(0.1)


def test_the_tokens_begin_again_after_the_register_is_full():
    # IEEE 488.2-1992, 10.10: the standard event status enable register holds 0 to 255
    pairs = [(f"*ESE {token};:MEAS:VOLT?;*ESE?", f"1.0;{token}") for token in [*range(3, 256), 1, 2, 3]]
    with on_the_wire(pairs) as resource, Session.open(resource, role="meter") as session:
        for _ in pairs:
            assert session.ask("MEAS:VOLT?") == "1.0"


def test_an_instrument_without_error_queue_and_register_can_be_described():
    bare = LinkDialect(error_query="", token_write="", token_read="", clear="CLEAR")
    script = [("*IDN?", IDENTITY), ("CLEAR", None), ("V 1.5", None), ("V?", "1.5")]
    instrument = ScriptedInstrument(script)
    with Session.open(instrument.resource, role="source", link=bare) as session:
        session.command("V 1.5")
        assert session.ask("V?") == "1.5"
    instrument.close()


def test_a_flooded_error_queue_is_read_to_a_bound():
    flood = [(f"*ESE {token};:SYST:ERR?;*ESE?", f'-310,"System error";{token}') for token in range(4, 68)]
    pairs = [("SET 1;:SYST:ERR?;*ESE 3;*ESE?", '-310,"System error";3'), *flood]
    with on_the_wire(pairs) as resource, Session.open(resource, role="meter") as session:
        with pytest.raises(InstrumentError, match="and 61 more") as caught:
            session.command("SET 1")
        assert len(caught.value.entries) == 65


def test_an_observer_sees_every_message_and_its_answer():
    seen: list[Exchange] = []
    pairs = [("*ESE 3;:MEAS:VOLT?;*ESE?", "1.0;3")]
    with (
        on_the_wire(pairs) as resource,
        Session.open(resource, role="meter", observer=seen.append) as session,
    ):
        session.ask("MEAS:VOLT?")
        assert session.messages == 2
    last = seen[-1]
    assert (last.role, last.sent, last.received) == ("meter", "*ESE 3;:MEAS:VOLT?;*ESE?", "1.0;3")
    assert last.begun_s <= last.ended_s


@pytest.mark.parametrize("limits", [(1.0, 5.0), (-5.0, -1.0), (5.0, -1.0), (float("nan"), 5.0), (0.0, float("inf"))])
def test_limits_that_cannot_keep_a_source_safe_are_refused(limits):
    with pytest.raises(ValueError, match="cannot keep a source safe"):
        VoltageLimits(*limits)


def test_readings_and_gates_that_make_no_sense_are_refused_before_anything_is_sent():
    with on_the_wire([]) as resource, Session.open(resource, role="meter") as session:
        for impossible in (
            lambda: Meter(session).read_voltages(0),
            lambda: Counter(session).set_gate(0.0),
            lambda: Counter(session).set_gate(float("nan")),
            lambda: Meter(session).configure_dc(10.0, 0.0),
        ):
            with pytest.raises(ValueError, match=r"give more|ask for 1 or more"):
                impossible()


def test_a_dialect_may_spell_every_role_in_its_own_way():
    pairs = [
        ("MODE DCV;:SYST:ERR?;*ESE 3;*ESE?", f"{OK};3"),
        ("*ESE 4;:X?;*ESE?", "1.5;4"),
    ]
    dialect = MeterDialect(function="MODE DCV", automatic_range="", integration="", samples="", read="X?")
    with on_the_wire(pairs) as resource, Meter(Session.open(resource, role="meter"), dialect) as meter:
        meter.configure_dc(None, 1.0)
        assert meter.read_voltage() == 1.5


def test_a_counter_without_a_sample_count_is_not_sent_one():
    pairs = [(f"*ESE {token};:READ?;*ESE?", f"440.{token};{token}") for token in (3, 4)]
    with (
        on_the_wire(pairs) as resource,
        Counter(Session.open(resource, role="counter"), CounterDialect(samples="")) as counter,
    ):
        assert counter.read_frequency() == 440.3
        assert counter.read_frequency() == 440.4
