"""Budgets of findings against the whole evaluation: readings changed by hand, instruments drawn."""

import json
import math
from dataclasses import replace

import numpy as np
import pytest
import uncertainties

from rig.assess import assess_sweep
from rig.budgets import stated_of, sweep_budgets
from rig.control_budgets import (
    drift_budget,
    knob_centre_budget,
    knob_range_budget,
    octave_step_budget,
    rail_budget,
    readings_of_a_window,
)
from rig.reports.budget import COLUMNS, budget_document, budget_lines, budgets_lines
from rig.science.drift import DriftRate, rate_of
from rig.science.tracking import predict
from tests.benchmarks import coverage as figure
from tests.straight import straight_curve

PRODUCT, BENCH, STATED, DAY = figure.PRODUCT, figure.BENCH, figure.STATED, figure.DAY
LINE = figure.line_of(STATED)


@pytest.fixture(scope="module")
def pitch():
    generator = np.random.default_rng(11)
    return figure.read(figure.draw_units(2, generator), generator)[1]


@pytest.fixture(scope="module")
def budgets(pitch):
    return figure.with_factor(figure.budgets_of(pitch), 1.0, math.inf)


def evaluated(pitch, cv_v=None):
    """Scale, highs, base and each point, as the assessment of a sweep gives them, cents."""
    points = figure.points_of(pitch)
    if cv_v is not None:
        points = [replace(each, cv_v=float(volts)) for each, volts in zip(points, cv_v, strict=True)]
    assessed = assess_sweep(points, PRODUCT, BENCH, LINE)
    x, errors = assessed.x, assessed.error_cents
    slope, level = np.polyfit(x[assessed.musical], errors[assessed.musical], 1)
    at_base = predict(assessed.parameters, np.array([PRODUCT.range.base_cv_v]))[0]
    base = 1200.0 * (at_base - np.log2(PRODUCT.range.lowest_note_hz))
    return np.r_[slope, errors[-1] - level - slope * x[-1], base, errors]


def own(budget):
    """What the readings have for themselves, from the budget's own rows."""
    return math.sqrt(sum(each.contribution**2 for each in budget.inputs if each.evaluation))


def common(budget, name):
    return next((abs(each.contribution) for each in budget.inputs if each.name == name), 0.0)


def test_what_a_budget_says_of_noise_is_what_changing_each_reading_by_hand_says(pitch, budgets):
    # central differences of the whole evaluation, fit and drift and all, by every reading of the sweep
    step = 1e-6
    nudges = step * np.eye(pitch.size)
    slopes = np.array([(evaluated(pitch + each) - evaluated(pitch - each)) / (2.0 * step) for each in nudges])
    random = np.sum(np.square(slopes * (figure.RANDOM / math.log(2.0))[:, None]), axis=0)
    grid = STATED.source_grid_v * np.abs(figure.OCTAVES_PER_VOLT)
    by_setting = np.zeros((figure.CV_V.size, slopes.shape[1]))
    np.add.at(by_setting, figure.INDEX, slopes * grid[:, None])
    expected = np.sqrt(random + np.sum(np.square(by_setting), axis=0))
    stated = [own(each) for each in figure.quantities(budgets)]
    np.testing.assert_allclose(stated, expected, rtol=2e-3)


def test_points_that_were_read_again_are_weighed_as_their_budget_says(pitch):
    # central differences again, of a sweep with five points read for longer half a minute later
    points = figure.points_of(pitch)
    first = {each.index: each for each in points if not each.revisit}
    more = [
        replace(
            first[index],
            elapsed_s=30.0 + 2.0 * place,
            readings_count=8,
            relative_standard_uncertainty=0.5 * first[index].relative_standard_uncertainty,
        )
        for place, index in enumerate((0, 4, 9, 9, 16))
    ]
    points = [*points, *more]

    def found(nudge):
        moved = [
            replace(each, frequency_hz=each.frequency_hz * 2.0**shift)
            for each, shift in zip(points, nudge, strict=True)
        ]
        assessed = assess_sweep(moved, PRODUCT, BENCH, LINE)
        slope = np.polyfit(assessed.x[assessed.musical], assessed.error_cents[assessed.musical], 1)[0]
        return np.r_[slope, assessed.error_cents]

    step = 1e-6
    nudges = step * np.eye(len(points))
    slopes = np.array([(found(each) - found(-each)) / (2.0 * step) for each in nudges])
    random = np.array([each.relative_standard_uncertainty for each in points]) / math.log(2.0)
    grid = np.zeros((figure.CV_V.size, slopes.shape[1]))
    np.add.at(grid, [each.index for each in points], slopes * STATED.source_grid_v)
    expected = np.sqrt(np.sum(np.square(slopes * random[:, None]), axis=0) + np.sum(np.square(grid), axis=0))
    made = sweep_budgets(assess_sweep(points, PRODUCT, BENCH, LINE), points, PRODUCT, STATED, LINE)
    made = figure.with_factor(made, 1.0, math.inf)
    stated = [own(each) for each in (made.scale_error(), *(made.point(index) for index in range(17)))]
    np.testing.assert_allclose(stated, expected, rtol=2e-3)
    once = figure.with_factor(figure.budgets_of(pitch), 1.0, math.inf)
    assert own(made.point(9)) < own(once.point(9))
    # more readings leave the source's grid as it is: the setting is the same one
    assert made.scatter_by_setting()["scale_error"].sum() < once.scatter_by_setting()["scale_error"].sum()


@pytest.mark.parametrize(
    ("name", "shift"),
    [
        ("meter, share of reading", lambda: STATED.meter_gain * figure.READ_V),
        ("meter, share of range", lambda: STATED.meter_offset_v * np.ones_like(figure.READ_V)),
    ],
)
def test_what_the_meter_may_be_off_moves_every_result_as_far_as_its_row_says(pitch, budgets, name, shift):
    small = 0.01
    higher, lower = (evaluated(pitch, figure.READ_V + sign * small * shift()) for sign in (1.0, -1.0))
    expected = np.abs(higher - lower) / 2.0 / small
    stated = [common(each, name) for each in figure.quantities(budgets)]
    np.testing.assert_allclose(stated, expected, rtol=5e-3, atol=1e-4)


def test_drawn_instruments_scatter_the_results_as_the_budget_propagates():
    # JCGM 101:2008, short form: 10,000 draws through the whole evaluation, 0.7 % for the standard deviation
    for each in figure.by_monte_carlo(10_000, seed=3):
        assert each.drawn_standard_uncertainty == pytest.approx(each.standard_uncertainty, rel=0.03), each.name
        assert each.drawn_half_width == pytest.approx(each.expanded_uncertainty, rel=0.04), each.name


def test_more_points_average_noise_but_not_the_meter(pitch):
    few = figure.budgets_of(pitch)
    gain = common(few.scale_error(), "meter, share of reading")
    # 35 parts per million of reading, rectangular, are 0.024 cents an octave at a volt an octave, whatever the points
    assert gain == pytest.approx(1200.0 * 35e-6 / math.sqrt(3.0), rel=1e-6)
    assert own(few.scale_error()) < gain


def test_a_poor_meter_dominates_the_scale_error_and_the_remark_says_what_two_would_cover(pitch):
    poor = figure.budgets_of(pitch, figure.POOR_METER).scale_error().combine()
    assert poor.dominant == "meter, share of reading"
    assert poor.coverage_factor == pytest.approx(1.65, abs=0.01)
    assert "dominates" in poor.remark


def test_offset_of_the_meter_moves_base_pitch_and_no_tracking(budgets):
    assert common(budgets.scale_error(), "meter, share of range") < 1e-6
    assert common(budgets.base_pitch(0.0), "meter, share of range") == pytest.approx(
        1200.0 * STATED.meter_offset_v, rel=1e-6
    )


def test_the_worst_error_has_the_budget_of_its_point(budgets):
    index = int(np.argmax(np.abs(budgets.assessed.error_cents)))
    worst, point = budgets.worst(), budgets.point(index)
    assert worst.value == pytest.approx(abs(point.value))
    assert worst.combine().standard_uncertainty == pytest.approx(point.combine().standard_uncertainty)
    musical = budgets.worst(budgets.assessed.musical)
    assert musical.value <= worst.value


def test_a_characterisation_that_knows_the_cv_better_than_its_meter_is_one_row(pitch):
    points, tight = figure.points_of(pitch), straight_curve(0.0, 1.0, np.diag([1e-12, 1e-12]))
    made = sweep_budgets(assess_sweep(points, PRODUCT, BENCH, tight), points, PRODUCT, STATED, tight)
    names = [each.name for each in made.scale_error().inputs]
    assert "CV as characterised" in names
    assert "meter, share of reading" not in names


def test_the_rail_is_as_uncertain_as_its_meter_and_its_readings():
    # uncertainties 3.2; 40 parts per million at 10 V on the 10 V range are 0.4 mV
    readings = np.array([10.00021, 10.00018, 10.00025, 10.00019, 10.00022])
    scatter = np.std(readings, ddof=1) / math.sqrt(5.0)
    limits = BENCH.meter.standard_uncertainty_v(10.0002, DAY)
    budget = rail_budget(10.0002, float(np.hypot(scatter, limits)), 5, stated_of(BENCH, 10.0, DAY))
    outside = uncertainties.ufloat(0.0, limits) + uncertainties.ufloat(0.0, scatter)
    assert budget.combine().standard_uncertainty == pytest.approx(outside.std_dev, rel=1e-6)
    assert budget.combine().dominant == "meter, limits of error"
    assert common(budget, "repeatability") == pytest.approx(scatter, rel=1e-3)


def test_a_rail_that_scatters_more_than_its_meter_gets_students_factor():
    limits = BENCH.meter.standard_uncertainty_v(10.0, DAY)
    combined = rail_budget(10.0, 20.0 * limits, 5, stated_of(BENCH, 10.0, DAY)).combine()
    # five readings: t of 4 degrees of freedom
    assert combined.coverage_factor == pytest.approx(2.776, abs=0.02)


def test_an_octave_step_has_the_doubt_of_two_readings_and_of_no_instrument():
    combined = octave_step_budget("2", 0.4, 5e-5, 5e-5).combine()
    assert combined.standard_uncertainty == pytest.approx(1200.0 * 5e-5 * math.sqrt(2.0))
    drifting = octave_step_budget("2", 0.4, 5e-5, 5e-5, drift_cents=0.3).combine()
    expected = math.hypot(combined.standard_uncertainty, 0.3 / math.sqrt(3.0))
    assert drifting.standard_uncertainty == pytest.approx(expected)


def test_a_knobs_middle_is_as_sure_as_the_hand_that_sets_it():
    combined = knob_centre_budget(-12.0, 5e-5, 5e-5, 5e-5, PRODUCT.controls.knob.repeatability_cents).combine()
    assert combined.standard_uncertainty == pytest.approx(8.0, rel=1e-3)
    without_a_hand = knob_centre_budget(-12.0, 5e-5, 5e-5, 5e-5, 0.0).combine()
    # the middle in full, the stops half each: JCGM 100:2008, eq. 10
    assert without_a_hand.standard_uncertainty == pytest.approx(0.06 * math.sqrt(1.0 + 0.25 + 0.25))
    assert knob_range_budget(1200.0, 5e-5, 5e-5).combine().standard_uncertainty == pytest.approx(0.06 * math.sqrt(2.0))


def test_a_drift_by_few_readings_has_a_wider_interval():
    time_s = np.linspace(0.0, 120.0, readings_of_a_window(PRODUCT))
    rate = rate_of(time_s, 1e-7 * time_s, 4e-5)
    wide = drift_budget("low", rate, time_s.size).combine()
    # thirteen readings, a line of two: t of 11 degrees of freedom
    assert wide.coverage_factor == pytest.approx(2.201, abs=0.001)
    assert wide.standard_uncertainty == pytest.approx(rate.standard_uncertainty)


def test_a_table_fits_a_hundred_columns_and_names_every_input(budgets):
    made = [*figure.quantities(budgets), drift_budget("high", DriftRate(0.1, 0.02), 13)]
    lines = budgets_lines(made)
    assert max(len(line) for line in lines) <= COLUMNS
    base = budget_lines(budgets.base_pitch(0.3))
    for name in ("noise of the unit", "model misfit", "time base", "meter, share of reading"):
        assert any(line.startswith(name) for line in base)
    assert any("95 %" in line for line in base)


def test_a_budget_as_plain_data_survives_json(budgets):
    document = json.loads(json.dumps(budget_document(budgets.base_pitch(0.3)), allow_nan=False))
    assert document["expanded_uncertainty"] == pytest.approx(
        document["coverage_factor"] * document["standard_uncertainty"]
    )
    assert sum(each["share"] for each in document["inputs"]) == pytest.approx(1.0)
