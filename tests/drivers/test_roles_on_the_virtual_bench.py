"""The three roles in their default spelling, against the instruments of the virtual bench."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import pytest

from drivers.counter import Counter
from drivers.errors import InstrumentError, NoSignal
from drivers.meter import Meter
from drivers.session import Session
from drivers.source import Source, VoltageLimits
from drivers.virtual.bench import VirtualBench, parse, start

FIXTURES = Path(__file__).parents[2] / "fixtures"
TABLE = {"clock": "instant", "seed": 7, "unit": str(FIXTURES / "units" / "healthy.toml")}


@pytest.fixture
def bench() -> Iterator[VirtualBench]:
    with start(parse(TABLE, FIXTURES)) as running:
        running.hands.insert("0001")
        running.hands.power(True)
        yield running


def test_a_meter_reads_what_the_source_puts_out_within_the_errors_of_both(bench: VirtualBench):
    with (
        Source(Session.open(bench.resources["source"], role="source"), VoltageLimits(-1.0, 8.5)) as source,
        Meter(Session.open(bench.resources["meter"], role="meter")) as meter,
    ):
        meter.configure_dc(range_v=10.0, integration_cycles=10.0)
        source.output_on()
        source.set_voltage(5.0)
        bench.clock.sleep(1.0)
        # the source's gain error of 0.05 % and offset of 5 mV, and an output that is loaded
        assert meter.read_voltage() == pytest.approx(5.0, abs=0.1)
        assert source.programmed() == pytest.approx(5.0, abs=1e-3)
        assert source.check(5.0, tolerance_v=0.1) == pytest.approx(5.0, abs=0.1)
        assert len(meter.read_voltages(5)) == 5


def test_an_octave_more_of_cv_doubles_what_the_counter_reads(bench: VirtualBench):
    with (
        Source(Session.open(bench.resources["source"], role="source"), VoltageLimits(-1.0, 8.5)) as source,
        Counter(Session.open(bench.resources["counter"], role="counter")) as counter,
    ):
        counter.configure(coupling="AC", level_v=0.0)
        counter.set_gate(0.1)
        source.output_on()
        pitches_hz = []
        for voltage_v in (3.0, 4.0):
            source.set_voltage(voltage_v)
            bench.clock.sleep(1.0)
            counter.start()
            pitches_hz.append(counter.fetch())
        # common practice: 1 V per octave; an unadjusted unit is some per cent off
        assert pitches_hz[1] / pitches_hz[0] == pytest.approx(2.0, rel=0.1)


def test_a_unit_without_power_gives_no_signal(bench: VirtualBench):
    bench.hands.power(False)
    with Counter(Session.open(bench.resources["counter"], role="counter")) as counter:
        counter.configure()
        counter.set_gate(0.1)
        with pytest.raises(NoSignal, match="check the output lead, that the unit has power"):
            counter.read_frequency()


def test_an_instrument_of_the_bench_refuses_in_the_words_of_the_standard(bench: VirtualBench):
    # SCPI-1999 volume 2, 21.8: -222 Data out of range, -113 Undefined header
    with Counter(Session.open(bench.resources["counter"], role="counter")) as counter:
        with pytest.raises(InstrumentError, match="-222 Data out of range"):
            counter.set_gate(1e9)
        with pytest.raises(InstrumentError, match="-113 Undefined header"):
            counter.session.ask("MEAS:VOLT?")
        counter.set_gate(0.1)


def test_a_gate_far_longer_than_the_timeout_of_the_link_is_waited_for(bench: VirtualBench):
    with Counter(Session.open(bench.resources["counter"], role="counter", timeout_s=1.0)) as counter:
        counter.configure()
        counter.set_gate(100.0)
        counter.start()
        assert counter.fetch() > 0
