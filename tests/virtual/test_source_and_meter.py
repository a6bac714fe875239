from __future__ import annotations

import numpy as np
import pytest
from scipy import stats

from drivers.virtual.configuration import MeterConfiguration, SourceConfiguration
from drivers.virtual.parameters import INFINITY
from drivers.virtual.unit import load_unit
from tests.virtual.conftest import UNITS, Rack, asked, errors_of, number

SETTLED_S = 1.0
NOISELESS = MeterConfiguration(noise_ppm_of_range=0.0)


def test_the_source_is_wrong_by_half_a_per_mille_and_five_millivolts(rack: Rack):
    rack.source.execute("OUTP ON;:VOLT 8")
    rack.clock.sleep(SETTLED_S)
    # no unit on the bench, so nothing loads the source
    assert rack.wiring.jack_v(rack.clock.now()) == pytest.approx(8.0 * 1.0005 + 0.005, abs=1e-9)


def test_the_source_believes_itself(rack: Rack):
    rack.source.execute("OUTP ON;:VOLT 8")
    rack.clock.sleep(SETTLED_S)
    assert number(rack.source, "MEAS:VOLT?") == pytest.approx(8.0, abs=1e-3)


def test_a_source_that_is_off_puts_out_nothing(rack: Rack):
    rack.source.execute("OUTP ON;:VOLT 8")
    rack.clock.sleep(SETTLED_S)
    rack.source.execute("OUTP OFF")
    rack.clock.sleep(SETTLED_S)
    assert rack.wiring.jack_v(rack.clock.now()) == pytest.approx(0.0, abs=1e-9)
    assert number(rack.source, "VOLT?") == 8.0
    assert number(rack.source, "MEAS:VOLT?") == pytest.approx(0.0, abs=1.2e-3)


def test_the_source_sets_whole_steps_of_its_resolution(rack: Rack):
    rack.source.execute("VOLT 1.23456")
    assert number(rack.source, "VOLT?") == pytest.approx(1.2346, abs=1e-12)


def test_the_source_settles_exponentially(rack: Rack):
    rack.source.execute("OUTP ON;:VOLT 8")
    rack.clock.sleep(0.004)
    # 1 - 1/e after one time constant
    assert rack.wiring.jack_v(rack.clock.now()) == pytest.approx((8.0 * 1.0005 + 0.005) * (1 - np.exp(-1)), rel=1e-9)


def test_a_kilohm_of_source_into_a_hundred_kilohm_jack_is_twelve_cents_per_octave():
    # common practice: 1 V per octave, 1200 cents to the octave; the divider takes 1/101 of every volt
    rack = Rack(source=SourceConfiguration(output_resistance_ohm=1000.0, gain_error=0.0, offset_v=0.0))
    rack.insert(load_unit(UNITS / "healthy.toml"))
    rack.source.execute("OUTP ON;:VOLT 1")
    rack.clock.sleep(SETTLED_S)
    lost_cents = 1200.0 * (1.0 - rack.wiring.jack_v(rack.clock.now()))
    assert lost_cents == pytest.approx(12.0, abs=0.15)


def test_the_current_follows_from_voltage_and_input_resistance(rack: Rack):
    rack.insert(load_unit(UNITS / "healthy.toml"))
    rack.source.execute("OUTP ON;:VOLT 10")
    rack.clock.sleep(SETTLED_S)
    # Ohm's law: 10 V across 100 kilohm
    assert number(rack.source, "MEAS:CURR?") == pytest.approx(100e-6, rel=2e-3)


@pytest.mark.parametrize("seed", range(12))
def test_every_meter_reads_within_its_own_limits_of_error(seed):
    rack = Rack(seed=seed, meter=NOISELESS)
    rack.source.execute("OUTP ON")
    for setting_v, range_ in ((0.05, (0.1, 50.0, 35.0)), (0.9, (1.0, 40.0, 7.0)), (9.0, (10.0, 35.0, 5.0))):
        rack.source.execute(f"VOLT {setting_v}")
        rack.clock.sleep(SETTLED_S)
        true_v = rack.wiring.jack_v(rack.clock.now())
        bound_v = (true_v * range_[1] + range_[0] * range_[2]) * 1e-6
        assert abs(number(rack.meter, "READ?") - true_v) <= bound_v + 1e-7 * range_[0]


def test_meters_of_different_seeds_are_wrong_in_different_ways():
    readings = set()
    for seed in range(6):
        rack = Rack(seed=seed, meter=NOISELESS)
        rack.source.execute("OUTP ON;:VOLT 9")
        rack.clock.sleep(SETTLED_S)
        readings.add(asked(rack.meter, "READ?"))
    assert len(readings) == 6


@pytest.mark.parametrize("cycles", [0.1, 10.0])
def test_meter_noise_falls_with_the_root_of_its_integration_time(cycles):
    rack = Rack(meter=MeterConfiguration(noise_ppm_of_range=10.0, resolution_ppm_of_range=0.001))
    rack.meter.execute(f"CONF:VOLT:DC 10;:SENS:VOLT:DC:NPLC {cycles};:SAMP:COUN 400")
    readings = np.array([float(each) for each in asked(rack.meter, "READ?").split(",")])
    expected_v = 10e-6 * 10.0 / np.sqrt(cycles)
    # a sample variance of normal readings is chi-squared; 1e-6 two-sided
    low, high = stats.chi2.ppf([5e-7, 1 - 5e-7], 399) / 399
    assert low < readings.var(ddof=1) / expected_v**2 < high


def test_a_reading_takes_its_integration_time(rack: Rack):
    # common practice: 50 Hz mains, 20 ms to the cycle
    rack.meter.execute("CONF:VOLT:DC;:SENS:VOLT:DC:NPLC 10;:SAMP:COUN 3")
    before_s = rack.clock.now()
    rack.meter.execute("READ?")
    assert rack.clock.now() - before_s == pytest.approx(3 * 10 * 0.02)


def test_a_reading_during_a_step_is_the_mean_over_the_step():
    rack = Rack(
        source=SourceConfiguration(gain_error=0.0, offset_v=0.0, settling_time_constant_s=0.02),
        meter=NOISELESS,
    )
    rack.source.execute("OUTP ON;:VOLT 10")
    # mean of 10 (1 - exp(-t/tau)) over one time constant: 10/e
    assert number(rack.meter, "READ?") == pytest.approx(10.0 / np.e, abs=2e-3)


def test_a_fixed_range_overloads_with_the_number_of_the_standard(rack: Rack):
    rack.source.execute("OUTP ON;:VOLT 5")
    rack.clock.sleep(SETTLED_S)
    rack.meter.execute("CONF:VOLT:DC 1;*CLS")
    # SCPI-1999 volume 1, 7.2.1.4: infinity is 9.9E+37
    assert number(rack.meter, "READ?") == INFINITY == 9.9e37
    assert int(asked(rack.meter, "STAT:QUES?")) == 1


def test_an_automatic_range_is_the_smallest_that_holds_the_voltage(rack: Rack):
    rack.source.execute("OUTP ON")
    for setting_v, range_v in ((0.1, 0.1), (1.1, 1.0), (1.3, 10.0), (10.0, 10.0)):
        rack.source.execute(f"VOLT {setting_v}")
        rack.clock.sleep(SETTLED_S)
        rack.meter.execute("READ?")
        assert number(rack.meter, "SENS:VOLT:RANG?") == range_v


def test_the_meter_reads_the_rail_when_its_lead_is_there(rack: Rack):
    unit = rack.insert(load_unit(UNITS / "healthy.toml"))
    rack.wiring.connect_meter("rail")
    assert number(rack.meter, "READ?") == pytest.approx(unit.state.rail_v(), rel=60e-6)
    unit.power(on=False)
    assert number(rack.meter, "READ?") == pytest.approx(0.0, abs=1e-5)


def test_what_was_never_started_cannot_be_fetched(rack: Rack):
    # SCPI-1999 volume 2, 21.8: -230, data corrupt or stale
    assert rack.meter.execute("FETC?") is None
    assert errors_of(rack.meter) == [-230]


def test_a_reading_can_be_fetched_again_until_a_setting_changes(rack: Rack):
    first = asked(rack.meter, "READ?")
    assert asked(rack.meter, "FETC?") == first
    rack.meter.execute("SENS:VOLT:DC:NPLC 2")
    assert rack.meter.execute("FETC?") is None


def test_a_reading_cannot_be_started_while_one_goes_on(rack: Rack):
    # SCPI-1999 volume 2, 21.8: -213, init ignored
    rack.meter.execute("INIT;:INIT")
    assert errors_of(rack.meter) == [-213]
    rack.meter.execute("ABOR;:INIT")
    assert errors_of(rack.meter) == []


def test_measure_configures_and_reads_in_one(rack: Rack):
    rack.source.execute("OUTP ON;:VOLT 5")
    rack.clock.sleep(SETTLED_S)
    rack.meter.execute("SAMP:COUN 7")
    assert number(rack.meter, "MEAS:VOLT:DC? 10") == pytest.approx(5.0075, abs=1e-3)
    assert asked(rack.meter, "SAMP:COUN?") == "1"
