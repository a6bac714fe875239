"""One instrument in two roles, and two roles behind one link, over real sockets."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import ExitStack, closing, contextmanager
from pathlib import Path

import pytest

from drivers.counter import Counter
from drivers.dialect import CounterDialect, MeterDialect, SourceDialect, ThermometerDialect
from drivers.errors import InstrumentError, LinkLost
from drivers.exchange import Exchange
from drivers.meter import Meter
from drivers.session import Session
from drivers.source import Source, VoltageLimits
from drivers.thermometer import Thermometer
from drivers.virtual.bench import VirtualBench, parse, start
from drivers.virtual.links.sockets import SocketLink
from tests.drivers.instruments import EchoInstrument, on_the_wire

FIXTURES = Path(__file__).parents[2] / "fixtures"
NO_ERROR = '0,"No error";'


@contextmanager
def running(**table: object) -> Iterator[VirtualBench]:
    described = {"clock": "instant", "seed": 7, "unit": str(FIXTURES / "units" / "healthy.toml"), **table}
    with start(parse(described, FIXTURES)) as bench:
        bench.hands.insert("0001")
        bench.hands.power(True)
        yield bench


def test_what_another_role_made_of_the_instrument_is_set_again_before_a_reading():
    # CONFigure presets everything (SCPI-1999 volume 2, 3.1), so range, integration and gate have to go out again
    volts, hertz = MeterDialect(samples=""), CounterDialect(samples="")
    configured = "CONF:VOLT:DC;:SENS:VOLT:DC:RANG 10.0;:SENS:VOLT:DC:NPLC 1.0"
    script: list[tuple[str, str | bytes | None]] = [
        (f"{configured};:SYST:ERR?;*ESE 3;*ESE?", NO_ERROR + "3"),
        ("CONF:FREQ;:SYST:ERR?;*ESE 4;*ESE?", NO_ERROR + "4"),
        ("SENS:FREQ:APER 0.1;:SYST:ERR?;*ESE 5;*ESE?", NO_ERROR + "5"),
        ("*ESE 6;:READ?;*ESE?", "440.0;6"),
        (f"{configured};:SYST:ERR?;*ESE 7;*ESE?", NO_ERROR + "7"),
        ("*ESE 8;:READ?;*ESE?", "1.5;8"),
        ("*ESE 9;:READ?;*ESE?", "1.5;9"),
        ("CONF:FREQ;:SENS:FREQ:APER 0.1;:INIT;:SYST:ERR?;*ESE 10;*ESE?", NO_ERROR + "10"),
        ("*ESE 11;:FETC?;*ESE?", "441.0;11"),
    ]
    with on_the_wire(script) as resource, ExitStack() as stack:
        session = stack.enter_context(Session.open(resource, role="meter"))
        meter, counter = Meter(session, volts), Counter(stack.enter_context(session.shared("counter")), hertz)
        meter.configure_dc(10.0, 1.0)
        counter.configure()
        counter.set_gate(0.1)
        assert counter.read_frequency() == 440.0
        assert [meter.read_voltage() for _ in range(2)] == [1.5, 1.5]
        counter.start(0.1)
        assert counter.fetch() == 441.0


def test_a_gate_that_another_role_ended_is_opened_anew():
    with running(meter={"personality": "counting"}) as bench, ExitStack() as stack:
        session = stack.enter_context(Session.open(bench.resources["meter"], role="meter"))
        meter, counter = Meter(session), Counter(stack.enter_context(session.shared("counter")))
        meter.configure_dc(10.0, 1.0)
        counter.configure()
        counter.start(0.2)
        before_v = meter.read_voltage()
        began_s = bench.clock.now()
        hertz = counter.fetch()
        assert bench.clock.now() - began_s > 0.2
        assert hertz == pytest.approx(bench.truth_frequency_hz(0.0), rel=1e-3)
        assert meter.read_voltage() == pytest.approx(before_v, abs=1e-4)


def test_a_meter_that_counts_and_reads_a_probe_is_right_in_each_function_whatever_the_order():
    with running(meter={"personality": "counting"}, room_c=26.0) as bench, ExitStack() as stack:
        bench.hands.connect_meter("rail")
        session = stack.enter_context(Session.open(bench.resources["meter"], role="meter"))
        meter, counter = Meter(session), Counter(stack.enter_context(session.shared("counter")))
        thermometer = Thermometer(stack.enter_context(session.shared("thermometer")), ThermometerDialect("MEAS:RES?"))
        meter.configure_dc(10.0, 2.0)
        counter.configure()
        counter.set_gate(0.1)
        rail_v, pitch_hz = bench.truth_rail_v(), bench.truth_frequency_hz(0.0)
        for order in ("mct", "tcm", "ctm", "mmcct", "tmtc"):
            for role in order:
                if role == "m":
                    assert meter.read_voltage() == pytest.approx(rail_v, abs=2e-3)
                elif role == "c":
                    assert counter.read_frequency() == pytest.approx(pitch_hz, rel=1e-3)
                else:
                    # IEC 60751: 110.12 ohm at 26 degrees Celsius (from memory)
                    assert thermometer.read("OHM") == pytest.approx(110.12, abs=0.01)


def test_taking_turns_costs_one_message_a_change_and_nothing_without_one():
    with running(meter={"personality": "counting"}) as bench, ExitStack() as stack:
        session = stack.enter_context(Session.open(bench.resources["meter"], role="meter"))
        meter = Meter(session, MeterDialect(samples=""))
        counter = Counter(stack.enter_context(session.shared("counter")), CounterDialect(samples=""))
        meter.configure_dc(10.0, 1.0)
        counter.configure()
        counter.set_gate(0.1)
        counter.read_frequency()
        before = session.messages
        for _ in range(3):
            counter.read_frequency()
        assert session.messages - before == 3
        before = session.messages
        for _ in range(3):
            meter.read_voltage()
            counter.read_frequency()
        assert session.messages - before == 6 + 6


def test_a_function_that_could_not_be_taken_back_is_not_believed_at_the_next_reading():
    refusal = '-221,"Settings conflict";'
    volts = MeterDialect(samples="", integration="", fixed_range="", automatic_range="")
    script: list[tuple[str, str | bytes | None]] = [
        ("CONF:VOLT:DC;:SYST:ERR?;*ESE 3;*ESE?", NO_ERROR + "3"),
        ("CONF:FREQ;:SYST:ERR?;*ESE 4;*ESE?", NO_ERROR + "4"),
        ("CONF:VOLT:DC;:SYST:ERR?;*ESE 5;*ESE?", refusal + "5"),
        ("*ESE 6;:SYST:ERR?;*ESE?", NO_ERROR + "6"),
        ("CONF:VOLT:DC;:SYST:ERR?;*ESE 7;*ESE?", NO_ERROR + "7"),
        ("*ESE 8;:READ?;*ESE?", "1.5;8"),
    ]
    with on_the_wire(script) as resource, ExitStack() as stack:
        session = stack.enter_context(Session.open(resource, role="meter"))
        meter, counter = Meter(session, volts), Counter(stack.enter_context(session.shared("counter")))
        meter.configure_dc(None, 1.0)
        counter.configure()
        with pytest.raises(InstrumentError, match="-221"):
            meter.read_voltage()
        assert meter.read_voltage() == 1.5


def test_three_instruments_behind_one_link_are_each_reached_in_whatever_order():
    with running(mainframe=True) as bench, ExitStack() as stack:
        exchanges: list[Exchange] = []
        observed = Session.open(bench.resources["mainframe"], role="source", observer=exchanges.append)
        chosen = "INST:NSEL 1;:"
        dialect = SourceDialect(
            set_voltage=f"{chosen}SOUR:VOLT {{voltage}}",
            programmed=f"{chosen}SOUR:VOLT?",
            read_back=f"{chosen}MEAS:VOLT?",
            on=f"{chosen}OUTP ON",
            off=f"{chosen}OUTP OFF",
            output_state=f"{chosen}OUTP?",
        )
        source = stack.enter_context(Source(observed, VoltageLimits(-0.5, 8.5), dialect))
        meter = Meter(stack.enter_context(observed.shared("meter")), MeterDialect(select="INST:NSEL 2"))
        counter = Counter(stack.enter_context(observed.shared("counter")), CounterDialect(select="INST:NSEL 3"))
        meter.configure_dc(10.0, 1.0)
        counter.configure()
        source.output_on()
        for voltage_v in (1.0, 3.0):
            source.set_voltage(voltage_v)
            bench.clock.sleep(0.5)
            counter.start(0.1)
            assert source.read_back() == pytest.approx(voltage_v, abs=0.02)
            assert meter.read_voltage() == pytest.approx(voltage_v, abs=0.02)
            assert counter.fetch() == pytest.approx(bench.truth_frequency_hz(voltage_v + 0.005), rel=0.01)
        assert len({each.role for each in exchanges}) == 3
    assert bench.source.on is False
    assert bench.source.programmed_v == 0.0


def test_a_shared_link_closes_with_its_last_role_and_opens_again_for_one():
    with closing(SocketLink(EchoInstrument())) as link:
        first = Session.open(link.resource, role="source")
        second = first.shared("meter")
        second.close()
        second.close()
        assert first.ask("ECHO? still") == "still"
        with pytest.raises(LinkLost, match=r"Meter at .* is not connected"):
            second.ask("ECHO? gone")
        first.close()
        first.reopen()
        assert first.ask("ECHO? again") == "again"
        first.close()


def test_trouble_on_a_shared_link_is_told_of_the_role_that_spoke():
    with closing(SocketLink(EchoInstrument())) as link, Session.open(link.resource, role="meter") as session:
        other = session.shared("counter")
        with pytest.raises(InstrumentError, match=r"Counter at .* refused 'WRONG'"):
            other.command("WRONG")
        with pytest.raises(InstrumentError, match=r"Meter at .* refused 'WRONG'"):
            session.command("WRONG")
