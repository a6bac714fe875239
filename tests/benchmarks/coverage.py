"""Figure: how often the stated intervals contain the truth, over virtual sweeps.

Run ``python -m tests.benchmarks.coverage [--sweeps 10000] [--seed 0] [--draws 1000000]``.

Each sweep has a unit of its own, whose tracking, drift and base pitch are known, and instruments of its own: what the
budget states of them (noise of the unit, trigger and resolution of the counter, time base, the meter's share of
reading and of range, the source's characterisation and its grid) is drawn anew from the distribution that the budget
states. The sweep is then fitted as any other, and the 95 % intervals of the budget are held against the truth.

The last part (JCGM 101:2008) draws the instruments of one unit a million times and compares the spread of what the
whole evaluation gives, fit and all, with what the budget propagates.
"""

from __future__ import annotations

import argparse
import sys
from dataclasses import dataclass, replace
from datetime import date
from math import inf, log, sqrt
from typing import TYPE_CHECKING

import numpy as np

from fixtures import demonstration_bench, demonstration_product
from rig.acquire import Point, sweep_order
from rig.assess import assess_sweep
from rig.bench import load_bench
from rig.budgets import highs_weights, scale_weights, stated_of, sweep_budgets
from rig.product import load_product
from rig.science.characterisation import SourceCurve
from rig.science.drift import drift_columns
from rig.science.levels import STATED_DEGREES_OF_FREEDOM, Scatter, level_covariance, own_covariance
from rig.science.points import errors_cents, errors_covariance_cents2, worst_error
from rig.science.tracking import fit_tracking, predict
from rig.science.uncertainty import (
    counter_relative_uncertainty,
    gate_for,
    pitch_covariance_octaves2,
)
from tests.straight import straight_curve

if TYPE_CHECKING:
    from collections.abc import Iterator

    from numpy.typing import NDArray

    from rig.budgets import Stated, SweepBudgets
    from rig.science.budget import Budget

    Array = NDArray[np.float64]

CENTS = 1200.0
SQRT3, SQRT6, SQRT12 = sqrt(3.0), sqrt(6.0), sqrt(12.0)
PRODUCT = load_product(demonstration_product()).contents
DAY = date(2026, 3, 2)
BENCH = load_bench(demonstration_bench()).contents
LAW = PRODUCT.law.law()
FACTORS = np.linspace(0.6, 2.0, 15)
BATCH = 20_000
CV_V = np.linspace(PRODUCT.range.full.low_v, PRODUCT.range.full.high_v, PRODUCT.range.points)
ORDER = sweep_order(CV_V.size)
INDEX = np.array([index for index, _ in ORDER])
READ_V = CV_V[INDEX]
X = np.asarray(LAW.octaves(READ_V))
OCTAVES_PER_VOLT = np.asarray(LAW.octaves_per_volt(READ_V))
FIRST = np.array([not revisit for _, revisit in ORDER])
CHOSEN = np.flatnonzero(FIRST)[np.argsort(X[FIRST])]
MUSICAL = (PRODUCT.range.musical.low_v - 1e-9 <= CV_V) & (PRODUCT.range.musical.high_v + 1e-9 >= CV_V)
STATED = stated_of(BENCH, PRODUCT.range.full.high_v, DAY)
NOMINAL = np.array([np.log2(PRODUCT.range.lowest_note_hz) - X.min(), 1.0, 0.0, 0.0])


def _readings() -> tuple[Array, Array, Array]:
    """Gate, whole gate and standard uncertainty (relative) of a single reading at each place of the sweep's order."""
    counter, measuring = BENCH.counter, PRODUCT.measuring
    gates, random = [], []
    for hertz in np.exp2(predict(NOMINAL, X)):
        noise = measuring.noise_cents_at_1s * log(2.0) / CENTS
        edges = {"trigger_jitter_s": counter.trigger_jitter_s, "resolution_s": counter.resolution_s}
        wanted = measuring.uncertainty_cents * sqrt(2.0) * log(2.0) / CENTS
        gate = max(gate_for(wanted, hertz, noise_at_1s=noise, periods=1.0, **edges), counter.shortest_gate_s)
        gates.append(gate)
        random.append(counter_relative_uncertainty(gate, hertz, noise_at_1s=noise, **edges))
    gate_s = np.array(gates)
    waited_s = BENCH.source.settling_s + 2.0 * gate_s + 0.03
    return gate_s, np.cumsum(waited_s) - gate_s, np.array(random)


GATE_S, TIME_S, SINGLE = _readings()
RANDOM = SINGLE / sqrt(2.0)
"""Two readings are averaged at each CV, as the rig does where they agree."""
UNCERTAINTY = np.hypot(RANDOM / log(2.0), STATED.source_grid_v * np.abs(OCTAVES_PER_VOLT))
COLUMNS = np.asarray(drift_columns(X, TIME_S - np.mean(TIME_S), X.min(), X.max()))
POWERS = np.vander(np.linspace(CV_V[0], CV_V[-1], 9), 2, increasing=True)
LINE_COVARIANCE = (1.5e-5**2 + STATED.source_grid_v**2) * np.linalg.inv(POWERS.T @ POWERS)
"""Of offset and gain of the source's line, from readings at nine voltages."""
POOR_METER = replace(STATED, meter_gain=10.0 * STATED.meter_gain, meter_offset_v=10.0 * STATED.meter_offset_v)
"""A bench on which one input outweighs all others in the scale error."""


def line_of(stated: Stated) -> SourceCurve:
    """The source as a meter of such a kind characterises it."""
    return straight_curve(0.0, 1.0, LINE_COVARIANCE + np.diag([stated.meter_offset_v**2, stated.meter_gain**2]))


@dataclass(frozen=True, slots=True)
class Units:
    """True units: tracking terms (N, 4), drift of both ends in octaves per second (N, 2), the model's misfit."""

    terms: Array
    drift: Array
    misfit_cents: Array


@dataclass(frozen=True, slots=True)
class Results:
    """What sweeps say (N, ...), in cents, or of true units what a perfect bench would say."""

    errors: Array
    scale: Array
    highs: Array
    base: Array
    factor: Array


def draw_units(count: int, generator: np.random.Generator) -> Units:
    """Invented units, every other one untrimmed (12 cents an octave, 0.02 Hz of leakage, 1 us of dead time, as spreads)
    and the rest trimmed to a twentieth of that; drift of 2 cents a minute.
    """
    spread = np.array([0.05, 0.01, 0.02, 1e-6]) * np.where(np.arange(count) % 2, 0.05, 1.0)[:, None]
    terms = NOMINAL + spread * generator.normal([0.0, 0.0, 0.5, 1.0], 1.0, (count, 4))
    drift = generator.normal(0.0, 2.0 / CENTS / 60.0, (count, 2))
    allowed = PRODUCT.measuring.model_misfit_cents
    return Units(terms, drift, generator.uniform(-allowed, allowed, count))


def _from_points(errors: Array, base: Array, factor: Array) -> Results:
    x = X[CHOSEN]
    return Results(errors, errors @ scale_weights(x, MUSICAL), errors @ highs_weights(x, MUSICAL), base, factor)


def truth(units: Units) -> Results:
    """What a perfect bench would find."""
    pitch = predict(units.terms, X[CHOSEN])
    at_base = predict(units.terms, np.asarray(LAW.octaves(np.array([PRODUCT.range.base_cv_v]))))[:, 0]
    base = CENTS * (at_base - np.log2(PRODUCT.range.lowest_note_hz)) + units.misfit_cents
    return _from_points(np.asarray(errors_cents(X[CHOSEN], pitch, MUSICAL)), base, np.ones(base.size))


def read(units: Units, generator: np.random.Generator, stated: Stated = STATED) -> Array:
    """Pitches as read on benches whose instruments are each drawn anew, (N, readings), octaves."""
    count = units.terms.shape[0]
    gain = stated.meter_gain * SQRT3 * generator.uniform(-1.0, 1.0, (count, 1))
    offset_v = stated.meter_offset_v * SQRT3 * generator.uniform(-1.0, 1.0, (count, 1))
    curve = generator.multivariate_normal(np.zeros(2), LINE_COVARIANCE, count)
    grid_v = stated.source_grid_v * SQRT3 * generator.uniform(-1.0, 1.0, (count, CV_V.size))[:, INDEX]
    true_v = READ_V - gain * READ_V - offset_v - curve[:, :1] - curve[:, 1:] * READ_V + grid_v
    pitch = predict(units.terms, np.asarray(LAW.octaves(true_v)))
    noise = generator.normal(0.0, RANDOM / log(2.0), (count, READ_V.size))
    time_base = stated.time_base_relative * SQRT3 * generator.uniform(-1.0, 1.0, (count, 1)) / log(2.0)
    return np.asarray(pitch + units.drift @ COLUMNS.T + noise + time_base)


def evaluate(pitch: Array) -> Results:
    """Sweeps evaluated as :func:`rig.assess.assess_sweep` does one."""
    fit = fit_tracking(X, pitch, UNCERTAINTY, extra=COLUMNS)
    assert bool(np.all(fit.converged))
    level = (pitch - fit.extra @ COLUMNS.T)[:, CHOSEN]
    at_base = predict(fit.parameters, np.asarray(LAW.octaves(np.array([PRODUCT.range.base_cv_v]))))[:, 0]
    base = CENTS * (at_base - np.log2(PRODUCT.range.lowest_note_hz))
    freedom = STATED_DEGREES_OF_FREEDOM + fit.degrees_of_freedom
    factor = np.sqrt((STATED_DEGREES_OF_FREEDOM + fit.chi_squared) / freedom)
    return _from_points(np.asarray(errors_cents(X[CHOSEN], level, MUSICAL)), base, factor)


def points_of(pitch: Array) -> list[Point]:
    """One sweep as the rig would have taken it."""
    return [
        Point(
            index=int(INDEX[place]),
            cv_programmed_v=float(READ_V[place]),
            cv_v=float(READ_V[place]),
            read_back_v=float(READ_V[place]),
            frequency_hz=float(2.0 ** pitch[place]),
            relative_standard_uncertainty=float(RANDOM[place]),
            gate_s=float(GATE_S[place]),
            readings_count=2,
            readings_taken=2,
            elapsed_s=float(TIME_S[place]),
            revisit=not bool(FIRST[place]),
        )
        for place in range(READ_V.size)
    ]


def budgets_of(pitch: Array, stated: Stated = STATED) -> SweepBudgets:
    """The rig's own budgets of one sweep."""
    points, line = points_of(pitch), line_of(stated)
    return sweep_budgets(assess_sweep(points, PRODUCT, BENCH, line), points, PRODUCT, stated, line)


def quantities(budgets: SweepBudgets) -> list[Budget]:
    """Budgets of scale error, highs error, base pitch and each point."""
    each_point = [budgets.point(index) for index in range(CV_V.size)]
    return [budgets.scale_error(), budgets.highs_error(), budgets.base_pitch(0.0), *each_point]


def as_rows(results: Results) -> Array:
    """The same quantities, (20, N)."""
    return np.stack([results.scale, results.highs, results.base, *results.errors.T])


def with_factor(budgets: SweepBudgets, factor: float, degrees_of_freedom: float) -> SweepBudgets:
    """The same budgets of readings that scatter more, or less, than stated."""
    return replace(budgets, scatter=Scatter(factor, degrees_of_freedom))


def expanded_by_factor(budgets: SweepBudgets) -> Array:
    """Expanded uncertainty of each quantity by how much the readings scatter, (20, FACTORS)."""
    made = [with_factor(budgets, float(each), budgets.scatter.degrees_of_freedom) for each in FACTORS]
    return np.array([[each.combine().expanded_uncertainty for each in quantities(one)] for one in made]).T


@dataclass(frozen=True, slots=True)
class Coverage:
    """Share of sweeps whose interval holds the truth, by quantity, and what is to be said of each budget."""

    names: tuple[str, ...]
    covered: Array
    by_factor_two: Array
    expected_by_factor_two: tuple[float, ...]
    remarks: tuple[str, ...]
    sweeps: int


def coverage(sweeps: int, seed: int, stated: Stated = STATED) -> Coverage:
    """Coverage of the budget's 95 % intervals, and of k = 2 in their place."""
    generator = np.random.default_rng(seed)
    units = draw_units(sweeps, generator)
    pitch = read(units, generator, stated)
    found = evaluate(pitch)
    away = np.abs(as_rows(found) - as_rows(truth(units)))
    budgets = budgets_of(pitch[0], stated)
    table = expanded_by_factor(budgets)
    allowed = np.stack([np.interp(found.factor, FACTORS, row) for row in table])
    plain = with_factor(budgets, 1.0, inf)
    combined = [each.combine() for each in quantities(plain)]
    twice = np.array([2.0 * each.standard_uncertainty for each in combined])[:, None]
    return Coverage(
        tuple(each.quantity for each in quantities(plain)),
        np.mean(away <= allowed, axis=1),
        np.mean(away <= twice, axis=1),
        tuple(each.covered_by_two for each in combined),
        tuple(each.remark for each in combined),
        sweeps,
    )


@dataclass(frozen=True, slots=True)
class WorstBounds:
    """How often the true worst error lies under its bound, in both ranges, and the bias of the worst, cents."""

    musical: float
    full: float
    bias_cents: float
    stated_bias_cents: float
    sweeps: int


def worst_bounds(sweeps: int, seed: int) -> WorstBounds:
    """Coverage of the one-sided 95 % bound of the worst error, by Monte Carlo over the points of each sweep."""
    generator = np.random.default_rng(seed)
    units = draw_units(sweeps, generator)
    pitch = read(units, generator)
    found, right = evaluate(pitch), truth(units)
    own, common = covariances(budgets_of(pitch[0]))
    under, bias, stated = np.zeros((sweeps, 2), dtype=np.bool_), np.zeros(sweeps), np.zeros(sweeps)
    for place in range(sweeps):
        covariance = own * found.factor[place] ** 2 + common
        for which, mask in enumerate((MUSICAL, np.ones_like(MUSICAL))):
            worst = worst_error(found.errors[place][mask], covariance[np.ix_(mask, mask)])
            true_cents = float(np.max(np.abs(right.errors[place][mask])))
            under[place, which] = true_cents <= worst.upper_cents
            bias[place], stated[place] = worst.value_cents - true_cents, worst.bias_cents
    share = np.mean(under, axis=0)
    return WorstBounds(float(share[0]), float(share[1]), float(np.mean(bias)), float(np.mean(stated)), sweeps)


def covariances(budgets: SweepBudgets) -> tuple[Array, Array]:
    """Covariance of the errors of the points: from the readings' own uncertainty, and from the CV, cents squared."""
    readings = own_covariance(RANDOM / log(2.0), STATED.source_grid_v * np.abs(OCTAVES_PER_VOLT), INDEX)
    own = level_covariance(budgets.assessed.fit, X, COLUMNS, UNCERTAINTY, readings)[np.ix_(CHOSEN, CHOSEN)]
    common = pitch_covariance_octaves2(LAW, CV_V, line_of(STATED).covariance_at(CV_V))
    return errors_covariance_cents2(own, MUSICAL), errors_covariance_cents2(common, MUSICAL)


@dataclass(frozen=True, slots=True)
class Propagation:
    """One quantity by the budget and by Monte Carlo: standard uncertainty and half width that holds 95 %."""

    name: str
    standard_uncertainty: float
    drawn_standard_uncertainty: float
    expanded_uncertainty: float
    drawn_half_width: float


def by_monte_carlo(draws: int, seed: int) -> list[Propagation]:
    """JCGM 101: one unit on ``draws`` benches, through the whole evaluation, against the law of propagation."""
    generator = np.random.default_rng(seed)
    one = draw_units(1, generator)
    budgets = with_factor(budgets_of(read(one, generator)[0]), 1.0, inf)
    rows = []
    for start in range(0, draws, BATCH):
        size = min(BATCH, draws - start)
        allowed = PRODUCT.measuring.model_misfit_cents
        units = Units(
            np.repeat(one.terms, size, axis=0),
            np.repeat(one.drift, size, axis=0),
            generator.uniform(-allowed, allowed, size),
        )
        rows.append((as_rows(evaluate(read(units, generator))) - as_rows(truth(units))).astype(np.float32))
    away = np.concatenate(rows, axis=1)
    drawn = np.std(away, axis=1, dtype=np.float64)
    widths = np.quantile(np.abs(away - np.mean(away, axis=1, keepdims=True)), 0.95, axis=1)
    made = [(each.quantity, each.combine()) for each in quantities(budgets)]
    return [
        Propagation(
            name, each.standard_uncertainty, float(drawn[place]), each.expanded_uncertainty, float(widths[place])
        )
        for place, (name, each) in enumerate(made)
    ]


def report(sweeps: int, seed: int, draws: int) -> Iterator[str]:
    """The figures as text."""
    for bench, stated in (("the demonstration's bench", STATED), ("a bench with a tenfold worse meter", POOR_METER)):
        seen = coverage(sweeps, seed, stated)
        yield f"{sweeps} sweeps on {bench}, seed {seed}: share whose 95 % interval holds the truth (goal 94 to 96 %),"
        yield "  then that of k = 2 in its place, and what the budget expects of k = 2"
        for place, name in enumerate(seen.names):
            remark = f"   {seen.remarks[place]}" if seen.remarks[place] else ""
            expected = seen.expected_by_factor_two[place]
            yield f"  {name:<28}{seen.covered[place]:8.2%}{seen.by_factor_two[place]:9.2%}{expected:9.2%}{remark}"
    worst = worst_bounds(sweeps, seed + 1)
    yield f"worst error under its one-sided 95 % bound: musical {worst.musical:.2%}, full {worst.full:.2%} (goal 95 %)"
    yield f"  bias of the worst found: {worst.bias_cents:+.3f} cents; stated: {worst.stated_bias_cents:+.3f} cents"
    yield f"JCGM 101, {draws} draws: standard uncertainty propagated and drawn, half width of 95 % propagated and drawn"
    for each in by_monte_carlo(draws, seed + 2):
        yield (
            f"  {each.name:<28}{each.standard_uncertainty:9.4f}{each.drawn_standard_uncertainty:9.4f}"
            f"{each.expanded_uncertainty:9.4f}{each.drawn_half_width:9.4f}"
        )


def main() -> None:
    """Run the figure and print it."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--sweeps", type=int, default=10_000)
    parser.add_argument("--seed", type=int, default=0)
    parser.add_argument("--draws", type=int, default=1_000_000)
    chosen = parser.parse_args()
    sys.stdout.writelines(f"{line}\n" for line in report(chosen.sweeps, chosen.seed, chosen.draws))


if __name__ == "__main__":
    main()
