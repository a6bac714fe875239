"""From measured points to findings: the fit, each characteristic with its uncertainty, its limits and its decision."""

from __future__ import annotations

from dataclasses import dataclass
from math import log, sqrt
from typing import TYPE_CHECKING

import numpy as np

from rig.budgets import sweep_budgets
from rig.science.conformity import GUARD_PROBABILITY, Decision, Limits, Rule
from rig.science.decision import decide, decide_bounded
from rig.science.drift import drift_columns
from rig.science.levels import averaging, level_covariance, own_covariance, pooled_scatter, terms_covariance
from rig.science.measured_cv import own_uncertainty_v
from rig.science.points import errors_cents, errors_covariance_cents2, risk_of_worst, worst_error
from rig.science.tracking import fit_tracking, lack_of_fit, predict
from rig.science.uncertainty import pitch_covariance_octaves2

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

    from rig.acquire import Point
    from rig.bench import BenchFile
    from rig.budgets import Stated, SweepBudgets
    from rig.product import Product
    from rig.science.budget import Budget
    from rig.science.characterisation import CvCorrection
    from rig.science.tracking import LackOfFit, Prior, TrackingFit

    Array = NDArray[np.float64]

CENTS = 1200.0
IMPROBABLE = 1e-4
"""Probability under which a misfit is not put down to chance."""


@dataclass(frozen=True, slots=True)
class Finding:
    """One characteristic of a unit: value, uncertainty, limits, decision.

    ``lower`` and ``upper`` are the bounds by which a guarded decision was made. ``risk`` is that of the decision being
    wrong (JCGM 106:2012, clause 9): of false acceptance where the value is inside, of false rejection where it is not.
    """

    characteristic: str
    label: str
    value: float
    unit: str
    expanded_uncertainty: float
    limits: Limits
    rule: Rule
    decision: Decision
    lower: float
    upper: float
    note: str = ""
    budget: Budget | None = None
    risk: float | None = None


@dataclass(frozen=True, slots=True)
class SweepAssessment:
    """What one sweep says: the fit with drift removed, errors of the points with covariance, in cents.

    ``points`` as they were taken. ``covariance`` (4, 4) is that of the tracking terms, from the readings' own doubt.
    """

    points: tuple[Point, ...]
    fit: TrackingFit
    covariance: Array
    misfit: LackOfFit
    x: Array
    cv_v: Array
    pitch_octaves: Array
    error_cents: Array
    covariance_cents2: Array
    musical: NDArray[np.bool_]
    drift_cents_per_minute: tuple[float, float]
    drift_standard_uncertainty: tuple[float, float]
    drifted_cents: float
    noise_inflation: float

    @property
    def parameters(self) -> Array:
        """Tracking parameters, shape (4,)."""
        return np.asarray(self.fit.parameters)

    @property
    def fits(self) -> bool:
        """Whether the misfit can be put down to chance and to what the product allows."""
        return bool(np.all(self.fit.converged)) and bool(self.misfit.probability > IMPROBABLE)


def assess_sweep(
    points: Sequence[Point], product: Product, bench: BenchFile, line: CvCorrection, *, prior: Prior | None = None
) -> SweepAssessment:
    """Fit one sweep and take its drift away.

    :param prior: what is known of leakage and dead time from an earlier sweep, for short sweeps.
    """
    law = product.law.law()
    cv_v = np.array([point.cv_v for point in points])
    x = np.asarray(law.octaves(cv_v))
    pitch = np.log2([point.frequency_hz for point in points])
    time_s = np.array([point.elapsed_s for point in points])
    random = np.array([point.relative_standard_uncertainty for point in points]) / log(2.0)
    grid_v = own_uncertainty_v(line, bench.source.resolution_v / sqrt(12.0))
    slope_per_v = np.asarray(law.octaves_per_volt(cv_v))
    grid = grid_v * np.abs(slope_per_v)
    uncertainty = np.hypot(random, grid)
    columns = np.asarray(drift_columns(x, time_s - np.mean(time_s), x.min(), x.max()))
    fit = fit_tracking(x, pitch, uncertainty, extra=columns, prior=prior)
    drift, drift_covariance = _drift(fit)
    misfit = lack_of_fit(fit, uncertainty, product.measuring.model_misfit_cents / CENTS)
    scatter = pooled_scatter(fit)
    own = own_covariance(random, grid, [point.index for point in points]) * scatter.factor**2
    terms = np.asarray(fit.covariance)[:4, :4]
    if fit.converged:
        terms = terms_covariance(fit, x, columns, uncertainty, own)

    first = np.array([not point.revisit for point in points])
    index = np.array([point.index for point in points])
    chosen = np.flatnonzero(first)[np.unique(index[first], return_index=True)[1]]
    mean = averaging(index, first, random)
    level = mean @ (pitch - columns @ drift)
    programmed_v = np.array([point.cv_programmed_v for point in points])[chosen]
    covariance = mean @ level_covariance(fit, x, columns, uncertainty, own) @ mean.T
    covariance = covariance + pitch_covariance_octaves2(law, cv_v[chosen], line.covariance_at(programmed_v))
    musical = _musical(cv_v[chosen], product)
    duration_s = float(np.ptp(time_s))
    rates = drift * CENTS * 60.0
    rates_u = np.sqrt(np.diag(drift_covariance)) * scatter.factor * CENTS * 60.0
    return SweepAssessment(
        points=tuple(points),
        fit=fit,
        covariance=terms,
        misfit=misfit,
        x=x[chosen],
        cv_v=cv_v[chosen],
        pitch_octaves=level,
        error_cents=np.asarray(errors_cents(x[chosen], level, musical)),
        covariance_cents2=errors_covariance_cents2(covariance, musical),
        musical=musical,
        drift_cents_per_minute=(float(rates[0]), float(rates[1])),
        drift_standard_uncertainty=(float(rates_u[0]), float(rates_u[1])),
        drifted_cents=float(np.max(np.abs(rates)) * duration_s / 60.0),
        noise_inflation=scatter.factor,
    )


def _drift(fit: TrackingFit) -> tuple[Array, Array]:
    """Drift at the low and the high CV with covariance; none is taken away where nothing could be fitted."""
    if not fit.converged:
        return np.zeros(2), np.zeros((2, 2))
    return np.asarray(fit.extra), np.asarray(fit.covariance)[4:, 4:]


def _musical(cv_v: Array, product: Product) -> NDArray[np.bool_]:
    """Which points lie in the musical range, its ends included whatever the last digit of their true voltage."""
    musical, full = product.range.musical, product.range.full
    slack_v = 0.02 * (full.high_v - full.low_v) / product.range.points
    return np.asarray((cv_v >= musical.low_v - slack_v) & (cv_v <= musical.high_v + slack_v))


def tracking_findings(
    assessed: SweepAssessment,
    product: Product,
    stated: Stated,
    line: CvCorrection,
    *,
    guard_probability: float = GUARD_PROBABILITY,
) -> tuple[Finding, ...]:
    """Scale error, tracking in both ranges, highs error and base pitch.

    :param guard_probability: coverage of the interval that a guard band is made of.
    """
    limits, guard = product.limits, _Guard(product.decision_rule, guard_probability)
    budgets, musical = sweep_budgets(assessed, assessed.points, product, stated, line), assessed.musical
    whole = np.ones_like(musical)
    scale, highs = budgets.scale_error(), budgets.highs_error()
    return (
        guard.judged("scale_error", "Scale error", scale, limits.scale_error_cents_per_octave),
        _worst("tracking_musical", "Tracking, musical range", musical, budgets, limits.tracking_musical_cents, guard),
        _worst("tracking_full", "Tracking, full range", whole, budgets, limits.tracking_full_cents, guard),
        guard.judged("highs_error", "Highs error", highs, limits.highs_error_cents),
        _base(assessed, product, budgets, guard),
    )


@dataclass(frozen=True, slots=True)
class _Guard:
    """The product's rule, and the coverage of the interval that a guard band is made of."""

    rule: Rule
    probability: float

    def judged(self, characteristic: str, label: str, budget: Budget, plus_minus: float, note: str = "") -> Finding:
        """A finding judged against plus or minus a limit."""
        return judged(
            characteristic, label, budget, plus_minus, self.rule, note=note, guard_probability=self.probability
        )


def judged(
    characteristic: str,
    label: str,
    budget: Budget,
    plus_minus: float,
    rule: Rule,
    *,
    nominal: float = 0.0,
    note: str = "",
    guard_probability: float = GUARD_PROBABILITY,
) -> Finding:
    """A finding judged against nominal plus or minus a limit, with the expanded uncertainty of its budget."""
    expanded, guard_band = budget.combine().expanded_uncertainty, budget.expanded(guard_probability)
    limits = Limits(nominal - plus_minus, nominal + plus_minus)
    return Finding(
        characteristic=characteristic,
        label=label,
        value=budget.value,
        unit=budget.unit,
        expanded_uncertainty=expanded,
        limits=limits,
        rule=rule,
        decision=decide(budget.value, guard_band, limits, rule),
        lower=budget.value - guard_band,
        upper=budget.value + guard_band,
        note=note,
        budget=budget,
        risk=_risk(budget, limits),
    )


def _risk(budget: Budget, limits: Limits) -> float:
    outside = budget.outside(limits.lowest, limits.highest)
    return outside if limits.hold(budget.value) else 1.0 - outside


def _worst(
    characteristic: str, label: str, mask: NDArray[np.bool_], budgets: SweepBudgets, limit: float, guard: _Guard
) -> Finding:
    assessed = budgets.assessed
    errors, covariance = assessed.error_cents[mask], assessed.covariance_cents2[np.ix_(mask, mask)]
    worst = worst_error(errors, covariance, probability=(1.0 + guard.probability) / 2.0)
    limits = Limits(None, limit)
    at_v = float(assessed.cv_v[mask][worst.index])
    return Finding(
        characteristic=characteristic,
        label=label,
        value=worst.value_cents,
        unit="cents",
        expanded_uncertainty=worst.fortieth_cents - worst.value_cents,
        limits=limits,
        rule=guard.rule,
        decision=decide_bounded(
            worst.value_cents, worst.lower_cents, worst.upper_cents, limits, guard.rule, nominal=0.0
        ),
        lower=worst.lower_cents,
        upper=worst.upper_cents,
        note=f"worst at {_without_minus(at_v):.2f} V",
        budget=budgets.worst(mask),
        risk=risk_of_worst(errors, covariance, limit),
    )


def _without_minus(value_v: float) -> float:
    """A voltage to hundredths, which is never minus nought."""
    return round(value_v, 2) + 0.0


def _base(assessed: SweepAssessment, product: Product, budgets: SweepBudgets, guard: _Guard) -> Finding:
    law, limit, rule = product.law.law(), product.limits.base_pitch_cents, guard.rule
    base_cv = np.array([product.range.base_cv_v])
    nominal = np.log2(product.range.lowest_note_hz)
    if not assessed.fit.converged:
        # how far off it may be nobody knows without a curve, so it is not decided
        lowest = int(np.argmin(np.abs(assessed.cv_v - base_cv[0])))
        found = float(CENTS * (assessed.pitch_octaves[lowest] - nominal))
        return Finding(
            characteristic="base_pitch",
            label="Base pitch",
            value=found,
            unit="cents",
            expanded_uncertainty=0.0,
            limits=Limits(-limit, limit),
            rule=rule,
            decision=Decision.NO_DECISION,
            lower=found,
            upper=found,
            note="no curve fits this sweep",
        )
    value = float(CENTS * (predict(assessed.parameters, np.asarray(law.octaves(base_cv)))[0] - nominal))
    note = f"lowest note {product.range.lowest_note_hz:.3f} Hz"
    return guard.judged("base_pitch", "Base pitch", budgets.base_pitch(value), limit, note)
