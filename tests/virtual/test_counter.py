from __future__ import annotations

import allantools
import numpy as np
import pytest
from scipy import stats

from drivers.virtual.configuration import CounterConfiguration
from drivers.virtual.parameters import NOT_A_NUMBER
from drivers.virtual.unit import Noise, UnitDescription, load_unit
from tests.virtual.conftest import UNITS, Rack, asked, number

QUIET = CounterConfiguration(time_base_ppm=0.0, trigger_jitter_s=0.0, resolution_s=1e-15)


def silent(**core: float) -> UnitDescription:
    """A unit without noise or heat, exactly 32 Hz at 0 V unless said otherwise."""
    described = UnitDescription.model_validate({"invented": True, "core": {"base_hz": 32.0, "pivot_hz": 32.0, **core}})
    thermal = described.thermal.model_copy(update={"wander_k": 0.0})
    return described.model_copy(update={"noise": Noise(white_cents_at_1s=0.0, wander_cents=0.0), "thermal": thermal})


def drive(rack: Rack, voltage_v: float) -> None:
    rack.wiring.drive(voltage_v * (1.0 + 1.0 / 100_000.0))  # one ohm before a hundred kilohm
    rack.clock.sleep(1.0)


def test_a_quiet_counter_reads_the_pitch():
    rack = Rack(counter=QUIET)
    rack.insert(silent())
    drive(rack, 3.0)
    # one volt to the octave: three octaves above 32 Hz
    assert number(rack.counter, "READ?") == pytest.approx(256.0, rel=1e-11)


@pytest.mark.parametrize(("gate_s", "periods"), [(0.001, 1), (0.03125, 1), (0.032, 2), (0.1, 4), (0.125, 4), (1.0, 32)])
def test_a_gate_is_the_smallest_whole_number_of_periods_that_fills_the_gate_time(gate_s, periods):
    rack = Rack(counter=QUIET)
    rack.insert(silent())
    drive(rack, 0.0)
    rack.counter.execute(f"SENS:FREQ:APER {gate_s}")
    before_s = rack.clock.now()
    rack.counter.execute("READ?")
    taken_s = rack.clock.now() - before_s
    # the first trigger comes within one period of 1/32 s
    assert periods / 32.0 <= taken_s <= (periods + 1) / 32.0


def test_starting_a_gate_returns_at_once_and_fetching_waits_for_its_end():
    rack = Rack(counter=QUIET)
    rack.insert(silent())
    drive(rack, 0.0)
    rack.counter.execute("SENS:FREQ:APER 1")
    before_s = rack.clock.now()
    rack.counter.execute("INIT")
    assert rack.clock.now() == before_s
    rack.clock.sleep(0.6)
    rack.counter.execute("FETC?")
    assert 1.0 <= rack.clock.now() - before_s <= 1.0 + 1.0 / 32.0
    long_after_s = rack.clock.now()
    rack.counter.execute("FETC?")
    assert rack.clock.now() == long_after_s


def test_a_gate_too_early_reads_the_mean_of_a_pitch_that_still_moves():
    rack = Rack(counter=QUIET)
    unit = rack.insert(silent())
    drive(rack, 0.0)
    rack.wiring.drive(8.0)
    rack.counter.execute("SENS:FREQ:APER 0.01")
    start_s = rack.clock.now()
    early_hz = number(rack.counter, "READ?")
    times_s = np.linspace(start_s, rack.clock.now(), 20_001)
    swept_hz = [unit.state.frequency_hz(each_s, rack.wiring.core_v(each_s)) for each_s in times_s]
    assert early_hz < 0.9 * 32.0 * 256.0
    assert min(swept_hz) < early_hz < max(swept_hz)
    rack.clock.sleep(0.2)
    late_cents = 1200.0 * np.log2(number(rack.counter, "READ?") / (32.0 * 256.0))
    assert late_cents == pytest.approx(-1200.0 * 8.0 / 100_001.0, abs=1e-4)


def test_the_mean_over_a_gate_is_the_integral_of_the_pitch():
    rack = Rack(counter=QUIET)
    unit = rack.insert(silent())
    drive(rack, 0.0)
    rack.wiring.drive(5.0)
    start_s = rack.clock.now()
    mean_hz = rack.wiring.mean(rack.wiring.frequency_hz, start_s, start_s + 0.3)
    times_s = start_s + (np.arange(30_000) + 0.5) * 0.3 / 30_000
    exact_hz = np.mean([unit.state.frequency_hz(each_s, rack.wiring.core_v(each_s)) for each_s in times_s])
    assert mean_hz == pytest.approx(exact_hz, rel=1e-7)


def test_changing_the_voltage_during_a_gate_changes_its_result():
    rack = Rack(counter=QUIET)
    rack.insert(silent())
    drive(rack, 3.0)
    rack.counter.execute("SENS:FREQ:APER 1;:INIT")
    rack.clock.sleep(0.5)
    rack.wiring.drive(4.0)
    assert 256.0 < number(rack.counter, "FETC?") < 512.0


def spread(rack: Rack, gate_s: float, count: int) -> float:
    rack.counter.execute(f"SENS:FREQ:APER {gate_s};:SAMP:COUN {count}")
    readings = np.array([float(each) for each in asked(rack.counter, "READ?").split(",")])
    assert len(readings) == count
    return float(np.std(readings / readings.mean(), ddof=1))


LOW, HIGH = np.sqrt(stats.chi2.ppf([5e-7, 1 - 5e-7], 399) / 399)


@pytest.mark.parametrize("gate_s", [0.05, 0.5])
def test_trigger_noise_counts_twice_and_falls_with_the_gate(gate_s):
    # handbooks on counters: each end of the interval has its own error, so sigma = sqrt(2) jitter / gate
    rack = Rack(counter=CounterConfiguration(time_base_ppm=0.0, trigger_jitter_s=1e-6, resolution_s=1e-15))
    rack.insert(silent(base_hz=2000.0))
    drive(rack, 0.0)
    assert LOW < spread(rack, gate_s, 400) / (np.sqrt(2.0) * 1e-6 / gate_s) < HIGH


@pytest.mark.parametrize("gate_s", [0.1, 1.0])
def test_white_frequency_noise_falls_with_the_root_of_the_gate(gate_s):
    # IEEE 1139 (from memory): white frequency noise has sigma_y proportional to 1/sqrt(time)
    rack = Rack(counter=QUIET)
    unit = silent(base_hz=2000.0)
    rack.insert(unit.model_copy(update={"noise": Noise(white_cents_at_1s=0.02, wander_cents=0.0)}))
    drive(rack, 0.0)
    expected = 0.02 / 1200.0 * np.log(2.0) / np.sqrt(gate_s)
    assert LOW < spread(rack, gate_s, 400) / expected < HIGH


def test_the_allan_deviation_of_a_noisy_unit_falls_with_the_root_of_time():
    # allantools 2024.6, overlapping Allan deviation; IEEE 1139 (from memory): white frequency noise has
    # sigma_y(tau) = sigma_y(1 s) / sqrt(tau)
    rack = Rack(counter=QUIET)
    rack.insert(silent(base_hz=2000.0).model_copy(update={"noise": Noise(white_cents_at_1s=0.02, wander_cents=0.0)}))
    drive(rack, 0.0)
    gate_s, count = 0.1, 2000
    rack.counter.execute(f"SENS:FREQ:APER {gate_s};:SAMP:COUN {count}")
    hertz = np.array([float(each) for each in asked(rack.counter, "READ?").split(",")])
    taus_s, deviation, error, _ = allantools.oadev(
        hertz / hertz.mean() - 1.0, rate=1.0 / gate_s, data_type="freq", taus=[0.1, 0.4, 1.6, 6.4]
    )
    expected = 0.02 / 1200.0 * np.log(2.0) / np.sqrt(taus_s)
    assert np.all(np.abs(deviation - expected) < 5.0 * error)
    assert np.polyfit(np.log(taus_s), np.log(deviation), 1)[0] == pytest.approx(-0.5, abs=0.07)


def test_resolution_is_a_rounding_of_the_timed_interval():
    rack = Rack(counter=CounterConfiguration(time_base_ppm=0.0, trigger_jitter_s=0.0, resolution_s=1e-6))
    rack.insert(silent(base_hz=2000.0))
    drive(rack, 0.0)
    # a rounding is rectangular: sigma = width / sqrt(12) (JCGM 100, 4.3.7)
    assert spread(rack, 0.1, 400) == pytest.approx(1e-6 / 0.1 / np.sqrt(12.0), rel=0.15)


def test_a_time_base_is_wrong_the_same_way_in_every_reading_and_within_its_limits():
    errors = []
    for seed in range(8):
        rack = Rack(
            seed=seed,
            counter=CounterConfiguration(time_base_ppm=2.0, trigger_jitter_s=0.0, resolution_s=1e-15),
        )
        rack.insert(silent())
        drive(rack, 3.0)
        first, second = (number(rack.counter, "READ?") / 256.0 - 1.0 for _ in range(2))
        assert first == pytest.approx(second, abs=1e-11)
        errors.append(first)
    assert max(map(abs, errors)) <= 2e-6
    assert len({round(error, 10) for error in errors}) == 8


@pytest.mark.parametrize("silence", ["no unit", "no power", "dead output", "trigger above the signal"])
def test_a_counter_without_a_signal_says_not_a_number_after_a_while(silence):
    rack = Rack()
    if silence != "no unit":
        name = "dead_output" if silence == "dead output" else "healthy"
        unit = rack.insert(load_unit(UNITS / f"{name}.toml"))
        unit.power(on=silence != "no power")
    if silence == "trigger above the signal":
        rack.counter.execute("SENS:EVEN:LEV 6")
    before_s = rack.clock.now()
    # SCPI-1999 volume 1, 7.2.1.5: not-a-number is 9.91E+37
    assert number(rack.counter, "READ?") == NOT_A_NUMBER == 9.91e37
    assert rack.clock.now() - before_s == pytest.approx(1.0)
    assert int(asked(rack.counter, "STAT:QUES:EVEN?")) == 32


def test_a_unit_that_falls_silent_during_a_gate_gives_no_reading():
    rack = Rack()
    unit = rack.insert(load_unit(UNITS / "healthy.toml"))
    rack.counter.execute("SENS:FREQ:APER 1;:INIT")
    rack.clock.sleep(0.5)
    unit.power(on=False)
    assert number(rack.counter, "FETC?") == NOT_A_NUMBER


def test_fifty_ohms_load_a_kilohm_output_and_coupling_takes_its_offset_away():
    rack = Rack()
    described = load_unit(UNITS / "healthy.toml")
    rack.insert(described.model_copy(update={"output": described.output.model_copy(update={"offset_v": 8.0})}))
    rack.counter.execute("INP:COUP DC")
    assert number(rack.counter, "READ?") == NOT_A_NUMBER
    rack.counter.execute("SENS:EVEN:LEV 8")
    assert number(rack.counter, "READ?") < 1e6
    rack.counter.execute("INP:COUP AC;:SENS:EVEN:LEV 0")
    assert number(rack.counter, "READ?") < 1e6
    # 10 V through 1 kilohm into 50 ohm leaves 0.48 V peak to peak: a level of 0.3 V is above it
    rack.counter.execute("INP:IMP 50;:SENS:EVEN:LEV 0.3")
    assert number(rack.counter, "READ?") == NOT_A_NUMBER
