"""From points to findings, on sweeps made up from the physics, without a bench."""

from dataclasses import replace
from datetime import date

import numpy as np
import pytest

from fixtures import demonstration_bench, demonstration_product
from rig.acquire import Point, sweep_order
from rig.assess import assess_sweep, judged, tracking_findings
from rig.bench import load_bench
from rig.budgets import scale_weights, stated_of
from rig.causes import named_cause
from rig.control_budgets import rail_budget
from rig.diagnosis import Fault, other_causes, sweep_causes
from rig.product import load_product
from rig.recommend import expected_knowledge, recommend
from rig.science.conformity import Decision, Rule
from rig.science.tracking import predict
from tests.straight import straight_curve

PRODUCT = load_product(demonstration_product()).contents
BENCH = load_bench(demonstration_bench()).contents
STATED = stated_of(BENCH, PRODUCT.range.full.high_v, date(2026, 3, 2))
LINE = straight_curve(0.0, 1.0, np.diag([(3e-5) ** 2, (2e-5) ** 2]))
RIGHT = np.array([np.log2(32.703), 1.0, 0.0, 0.0])
CENT = np.log(2.0) / 1200.0


def points_of(pitch_at, noise_cents=0.05, seed=1):
    """Points in the rig's own order; ``pitch_at(cv_v, time_s)`` gives octaves re 1 Hz."""
    generator = np.random.default_rng(seed)
    cv = np.linspace(0.0, 8.0, 17)
    made = []
    for place, (index, revisit) in enumerate(sweep_order(17)):
        time_s = 0.15 * place
        pitch = pitch_at(cv[index], time_s) + generator.normal(0.0, noise_cents / 1200.0)
        made.append(
            Point(
                index,
                cv[index],
                cv[index],
                cv[index],
                2.0**pitch,
                noise_cents * CENT,
                0.03,
                2,
                2,
                time_s,
                revisit,
            )
        )
    return made


@pytest.mark.parametrize("lowest_v", [0.0, -0.0, -0.0004])
def test_a_worst_error_at_nought_is_said_to_be_there_without_a_minus(lowest_v):
    def pitch(cv_v, _time_s):
        return np.log2(32.703) + cv_v + (0.01 if cv_v < 0.2 else 0.0)

    points = [replace(each, cv_v=each.cv_v or lowest_v) for each in points_of(pitch)]
    notes = {each.note for each in findings_of(points)[1].values()}
    assert "worst at 0.00 V" in notes
    assert not any("-0.00" in note for note in notes)


def of(parameters):
    return lambda cv_v, _time_s: float(predict(np.asarray(parameters), np.array([cv_v]))[0])


def findings_of(points):
    assessed = assess_sweep(points, PRODUCT, BENCH, LINE)
    return assessed, {each.characteristic: each for each in tracking_findings(assessed, PRODUCT, STATED, LINE)}


def test_a_unit_that_is_right_passes_everything():
    assessed, findings = findings_of(points_of(of(RIGHT)))
    assert assessed.fits
    assert {each.decision for each in findings.values()} == {Decision.PASS}


@pytest.mark.parametrize("cents_per_octave", [-3.0, 0.4, 12.0])
def test_the_scale_error_is_the_slope_over_the_musical_range(cents_per_octave):
    _, findings = findings_of(points_of(of(RIGHT + np.array([0.0, cents_per_octave / 1200.0, 0.0, 0.0]))))
    scale = findings["scale_error"]
    assert scale.value == pytest.approx(cents_per_octave, abs=1.5 * scale.expanded_uncertainty)


def test_drift_of_offset_and_slope_is_taken_away_and_reported():
    def drifting(cv_v, time_s):
        low, high = 6.0, -18.0
        rate = low + (high - low) * cv_v / 8.0
        return of(RIGHT)(cv_v, 0.0) + rate / 1200.0 * (time_s - 1.5) / 60.0

    assessed, findings = findings_of(points_of(drifting, noise_cents=0.01))
    assert assessed.drift_cents_per_minute == pytest.approx((6.0, -18.0), abs=0.5)
    assert findings["tracking_full"].value < 0.1


def test_an_error_of_the_cv_is_common_to_all_points_and_so_does_not_average_out():
    doubtful = straight_curve(0.0, 1.0, np.diag([0.0, (1e-3) ** 2]))
    points = points_of(of(RIGHT))
    assessed = assess_sweep(points, PRODUCT, BENCH, doubtful)
    scale = tracking_findings(assessed, PRODUCT, STATED, doubtful)[0]
    # a gain of the CV in doubt by 0.1 % is a scale error in doubt by 1.2 cents an octave, however many points
    assert scale.expanded_uncertainty == pytest.approx(1.96 * 1.2, rel=0.02)
    # more than the limit: no unit could be decided by it (JCGM 106:2012, 8.3)
    assert scale.decision is Decision.NO_DECISION


def test_a_clipped_range_is_no_oscillator_of_this_kind():
    def clipped(cv_v, _time_s):
        return of(RIGHT)(min(cv_v, 5.0), 0.0)

    assessed, findings = findings_of(points_of(clipped))
    assert not assessed.fits
    assert findings["tracking_full"].decision is Decision.FAIL
    causes = sweep_causes(assessed, tuple(findings.values()), PRODUCT)
    assert Fault.NOT_THIS_KIND in {cause.fault for cause in causes}


@pytest.mark.parametrize("flat", [lambda cv_v, time_s: 8.0, lambda cv_v, time_s: 8.0 + 3.0 * np.sin(40 * cv_v)])
def test_what_cannot_be_fitted_is_judged_by_its_points_and_gets_no_advice(flat):
    assessed, findings = findings_of(points_of(flat))
    assert findings["tracking_musical"].decision is Decision.FAIL
    known = expected_knowledge(PRODUCT)
    advised = recommend(PRODUCT, assessed, tuple(findings.values()), None, np.array([]), None, None, known)
    assert advised.advice == () or assessed.fits is False


def test_the_guard_band_turns_a_near_miss_into_a_condition():
    limit = PRODUCT.limits.base_pitch_cents
    _, findings = findings_of(points_of(of(RIGHT + np.array([(limit - 0.05) / 1200.0, 0.0, 0.0, 0.0]))))
    assert findings["base_pitch"].decision is Decision.CONDITIONAL_PASS
    _, findings = findings_of(points_of(of(RIGHT + np.array([(limit + 1.0) / 1200.0, 0.0, 0.0, 0.0]))))
    assert findings["base_pitch"].decision is Decision.FAIL


def test_the_order_of_a_sweep_returns_to_both_ends_and_takes_every_point_once():
    for count in (9, 17, 18, 33):
        order = sweep_order(count)
        assert sorted(index for index, revisit in order if not revisit) == list(range(count))
        assert [index for index, revisit in order if revisit] == [0, count - 1, 0, count - 1]


def test_every_finding_of_a_sweep_is_as_uncertain_as_its_budget_and_its_covariance_say():
    assessed, findings = findings_of(points_of(of(RIGHT + np.array([0.0, 1.0 / 1200.0, 0.01, 1e-6]))))
    for each in findings.values():
        if each.limits.low is not None:
            assert each.expanded_uncertainty == pytest.approx(each.budget.combine().expanded_uncertainty)
    slope = scale_weights(assessed.x, assessed.musical)
    by_covariance = np.sqrt(slope @ assessed.covariance_cents2 @ slope)
    assert findings["scale_error"].budget.combine().standard_uncertainty == pytest.approx(by_covariance, rel=1e-3)
    worst = int(np.argmax(np.abs(assessed.error_cents)))
    at_worst = np.sqrt(assessed.covariance_cents2[worst, worst])
    full = findings["tracking_full"]
    assert full.budget.combine().standard_uncertainty == pytest.approx(at_worst, rel=1e-3)
    assert full.expanded_uncertainty > 1.9 * at_worst


def test_a_sweep_without_a_curve_has_no_decided_base_pitch():
    _, findings = findings_of(points_of(lambda cv_v, time_s: 8.0))
    assert findings["base_pitch"].decision is Decision.NO_DECISION


def test_a_rail_a_few_millivolts_off_is_said_with_what_is_permitted():
    budget = rail_budget(9.978, 1e-4, 4, stated_of(BENCH, 10.0, date(2026, 3, 2)))
    rail = judged("rail", "Reference rail", budget, 0.02, Rule.SIMPLE, nominal=10.0)
    (cause,) = other_causes([rail], [])
    assert cause.sentence == (
        "Reference rail is outside its limits (9.9780 V; permitted: at least 9.9800, at most 10.0200)."
    )
    assert named_cause(cause.sentence).fault is Fault.OTHER
