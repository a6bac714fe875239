"""Which trims to touch, and where to stop."""

import numpy as np
import pytest
from scipy.optimize import minimize

from rig.science.characteristics import Played, TrackingLimits, characteristics
from rig.science.planning import Adjuster, make_plan, minimax, worst_musical_uncertainty_cents
from rig.science.rail import plan_rail
from rig.science.tracking import predict
from rig.science.trims import DeadTimeTaken, Pivot, ScaleAboutPivot, Shift

PLAYED = Played(full=(0.0, 8.0), musical=(1.0, 6.0), base_x=0.0, lowest_note_octaves=float(np.log2(32.703)))
LIMITS = TrackingLimits(scale=1.0, musical=3.0, full=6.0, highs=6.0, base=3.0)
COVARIANCE = np.diag([(0.1 / 1200) ** 2, (0.02 / 1200) ** 2, (0.002) ** 2, (7e-9) ** 2])
RIGHT = np.array([np.log2(32.703), 1.0, 0.0, 0.0])


def adjusters(pivot=9.0, spread=0.02):
    scale = Adjuster("scale", ScaleAboutPivot(pivot), 0.004, 0.2, 20.0, 20.0, Pivot(pivot, spread))
    highs = Adjuster("highs", DeadTimeTaken(), 4e-7, 0.2, 15.0, 15.0)
    base = Adjuster("base", Shift(), 0.03, 0.2, 20.0, 20.0)
    return scale, highs, base


def test_a_unit_that_is_right_is_left_alone():
    plan = make_plan(RIGHT, adjusters(), PLAYED, LIMITS)
    assert plan.moves == ()
    assert plan.left_alone == ("scale", "highs", "base")


def test_a_unit_with_its_base_off_needs_the_base_trim_only():
    plan = make_plan(RIGHT + np.array([0.03, 0.0, 0.0, 0.0]), adjusters(), PLAYED, LIMITS)
    assert [move.trim for move in plan.moves] == ["base"]
    assert plan.moves[0].distance_cents == pytest.approx(-36.0, abs=0.2)
    assert plan.moves[0].turns == pytest.approx(-1.0, abs=0.01)


@pytest.mark.parametrize("pivot", [0.0, 9.0, 16.0], ids=["below", "inside", "above"])
def test_one_sweep_gives_targets_that_bring_the_whole_unit_right_wherever_the_pivot_lies(pivot):
    off = RIGHT + np.array([0.05, 0.012, 0.0, 4.0e-6])
    plan = make_plan(off, adjusters(pivot), PLAYED, LIMITS)
    assert [move.trim for move in plan.moves] == ["scale", "highs", "base"]
    state, effects = off, {each.name: each.effect for each in adjusters(pivot)}
    for move in plan.moves:
        before = float(predict(state, np.array([move.held_x]))[0])
        assert before == pytest.approx(move.reading_octaves, abs=1e-9)
        amount = float(effects[move.trim].amount_seen(state, move.held_x, move.target_octaves))
        state = effects[move.trim].moved(state, amount)
    assert float(characteristics(state, PLAYED).worst_share(LIMITS)) < 0.05


def test_dead_time_alone_is_shared_between_scale_and_highs_when_there_is_no_highs_trim():
    # with scale only, the least worst compromise lets the core run a little steep
    drooping = RIGHT + np.array([0.0, 0.0, 0.0, 1.0e-6])
    scale = adjusters()[:1]
    amounts, share = minimax(drooping, scale, PLAYED, LIMITS)
    assert amounts["scale"] > 0.0
    assert share < float(characteristics(drooping, PLAYED).worst_share(LIMITS))


def test_the_minimax_agrees_with_a_search_that_knows_nothing_of_linear_programmes():
    # independent solver: Nelder-Mead simplex search of scipy on the worst share itself
    bent = RIGHT + np.array([0.01, 0.006, 0.03, 3.0e-6])
    chosen = adjusters()
    _, share = minimax(bent, chosen, PLAYED, LIMITS)

    def worst(amounts):
        state = bent
        for adjuster, amount in zip(chosen, amounts, strict=True):
            state = adjuster.effect.moved(state, amount * abs(adjuster.gain))
        return float(characteristics(state, PLAYED).worst_share(LIMITS))

    found = min(
        (
            minimize(worst, start, method="Nelder-Mead", options={"maxiter": 4000, "xatol": 1e-6, "fatol": 1e-8})
            for start in ([0.0, 0.0, 0.0], [-1.5, 7.0, -0.3])
        ),
        key=lambda result: result.fun,
    )
    # the programme also pays a small price for what is not the worst; that may cost a few percent
    assert share <= found.fun * 1.05 + 1e-3


def test_a_doubtful_pivot_shows_in_what_will_remain():
    off = RIGHT + np.array([0.0, 0.012, 0.0, 0.0])

    def uncertainty_cents(spread):
        trims = adjusters(2.0, spread)
        plan = make_plan(off, trims, PLAYED, LIMITS)
        return worst_musical_uncertainty_cents(plan, off, COVARIANCE, trims, PLAYED)

    assert uncertainty_cents(2.0) > 5 * uncertainty_cents(0.02)


def test_the_cv_is_held_as_far_from_the_pivot_as_the_counter_is_quick():
    off = RIGHT + np.array([0.0, 0.012, 0.0, 0.0])
    low, high = (make_plan(off, adjusters(p), PLAYED, LIMITS).moves[0].held_x for p in (4.0, 17.0))
    assert low == pytest.approx(8.0)
    assert high == pytest.approx(1.0, abs=0.21)
    assert float(predict(off, np.array([high]))[0]) >= np.log2(60.0)


def test_a_target_past_the_travel_of_its_trim_is_called_so():
    off = RIGHT + np.array([0.0, 0.1, 0.0, 0.0])
    move = make_plan(off, adjusters(), PLAYED, LIMITS).moves[0]
    assert move.trim == "scale"
    assert move.beyond_travel


def test_the_rail_is_set_where_the_octave_steps_are_evenly_wrong():
    # two steps that err by +2 and -2 cents per octave about a rail that is 0.1 % high
    steps = 1.001 * np.array([1.0 + 2 / 1200, 2.0, 3.0 - 2 / 1200, 4.0])
    plan = plan_rail(steps, np.array([1.0, 2.0, 3.0, 4.0]), 10.01, 9.98, 10.02)
    assert plan.worst_after_cents < plan.worst_now_cents
    errors = plan.errors_after_cents
    assert max(errors) == pytest.approx(-min(errors), abs=1e-6)
    grid = np.linspace(9.98, 10.02, 40001)
    worst = np.max(np.abs(1200 * (np.outer(grid / 10.01, steps) - np.array([1, 2, 3, 4]))), axis=1)
    assert plan.worst_after_cents == pytest.approx(float(worst.min()), abs=1e-3)


def test_the_position_with_the_wrong_resistor_is_found_whatever_the_rail():
    steps = 1.002 * np.array([1.0, 2.0, 3.0 * 1.02, 4.0])
    plan = plan_rail(steps, np.array([1.0, 2.0, 3.0, 4.0]), 10.02, 9.98, 10.02)
    assert plan.odd_position() == 2
