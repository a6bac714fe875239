"""Settling against the exponential law that an input with one resistor and one capacitor follows."""

import numpy as np
import pytest

from rig.science.settling import agree, has_come_to_rest, time_constant_s

NOISE = 1e-6


def exponential(time_constant: float, spacing: float, count: int = 3, size: float = 1e-3) -> list[float]:
    """Readings of a step that settles: what is left falls by exp(-t / time constant)."""
    return [size * float(np.exp(-each * spacing / time_constant)) for each in range(count)]


@pytest.mark.parametrize("true_s", [0.02, 0.1, 1.0])
def test_three_readings_of_an_exponential_give_its_time_constant(true_s):
    assert time_constant_s(exponential(true_s, 0.05), NOISE, 0.05) == pytest.approx(true_s)


@pytest.mark.parametrize(
    "readings",
    [[0.0, 1e-3], [0.0, 1e-6, 1.5e-6], [0.0, 1e-3, 0.0], [0.0, 1e-3, 3e-3]],
    ids=["too few", "noise", "to and fro", "faster and faster"],
)
def test_what_is_no_settling_has_no_time_constant(readings):
    assert time_constant_s(readings, NOISE, 0.05) is None


def test_readings_that_differ_by_their_noise_agree_almost_always():
    # normal distribution: 99.7 % lie within three standard deviations, and a difference's is sqrt(2) of one's
    one, other = np.random.default_rng(3).normal(0.0, NOISE, (2, 20_000))
    share = np.mean([agree(a, b, NOISE) for a, b in zip(one, other, strict=True)])
    assert share == pytest.approx(0.9973, abs=0.0015)


def test_two_neighbours_of_a_slow_settling_agree_and_are_not_at_rest_yet():
    slow = exponential(10.0, 0.05, 3, 6e-4)
    readings = [slow[0] + 4e-6, *slow[1:]]
    assert agree(readings[-2], readings[-1], NOISE)
    assert not has_come_to_rest(readings, NOISE)


def test_a_change_that_has_fallen_steeply_was_the_last():
    assert has_come_to_rest([0.0, 1e-5, 1.2e-5], NOISE)
