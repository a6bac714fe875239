"""Why a scale trim at the common node is chased: the manual method against its closed form.

Derivation. A trim at the common node turns every pitch about the pivot y_p: y' = y_p + (1 + e)(y - y_p), octaves.
Write L = y_low - y_p and H = y_high - y_p for the two notes that are compared, I = H - L for their interval, N for the
nominal one, and d = I - N for the error that is heard. One round turns until the upper note is the nominal interval
above the lower one *as it was read before the turn*:

    (1 + e) H = L + N = H - d        so that        1 + e = 1 - d / H

The lower note has moved as well, and the interval is now (1 + e) I, with the error

    d' = (1 - d / H) I - N = d - d I / H = d (H - I) / H = d L / H

L and H are both multiplied by 1 + e, so that r = L / H stays what it is, and the errors are a geometric series:

    d_k = d_0 r^k,        r = (y_low - y_p) / (y_high - y_p)

With the pivot p octaves below the lower note and the notes n octaves apart, r = p / (p + n): with one octave between
the notes and a pivot three octaves below, each round leaves three quarters of the error. With the pivot between the
notes r is negative, and beyond -1 once it lies past their middle; above the upper note r is more than 1: then the chase
runs away.

Aiming at d H / I past the present reading, instead of d, sets the interval right in one move: (1 + e) H = H - d H / I
gives 1 + e = 1 - d / I, and the interval (1 + e) I = I - d = N.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace
from itertools import pairwise
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from drivers.source import VoltageLimits
from fixtures import demonstration_bench, demonstration_product
from rig.bench import Bench, drawn_anew, load_bench, open_bench
from rig.operators.virtual import Habits, VirtualOperator
from rig.product import load_product
from tests.benchmarks.study.manual import (
    WORSE_IN_A_ROW,
    Interval,
    Overshoot,
    TunerHand,
    chase,
    chase_with_overshoot,
)
from tests.straight import straight_curve

CENTS = 1200.0
LOWEST_HZ = 32.703
OCTAVE, TWO_OCTAVES, FIVE_OCTAVES = Interval(0.0, 1.0), Interval(0.0, 2.0), Interval(0.0, 5.0)


def ratio(low_over_pivot_octaves: float, interval: Interval) -> float:
    """Error left of each round, from the derivation above; the notes taken at their nominal places."""
    return low_over_pivot_octaves / (low_over_pivot_octaves + interval.high_v - interval.low_v)


@dataclass
class PerfectEar:
    """A linear trim about a pivot, an ear that hears everything, and a hand that never misses."""

    pivot_cents: float
    scale: float
    resolution_cents: float = 1e-6
    right_within_cents: float = 0.0

    def look(self, cv_v: float) -> float:
        return self.pivot_cents + self.scale * (CENTS * cv_v - self.pivot_cents)

    def aim(self, _trim: str, cv_v: float, reading_cents: float) -> bool:
        self.scale *= (reading_cents - self.pivot_cents) / (self.look(cv_v) - self.pivot_cents)
        return True


PIVOTS_BELOW = st.floats(0.1, 8.0)
ERRORS = st.floats(2.0, 60.0) | st.floats(-60.0, -2.0)


@pytest.mark.parametrize("interval", [OCTAVE, TWO_OCTAVES, FIVE_OCTAVES])
@given(pivot_below_octaves=PIVOTS_BELOW, error_cents_per_octave=ERRORS)
def test_the_errors_of_a_chase_are_a_geometric_series(
    interval: Interval, pivot_below_octaves: float, error_cents_per_octave: float
):
    ear = PerfectEar(-CENTS * pivot_below_octaves, 1.0 + error_cents_per_octave / CENTS)
    expected = ratio(pivot_below_octaves, interval)
    errors = chase(ear, "scale", interval).errors_cents
    for rounds, error in enumerate(errors):
        assert error == pytest.approx(errors[0] * expected**rounds, abs=2e-6)


@given(pivot_octaves=st.floats(1.5, 10.0), error_cents_per_octave=ERRORS)
def test_with_the_pivot_above_the_upper_note_every_round_makes_it_worse(
    pivot_octaves: float, error_cents_per_octave: float
):
    ear = PerfectEar(CENTS * pivot_octaves, 1.0 + error_cents_per_octave / CENTS)
    chased = chase(ear, "scale", OCTAVE)
    assert not chased.right
    assert len(chased.errors_cents) == WORSE_IN_A_ROW + 1
    for rounds, error in enumerate(chased.errors_cents):
        assert error == pytest.approx(chased.errors_cents[0] * ratio(-pivot_octaves, OCTAVE) ** rounds, rel=1e-6)
    # and the hand goes back to where it was best: where it began
    assert ear.look(1.0) - ear.look(0.0) - CENTS == pytest.approx(error_cents_per_octave, rel=1e-6)


@given(pivot_octaves=st.floats(0.52, 0.98), error_cents_per_octave=ERRORS)
def test_with_the_pivot_in_the_upper_half_of_the_octave_the_chase_swings_ever_wider(
    pivot_octaves: float, error_cents_per_octave: float
):
    ear = PerfectEar(CENTS * pivot_octaves, 1.0 + error_cents_per_octave / CENTS)
    first, second, *_ = chase(ear, "scale", OCTAVE).errors_cents
    assert second == pytest.approx(ratio(-pivot_octaves, OCTAVE) * first, rel=1e-6)
    assert abs(second) > abs(first)
    assert second * first < 0.0


@given(pivot_octaves=st.floats(-8.0, 4.9) | st.floats(5.1, 14.0), error_cents_per_octave=ERRORS)
def test_whoever_knows_the_overshoot_needs_one_move(pivot_octaves: float, error_cents_per_octave: float):
    ear = PerfectEar(CENTS * pivot_octaves, 1.0 + error_cents_per_octave / CENTS, resolution_cents=1e-3)
    known = Overshoot((5.0 - pivot_octaves) / 5.0)
    chased = chase_with_overshoot(ear, "scale", FIVE_OCTAVES, known)
    assert chased.right
    assert len(chased.errors_cents) == 2


# The same method on the virtual bench: real SCPI, a virtual unit that is linear, and a steady hand

LINEAR_UNIT = """
invented = true
[input]
resistance_ohm = 1e9
time_constant_s = 0.001
[core]
base_hz = {lowest_hz}
scale_error = {scale_error}
pivot_hz = {pivot_hz}
[thermal]
chip_rise_k = 0.0
board_rise_k = 0.0
hand_k = 0.0
wander_k = 0.0
[noise]
white_cents_at_1s = 0.0
wander_cents = 0.0
[trims.scale]
kind = "scale at the common node"
turns = 40.0
effect_per_turn = 0.004
position_turns = 20.0
"""
STEADY = Habits(misjudged=0.05, finest_turn=1e-6)
EXACT = {
    "clock": "instant",
    "link": "direct",
    "source": {"gain_error": 0.0, "offset_v": 0.0, "output_resistance_ohm": 0.0},
    "counter": {"time_base_ppm": 0.0, "trigger_jitter_s": 0.0, "resolution_s": 0.0},
}


@pytest.fixture
def linear_bench(request: pytest.FixtureRequest, tmp_path: Path) -> Iterator[Bench]:
    pivot_below_octaves, error_cents_per_octave = request.param
    unit = tmp_path / "linear.toml"
    unit.write_text(
        LINEAR_UNIT.format(
            lowest_hz=LOWEST_HZ,
            scale_error=error_cents_per_octave / CENTS,
            pivot_hz=LOWEST_HZ * 2.0**-pivot_below_octaves,
        )
    )
    loaded = drawn_anew(load_bench(demonstration_bench()), seed=1, fault="")
    exact = loaded.contents.model_copy(update={"virtual": {**EXACT, "unit": str(unit)}})
    with open_bench(replace(loaded, contents=exact), VoltageLimits(-0.5, 8.5)) as bench:
        assert bench.hands is not None
        bench.hands.insert("0001")
        bench.hands.power(True)
        bench.source.output_on()
        yield bench


@pytest.mark.parametrize("linear_bench", [(3.0, 20.0), (1.0, -25.0), (6.0, 15.0), (-0.3, 20.0)], indirect=True, ids=str)
@pytest.mark.parametrize("interval", [OCTAVE, FIVE_OCTAVES], ids=["octave", "five octaves"])
def test_on_the_virtual_bench_the_chase_converges_as_the_series_says(
    linear_bench: Bench, interval: Interval, request: pytest.FixtureRequest
):
    pivot_below_octaves = request.node.callspec.params["linear_bench"][0]
    assert linear_bench.hands is not None
    hand = TunerHand(
        linear_bench,
        straight_curve(0.0, 1.0, np.zeros((2, 2))),
        load_product(demonstration_product()).contents,
        VirtualOperator(linear_bench.hands, linear_bench.clock, 1, STEADY),
        switch_s=1.0,
        look_s=1.0,
        resolution_cents=0.01,
    )
    errors = chase(hand, "scale", interval).errors_cents
    for before, after in pairwise(errors):
        # two readings of 0.01 cent each, before and after the move, and the reading that was aimed at
        assert after == pytest.approx(ratio(pivot_below_octaves, interval) * before, rel=0.01, abs=0.03)
    assert len(errors) > 2
