"""Physics of the oscillator, identity by identity."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.integrate import solve_ivp
from scipy.optimize import brentq

from drivers.virtual.heat import Heat, Wander
from drivers.virtual.oscillator import CoreState, behind_bulk_resistance, octaves_of_hertz_per_volt
from drivers.virtual.trimmer import Trimmer
from drivers.virtual.unit import Thermal, load_unit
from drivers.virtual.wiring import Step
from tests.virtual.conftest import UNITS, warm_truth, with_trims

IDEAL = CoreState(
    base_octaves=5.0,
    slope=1.0,
    pivot_octaves=7.0,
    scale=1.0,
    bulk_per_hz=0.0,
    leakage_hz=0.0,
    dead_time_s=0.0,
)
FREQUENCIES_HZ = st.floats(1.0, 20_000.0)


def cents(frequency_hz: float, reference_hz: float) -> float:
    return 1200.0 * math.log2(frequency_hz / reference_hz)


@given(st.floats(-2.0, 10.0))
def test_a_volt_is_an_octave(voltage_v):
    # common practice: exponential law of one volt per octave
    assert IDEAL.frequency_hz(voltage_v + 1.0) == pytest.approx(2.0 * IDEAL.frequency_hz(voltage_v), rel=1e-12)


@given(st.floats(0.0, 9.0), st.floats(0.0, 5e-6))
def test_dead_time_adds_to_every_period(octaves, dead_time_s):
    ideal_hz = IDEAL.frequency_hz(octaves)
    slowed_hz = replace(IDEAL, dead_time_s=dead_time_s).frequency_hz(octaves)
    assert 1.0 / slowed_hz - 1.0 / ideal_hz == pytest.approx(dead_time_s, abs=1e-15)
    assert cents(slowed_hz, ideal_hz) == pytest.approx(-1200.0 * math.log2(1.0 + ideal_hz * dead_time_s), abs=1e-8)


@given(FREQUENCIES_HZ, st.floats(1e-9, 1e-3))
@settings(max_examples=60)
def test_bulk_resistance_is_the_root_that_a_general_root_finder_finds(ideal_hz, bulk_per_hz):
    # against scipy.optimize.brentq on f exp(k f) = f_ideal
    root_hz = brentq(lambda each_hz: each_hz * math.exp(bulk_per_hz * each_hz) - ideal_hz, 0.0, ideal_hz, xtol=1e-12)
    assert behind_bulk_resistance(ideal_hz, bulk_per_hz) == pytest.approx(root_hz, rel=1e-9)


def test_dead_time_and_bulk_resistance_look_alike_up_to_forty_three_cents():
    # a droop of 43 cents at the top is 1200 k f / ln 2
    top_hz = 32.703 * 256.0
    bulk = replace(IDEAL, base_octaves=math.log2(32.703), bulk_per_hz=43.0 * math.log(2.0) / 1200.0 / top_hz)
    dead_time_s = 1.0 / bulk.frequency_hz(8.0) - 1.0 / top_hz
    dead = replace(IDEAL, base_octaves=math.log2(32.703), dead_time_s=dead_time_s)
    apart = [abs(cents(bulk.frequency_hz(x), dead.frequency_hz(x))) for x in np.linspace(0.0, 8.0, 65)]
    assert max(apart) < 0.2


@given(st.floats(0.9, 1.1), st.floats(1.0, 15.0))
def test_the_pivot_does_not_move_when_the_scale_does(scale, pivot_octaves):
    core = replace(IDEAL, scale=scale, pivot_octaves=pivot_octaves)
    assert core.frequency_hz(pivot_octaves - IDEAL.base_octaves) == pytest.approx(2.0**pivot_octaves, rel=1e-12)
    octave = core.frequency_hz(3.0) / core.frequency_hz(2.0)
    assert math.log2(octave) == pytest.approx(scale, rel=1e-9)


@given(st.floats(0.0, 2.0))
def test_leakage_adds_the_same_hertz_everywhere(leakage_hz):
    leaky = replace(IDEAL, leakage_hz=leakage_hz)
    for octaves in (0.0, 4.0, 8.0):
        assert leaky.frequency_hz(octaves) - IDEAL.frequency_hz(octaves) == pytest.approx(leakage_hz, abs=1e-9)


def test_a_hertz_per_volt_unit_doubles_its_pitch_when_the_voltage_doubles():
    assert octaves_of_hertz_per_volt(2.0) - octaves_of_hertz_per_volt(1.0) == 1.0
    truth = warm_truth(load_unit(UNITS / "hertz_per_volt.toml"))
    low_hz, high_hz = truth.frequency_hz(0.2), truth.frequency_hz(0.4)
    assert high_hz / low_hz == pytest.approx(2.0, rel=1e-3)


@pytest.mark.parametrize("voltage_v", [-1e9, -1.0, 0.0, 1e9, math.inf, -math.inf])
def test_no_voltage_makes_the_pitch_anything_but_a_finite_frequency(voltage_v):
    for name in ("healthy", "hertz_per_volt", "leakage"):
        hertz = warm_truth(load_unit(UNITS / f"{name}.toml")).frequency_hz(voltage_v)
        assert math.isfinite(hertz)
        assert hertz > 0.0


# Heat


THERMAL = Thermal(chip_rise_k=1.0, chip_time_constant_s=20.0, board_rise_k=7.0, board_time_constant_s=150.0)


def test_a_body_has_warmed_by_63_per_cent_after_one_time_constant():
    heat = Heat(0.0, powered=True).at(150.0, THERMAL)
    assert heat.board_k == pytest.approx(7.0 * (1.0 - 1.0 / math.e))
    assert Heat(0.0, powered=True).below_warm_k(THERMAL)(1e6) == pytest.approx(0.0, abs=1e-9)
    assert Heat(0.0).below_warm_k(THERMAL)(0.0) == -8.0


@given(st.floats(0.0, 1e4), st.floats(0.0, 1e4))
def test_looking_at_a_temperature_on_the_way_changes_nothing(first_s, then_s):
    straight = Heat(0.0, powered=True).at(first_s + then_s, THERMAL)
    stopped = Heat(0.0, powered=True).at(first_s, THERMAL).at(first_s + then_s, THERMAL)
    assert straight.board_k == pytest.approx(stopped.board_k, abs=1e-9)
    assert straight.chip_k == pytest.approx(stopped.chip_k, abs=1e-9)


def test_switched_off_it_cools():
    warm = Heat(0.0, powered=True).at(1e5, THERMAL)
    assert replace(warm, powered=False).at(1e5 + 150.0, THERMAL).board_k == pytest.approx(7.0 / math.e, rel=1e-6)


def test_a_hand_warms_a_little_and_is_forgotten_in_a_minute():
    touched = Heat(0.0, hand_k=0.1)
    assert touched.at(15.0, THERMAL).hand_k == pytest.approx(0.1 / math.e)
    assert touched.at(60.0, THERMAL).hand_k < 0.002


def test_heat_turns_the_tracking_about_the_pivot():
    truth = warm_truth(load_unit(UNITS / "pivot_above.toml"))
    thermal = truth.description.thermal
    heat = replace(truth.state.heat, board_k=thermal.board_rise_k - 2.0)
    cooler = replace(truth, state=replace(truth.state, heat=heat))
    pivot_hz = truth.description.core.pivot_hz
    for cv_v in (0.0, 3.0):
        core_octaves = math.log2(truth.frequency_hz(cv_v) / pivot_hz)
        expected = -2.0 * (thermal.scale_per_k * core_octaves + thermal.offset_octaves_per_k)
        moved = math.log2(cooler.frequency_hz(cv_v) / truth.frequency_hz(cv_v))
        assert moved == pytest.approx(expected, rel=2e-3)


def test_the_room_wanders_slowly_and_never_far():
    wander = Wander.drawn(np.random.default_rng(1), ((2400.0, 0.7), (1020.0, 0.3)))
    values = np.array([wander.at(each) for each in range(0, 20_000, 10)])
    assert np.abs(values).max() <= 1.0
    assert np.abs(np.diff(values)).max() < 0.06


# Trims


def test_a_trimmer_loses_motion_when_the_direction_reverses():
    trimmer = Trimmer(turns=20.0, backlash_turns=0.02, wiper_turns=10.0)
    forward = trimmer.turned(1.0)
    assert forward.wiper_turns == pytest.approx(10.98)
    assert forward.turned(0.5).wiper_turns == pytest.approx(11.48)
    assert forward.turned(-0.015).wiper_turns == forward.wiper_turns
    assert forward.turned(-0.015).turned(-0.1).wiper_turns == pytest.approx(10.98 - 0.095)


@given(st.lists(st.floats(-30.0, 30.0), max_size=20))
def test_no_turning_moves_a_wiper_past_its_stops_or_the_slack_past_the_backlash(moves):
    trimmer = Trimmer(turns=15.0, backlash_turns=0.02, wiper_turns=7.5)
    for turns in moves:
        trimmer = trimmer.turned(turns)
        assert 0.0 <= trimmer.wiper_turns <= 15.0
        assert -1e-9 <= trimmer.slack_turns <= 0.02 + 1e-9


def test_past_a_stop_a_trimmer_slips_and_comes_back_at_once():
    trimmer = Trimmer(turns=15.0, backlash_turns=0.0, wiper_turns=14.0)
    assert trimmer.turned(100.0).turned(-1.0).wiper_turns == pytest.approx(14.0)


def test_each_trim_moves_what_it_should_and_nothing_else():
    truth = warm_truth(load_unit(UNITS / "healthy.toml"))
    trims = truth.description.trims
    start = truth.trim_positions_turns

    base = with_trims(truth, base=start["base"] + 1.0)
    total_scale = 1.008 * (1.0 + trims["scale"].effect_per_turn * (start["scale"] - 10.0))
    shift = math.log2(base.frequency_hz(2.0) / truth.frequency_hz(2.0))
    assert shift == pytest.approx(trims["base"].effect_per_turn * total_scale, rel=1e-3)

    highs = with_trims(truth, highs=start["highs"] + 1.0)
    taken_s = 1.0 / truth.frequency_hz(8.0) - 1.0 / highs.frequency_hz(8.0)
    assert taken_s == pytest.approx(trims["highs"].effect_per_turn, rel=1e-9)

    rail = with_trims(truth, rail=start["rail"] + 1.0)
    assert rail.rail_v() / truth.rail_v() - 1.0 == pytest.approx(trims["rail"].effect_per_turn, rel=2e-3)
    # in a sweep the switch stands at its lowest position and the knob at its low stop: no share of the rail
    assert rail.frequency_hz(4.0) == truth.frequency_hz(4.0)
    assert rail.frequency_hz(4.0, octave="4") != truth.frequency_hz(4.0, octave="4")

    centre = with_trims(truth, centre=start["centre"] + 1.0)
    for knob, moves in (("low", False), ("high", False), ("middle", True)):
        assert (centre.frequency_hz(1.0, knob=knob) != truth.frequency_hz(1.0, knob=knob)) is moves


# The CV on its way to the core


@pytest.mark.parametrize(("source_tau_s", "input_tau_s"), [(0.004, 0.003), (0.004, 0.004), (0.001, 0.05)])
def test_two_time_constants_in_a_row_are_what_a_general_solver_makes_of_them(source_tau_s, input_tau_s):
    # against scipy.integrate.solve_ivp
    step = Step(0.0, 8.0, 1.0, 0.5, 0.99, source_tau_s, input_tau_s)

    def rates(_time_s: float, state: np.ndarray) -> list[float]:
        source_v, core_v = state
        return [(8.0 - source_v) / source_tau_s, (0.99 * source_v - core_v) / input_tau_s]

    times_s = np.linspace(0.0, 0.1, 21)
    solved = solve_ivp(rates, (0.0, 0.1), [1.0, 0.5], t_eval=times_s, rtol=1e-10, atol=1e-12, method="LSODA")
    assert [step.source_at(each) for each in times_s] == pytest.approx(solved.y[0].tolist(), abs=1e-7)
    assert [step.core_at(each) for each in times_s] == pytest.approx(
        solved.y[1].tolist(), abs=1e-3 if source_tau_s == input_tau_s else 1e-7
    )
    assert step.core_at(step.settled_at_s()) == pytest.approx(0.99 * 8.0, abs=1e-8)
