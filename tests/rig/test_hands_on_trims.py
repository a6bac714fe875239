"""What the rig sees of hands on a trim from the pitch alone, on virtual units."""

from __future__ import annotations

from contextlib import contextmanager
from math import log2

import numpy as np
import pytest

from drivers.errors import NoSignal
from rig.acquire import sweep
from rig.assess import assess_sweep
from rig.science.motion import DRIFT_CENTS_PER_S, Motion, Rules, Seen, follow
from rig.science.pitch import relative_to_cents
from rig.science.shapes import Candidate, Shape, which_trim
from rig.science.trims import DeadTimeTaken, ScaleAboutPivot, Shift
from rig.stages.warm_up import expected_frequency_hz
from tests.rig.warm_unit import WarmUnit


@pytest.fixture
def warm(stand):
    @contextmanager
    def opened(**options):
        with stand(**options) as it:
            yield WarmUnit(it)

    return opened


def candidates(product):
    """Every trim of the demonstration product, as which_trim wants them; four turns either way."""
    effects = {
        "scale": ScaleAboutPivot(log2(product.trims["scale"].pivot_hz)),
        "highs": DeadTimeTaken(),
        "base": Shift(),
    }
    return [
        Candidate(
            name,
            effects.get(name),
            4.0 * abs(trim.effect_per_turn),
            trim.pivot_spread_octaves or 0.0,
            rail_per_amount=float(name == "rail"),
        )
        for name, trim in product.trims.items()
    ]


def swept(bench, points):
    """A sweep, fitted without leaning on an earlier one."""
    acquisition = bench.acquisition
    cvs_v = [float(each) for each in np.linspace(0.0, 8.0, points)]
    taken = sweep(acquisition, cvs_v, lambda cv_v: expected_frequency_hz(acquisition, cv_v), uncertainty_cents=0.1)
    return assess_sweep(list(taken), acquisition.product, acquisition.bench.file, acquisition.line)


@pytest.mark.parametrize("trim", ["scale", "highs", "base", "rail", "centre"])
@pytest.mark.parametrize("seed", [1, 2, 5])
def test_the_trim_that_a_hand_turned_is_told_from_a_short_sweep(warm, seed, trim):
    # a fifth of a turn, a second after it, the hand's warmth still in the board (0.1 cent is allowed for it); 12 units
    # x 5 trims x turns of 0.2, -0.5 and 1: one of 180 wrong (rail taken for highs, 61 % sure)
    wander = np.diag([(0.1 / 1200.0) ** 2, 0.0, 0.0, 0.0])
    with warm(seed=seed) as bench:
        before = swept(bench, 17)
        bench.hands.turn(trim, 0.2)
        bench.clock.sleep(1.0)
        after = swept(bench, 7)
        product = bench.acquisition.product
        seen = which_trim(
            before.parameters,
            before.covariance + wander,
            after.parameters,
            after.covariance,
            candidates(product),
            "base",
        )
    if trim in ("rail", "centre"):
        assert seen.shape is Shape.NOTHING
        assert trim in seen.hidden
    else:
        assert seen.trim == trim
        assert seen.probability > 0.99


class Trimming:
    """A hand on the base trim of a warm unit, 20 cents short of its target, watched at 2 V."""

    def __init__(self, bench):
        self.bench = bench
        # 36 cents a turn clockwise, 15 % more or less
        self.target = bench.pitch(2.0) + 20.0 / 1200.0
        self.motion = Motion(Rules(1.0, DRIFT_CENTS_PER_S))

    def watch(self, readings, turns_a_reading=0.0):
        seen = []
        for _ in range(readings):
            if turns_a_reading:
                self.bench.hands.turn("base", turns_a_reading)
            self.bench.clock.sleep(0.06)
            self.motion = self.read(turning=bool(turns_a_reading))
            seen.append(self.motion.seen)
        return seen

    def read(self, *, turning):
        acquisition, clock = self.bench.acquisition, self.bench.clock
        try:
            frequency_hz = acquisition.read_once(0.04)
        except NoSignal:
            return follow(self.motion, clock.now(), None, 0.0, turning=turning)
        doubt = float(relative_to_cents(acquisition.random_uncertainty(0.04, frequency_hz)))
        distance = 1200.0 * (self.target - log2(frequency_hz))
        return follow(self.motion, clock.now(), distance, doubt, turning=turning)


@pytest.mark.parametrize("seed", [1, 2, 3])
def test_what_a_hand_does_to_a_trim_is_seen_in_the_readings(warm, seed):
    with warm(seed=seed) as bench:
        trimming = Trimming(bench)
        assert set(trimming.watch(30)) == {Seen.STILL}
        assert Seen.AWAY in trimming.watch(8, -0.03)
        trimming.watch(12)
        nearer = trimming.watch(12, 0.03)
        assert nearer[-1] is Seen.NEARER
        assert Seen.AWAY not in nearer
        trimming.watch(60, 0.03)
        assert trimming.watch(10)[-1] is Seen.PAST
        for _ in range(20):
            if abs(trimming.motion.rest.level if trimming.motion.rest else 9.0) < 0.5:
                break
            level = trimming.motion.readings[-1].distance
            trimming.watch(1, float(np.copysign(max(abs(level) / 36.0, 0.02), level)))
            trimming.watch(12)
        assert trimming.watch(20)[-1] is Seen.INSIDE
        assert trimming.motion.done


def test_a_trim_turned_on_at_its_end_stop_changes_nothing_and_that_is_said(warm):
    with warm() as bench:
        bench.hands.turn("base", 30.0)
        bench.clock.sleep(60.0)
        trimming = Trimming(bench)
        assert trimming.watch(30, 0.05)[-1] is Seen.NOTHING
        assert trimming.watch(6)[-1] is Seen.STILL


def test_a_unit_switched_off_and_on_under_the_hand_is_seen(warm):
    with warm() as bench:
        trimming = Trimming(bench)
        trimming.watch(10)
        bench.hands.power(False)
        assert trimming.watch(2) == [Seen.NO_SIGNAL, Seen.NO_SIGNAL]
        bench.hands.power(True)
        assert trimming.watch(2) == [Seen.BACK, Seen.BACK]
        assert trimming.motion.gap_s > 1.0
