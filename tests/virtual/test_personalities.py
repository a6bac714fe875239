"""The same instrument, spoken to as another maker would have it."""

from __future__ import annotations

import pytest

from drivers.virtual.bench import parse, start
from drivers.virtual.configuration import CounterConfiguration, MeterConfiguration, SourceConfiguration
from drivers.virtual.errors import WrongDescription
from tests.virtual.conftest import FIXTURES, Rack, asked, errors_of


def source(personality: str) -> Rack:
    return Rack(source=SourceConfiguration(personality=personality))


def test_a_channel_list_is_demanded_and_read():
    # SCPI-1999 volume 1, 8.3.2; -109 Missing parameter, -224 Illegal parameter value
    device = source("list").source
    assert device.execute("SOUR:VOLT 1.5") is None
    assert errors_of(device) == [-109]
    assert device.execute("SOUR:VOLT 1.5,(@2)") is None
    assert float(asked(device, "SOUR:VOLT? (@2)")) == 1.5
    assert float(asked(device, "SOUR:VOLT? (@1)")) == 0.0
    assert device.execute("OUTP ON,(@3)") is None
    assert device.execute("OUTP ON,(1)") is None
    assert errors_of(device) == [-224, -171]
    assert float(asked(device, "SOUR:VOLT? MAX,(@2)")) == 10.0


def test_a_suffix_names_a_channel_and_1_may_be_left_out():
    # SCPI-1999 volume 1, 6.2.5.2
    device = source("suffix").source
    device.execute("SOUR2:VOLT 2.5")
    device.execute("VOLT 1.5")
    assert float(asked(device, "SOUR2:VOLT?")) == 2.5
    assert float(asked(device, "SOUR1:VOLT?")) == float(asked(device, "VOLT?")) == 1.5
    device.execute("OUTP2 ON")
    assert (asked(device, "OUTP2?"), asked(device, "OUTP?")) == ("1", "0")
    before = int(asked(device, "*ESR?"))
    assert device.execute("SOUR3:VOLT 1") is None
    assert (before & 32, int(asked(device, "*ESR?")) & 32) == (0, 32)


def test_a_selected_channel_is_the_one_that_is_meant():
    device = source("select").source
    device.execute("INST:NSEL 2;:SOUR:VOLT 2.5")
    assert asked(device, "INST:SEL?") == "CH2"
    device.execute("INST CH1;:SOUR:VOLT 1.5")
    assert float(asked(device, "INST:NSEL 2;:SOUR:VOLT?")) == 2.5


@pytest.mark.parametrize(
    ("personality", "name"), [("list", "(@2)"), ("suffix", ""), ("select", "")], ids=["list", "suffix", "select"]
)
def test_only_the_second_channel_is_wired(personality, name):
    rack = source(personality)
    device = rack.source
    assert device.wired == 2
    first = {"list": "OUTP ON,(@1);:SOUR:VOLT 5,(@1)", "suffix": "OUTP1 ON;:SOUR1:VOLT 5"}
    device.execute(first.get(personality, "INST:NSEL 1;:OUTP ON;:SOUR:VOLT 5"))
    rack.clock.sleep(1.0)
    assert rack.wiring.jack_v(rack.clock.now()) == pytest.approx(0.0, abs=1e-6)
    second = {"list": "OUTP ON,(@2);:SOUR:VOLT 5,(@2)", "suffix": "OUTP2 ON;:SOUR2:VOLT 5"}
    device.execute(second.get(personality, "INST:NSEL 2;:OUTP ON;:SOUR:VOLT 5"))
    rack.clock.sleep(1.0)
    assert rack.wiring.jack_v(rack.clock.now()) == pytest.approx(5.0, abs=0.01)


@pytest.mark.parametrize(
    ("personality", "answer"),
    [
        ("standard", '-113,"Undefined header;NONE:SUCH"'),
        ("single", "-113, Undefined header;NONE:SUCH"),
        ("numbers", "-113"),
        ("empty queue", '0,"No error"'),
        ("unanswered queue", None),
        ("register", None),
        ("mute", None),
    ],
)
def test_each_tells_of_errors_in_its_own_way(personality, answer):
    device = source(personality).source
    device.execute("NONE:SUCH")
    assert device.execute("SYST:ERR?") == answer


def test_a_mute_instrument_says_nothing_about_anything_that_it_does_not_know():
    device = source("mute").source
    for query in ("*ESR?", "*ESE?", "SYST:ERR?", "NONE:SUCH?", "SOUR:VOLT?;:OUTP?"):
        assert device.execute(query) is None
    assert float(asked(device, "SOUR:VOLT?")) == 0.0


def test_a_strict_instrument_forgets_a_message_at_its_first_error():
    device = source("strict").source
    assert device.execute("SOUR:VOLT 1;:NONE:SUCH;:SYST:ERR?") is None
    assert asked(device, "SYST:ERR?") == '-113,"Undefined header;NONE:SUCH"'
    assert float(asked(device, "SOUR:VOLT?")) == 1.0


def test_units_stand_behind_readings_and_settings():
    rack = Rack(
        source=SourceConfiguration(personality="units"),
        meter=MeterConfiguration(personality="units"),
        counter=CounterConfiguration(personality="units"),
    )
    assert asked(rack.source, "SOUR:VOLT?") == "+0.00000E+00 V"
    assert asked(rack.meter, "SAMP:COUN 2;:READ?").count(" V,") == 1
    assert asked(rack.counter, "READ?").endswith(" HZ")


def test_a_counter_without_a_signal_may_call_it_infinity():
    device = Rack(counter=CounterConfiguration(personality="measure only")).counter
    assert asked(device, "MEAS:FREQ?") == "+9.9E+37"


def test_a_slow_instrument_takes_its_time_on_the_clock_of_the_bench():
    rack = source("slow")
    began_s = rack.clock.now()
    asked(rack.source, "*IDN?")
    assert rack.clock.now() - began_s == pytest.approx(0.4)


def test_limits_bound_the_level():
    # -221 Settings conflict
    device = source("standard").source
    device.execute("SOUR:VOLT:PROT 2;:SOUR:VOLT 5")
    assert errors_of(device) == [-221]
    device.execute("SOUR:VOLT:PROT MAX;:SOUR:VOLT:RANG 1;:SOUR:VOLT 5")
    assert errors_of(device) == [-221]
    assert float(asked(device, "SOUR:CURR 0.02;:SOUR:CURR?")) == 0.02
    device.execute("*RST")
    assert float(asked(device, "SOUR:VOLT 5;:SOUR:VOLT?")) == 5.0


def test_integration_time_in_seconds_is_that_in_cycles_over_the_mains_frequency():
    device = Rack(meter=MeterConfiguration(mains_hz=60.0)).meter
    assert float(asked(device, "SENS:VOLT:DC:NPLC 6;:SENS:VOLT:DC:APER?")) == pytest.approx(0.1)
    assert float(asked(device, "SENS:VOLT:DC:APER 0.05;:SENS:VOLT:DC:NPLC?")) == pytest.approx(3.0)


def test_a_personality_that_is_none_is_named_with_those_that_are():
    table = {"population": "populations/demo.toml", "meter": {"personality": "list"}}
    with pytest.raises(WrongDescription, match="no such personality; there are: standard, slow"):
        parse(table, FIXTURES)


@pytest.mark.parametrize("link", ["socket", "serial"])
def test_a_bench_serves_each_instrument_with_its_own_line_end(link):
    table = {
        "population": "populations/demo.toml",
        "link": link,
        "source": {"personality": "mute"},
        "meter": {"personality": "units"},
    }
    with start(parse(table, FIXTURES)) as bench:
        assert all(("ASRL" in each) is (link == "serial") for each in bench.resources.values())
