"""Budgets against the guides' worked examples and two independent calculators."""

import math
from itertools import combinations

import GTC
import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from uncertainties import correlated_values_norm, ufloat, umath

from rig.science.budget import (
    Budget,
    Correlation,
    Distribution,
    Input,
    from_half_width,
)

NORMAL, RECTANGULAR = Distribution.NORMAL, Distribution.RECTANGULAR
TRIANGULAR, U_SHAPED, STUDENT = Distribution.TRIANGULAR, Distribution.U_SHAPED, Distribution.STUDENT
EVER = math.inf


def budget_of(*rows, correlations=()):
    """Budget of rows (distribution, standard uncertainty, sensitivity, degrees of freedom), named a, b, c ..."""
    inputs = tuple(Input(chr(ord("a") + place), *row) for place, row in enumerate(rows))
    return Budget("result", 0.0, "unit", inputs, correlations)


# JCGM 100:2008, table H.1: end gauge of 50 mm, lengths in nm
END_GAUGE = (
    Input("standard", NORMAL, 25.0, 1.0, 18.0),
    Input("repeated observations", NORMAL, 5.8, 1.0, 24.0),
    Input("random effects of the comparator", NORMAL, 3.9, 1.0, 5.0),
    Input("systematic effects of the comparator", NORMAL, 6.7, 1.0, 8.0),
    Input("expansion of the standard", RECTANGULAR, 1.2e-6, 0.0),
    Input("mean temperature", NORMAL, 0.2, 0.0),
    Input("cyclic variation of temperature", U_SHAPED, 0.35, 0.0),
    Input("difference of expansion", RECTANGULAR, 0.58e-6, -50.000623e6 * -0.1, 50.0),
    Input("difference of temperature", RECTANGULAR, 0.029, -50.000623e6 * 11.5e-6, 2.0),
)


def test_the_end_gauge_of_the_gum_comes_to_what_the_gum_says():
    # JCGM 100:2008, H.1.4 and H.1.6 (looked up in the GUM Tree Calculator's documentation, which prints the budget):
    # 32 nm, 16 effective degrees of freedom, 99 % at 93 nm
    budget = Budget("length", 50.000838e6, "nm", END_GAUGE)
    combined = budget.combine(0.99)
    assert combined.standard_uncertainty == pytest.approx(32.0, abs=0.5)
    assert int(combined.effective_degrees_of_freedom) == 16
    assert combined.coverage_factor == pytest.approx(2.92, abs=0.03)
    assert combined.expanded_uncertainty == pytest.approx(93.0, abs=1.0)
    printed = {"difference of temperature": 16.599, "difference of expansion": 2.88679}
    for each in budget.inputs:
        if each.name in printed:
            assert abs(each.contribution) == pytest.approx(printed[each.name], rel=0.01)


def test_the_gum_tree_calculator_gives_the_end_gauge_the_same_degrees_of_freedom():
    # GTC 1.5, the GUM Tree Calculator, as an independent calculator: the whole measurement equation
    standard = GTC.ureal(5.0000623e7, 25.0, 18.0)
    comparator = GTC.ureal(215.0, 5.8, 24.0) + GTC.ureal(0.0, 3.9, 5.0) + GTC.ureal(0.0, 6.7, 8.0)
    expansion = GTC.ureal(0.0, 0.58e-6, 50.0) * (GTC.ureal(-0.1, 0.2) + GTC.ureal(0.0, 0.35))
    temperature = GTC.ureal(11.5e-6, 1.2e-6) * GTC.ureal(0.0, 0.029, 2.0)
    length = standard + comparator - standard * (expansion + temperature)
    combined = Budget("length", length.x, "nm", END_GAUGE).combine()
    assert combined.standard_uncertainty == pytest.approx(length.u, rel=1e-6)
    assert combined.effective_degrees_of_freedom == pytest.approx(length.df, rel=1e-6)
    assert combined.students_factor == pytest.approx(GTC.reporting.k_factor(length.df), rel=1e-4)


def test_ten_resistors_calibrated_with_one_standard_are_as_uncertain_as_it_is_ten_times_over():
    # JCGM 100:2008, 5.2.2, example: ten of 1000 ohms, each 0.1 ohm from the same standard, in series: 1 ohm, not 0.32
    rows = [(NORMAL, 0.1, 1.0, EVER)] * 10
    together = budget_of(*rows, correlations=(Correlation(tuple("abcdefghij"), 1.0),))
    assert together.combine().standard_uncertainty == pytest.approx(1.0)
    assert budget_of(*rows).combine().standard_uncertainty == pytest.approx(0.32, abs=0.005)


@pytest.mark.parametrize(
    ("value", "uncertainty", "low", "high", "published"),
    [
        # JCGM 106:2012, 7.4: interval 12.5 to 16.3, estimate 13.6, standard uncertainty 1.8
        (13.6, 1.8, 12.5, 16.3, 0.66),
        # JCGM 106:2012, 7.3 (from memory): burst pressure at least 490 kPa, 509.7 kPa measured with 8.6 kPa
        (509.7, 8.6, 490.0, math.inf, 0.99),
        # JCGM 106:2012, 7.3 (from memory): breakdown voltage of at most -5.40 V, -5.47 V measured with 0.05 V
        (-5.47, 0.05, -math.inf, -5.40, 0.92),
    ],
)
def test_the_probability_of_conformity_is_that_of_the_published_examples(value, uncertainty, low, high, published):
    budget = Budget("result", value, "unit", (Input("a", NORMAL, uncertainty),))
    assert 1.0 - budget.outside(low, high) == pytest.approx(published, abs=0.005)


def test_the_risk_at_the_edge_of_simple_acceptance_is_a_half_and_at_the_guard_band_a_fortieth():
    # ILAC-G8:09/2019, 5.2 (from memory): up to 50 % at the limit, below 2.5 % with w = U at 95 %
    at_limit, at_guard_band = (Budget("a", each, "unit", (Input("a", NORMAL, 1.0),)) for each in (10.0, 10.0 - 1.96))
    assert at_limit.outside(-math.inf, 10.0) == pytest.approx(0.5)
    assert at_guard_band.outside(-math.inf, 10.0) == pytest.approx(0.025, abs=1e-4)


def test_a_value_known_exactly_conforms_or_does_not():
    exact = Budget("a", 10.0, "unit", (Input("a", NORMAL, 0.0),))
    assert (exact.outside(-math.inf, 10.0), exact.outside(-math.inf, 9.9)) == (0.0, 1.0)


# JCGM 100:2008, table H.2: voltage, current and phase, five times each, taken together
VOLTAGE, CURRENT, PHASE = (4.9990, 0.0032), (19.6610e-3, 0.0095e-3), (1.04446, 0.00075)
TOGETHER = [[1.0, -0.36, 0.86], [-0.36, 1.0, -0.65], [0.86, -0.65, 1.0]]


def correlations_of(names, matrix):
    pairs = combinations(range(len(names)), 2)
    return tuple(Correlation((names[row], names[column]), matrix[row][column]) for row, column in pairs)


def impedance_budget(sensitivities, value):
    names = ("voltage", "current", "phase")
    inputs = tuple(
        Input(name, NORMAL, each[1], sensitivity, 4.0, evaluation="five sets")
        for name, each, sensitivity in zip(names, (VOLTAGE, CURRENT, PHASE), sensitivities, strict=True)
    )
    return Budget("part of the impedance", value, "ohm", inputs, correlations_of(names, TOGETHER))


def parts_of_the_impedance():
    volts, amperes, angle = VOLTAGE[0], CURRENT[0], PHASE[0]
    size = volts / amperes
    return {
        "resistance": (np.cos(angle) / amperes, -size * np.cos(angle) / amperes, -size * np.sin(angle)),
        "reactance": (np.sin(angle) / amperes, -size * np.sin(angle) / amperes, size * np.cos(angle)),
        "impedance": (1.0 / amperes, -size / amperes, 0.0),
    }


@pytest.mark.parametrize(("part", "published"), [("resistance", 0.071), ("reactance", 0.295), ("impedance", 0.236)])
def test_correlated_inputs_give_the_impedance_the_uncertainty_that_the_gum_gives_it(part, published):
    # JCGM 100:2008, table H.3 (from memory); GTC's documentation prints 0.070, 0.30 and 0.24 from the rounded table
    combined = impedance_budget(parts_of_the_impedance()[part], 0.0).combine()
    assert combined.standard_uncertainty == pytest.approx(published, rel=0.02)


@pytest.mark.parametrize("part", ["resistance", "reactance", "impedance"])
def test_two_calculators_agree_on_correlated_inputs_and_one_on_their_degrees_of_freedom(part):
    # uncertainties 3.2 (derivatives of its own) and GTC 1.5 (R. Willink, 2007: one evaluation keeps its freedom)
    combined = impedance_budget(parts_of_the_impedance()[part], 0.0).combine()

    def of(volts, amperes, angle, cosine, sine):
        turned = {"resistance": cosine(angle), "reactance": sine(angle), "impedance": 1.0}[part]
        return volts / amperes * turned

    values = correlated_values_norm([VOLTAGE, CURRENT, PHASE], np.array(TOGETHER))
    outside = of(*values, umath.cos, umath.sin)
    assert combined.standard_uncertainty == pytest.approx(outside.std_dev, rel=1e-4)
    volts, amperes, angle = GTC.multiple_ureal(*zip(VOLTAGE, CURRENT, PHASE, strict=True), 4)
    GTC.set_correlation(TOGETHER[0][1], volts, amperes)
    GTC.set_correlation(TOGETHER[0][2], volts, angle)
    GTC.set_correlation(TOGETHER[1][2], amperes, angle)
    tree = of(volts, amperes, angle, GTC.cos, GTC.sin)
    assert combined.standard_uncertainty == pytest.approx(tree.u, rel=1e-6)
    assert combined.effective_degrees_of_freedom == pytest.approx(tree.df, rel=1e-6)


R, N, T, U = RECTANGULAR, NORMAL, TRIANGULAR, U_SHAPED
# EA-4/02, supplements 1 and 2 (budgets looked up in a public repository's tests of them): rows of distribution,
# standard uncertainty, sensitivity, degrees of freedom; then combined, coverage factor, expanded
EA_4_02 = {
    "S3, resistor of 10 kilohms": (
        ((N, 2.5e-3), (R, 5.8e-3), (R, 1.6e-3), (R, 3.2e-3), (T, 4.1e-7, 1e4), (N, 7e-8, 1e4, 4.0)),
        8.33e-3,
        2.00,
        1.7e-2,
    ),
    "S9, hand-held multimeter at 100 V DC": (((N, 1e-3, -1.0), (R, 2.9e-2), (R, 6.4e-3, -1.0)), 3.0e-2, 1.65, 5.0e-2),
    "S10, vernier caliper": (((R, 0.46, -1.0), (R, 1.15, 1.7), (R, 15.0), (R, 29.0)), 33.0, 1.83, 60.0),
    "S11, temperature block at 180 degrees": (
        ((N, 15.0), (N, 10.0), (R, 23.0), (R, 29.0, -1.0), (R, 58.0), (R, 144.0), (R, 29.0), (R, 17.0)),
        164.0,
        1.81,
        300.0,
    ),
    "S12, household water meter": (((N, 6.0e-4, 1.0, 2.0), (N, 6.8e-4)), 9.1e-4, 2.28, 2.0e-3),
}


@pytest.mark.parametrize("example", EA_4_02)
def test_examples_of_the_european_guide_keep_their_coverage_factors(example):
    rows, standard, factor, expanded = EA_4_02[example]
    combined = budget_of(*rows).combine()
    assert combined.standard_uncertainty == pytest.approx(standard, rel=0.015)
    # the guide rounds the shape to a rectangle (1.65), a trapezium (1.81, 1.83) or a normal curve (2.00, for 95.45 %)
    assert combined.coverage_factor == pytest.approx(factor, rel=0.04)
    assert combined.expanded_uncertainty == pytest.approx(expanded, rel=0.06)


def test_the_multimeters_dominant_rectangle_is_named_and_two_would_cover_too_much():
    # EA-4/02 S9.14: the resolution of 0.05 V outweighs the rest, which is no more than 0.3 of it
    combined = budget_of(*EA_4_02["S9, hand-held multimeter at 100 V DC"][0]).combine()
    assert combined.dominant == "b"
    assert combined.covered_by_two > 0.99
    assert "b dominates" in combined.remark


@pytest.mark.parametrize(
    ("rows", "factor"),
    [
        (((RECTANGULAR, 1.0),), 0.95 * math.sqrt(3.0)),
        (((TRIANGULAR, 2.0),), math.sqrt(6.0) * (1.0 - math.sqrt(0.05))),
        (((U_SHAPED, 1.0),), math.sqrt(2.0) * math.sin(0.95 * math.pi / 2.0)),
        (((RECTANGULAR, 1.0), (RECTANGULAR, 1.0)), math.sqrt(6.0) * (1.0 - math.sqrt(0.05))),
        (((NORMAL, 3.0),), 1.95996),
        (((STUDENT, 1.0, 1.0, 4.0),), 2.77645),
    ],
)
def test_simple_shapes_have_the_coverage_factors_of_their_closed_forms(rows, factor):
    # JCGM 101:2008, 6.4.2 to 6.4.9; two rectangles of one width make a triangle
    assert budget_of(*rows).combine().coverage_factor == pytest.approx(factor, abs=2e-4)


DRAWN = {
    RECTANGULAR: lambda generator, size: math.sqrt(3.0) * generator.uniform(-1.0, 1.0, size),
    TRIANGULAR: lambda generator, size: math.sqrt(6.0) * generator.triangular(-1.0, 0.0, 1.0, size),
    U_SHAPED: lambda generator, size: math.sqrt(2.0) * np.sin(generator.uniform(0.0, 2.0 * math.pi, size)),
    NORMAL: lambda generator, size: generator.standard_normal(size),
}


@pytest.mark.parametrize(
    "rows",
    [
        ((RECTANGULAR, 1.0, 1.0, EVER), (NORMAL, 0.5, 1.0, EVER)),
        ((RECTANGULAR, 1.0, 1.0, EVER), (STUDENT, 1.0, 1.0, 4.0)),
        ((RECTANGULAR, 1.0, 1.0, EVER), (STUDENT, 0.3, 1.0, 150.0)),
        ((U_SHAPED, 1.0, 1.0, EVER), (STUDENT, 2.0, 1.0, 6.0), (TRIANGULAR, 1.5, 1.0, EVER)),
        ((RECTANGULAR, 0.4, -3.0, EVER), (RECTANGULAR, 1.0, 1.0, EVER), (U_SHAPED, 0.7, 1.0, EVER)),
    ],
)
def test_mixtures_of_shapes_have_the_coverage_factors_that_draws_show(rows):
    # JCGM 101:2008, 7.7: the shortest interval of a symmetric result is the symmetric one
    generator = np.random.default_rng(101)
    combined = budget_of(*rows).combine()
    total = np.zeros(400_000)
    for distribution, standard, sensitivity, freedom in rows:
        if distribution is STUDENT:
            total += sensitivity * standard * generator.standard_t(freedom, total.size)
        else:
            total += sensitivity * standard * DRAWN[distribution](generator, total.size)
    within = np.quantile(np.abs(total), 0.95) / combined.standard_uncertainty
    assert combined.coverage_factor == pytest.approx(within, rel=0.006)
    under_two = np.mean(np.abs(total) < 2.0 * combined.standard_uncertainty)
    assert combined.covered_by_two == pytest.approx(under_two, abs=0.002)


def test_three_readings_widen_the_interval_and_the_remark_says_so():
    combined = budget_of((STUDENT, 1.0, 1.0, 2.0), (NORMAL, 0.2)).combine()
    assert combined.coverage_factor > 4.0
    assert "few degrees of freedom" in combined.remark
    assert combined.covered_by_two < 0.85


def test_nothing_is_remarked_where_two_is_as_good_as_always():
    assert budget_of(*[(NORMAL, 1.0)] * 3).combine().remark == ""


def test_inputs_with_one_cause_add_up_and_opposed_ones_cancel():
    # JCGM 100:2008, 5.2.2: fully correlated contributions add, with their signs
    rows = ((RECTANGULAR, 1.0, 2.0), (RECTANGULAR, 1.0, 1.0))
    one_cause = (Correlation(("a", "b"), 1.0),)
    assert budget_of(*rows, correlations=one_cause).combine().standard_uncertainty == pytest.approx(3.0)
    opposed = budget_of((NORMAL, 1.0, 2.0), (NORMAL, 1.0, -2.0), correlations=one_cause).combine()
    assert opposed.standard_uncertainty == 0.0
    # one rectangle twice is still a rectangle
    assert budget_of(*rows, correlations=one_cause).combine().coverage_factor == pytest.approx(1.645, abs=1e-3)


def test_shares_add_up_to_the_whole_with_correlations_too():
    budget = budget_of((NORMAL, 1.0), (NORMAL, 2.0), (NORMAL, 0.5), correlations=(Correlation(("a", "b"), -0.7),))
    assert budget.shares().sum() == pytest.approx(1.0)
    assert budget.shares()[0] < 0.0


@given(
    sizes=st.lists(st.floats(1e-6, 1e3), min_size=1, max_size=6),
    sensitivities=st.lists(st.floats(-10.0, 10.0), min_size=6, max_size=6),
)
def test_independent_inputs_add_in_squares_whatever_their_shape(sizes, sensitivities):
    # uncertainties 3.2, linear propagation
    shapes = list(Distribution)
    rows = [
        (shapes[place % 5], size, sensitivity)
        for place, (size, sensitivity) in enumerate(zip(sizes, sensitivities, strict=False))
    ]
    outside = sum(c * ufloat(0.0, u) for _, u, c in rows)
    combined = budget_of(*rows).combine()
    assert combined.standard_uncertainty == pytest.approx(outside.std_dev, rel=1e-9, abs=1e-12)
    assert combined.standard_uncertainty == 0.0 or 1.3 < combined.coverage_factor < 2.0


@given(st.lists(st.tuples(st.floats(0.1, 10.0), st.floats(1.0, 60.0)), min_size=2, max_size=5))
def test_degrees_of_freedom_of_independent_inputs_are_those_of_the_gum_tree_calculator(rows):
    # GTC 1.5
    combined = budget_of(*[(NORMAL, size, 1.0, freedom) for size, freedom in rows]).combine()
    total = sum((GTC.ureal(0.0, size, freedom) for size, freedom in rows), start=GTC.ureal(0.0, 0.0))
    assert combined.effective_degrees_of_freedom == pytest.approx(total.df, rel=1e-6)


def test_bounds_become_standard_uncertainties_by_their_shape():
    # JCGM 100:2008, 4.3.7, 4.3.9 and H.1.3.4
    assert from_half_width("x", 3.0).standard_uncertainty == pytest.approx(3.0 / math.sqrt(3.0))
    assert from_half_width("x", 3.0, distribution=TRIANGULAR).standard_uncertainty == pytest.approx(
        3.0 / math.sqrt(6.0)
    )
    assert from_half_width("x", 0.5, distribution=U_SHAPED).standard_uncertainty == pytest.approx(0.35, abs=0.005)
    with pytest.raises(ValueError, match="has no bounds"):
        from_half_width("x", 3.0, distribution=NORMAL)


def test_what_cannot_be_a_budget_is_refused_with_a_sentence():
    with pytest.raises(ValueError, match="not negative"):
        Input("x", NORMAL, -1.0)
    with pytest.raises(ValueError, match="degrees of freedom"):
        Input("x", NORMAL, 1.0, 1.0, 0.0)
    with pytest.raises(ValueError, match="sensitivity"):
        Input("x", NORMAL, 1.0, math.nan)
    with pytest.raises(ValueError, match="name of its own"):
        Budget("q", 0.0, "V", (Input("x", NORMAL, 1.0), Input("x", NORMAL, 1.0)))
    with pytest.raises(ValueError, match="name of its own"):
        Budget("q", 0.0, "V", ())
    with pytest.raises(ValueError, match="wrong correlation"):
        budget_of((NORMAL, 1.0), (NORMAL, 1.0), correlations=(Correlation(("a", "z"), 0.5),))
    with pytest.raises(ValueError, match="wrong correlation"):
        budget_of((NORMAL, 1.0), (NORMAL, 1.0), correlations=(Correlation(("a", "b"), 1.5),))
    contradiction = (Correlation(("a", "b"), 0.9), Correlation(("b", "c"), 0.9), Correlation(("a", "c"), -0.9))
    with pytest.raises(ValueError, match="contradict each other"):
        budget_of((NORMAL, 1.0), (NORMAL, 1.0), (NORMAL, 1.0), correlations=contradiction)


def test_what_is_known_exactly_has_no_interval():
    combined = budget_of((NORMAL, 0.0), (RECTANGULAR, 1.0, 0.0)).combine()
    assert combined.standard_uncertainty == combined.expanded_uncertainty == 0.0
    assert combined.remark == ""
