"""A source's curve: its order, its covariance, its inverse, and readings that are none of a source."""

from dataclasses import replace
from functools import cache

import numpy as np
import pytest
from scipy.optimize import brentq
from statsmodels.regression.linear_model import OLS

from rig.science.characterisation import (
    CommonErrors,
    CvCorrection,
    NotTheSource,
    Plausible,
    SourceCurve,
    characterise,
    covariance_of_readings,
)
from tests.straight import straight_curve

SPAN_V = np.linspace(0.0, 8.0, 21)
NOISE_V = 1e-5
EXACT = CommonErrors(0.0, 0.0)


def straight(programmed_v):
    """0.05 % and 5 mV off."""
    return 0.005 + 1.0005 * programmed_v


def bowed(bow_v):
    return lambda programmed_v: straight(programmed_v) + bow_v * 4 * (programmed_v / 8) * (1 - programmed_v / 8)


def read(true, generator, noise_v=NOISE_V):
    return true(SPAN_V) + generator.normal(0.0, noise_v, SPAN_V.size)


@cache
def characterised(true=straight, seed=1, noise_v=NOISE_V, common=EXACT):
    generator = np.random.default_rng(seed)
    up_v, down_v = read(true, generator, noise_v), read(true, generator, noise_v)
    return characterise(SPAN_V, up_v, down_v, reading_u_v=noise_v, common=common)


def test_a_straight_source_is_known_by_a_straight_line():
    # 1 % of straight sources may be taken for curved: of 300, 3 are expected
    orders = [characterised(straight, seed).curve.order for seed in range(300)]
    assert np.count_nonzero(np.array(orders) != 1) <= 9


@pytest.mark.parametrize(("true", "order"), [(bowed(2e-4), 2), (lambda p: straight(p) + 2e-6 * (p - 4) ** 3, 3)])
def test_a_bow_that_can_be_seen_earns_its_order(true, order):
    found = characterised(true)
    assert found.curve.order == order
    true_v, uncertainty_v = found.curve.evaluate(SPAN_V)
    assert np.all(np.abs(true_v - true(SPAN_V)) < 3 * uncertainty_v)


def test_the_curve_and_its_covariance_are_those_of_least_squares():
    # statsmodels OLS on the same polynomials
    found = characterised(bowed(1e-3), noise_v=1e-4)
    place = np.tile(SPAN_V / 4.0 - 1.0, 2)
    rows = np.polynomial.legendre.legvander(place, 4)
    values = np.concatenate([found.up_v, found.down_v])
    taken = OLS(values, rows[:, :3]).fit()
    np.testing.assert_allclose(found.curve.coefficients[:3], taken.params, rtol=1e-10)
    assert found.scatter_v == pytest.approx(np.sqrt(taken.scale))
    whole = OLS(values, rows).fit()
    claimed = max(taken.scale, 1e-4**2) * whole.normalized_cov_params
    np.testing.assert_allclose(found.curve.covariance[:3, :3], claimed[:3, :3], atol=1e-14)
    left_out = claimed[3:, 3:] + np.diag(whole.params[3:] ** 2)
    np.testing.assert_allclose(found.curve.covariance[3:, 3:], left_out, atol=1e-14)


@pytest.mark.parametrize("bow_v", [0.0, 8e-6, 1.6e-5, 1e-3])
def test_intervals_hold_whether_or_not_a_bow_was_seen(bow_v):
    # at 16 microvolts a bow is taken for straight every other time: the interval must not depend on that luck
    inside, programmed_v = [], np.linspace(0.0, 8.0, 17)
    true = bowed(bow_v) if bow_v else straight
    for seed in range(200):
        curve = replace(characterised(true, seed).curve, own_standard_uncertainty_v=0.0)
        true_v, uncertainty_v = curve.evaluate(programmed_v)
        inside.append(np.abs(true_v - true(programmed_v)) < 1.96 * uncertainty_v)
    assert np.mean(inside) > 0.95
    assert np.min(np.mean(inside, axis=0)) > 0.93


def test_a_meters_gain_and_offset_are_common_to_all_points():
    # JCGM 100, F.1.2.3: the covariance of what one standard calibrates; here u_g^2 v_i v_j + u_o^2
    common = CommonErrors(gain=2e-5, offset_v=3e-5)
    sure = characterised()
    unsure = sure.curve.with_common(common)
    added = unsure.covariance_at(SPAN_V) - sure.curve.covariance_at(SPAN_V)
    true_v = sure.curve.evaluate(SPAN_V)[0]
    np.testing.assert_allclose(added, (2e-5) ** 2 * np.outer(true_v, true_v) + (3e-5) ** 2, rtol=1e-9)
    # an offset that nobody knows moves no interval between two voltages
    interval = np.zeros(SPAN_V.size)
    interval[[0, -1]] = -1.0, 1.0
    assert interval @ added @ interval == pytest.approx((2e-5 * (true_v[-1] - true_v[0])) ** 2)


def test_a_meter_that_is_wrong_within_its_limits_is_covered():
    # the meter's errors drawn anew from the rectangles that its specification states
    generator, inside = np.random.default_rng(7), []
    gain_limit, offset_limit = 35e-6, 50e-6
    common = CommonErrors(gain_limit / np.sqrt(3), offset_limit / np.sqrt(3))
    for _ in range(300):
        gain, offset = generator.uniform(-gain_limit, gain_limit), generator.uniform(-offset_limit, offset_limit)
        up_v, down_v = ((1 + gain) * read(straight, generator) + offset for _ in range(2))
        curve = characterise(SPAN_V, up_v, down_v, reading_u_v=NOISE_V, common=common).curve
        true_v, uncertainty_v = curve.evaluate([0.0, 2.0, 5.0, 8.0])
        inside.append(np.abs(true_v - straight(np.array([0.0, 2.0, 5.0, 8.0]))) < 1.96 * uncertainty_v)
    # where one rectangle dominates, 1.96 standard uncertainties reach past its ends: more than 95 % are covered
    assert np.all(np.mean(inside, axis=0) > 0.94)


def test_hysteresis_counts_as_the_gum_says():
    # JCGM 100:2008, F.2.2.2: indications that differ by dx according to direction have a variance of dx^2 / 12
    lag_v = 3e-4
    found = characterise(
        SPAN_V, straight(SPAN_V) - lag_v / 2, straight(SPAN_V) + lag_v / 2, reading_u_v=1e-7, common=EXACT
    )
    assert found.hysteresis_v == pytest.approx(lag_v)
    assert found.curve.own_standard_uncertainty_v == pytest.approx(0.29 * lag_v, rel=0.01)
    # each setting has its own: it does not cancel between two
    apart = np.diag([1.0, 1.0])
    own = found.curve.covariance_at([2.0, 2.0]) - replace(found.curve, own_standard_uncertainty_v=0.0).covariance_at(
        [2.0, 2.0]
    )
    np.testing.assert_allclose(own, lag_v**2 / 12 * apart, atol=1e-15)


def test_steps_of_the_source_that_no_smooth_curve_follows_are_each_settings_own():
    steps_v = np.random.default_rng(3).normal(0.0, 1e-4, SPAN_V.size)
    generator = np.random.default_rng(4)
    up_v, down_v = (straight(SPAN_V) + steps_v + generator.normal(0, NOISE_V, SPAN_V.size) for _ in range(2))
    found = characterise(SPAN_V, up_v, down_v, reading_u_v=NOISE_V, common=EXACT)
    assert found.roughness_v == pytest.approx(np.std(steps_v), rel=0.15)
    assert found.curve.own_standard_uncertainty_v > found.roughness_v


@pytest.mark.parametrize("true", [straight, bowed(5e-3)])
def test_what_is_programmed_for_a_voltage_gives_it(true):
    # scipy's root finder as the outside
    curve = characterised(true).curve
    for wanted_v in (0.006, 0.5, 3.3, 8.0):
        outside = brentq(lambda p, wanted_v=wanted_v: curve.true_v(p) - wanted_v, -0.1, 8.1, xtol=1e-13)
        assert curve.programmed_for(wanted_v) == pytest.approx(outside, abs=1e-11)
        assert curve.programmed_v(wanted_v, 1e-4) == round(outside, 4)


@pytest.mark.parametrize("outside_v", [-0.5, 8.5, 1000.0, float("nan")])
def test_nothing_is_said_outside_the_measured_span(outside_v):
    curve = characterised().curve
    with pytest.raises(ValueError, match="outside what the source was characterised for"):
        curve.true_v(outside_v)
    with pytest.raises(ValueError, match="outside what the source was characterised for"):
        curve.programmed_for(outside_v)


def test_a_straight_line_with_its_covariance_is_a_curve_too():
    covariance = np.array([[4e-10, -3e-11], [-3e-11, 1e-11]])
    curve: CvCorrection = straight_curve(0.005, 1.0005, covariance)
    assert curve.true_v(3.0) == pytest.approx(0.005 + 1.0005 * 3.0)
    assert curve.programmed_v(3.0, 1e-4) == round((3.0 - 0.005) / 1.0005, 4)
    rows = np.stack([np.ones(3), [0.0, 3.0, 8.0]], axis=1)
    np.testing.assert_allclose(curve.covariance_at([0.0, 3.0, 8.0]), rows @ covariance @ rows.T, rtol=1e-9)


def test_a_second_meter_ties_its_readings_together_as_well():
    covariance = covariance_of_readings([1.0, 4.0], 1e-5, CommonErrors(2e-5, 3e-5))
    np.testing.assert_allclose(covariance, [[1.4e-9, 2.5e-9], [2.5e-9, 7.4e-9]])


def test_independent_common_errors_add_in_squares():
    both = CommonErrors(3e-5, 4e-5).and_also(CommonErrors(4e-5, 3e-5))
    assert (both.gain, both.offset_v) == (pytest.approx(5e-5), pytest.approx(5e-5))


WRONG_WIRING = {
    "lead on the rail": (np.full(21, 10.002), "does not follow the source"),
    "lead in the air": (np.full(21, 1e-4), "output is on"),
    "leads swapped": (-straight(SPAN_V), "the wrong way round"),
    "through a divider": (0.5 * straight(SPAN_V), "cannot be the source alone"),
    "another ground": (straight(SPAN_V) + 0.3, "cannot be the source alone"),
    "clamped at the top": (np.minimum(straight(SPAN_V), 7.7), "off a smooth curve"),
    "a loose lead": (straight(SPAN_V) + np.where(np.arange(21) == 7, 0.05, 0.0), "off a smooth curve"),
}


@pytest.mark.parametrize(("reading_v", "sentence"), WRONG_WIRING.values(), ids=WRONG_WIRING.keys())
def test_wrong_wiring_is_refused_in_one_sentence(reading_v, sentence):
    with pytest.raises(NotTheSource, match=sentence) as refused:
        characterise(SPAN_V, reading_v, reading_v, reading_u_v=NOISE_V, common=EXACT)
    assert "\n" not in str(refused.value)


def test_up_and_down_that_disagree_are_refused():
    with pytest.raises(NotTheSource, match=r"Up and down differ by 8\.0 mV"):
        characterise(SPAN_V, straight(SPAN_V) - 4e-3, straight(SPAN_V) + 4e-3, reading_u_v=NOISE_V, common=EXACT)


def test_a_hole_in_the_data_is_refused_and_one_point_less_is_not():
    def without(*missing):
        kept = np.delete(SPAN_V, missing)
        return characterise(kept, straight(kept), straight(kept), reading_u_v=NOISE_V, common=EXACT)

    assert without(9).curve.order == without(9, 10).curve.order == 1
    with pytest.raises(NotTheSource, match=r"between 3\.200 V and 4\.800 V"):
        without(9, 10, 11)


@pytest.mark.parametrize(
    ("programmed_v", "up_v", "sentence"),
    [
        (SPAN_V, np.where(np.arange(21) == 4, np.nan, SPAN_V), r"reading at 1\.600 V is missing"),
        (SPAN_V[::-1], SPAN_V[::-1], "must rise"),
        (np.zeros(21), np.zeros(21), "must rise"),
        (SPAN_V, SPAN_V[:-1], "not read once up and once down"),
        (SPAN_V[:3], SPAN_V[:3], "too few"),
    ],
    ids=["missing", "falling", "all at one", "shorter", "too few"],
)
def test_data_that_are_not_whole_are_refused(programmed_v, up_v, sentence):
    down_v = up_v if up_v.size == programmed_v.size else programmed_v
    if up_v.size != programmed_v.size:
        down_v = up_v
    with pytest.raises(NotTheSource, match=sentence):
        characterise(programmed_v, up_v, down_v, reading_u_v=NOISE_V, common=EXACT)


def test_readings_without_any_noise_are_taken_at_what_is_claimed_for_them():
    found = characterise(SPAN_V, straight(SPAN_V), straight(SPAN_V), reading_u_v=NOISE_V, common=EXACT)
    assert found.curve.order == 1
    assert found.chi_squared == pytest.approx(0.0, abs=1e-12)
    uncertainty_v = found.curve.evaluate(SPAN_V)[1]
    assert np.all((uncertainty_v > NOISE_V / 10) & (uncertainty_v < NOISE_V))
    np.testing.assert_allclose(found.curve.evaluate(SPAN_V)[0], straight(SPAN_V), atol=1e-12)


def test_what_is_plausible_can_be_set():
    with pytest.raises(NotTheSource, match="cannot be the source alone"):
        characterise(
            SPAN_V,
            straight(SPAN_V),
            straight(SPAN_V),
            reading_u_v=1e-5,
            common=EXACT,
            plausible=Plausible(offset_v=1e-3),
        )


def test_a_curve_is_a_value():
    curve = SourceCurve(0.0, 8.0, np.array([4.0, 4.0]), np.zeros((2, 2)))
    assert (curve.true_v(0.0), curve.true_v(8.0), curve.standard_uncertainty_v(4.0)) == (0.0, 8.0, 0.0)
    np.testing.assert_allclose(curve.slope_at([0.0, 8.0]), 1.0)
