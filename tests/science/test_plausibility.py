"""What no oscillator gives, whatever is wrong with it, and what one may give."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from rig.science.plausibility import Doubt, hum_hz, oddness, rail_share_of_steps, strays, unsaid_unit, whole_ratio
from rig.science.tracking import predict

X = np.linspace(0.0, 8.0, 17)
REVISITED = np.concatenate([X, [0.0, 8.0, 0.0, 8.0]])
UNITS = st.tuples(
    st.floats(4.9, 5.2), st.floats(0.93, 1.07), st.floats(-0.5, 2.0), st.floats(-2e-6, 2e-5)
)  # core pitch at 0 V, slope, leakage in Hz, dead time in s: far outside what a product allows


def pitches(unit, x=REVISITED):
    return np.asarray(predict(np.array(unit), x))


@settings(deadline=None, max_examples=25)
@given(UNITS)
def test_a_bad_oscillator_is_still_one(unit):
    assert oddness(REVISITED, pitches(unit)).doubt is Doubt.NONE


@settings(deadline=None, max_examples=25)
@given(UNITS, st.integers(0, 20), st.sampled_from([2.0, 3.0, 0.5]))
def test_a_counter_on_a_multiple_at_one_point_is_seen(unit, place, ratio):
    read = pitches(unit)
    read[place] += np.log2(ratio)
    assert oddness(REVISITED, read).doubt is not Doubt.NONE


@settings(deadline=None, max_examples=25)
@given(UNITS, st.integers(3, 14), st.sampled_from([2.0, 3.0, 0.5]))
def test_a_counter_on_a_multiple_over_a_part_of_the_range_is_told_by_its_ratio(unit, place, ratio):
    # a sound slope: with a bad one the two groups of points are not close together, and it is called torn
    sound = (unit[0], 1.0, 0.0, min(unit[3], 5e-6))
    read = pitches(sound, X)
    read[place:] += np.log2(ratio)
    found = oddness(X, read)
    # which of both parts is the wrong one cannot be seen
    assert found.doubt is Doubt.RATIO
    assert found.ratio == pytest.approx(max(ratio, 1.0 / ratio))


@settings(deadline=None, max_examples=25)
@given(UNITS, st.integers(2, 16))
def test_a_source_that_stays_where_it_was_gives_the_same_pitch_twice(unit, place):
    read = pitches(unit, X)
    read[place] = read[place - 2]
    found = oddness(X, read)
    assert (found.doubt, found.index) == (Doubt.FLAT, place)


def test_hum_is_a_multiple_of_the_mains_at_every_voltage():
    # common practice: 50 and 60 Hz, and twice that from a full-wave rectifier
    assert hum_hz([50.1, 49.9, 50.0]) == 50.0
    assert hum_hz([120.3, 119.8]) == 120.0
    assert hum_hz([50.0, 100.0]) is None
    assert hum_hz([55.0, 55.0]) is None
    assert hum_hz([50.0]) is None


def test_a_ratio_is_whole_within_what_is_allowed():
    assert whole_ratio(1.0, 1.0) == 2.0
    assert whole_ratio(1.5849625, 1.0) == pytest.approx(3.0)
    assert whole_ratio(-1.05, 100.0) == 0.5
    assert whole_ratio(0.5, 150.0) is None


def test_one_resistor_of_a_divider_does_not_mislead_about_the_rail():
    assert rail_share_of_steps([1.0, 2.0, 3.12, 4.0], [1.0, 2.0, 3.0, 4.0]) == pytest.approx(1.0)
    assert rail_share_of_steps([0.01, 0.02, 0.03, 0.04], [1.0, 2.0, 3.0, 4.0]) == pytest.approx(0.01)


def test_strays_are_told_from_a_scatter_among_three_or_more():
    assert strays([1.0, 1.1, 0.9, 7.0], 0.5) == (3,)
    assert strays([1.0, 7.0], 0.5) == ()


def test_a_thousand_times_is_another_unit_and_no_count_of_edges():
    assert unsaid_unit(-9.966, 10.0) == "kilohertz"
    assert unsaid_unit(9.9, 240.0) == "millihertz"
    assert unsaid_unit(-1.0, 240.0) == ""
