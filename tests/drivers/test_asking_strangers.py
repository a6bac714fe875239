"""Instruments that were not written here are asked and used as well: pyvisa-sim's, and servers on a SCPI library."""

from __future__ import annotations

import pytest

from drivers.asking.counter import ask_counter
from drivers.asking.meter import ask_meter
from drivers.asking.source import ask_source
from drivers.clock import RealClock
from drivers.counter import Counter
from drivers.dialect import CounterDialect, MeterDialect
from drivers.errors import LinkRefused, SettingsLost
from drivers.meter import Meter
from drivers.session import Session
from tests.drivers.conversations import Conversation
from tests.drivers.strangers import Bench, counter_router, free_port, meter_router, served, simulated


@pytest.mark.parametrize("one_queue", [True, False], ids=["one queue", "a queue each connection"])
def test_a_meter_on_a_general_scpi_server_reads(one_queue):
    bench = Bench()
    with served(meter_router(bench), one_queue=one_queue) as resource:
        conversation = Conversation(resource, "meter", RealClock())
        with conversation.asking() as session:
            found = ask_meter(session)
        assert found.fills
        # it takes 0.02, 1 and 100 cycles only, and says -222 to others: another value is tried
        assert found.dialect.integration == "SENS:VOLT:DC:NPLC {cycles}"
        assert found.dialect.automatic_range == ""
        with Meter(conversation.working(), found.dialect) as meter:
            meter.configure_dc(10.0, 1.0)
            assert (bench.range_v, bench.cycles) == (10.0, 1.0)
            assert meter.read_voltages(2) == (bench.voltage_v, bench.voltage_v)


@pytest.mark.parametrize("one_queue", [True, False], ids=["one queue", "a queue each connection"])
def test_a_counter_on_a_general_scpi_server_counts(one_queue):
    bench = Bench()
    with served(counter_router(bench), one_queue=one_queue) as resource:
        conversation = Conversation(resource, "counter", RealClock())
        with conversation.asking() as session:
            found = ask_counter(session, RealClock())
        assert found.dialect == CounterDialect(
            function='SENS:FUNC "FREQ"',
            coupling="",
            impedance="",
            level="INP:LEV {level}",
            gate="SENS:FREQ:GATE:TIME {gate}",
            samples="",
        )
        with Counter(conversation.working(), found.dialect) as counter:
            counter.configure(level_v=0.5)
            counter.start(0.02)
            assert counter.fetch() == pytest.approx(bench.frequency_hz)
            assert (bench.level_v, bench.gate_s) == (0.5, 0.02)


def test_a_meter_and_a_counter_on_a_general_scpi_server_that_went_away_are_found_out_and_read_on():
    bench, ports = Bench(), (free_port(), free_port())
    with (
        served(meter_router(bench), one_queue=True, port=ports[0]) as at_meter,
        served(counter_router(bench), one_queue=True, port=ports[1]) as at_counter,
    ):
        meter = Meter(Session.open(at_meter, role="meter", timeout_s=1.0), MeterDialect(samples=""))
        counter_dialect = CounterDialect(function="", gate="SENS:FREQ:GATE:TIME {gate}", samples="")
        counter = Counter(Session.open(at_counter, role="counter", timeout_s=1.0), counter_dialect)
        assert meter.read_voltage() == bench.voltage_v
        counter.start(0.02)
        assert counter.fetch() == pytest.approx(bench.frequency_hz)
        counter.start(0.02)
    # both hung up, the counter in the middle of a gate; now they are there again, and their power-on bit says it
    with (
        served(meter_router(bench), one_queue=True, port=ports[0]),
        served(counter_router(bench), one_queue=True, port=ports[1]),
        meter,
        counter,
    ):
        for read in (meter.read_voltage, counter.fetch):
            with pytest.raises(SettingsLost, match="was switched off and on"):
                read()
        assert meter.read_voltage() == bench.voltage_v
        assert counter.read_frequency() == pytest.approx(bench.frequency_hz)


@pytest.mark.parametrize(
    ("number", "error_query"), [(2, "*ESR?"), (3, ""), (4, ":SYST:ERR?")], ids=["register", "none", "queue"]
)
def test_a_simulated_supply_that_does_not_go_below_1_v_is_no_cv_source(number, error_query):
    # pyvisa-sim, default.yaml: voltage min 1, max 6
    with simulated(number) as (resource, device):
        conversation = Conversation(resource, "source", device.clock)
        assert conversation.link.dialect.error_query == error_query
        assert conversation.link.dialect.identity_fields == 3
        with conversation.asking() as session:
            found = ask_source(session)
        assert not found.fills
        assert "stands at 1 V, and does not go to 0 V" in found.missing[0]
        assert not any("OUTP 1" in message or "OUTP ON" in message for message in device.received)


def test_a_simulated_supply_with_a_numeric_switch_is_switched_by_numbers():
    with simulated(2) as (resource, device):
        conversation = Conversation(resource, "source", device.clock)
        with conversation.asking() as session:
            dialect = ask_source(session).dialect
    assert (dialect.off, dialect.on, dialect.output_state) == ("OUTP 0", "OUTP 1", "OUTP?")


@pytest.mark.parametrize(("number", "told"), [(1, r"answers \*IDN\? with 'ERROR'"), (5, r"nobody answers \*IDN\?")])
def test_an_instrument_without_an_identity_is_refused_in_one_sentence(number, told):
    with simulated(number) as (resource, device), pytest.raises(LinkRefused, match=told):
        Conversation(resource, "source", device.clock)
