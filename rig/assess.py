"""From measured points to findings: the fit, each characteristic with its uncertainty, its limits and its decision."""

from __future__ import annotations

from dataclasses import dataclass
from math import log, sqrt
from typing import TYPE_CHECKING

import numpy as np

from rig.science.decision import Decision, Limits, Rule, decide, decide_bounded
from rig.science.drift import drift_columns
from rig.science.points import errors_cents, errors_covariance_cents2, worst_error
from rig.science.tracking import fit_tracking, jacobian, lack_of_fit, predict
from rig.science.uncertainty import pitch_covariance_octaves2

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

    from rig.acquire import Point
    from rig.bench import BenchFile
    from rig.product import Product
    from rig.science.characterisation import CvCorrection
    from rig.science.tracking import LackOfFit, Prior, TrackingFit

    Array = NDArray[np.float64]

CENTS = 1200.0
COVERAGE = 2.0
"""Coverage factor of expanded uncertainties: about 95 % for a normal distribution (JCGM 100, 6.3.3)."""
IMPROBABLE = 1e-4
"""Probability under which a misfit is not put down to chance."""


@dataclass(frozen=True, slots=True)
class Finding:
    """One characteristic of a unit: value, uncertainty, limits, decision."""

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


@dataclass(frozen=True, slots=True)
class SweepAssessment:
    """What one sweep says: the fit with drift removed, errors of the points with covariance, in cents."""

    fit: TrackingFit
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
    def covariance(self) -> Array:
        """Covariance of the tracking parameters, shape (4, 4), inflated where the scatter asks for it."""
        return np.asarray(self.fit.covariance)[:4, :4] * self.noise_inflation**2

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
    grid_v = bench.source.resolution_v / sqrt(12.0)
    slope_per_v = np.asarray(law.octaves_per_volt(cv_v))
    uncertainty = np.hypot(random, grid_v * slope_per_v)
    columns = np.asarray(drift_columns(x, time_s - np.mean(time_s), x.min(), x.max()))
    fit = fit_tracking(x, pitch, uncertainty, extra=columns, prior=prior)
    drift, drift_covariance = _drift(fit)
    misfit = lack_of_fit(fit, uncertainty, product.measuring.model_misfit_cents / CENTS)
    inflation = 1.0
    if fit.converged:
        inflation = sqrt(max(1.0, float(fit.chi_squared) / max(1, int(fit.degrees_of_freedom))))

    first = np.array([not point.revisit for point in points])
    chosen = np.flatnonzero(first)[np.argsort(x[first])]
    level = (pitch - columns @ drift)[chosen]
    programmed_v = np.array([point.cv_programmed_v for point in points])[chosen]
    covariance = (
        np.diag((uncertainty[chosen] * inflation) ** 2)
        + columns[chosen] @ drift_covariance @ columns[chosen].T
        + pitch_covariance_octaves2(law, cv_v[chosen], line.covariance_at(programmed_v))
    )
    musical = _musical(cv_v[chosen], product)
    duration_s = float(np.ptp(time_s))
    rates = drift * CENTS * 60.0
    rates_u = np.sqrt(np.diag(drift_covariance)) * inflation * CENTS * 60.0
    return SweepAssessment(
        fit=fit,
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
        noise_inflation=inflation,
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
    assessed: SweepAssessment, product: Product, time_base_relative: float, line: CvCorrection
) -> tuple[Finding, ...]:
    """Scale error, tracking in both ranges, highs error and base pitch."""
    limits, rule = product.limits, product.decision_rule
    musical, error = assessed.musical, assessed.error_cents
    x_musical = assessed.x[musical]
    centred = x_musical - np.mean(x_musical)
    slope = np.zeros(error.size)
    slope[musical] = centred / np.sum(centred**2)
    top = np.zeros(error.size)
    top[-1] = 1.0
    line_at_top = (assessed.x[-1] - np.mean(x_musical)) * slope
    line_at_top[musical] += 1.0 / np.sum(musical)
    return (
        _linear(
            "scale_error",
            "Scale error",
            "cents/octave",
            slope,
            assessed,
            limits.scale_error_cents_per_octave,
            rule,
        ),
        _worst(
            "tracking_musical",
            "Tracking, musical range",
            musical,
            assessed,
            limits.tracking_musical_cents,
            rule,
        ),
        _worst(
            "tracking_full",
            "Tracking, full range",
            np.ones_like(musical),
            assessed,
            limits.tracking_full_cents,
            rule,
        ),
        _linear("highs_error", "Highs error", "cents", top - line_at_top, assessed, limits.highs_error_cents, rule),
        _base(assessed, product, time_base_relative, line),
    )


def judged(
    characteristic: str,
    label: str,
    unit: str,
    value: float,
    standard_uncertainty: float,
    plus_minus: float,
    rule: Rule,
    *,
    nominal: float = 0.0,
    note: str = "",
) -> Finding:
    """A finding judged against nominal plus or minus a limit."""
    expanded = COVERAGE * standard_uncertainty
    limits = Limits(nominal - plus_minus, nominal + plus_minus)
    return Finding(
        characteristic=characteristic,
        label=label,
        value=value,
        unit=unit,
        expanded_uncertainty=expanded,
        limits=limits,
        rule=rule,
        decision=decide(value, expanded, limits, rule),
        lower=value - expanded,
        upper=value + expanded,
        note=note,
    )


def _linear(
    characteristic: str,
    label: str,
    unit: str,
    weights: Array,
    assessed: SweepAssessment,
    limit: float,
    rule: Rule,
) -> Finding:
    value = float(weights @ assessed.error_cents)
    variance = float(weights @ assessed.covariance_cents2 @ weights)
    return judged(characteristic, label, unit, value, sqrt(max(variance, 0.0)), limit, rule)


def _worst(
    characteristic: str,
    label: str,
    mask: NDArray[np.bool_],
    assessed: SweepAssessment,
    limit: float,
    rule: Rule,
) -> Finding:
    chosen = np.ix_(mask, mask)
    worst = worst_error(assessed.error_cents[mask], assessed.covariance_cents2[chosen])
    limits = Limits(None, limit)
    at_v = float(assessed.cv_v[mask][worst.index])
    return Finding(
        characteristic=characteristic,
        label=label,
        value=worst.value_cents,
        unit="cents",
        expanded_uncertainty=worst.upper_cents - worst.value_cents,
        limits=limits,
        rule=rule,
        decision=decide_bounded(worst.value_cents, worst.lower_cents, worst.upper_cents, limits, rule),
        lower=worst.lower_cents,
        upper=worst.upper_cents,
        note=f"worst at {at_v:.2f} V",
    )


def _base(assessed: SweepAssessment, product: Product, time_base_relative: float, line: CvCorrection) -> Finding:
    law = product.law.law()
    base_cv = np.array([product.range.base_cv_v])
    x = np.asarray(law.octaves(base_cv))
    nominal = np.log2(product.range.lowest_note_hz)
    if not assessed.fit.converged:
        lowest = int(np.argmin(np.abs(assessed.cv_v - base_cv[0])))
        found = float(CENTS * (assessed.pitch_octaves[lowest] - nominal))
        return judged(
            "base_pitch",
            "Base pitch",
            "cents",
            found,
            0.0,
            product.limits.base_pitch_cents,
            product.decision_rule,
        )
    value = float(CENTS * (predict(assessed.parameters, x)[0] - nominal))
    by_parameters = np.asarray(jacobian(assessed.parameters, x))[0]
    programmed_v = line.programmed_v(base_cv[0], 1e-6)
    by_cv = float(law.octaves_per_volt(base_cv)[0]) ** 2 * float(line.covariance_at([programmed_v])[0, 0])
    variance = (
        float(by_parameters @ assessed.covariance @ by_parameters)
        + by_cv
        + (time_base_relative / log(2.0)) ** 2
        + (product.measuring.model_misfit_cents / CENTS / sqrt(3.0)) ** 2
    )
    return judged(
        "base_pitch",
        "Base pitch",
        "cents",
        value,
        CENTS * sqrt(variance),
        product.limits.base_pitch_cents,
        product.decision_rule,
        note=f"lowest note {product.range.lowest_note_hz:.3f} Hz",
    )
