"""Tracking of a unit: its pitch against control voltage, fitted with all terms at once.

One weighted fit gives core pitch, slope, leakage and the combined highs term with their covariance. Intervals
always come from the full model; which terms matter is a question for the diagnosis only. Works on one sweep
of shape (n,) or on a stack (..., n). Probabilities are imported by those who ask for one: judging again fits in
processes that ask for none, and would begin a quarter later.
"""

from __future__ import annotations

from dataclasses import dataclass
from math import prod
from typing import TYPE_CHECKING

import numpy as np

from rig.science.pitch import CENTS_PER_OCTAVE
from rig.science.tracking_model import (
    CORE,
    DEAD_TIME,
    LEAKAGE,
    PARAMETERS,
    SLOPE,
    jacobian,
    predict,
)
from rig.science.tracking_solver import TERMS, Problem, Solution, solve

if TYPE_CHECKING:
    from numpy.typing import ArrayLike, NDArray

    Array = NDArray[np.float64]
    Flags = NDArray[np.bool_]

__all__ = [
    "CORE",
    "DEAD_TIME",
    "LEAKAGE",
    "PARAMETERS",
    "SLOPE",
    "LackOfFit",
    "Prior",
    "StraightLine",
    "TrackingFit",
    "fit_tracking",
    "jacobian",
    "lack_of_fit",
    "predict",
    "scale_error_cents_per_octave",
    "straight_line",
    "terms_that_matter",
]

FOLLOWS = 3.0
"""A slope must exceed this many of its standard uncertainties, or the unit does not follow its CV."""


@dataclass(frozen=True, slots=True)
class Prior:
    """What is known of the four terms before the sweep, as a Gaussian.

    ``mean`` (..., 4) and ``covariance`` (..., 4, 4) in the order of ``PARAMETERS``. An infinite variance
    means that nothing is known of that term; its covariances with the others are then ignored.
    """

    mean: Array
    covariance: Array

    def information(self) -> Array:
        """Inverse covariance, with nought for the terms of which nothing is known, shape (..., 4, 4).

        :raises ValueError: wrong shape, or the covariance of the known terms is not positive definite.
        """
        covariance = np.asarray(self.covariance, dtype=np.float64)
        if covariance.shape[-2:] != (TERMS, TERMS):
            raise ValueError(f"a prior's covariance has shape (..., 4, 4), not {covariance.shape}")
        information = np.zeros_like(covariance)
        for place in np.ndindex(covariance.shape[:-2]):
            information[place] = _information(covariance[place])
        return information


def _information(covariance: Array) -> Array:
    known = np.flatnonzero(np.isfinite(np.diagonal(covariance)))
    information = np.zeros((TERMS, TERMS))
    pair = np.ix_(known, known)
    block = covariance[pair]
    deviations = np.sqrt(np.maximum(np.diagonal(block), 0.0))
    correlation = block / np.where(deviations > 0.0, deviations, np.nan)[:, None] / deviations
    if not (np.isfinite(correlation).all() and np.all(np.linalg.eigvalsh(correlation) > 0.0)):
        raise ValueError("the prior's covariance of the known terms is not positive definite; check its variances")
    information[pair] = np.linalg.inv(correlation) / deviations[:, None] / deviations
    return information


@dataclass(frozen=True, slots=True)
class TrackingFit:
    """A fit of one sweep, or of a stack with the leading shape ``...``, with k columns besides the terms.

    ``parameters`` (..., 4) and ``extra`` (..., k) have the joint ``covariance`` (..., 4 + k, 4 + k), from the
    stated uncertainties of the readings. ``chi_squared`` includes the prior's share, and
    ``degrees_of_freedom`` counts the terms that a prior knows as readings. ``residuals`` (..., n) are reading
    minus model in octaves, NaN for a point that was left out. ``converged`` is False where no answer was
    found, the sweep does not determine it, or the pitch does not follow the CV; of a sweep that could not be
    tried the numbers are NaN.
    """

    parameters: Array
    extra: Array
    covariance: Array
    chi_squared: Array
    degrees_of_freedom: NDArray[np.int64]
    residuals: Array
    converged: Flags

    def standard_uncertainty(self) -> Array:
        """Standard uncertainties of the four terms, shape (..., 4)."""
        return np.asarray(np.sqrt(np.diagonal(self.covariance, axis1=-2, axis2=-1)[..., :TERMS]))


def fit_tracking(
    x: ArrayLike,
    pitch: ArrayLike,
    standard_uncertainty: ArrayLike,
    *,
    extra: ArrayLike | None = None,
    prior: Prior | None = None,
) -> TrackingFit:
    """Fit the tracking model to one sweep or to a stack of sweeps.

    :param x: octaves of the law, (n,) or (..., n).
    :param pitch: octaves re 1 Hz, (n,) or (..., n).
    :param standard_uncertainty: of each pitch, octaves; infinite leaves a point out. A scalar will do.
    :param extra: linear columns besides the four terms, such as drift, (n, k) or (..., n, k).
    :param prior: Gaussian prior on the four terms, for sweeps too short to tell them all.
    :raises ValueError: shapes do not go together; an uncertainty is not above 0; in a single sweep a reading
        is not finite or there are fewer readings than terms. In a stack such a sweep gets ``converged`` False
        and NaN.
    """
    positions, readings = np.asarray(x, dtype=np.float64), np.asarray(pitch, dtype=np.float64)
    uncertainty = np.asarray(standard_uncertainty, dtype=np.float64)
    shape = _common_shape(positions, readings, uncertainty)
    if np.count_nonzero(uncertainty > 0.0) < uncertainty.size:
        raise ValueError("every standard uncertainty must be above 0; give infinity to leave a point out")
    lead = shape[:-1]
    columns = _columns(extra, shape)
    prior_mean, information, known = _prior_stack(prior, lead)
    problem = Problem(
        _stack(positions, shape),
        _stack(readings, shape),
        _stack(1.0 / uncertainty, shape),
        columns,
        prior_mean,
        information,
    )
    used = problem.weight > 0.0
    readings_used = np.add.reduce(used, axis=-1)
    if np.count_nonzero(used) < used.size:
        problem = _without_left_out(problem, used)
    freedom = readings_used + (known - problem.terms)
    finite = np.isfinite(problem.pitch + problem.x + np.add.reduce(problem.columns, axis=1))
    tried = np.logical_and.reduce(finite, axis=-1) & (freedom >= 0)
    if not lead and not tried[0]:
        raise ValueError(_why_not_tried(finite[0], int(readings_used[0]), int(freedom[0])))
    solution = solve(problem) if np.count_nonzero(tried) == tried.size else _solve_some(problem, tried)
    slope, slope_variance = solution.unknowns[:, SLOPE], solution.covariance[:, SLOPE, SLOPE]
    follows = np.abs(slope) > FOLLOWS * np.sqrt(slope_variance)
    return TrackingFit(
        parameters=solution.unknowns[:, :TERMS].reshape(*lead, TERMS),
        extra=solution.unknowns[:, TERMS:].reshape(*lead, columns.shape[1]),
        covariance=solution.covariance.reshape(*lead, problem.terms, problem.terms),
        chi_squared=solution.chi_squared.reshape(lead),
        degrees_of_freedom=freedom.reshape(lead),
        residuals=solution.residuals.reshape(shape),
        converged=(solution.converged & follows).reshape(lead),
    )


def scale_error_cents_per_octave(fit: TrackingFit) -> tuple[Array, Array]:
    """Scale error of the core and its standard uncertainty, cents per octave; for diagnosis, no finding."""
    uncertainty = np.sqrt(fit.covariance[..., SLOPE, SLOPE])
    return CENTS_PER_OCTAVE * (fit.parameters[..., SLOPE] - 1.0), CENTS_PER_OCTAVE * uncertainty


def terms_that_matter(fit: TrackingFit, significance: float = 0.01) -> Flags:
    """Which terms differ from those of a perfect unit (slope 1, no leakage, no dead time), shape (..., 4).

    Wald's test of each term in the full model (A. Wald, 1943). For the diagnosis only: intervals that follow
    such a choice of terms do not hold. The core pitch always matters.
    """
    from scipy.special import chdtrc

    variance = np.diagonal(fit.covariance, axis1=-2, axis2=-1)[..., :TERMS]
    away = fit.parameters - np.array([0.0, 1.0, 0.0, 0.0])
    matter = chdtrc(1.0, away**2 / variance) < significance
    matter[..., CORE] = True
    return np.asarray(matter)


@dataclass(frozen=True, slots=True)
class LackOfFit:
    """Probability of so large a misfit by chance, and the reading that stands out most.

    The probability is 0 where the fit did not converge, NaN where no reading is left over to judge by. The
    reading's residual is signed; its index counts along the sweep.
    """

    probability: Array
    worst_residual_cents: Array
    worst_index: NDArray[np.intp]


def lack_of_fit(fit: TrackingFit, standard_uncertainty: ArrayLike, allowance_octaves: ArrayLike = 0.0) -> LackOfFit:
    """Whether a unit is an oscillator of this kind: chi-squared test of the residuals.

    :param standard_uncertainty: of each pitch, octaves, as for the fit.
    :param allowance_octaves: standard deviation of what a good unit and the CV may add to the noise, octaves;
        a scalar or an array that broadcasts against the residuals.
    """
    from scipy.special import chdtrc

    variance = np.square(standard_uncertainty) + np.square(allowance_octaves)
    with np.errstate(invalid="ignore"):
        share = np.abs(fit.residuals) / np.sqrt(variance)
    judged = np.nan_to_num(share, nan=-1.0)
    index = np.argmax(judged, axis=-1)
    worst = np.take_along_axis(fit.residuals, index[..., None], axis=-1)[..., 0]
    chi_squared = np.square(np.maximum(judged, 0.0)).sum(axis=-1)
    freedom = np.asarray(fit.degrees_of_freedom, dtype=np.float64)
    probability = np.where(freedom > 0.0, chdtrc(np.maximum(freedom, 1.0), chi_squared), np.nan)
    return LackOfFit(np.where(fit.converged, probability, 0.0), CENTS_PER_OCTAVE * worst, index)


@dataclass(frozen=True, slots=True)
class StraightLine:
    """Straight line through points: slope, intercept (at x = 0), ``covariance`` (..., 2, 2) in that order.

    ``slope_sensitivities`` (..., n) are the derivatives of the slope by each pitch, for propagating
    uncertainties that points have in common.
    """

    slope: Array
    intercept: Array
    covariance: Array
    slope_sensitivities: Array

    def scale_error_cents_per_octave(self) -> tuple[Array, Array]:
        """Scale error as a finding: 1200 (slope - 1), and its standard uncertainty."""
        return CENTS_PER_OCTAVE * (self.slope - 1.0), CENTS_PER_OCTAVE * np.sqrt(self.covariance[..., 0, 0])


def straight_line(
    x: ArrayLike,
    pitch: ArrayLike,
    standard_uncertainty: ArrayLike,
    *,
    mask: ArrayLike | None = None,
    weights: ArrayLike | None = None,
) -> StraightLine:
    """Straight line over a range; (n,) or stacks (..., n).

    What is left of a unit's curve is no noise, so the weights are part of the definition of the slope. They
    are equal unless given; ``weights = 1 / standard_uncertainty**2`` makes it weighted least squares.

    :param mask: points that count (the musical range); all unless given.
    :raises ValueError: fewer than two points count, or all at one x.
    """
    positions, readings = np.asarray(x, dtype=np.float64), np.asarray(pitch, dtype=np.float64)
    counting = np.asarray(True if mask is None else mask, dtype=np.bool_)
    share = np.where(counting, 1.0 if weights is None else np.asarray(weights, dtype=np.float64), 0.0)
    share = np.broadcast_to(share, np.broadcast_shapes(share.shape, positions.shape, readings.shape))
    if np.any(np.count_nonzero(share, axis=-1) < 2):
        raise ValueError("a straight line needs at least two points in the range")
    share = share / share.sum(axis=-1, keepdims=True)
    centre = np.sum(share * positions, axis=-1, keepdims=True)
    spread = np.sum(share * (positions - centre) ** 2, axis=-1, keepdims=True)
    if not np.all(spread > 0.0):
        raise ValueError("a straight line needs points at different control voltages")
    by_slope = share * (positions - centre) / spread
    by_intercept = share - by_slope * centre
    counted = np.where(share > 0.0, readings, 0.0)
    sensitivities = np.stack([by_slope, by_intercept], axis=-2)
    scaled = sensitivities * np.where(share > 0.0, standard_uncertainty, 0.0)[..., None, :]
    return StraightLine(
        slope=np.sum(by_slope * counted, axis=-1),
        intercept=np.sum(by_intercept * counted, axis=-1),
        covariance=scaled @ np.swapaxes(scaled, -1, -2),
        slope_sensitivities=by_slope,
    )


def _common_shape(*arrays: Array) -> tuple[int, ...]:
    shapes = [each.shape for each in arrays]
    try:
        shape = np.broadcast_shapes(*shapes)
    except ValueError:
        raise ValueError(f"x, pitch and uncertainty do not go together: their shapes are {shapes}") from None
    if not shape or shape[-1] == 0:
        raise ValueError("a sweep needs its points along the last axis")
    return shape


def _stack(array: Array, shape: tuple[int, ...]) -> Array:
    """Points last, sweeps before them in one row of rows, (N, n)."""
    return (
        array.reshape(-1, shape[-1]) if array.shape == shape else np.broadcast_to(array, shape).reshape(-1, shape[-1])
    )


def _columns(extra: ArrayLike | None, shape: tuple[int, ...]) -> Array:
    """Linear columns with the points last, (N, k, n)."""
    if extra is None:
        return np.zeros((prod(shape[:-1]), 0, shape[-1]))
    columns = np.asarray(extra, dtype=np.float64)
    if columns.ndim < 2 or columns.shape[-2] != shape[-1]:
        raise ValueError(f"extra columns have shape (..., n, k) with n = {shape[-1]}, not {columns.shape}")
    full = np.broadcast_to(columns, (*shape, columns.shape[-1]))
    return np.ascontiguousarray(full.reshape(prod(shape[:-1]), *columns.shape[-2:]).transpose(0, 2, 1))


def _prior_stack(prior: Prior | None, lead: tuple[int, ...]) -> tuple[Array | None, Array | None, NDArray[np.int64]]:
    """Prior mean and information for each sweep of the stack, and how many terms each prior knows."""
    count = prod(lead)
    if prior is None:
        return None, None, np.zeros(count, dtype=np.int64)
    information = np.broadcast_to(prior.information(), (*lead, TERMS, TERMS)).reshape(count, TERMS, TERMS)
    known = np.diagonal(information, axis1=1, axis2=2) > 0.0
    mean = np.broadcast_to(np.asarray(prior.mean, dtype=np.float64), (*lead, TERMS)).reshape(count, TERMS)
    if not np.isfinite(mean[known]).all():
        raise ValueError("the prior's mean must be finite wherever its variance is")
    return np.where(known, mean, 0.0), information, known.sum(axis=-1)


def _without_left_out(problem: Problem, used: Flags) -> Problem:
    """Left-out points lose their values: they stand at the row's first used point, with no weight."""
    first = np.argmax(used, axis=-1)[:, None]
    return Problem(
        np.where(used, problem.x, np.take_along_axis(problem.x, first, axis=-1)),
        np.where(used, problem.pitch, np.take_along_axis(problem.pitch, first, axis=-1)),
        problem.weight,
        np.where(used[:, None], problem.columns, 0.0),
        problem.prior_mean,
        problem.prior_information,
    )


def _why_not_tried(finite: Flags, readings: int, freedom: int) -> str:
    if freedom < 0:
        return (
            f"{readings} readings are {-freedom} too few to tell the terms of the fit; take more points or give a prior"
        )
    return (
        f"pitch, control voltage or column is not finite at point {int(np.argmin(finite))}; "
        "give an infinite uncertainty to leave the point out"
    )


def _solve_some(problem: Problem, tried: Flags) -> Solution:
    """Solution of the sweeps that can be tried, in their places; NaN for the others."""
    part = solve(problem.rows(np.flatnonzero(tried)))
    count, points = problem.x.shape
    whole = Solution(
        np.full((count, problem.terms), np.nan),
        np.full((count, problem.terms, problem.terms), np.nan),
        np.full(count, np.nan),
        np.full((count, points), np.nan),
        np.zeros(count, dtype=np.bool_),
    )
    whole.unknowns[tried] = part.unknowns
    whole.covariance[tried] = part.covariance
    whole.chi_squared[tried] = part.chi_squared
    whole.residuals[tried] = part.residuals
    whole.converged[tried] = part.converged
    return whole
