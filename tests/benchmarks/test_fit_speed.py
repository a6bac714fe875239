"""How fast sweeps are fitted.

``python tests/benchmarks/test_fit_speed.py`` prints the figures; ``pytest --benchmark-enable`` times too.
"""

import statistics
import sys
import time

import numpy as np
import pytest
from scipy.optimize import curve_fit

from rig.science.tracking import fit_tracking, predict

SEED = 20240
SWEEPS = 100_000
X = np.linspace(0.0, 8.0, 17)
UNCERTAINTY = np.full(17, 0.05 / 1200)
NOMINAL = np.array([5.0, 1.0, 0.0, 0.0])
SCALE = np.array([1.0, 1.0, 1e-2, 1e-6])


def production(count):
    """Invented units: scale off by 12 cents per octave, 0.02 Hz of leakage, 1 us of dead time, as spreads."""
    generator = np.random.default_rng(SEED)
    units = generator.normal([5.03, 1.0, 0.01, 1e-6], [0.05, 0.01, 0.02, 1e-6], (count, 4))
    return predict(units, X) + generator.normal(0.0, UNCERTAINTY, (count, 17))


def model(x, core, slope, leakage, dead_time):
    return -np.log2(1.0 / (np.exp2(core + slope * x) + 1e-2 * leakage) + 1e-6 * dead_time)


def by_scipy(pitch):
    """The same terms in units that suit MINPACK, with its own differences and a nominal unit to start."""
    return curve_fit(model, X, pitch, NOMINAL, sigma=UNCERTAINTY, absolute_sigma=True)


def complex_step(x, *terms):
    """Derivatives to the last digit: forward differences of a leakage near nought would be off by 0.03 u."""
    steps = np.array(terms) + 1e-30j * np.eye(4)
    return np.stack([model(x, *each).imag / 1e-30 for each in steps], axis=-1)


def disagreement(pitch):
    """Largest difference from scipy's answer in standard uncertainties, over the sweeps given."""
    fit = fit_tracking(X, pitch, UNCERTAINTY)
    exact = {"sigma": UNCERTAINTY, "absolute_sigma": True, "jac": complex_step, "ftol": 1e-14, "xtol": 1e-14}
    outside = np.array([curve_fit(model, X, each, NOMINAL, **exact)[0] for each in pitch]) * SCALE
    return float(np.max(np.abs(fit.parameters - outside) / fit.standard_uncertainty()))


@pytest.mark.benchmark(group="stack")
def test_a_hundred_thousand_sweeps(benchmark):
    fit = benchmark.pedantic(fit_tracking, (X, production(SWEEPS), UNCERTAINTY), rounds=3)
    assert fit.converged.all()


@pytest.mark.benchmark(group="one")
def test_one_sweep(benchmark):
    assert benchmark(fit_tracking, X, production(1)[0], UNCERTAINTY).converged


@pytest.mark.benchmark(group="one")
def test_one_sweep_by_scipy(benchmark):
    values, _ = benchmark(by_scipy, production(1)[0])
    assert np.isfinite(values).all()


def test_five_hundred_sweeps_agree_with_scipy_within_a_hundredth_of_their_uncertainty():
    assert disagreement(production(500)) < 0.01


def alternating_us(one, other, rounds=41, repeats=50):
    """Medians of two functions timed in turn, so that a busy machine treats both alike, microseconds."""
    times = ([], [])
    for _ in range(rounds):
        for function, own in zip((one, other), times, strict=True):
            began = time.perf_counter()
            for _ in range(repeats):
                function()
            own.append((time.perf_counter() - began) / repeats * 1e6)
    return tuple(statistics.median(own) for own in times)


def figures():
    pitch = production(SWEEPS)
    began = time.perf_counter()
    fit = fit_tracking(X, pitch, UNCERTAINTY)
    took_s = time.perf_counter() - began
    yield f"{SWEEPS} sweeps of 17 points: {took_s:.2f} s, {np.mean(fit.converged):.2%} converged (goal: 6 s)"
    ours_us, scipy_us = alternating_us(lambda: fit_tracking(X, pitch[0], UNCERTAINTY), lambda: by_scipy(pitch[0]))
    yield f"one sweep: {ours_us:.0f} us, scipy {scipy_us:.0f} us: ratio {ours_us / scipy_us:.2f} (goal: 1)"
    yield f"largest difference in 500 sweeps: {disagreement(pitch[:500]):.1g} u (goal: 0.01)"


if __name__ == "__main__":
    sys.stdout.writelines(f"{line}\n" for line in figures())
