"""What part of the spread is the rig: published studies, other programs, exact intervals, coverage."""

import numpy as np
import pandas as pd
import pytest
from scipy.stats import chi2
from statsmodels.formula.api import ols
from statsmodels.stats.anova import anova_lm

from rig.science.repeatability import study, study_with_interaction, study_without_interaction

# K. Houf and D. B. Berman, "Statistical analysis of power module thermal test equipment performance", IEEE Trans.
# Components, Hybrids and Manufacturing Technology 11 (1988): thermal impedance, 10 parts x 3 operators x 3 tests; as
# reprinted by B. Vidakovic, Statistics for Bioengineering Sciences (2011), example 11.14
THERMAL = np.loadtxt(
    """
    37 38 37 41 41 40 41 42 41
    42 41 43 42 42 42 43 42 43
    30 31 31 31 31 31 29 30 28
    42 43 42 43 43 43 42 42 42
    28 30 29 29 30 29 31 29 29
    42 42 43 45 45 45 44 46 45
    25 26 27 28 28 30 29 27 27
    40 40 40 43 42 42 43 43 41
    25 25 25 27 29 28 26 26 26
    35 34 34 35 35 34 35 34 35
    """.strip().splitlines()
).reshape(10, 3, 3)

# D. C. Montgomery, Design and Analysis of Experiments, example 13.1 (from memory): 20 parts x 3 operators x 2
GAUGE = np.loadtxt(
    """
    21 20 20 20 19 21  24 23 24 24 23 24  20 21 19 21 20 22  27 27 28 26 27 28  19 18 19 18 18 21
    23 21 24 21 23 22  22 21 22 24 22 20  19 17 18 20 19 18  24 23 25 23 24 24  25 23 26 25 24 25
    21 20 20 20 21 20  18 19 17 19 18 19  23 25 25 25 25 25  24 24 23 25 24 25  29 30 30 28 31 30
    26 26 25 26 25 27  20 20 19 20 20 20  19 21 19 19 21 23  25 26 25 24 25 25  19 19 18 17 19 17
    """.strip().splitlines()
).reshape(20, 3, 2)


def mean_square(source):
    return source.sum_of_squares / source.degrees_of_freedom


def drawn(seed, units=8, operators=3, repeats=3, spread=(3.0, 1.0, 0.7, 1.0)):
    """Units, operators, interaction and repeatability with these standard deviations."""
    generator = np.random.default_rng(seed)
    return (
        generator.normal(0.0, spread[0], (units, 1, 1))
        + generator.normal(0.0, spread[1], (1, operators, 1))
        + generator.normal(0.0, spread[2], (units, operators, 1))
        + generator.normal(0.0, spread[3], (units, operators, repeats))
    )


def test_a_published_study_with_interaction_is_reproduced():
    # mean squares and components as published for it (from memory): 437.33, 19.63, 2.70, 0.51; 48.29, 0.56, 0.73, 0.51
    found = study(THERMAL)
    assert found.with_interaction
    mean_squares = [mean_square(each) for each in found.sources]
    np.testing.assert_allclose(mean_squares, [437.33, 19.63, 2.70, 0.51], atol=0.006)
    parts = found.components
    estimates = [each.value for each in (parts.units, parts.operators, parts.interaction, parts.repeatability)]
    np.testing.assert_allclose(estimates, [48.29, 0.56, 0.73, 0.51], atol=0.006)


def test_a_published_study_whose_interaction_is_chance_is_pooled():
    # as published (from memory): MS 62.39, 1.31, 0.71, 0.99; reduced model: sigma^2 0.88, operators 0.0106, parts 10.25
    full = study_with_interaction(GAUGE)
    np.testing.assert_allclose([mean_square(each) for each in full.sources], [62.391, 1.308, 0.712, 0.992], atol=6e-4)
    assert full.components.units.value == pytest.approx(10.280, abs=6e-4)
    assert full.components.interaction.value == 0.0
    reduced = study(GAUGE)
    assert not reduced.with_interaction
    assert reduced.sources[-1].degrees_of_freedom == 98
    assert reduced.components.repeatability.value == pytest.approx(0.8832, abs=6e-5)
    assert reduced.components.operators.value == pytest.approx(0.0106, abs=6e-5)
    assert reduced.components.units.value == pytest.approx(10.2513, abs=6e-5)
    assert reduced.share.value == pytest.approx(0.8938 / (0.8938 + 10.2513), abs=1e-4)


@pytest.mark.parametrize(
    ("analyse", "formula"),
    [
        (study_with_interaction, "y ~ C(unit) * C(operator)"),
        (study_without_interaction, "y ~ C(unit) + C(operator)"),
    ],
)
@pytest.mark.parametrize("values", [THERMAL, GAUGE, drawn(1)], ids=["thermal", "gauge", "drawn"])
def test_sums_of_squares_are_those_of_another_program(values, analyse, formula):
    unit, operator, _ = (each.ravel() for each in np.indices(values.shape))
    readings = pd.DataFrame({"y": values.ravel(), "unit": unit, "operator": operator})
    table = anova_lm(ols(formula, readings).fit())
    sources = analyse(values).sources
    np.testing.assert_allclose([each.sum_of_squares for each in sources], table["sum_sq"], rtol=1e-9, atol=1e-9)
    np.testing.assert_array_equal([each.degrees_of_freedom for each in sources], table["df"])
    # its tests are those of fixed effects: the last one, against repeatability, is the same in both
    last = sources[-2]
    assert last.f_ratio == pytest.approx(table["F"].iloc[-2])
    assert last.probability == pytest.approx(table["PR(>F)"].iloc[-2])


def test_units_and_operators_are_tested_against_the_interaction():
    units, operators, both, _ = study_with_interaction(THERMAL).sources
    assert units.f_ratio == pytest.approx(mean_square(units) / mean_square(both))
    assert operators.f_ratio == pytest.approx(mean_square(operators) / mean_square(both))


def test_the_interval_of_repeatability_is_the_exact_one():
    found = study_with_interaction(THERMAL).components.repeatability
    squares, freedom = 30.0 + 2.0 / 3.0, 60
    assert found.lower == pytest.approx(squares / chi2.ppf(0.975, freedom), rel=0.01)
    assert found.upper == pytest.approx(squares / chi2.ppf(0.025, freedom), rel=0.01)


def test_intervals_contain_the_truth_as_often_as_they_say():
    inside = []
    for seed in range(250):
        found = study_with_interaction(drawn(seed))
        truths = {
            "units": (found.components.units, 9.0),
            "rig": (found.components.rig, 2.49),
            "share": (found.share, 2.49 / 11.49),
            "spread": (found.spread_share, np.sqrt(2.49 / 11.49)),
            "categories": (found.categories, np.sqrt(2 * 9.0 / 2.49)),
        }
        inside.append([each.lower <= truth <= each.upper for each, truth in truths.values()])
    shares = np.mean(inside, axis=0)
    assert np.all(np.abs(shares - 0.95) < 3.5 * np.sqrt(0.95 * 0.05 / 250))


def test_an_automatic_rig_has_no_operators_in_its_spread():
    found = study(drawn(5, units=20, operators=3, repeats=4, spread=(3.0, 0.0, 0.0, 0.3)))
    assert found.components.operators.value < 0.01
    assert found.share.value == pytest.approx(0.09 / 9.09, rel=0.7)
    sentence = found.sentence("Base pitch", "cents")
    assert sentence.startswith("Base pitch: the rig's own spread is 0.297 cents")
    assert "groups of units apart" in sentence


def test_the_same_study_gives_the_same_intervals():
    assert study(THERMAL) == study(THERMAL)


@pytest.mark.parametrize(
    ("values", "sentence"),
    [
        (np.zeros((1, 3, 3)), "two units, two operators and two repeats"),
        (np.zeros((3, 3)), "two units, two operators and two repeats"),
        (np.where(np.arange(27).reshape(3, 3, 3) == 14, np.nan, 1.0), "repeat 3 of unit 2 by operator 2 is missing"),
        (np.ones((3, 3, 3)), "too coarse to study"),
    ],
)
def test_a_study_with_too_little_is_refused_in_one_sentence(values, sentence):
    with pytest.raises(ValueError, match=sentence):
        study(values)


@pytest.mark.parametrize("probability", [0.0, 1.0, 95.0])
def test_a_probability_lies_between_nothing_and_certainty(probability):
    with pytest.raises(ValueError, match="between 0 and 1"):
        study(THERMAL, probability=probability)
