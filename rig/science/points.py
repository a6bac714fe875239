"""Errors of the points of a sweep, and the worst of them with its bounds."""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache
from typing import TYPE_CHECKING

import numpy as np
from scipy.special import ndtr

from rig.science.pitch import CENTS_PER_OCTAVE

if TYPE_CHECKING:
    from numpy.typing import ArrayLike, NDArray

    Array = NDArray[np.float64]


def centring(musical_mask: ArrayLike, weights: ArrayLike | None = None) -> Array:
    """Matrix that takes the weighted mean over the musical points away from every point, shape (n, n).

    :raises ValueError: no point with weight lies in the musical range.
    """
    share = np.where(np.asarray(musical_mask, dtype=np.bool_), 1.0 if weights is None else weights, 0.0)
    total = float(share.sum())
    if not total > 0.0:
        raise ValueError("no point lies in the musical range: sweep at least one control voltage inside it")
    return np.asarray(np.eye(share.size) - share / total)


def errors_cents(
    x: ArrayLike, pitch_corrected: ArrayLike, musical_mask: ArrayLike, weights: ArrayLike | None = None
) -> Array:
    """Deviation of each point from the nominal law, cents, of a unit tuned across the range that is played.

    :param x: octaves of the law, (n,) or (..., n).
    :param pitch_corrected: octaves, drift removed, (n,) or (..., n).
    :param musical_mask: (n,), the points whose weighted mean is the offset that is taken away.
    :param weights: (n,), equal unless given.
    """
    deviation = np.asarray(pitch_corrected, dtype=np.float64) - np.asarray(x, dtype=np.float64)
    return np.asarray(CENTS_PER_OCTAVE * deviation @ centring(musical_mask, weights).T)


def errors_covariance_cents2(
    covariance_octaves2: ArrayLike, musical_mask: ArrayLike, weights: ArrayLike | None = None
) -> Array:
    """Covariance of the errors of the points, cents squared, from that of the pitches (JCGM 100, eq. 16)."""
    matrix = centring(musical_mask, weights)
    return np.asarray(CENTS_PER_OCTAVE**2 * matrix @ np.asarray(covariance_octaves2, dtype=np.float64) @ matrix.T)


@dataclass(frozen=True, slots=True)
class WorstError:
    """Largest size among the errors of the points.

    ``value_cents`` as measured, at point ``index``. ``lower_cents`` and ``upper_cents`` are one-sided bounds,
    each with the probability asked for. Noise only adds to a largest size: ``bias_cents`` says by about how
    much, and ``standard_uncertainty_cents`` is its spread. Beyond ``fortieth_cents`` lies a fortieth, as beyond U at
    95 % does on either side.
    """

    value_cents: float
    lower_cents: float
    upper_cents: float
    fortieth_cents: float
    bias_cents: float
    standard_uncertainty_cents: float
    index: int


def risk_of_worst(errors_cents: ArrayLike, covariance_cents2: ArrayLike, limit_cents: float) -> float:
    """Specific risk of a decision by the worst error (JCGM 106:2012, clause 9), no less than it is.

    Inside the limit: that some point is outside, at most the sum of what each is (G. Boole). Outside: that all are
    inside, at most what the least likely of them is. Normal distributions.

    :param errors_cents: (n,).  covariance_cents2: (n, n).
    """
    errors = np.asarray(errors_cents, dtype=np.float64)
    deviation = np.sqrt(np.maximum(np.diagonal(np.asarray(covariance_cents2, dtype=np.float64)), 1e-300))
    beyond = ndtr((errors - limit_cents) / deviation) + ndtr((-errors - limit_cents) / deviation)
    if np.max(np.abs(errors)) <= limit_cents:
        return float(min(1.0, np.sum(beyond)))
    return float(1.0 - np.max(beyond))


@dataclass(frozen=True, slots=True)
class WorstErrors:
    """The same for a stack of units, each field of shape (units,)."""

    value_cents: Array
    lower_cents: Array
    upper_cents: Array
    fortieth_cents: Array
    bias_cents: Array
    standard_uncertainty_cents: Array
    index: NDArray[np.int64]

    def one(self, place: int) -> WorstError:
        """That of one unit."""
        return WorstError(
            float(self.value_cents[place]),
            float(self.lower_cents[place]),
            float(self.upper_cents[place]),
            float(self.fortieth_cents[place]),
            float(self.bias_cents[place]),
            float(self.standard_uncertainty_cents[place]),
            int(self.index[place]),
        )


UNITS_AT_ONCE = 64
"""So many units share a block of draws in memory."""


def worst_error(
    errors_cents: ArrayLike,
    covariance_cents2: ArrayLike,
    *,
    draws: int = 4000,
    probability: float = 0.95,
    seed: int = 1,
) -> WorstError:
    """Worst error of one unit; see :func:`worst_errors`.

    :param errors_cents: (n,).
    :raises ValueError: shapes do not match, or a number is not finite.
    """
    errors = np.asarray(errors_cents, dtype=np.float64)
    stack = errors[None] if errors.ndim == 1 else errors[..., None, :]
    return worst_errors(stack, covariance_cents2, draws=draws, probability=probability, seed=seed).one(0)


def worst_errors(
    errors_cents: ArrayLike,
    covariance_cents2: ArrayLike,
    *,
    draws: int = 4000,
    probability: float = 0.95,
    seed: int = 1,
) -> WorstErrors:
    """Worst error with one-sided bounds, by Monte Carlo (JCGM 101:2008, clauses 6.4 and 7).

    The upper bound is the quantile of the largest size among draws around the errors; as the largest size of
    a draw is never below that of the point which is truly worst, it holds at least with the probability asked
    for. The lower bound is the largest distance by which an error clears a band that covers all points
    together.

    :param errors_cents: (units, n).
    :param covariance_cents2: (n, n), positive semi-definite, of every unit.
    :raises ValueError: shapes do not match, or a number is not finite.
    """
    errors = np.asarray(errors_cents, dtype=np.float64)
    covariance = np.asarray(covariance_cents2, dtype=np.float64)
    if errors.ndim != 2 or errors.size == 0 or covariance.shape != (errors.shape[1], errors.shape[1]):
        raise ValueError(
            f"errors of shape (n,) go with a covariance of shape (n, n), not {errors.shape[-1:]} with "
            f"{covariance.shape}"
        )
    if not (np.isfinite(errors).all() and np.isfinite(covariance).all()):
        raise ValueError("errors and covariance of the points must be finite; leave out points that failed")
    noise = _draws(covariance, draws, seed)
    deviation = np.sqrt(np.maximum(np.diagonal(covariance), 0.0))
    sizes = np.divide(np.abs(noise), deviation, out=np.zeros_like(noise), where=deviation > 0.0)
    band = float(np.quantile(np.max(sizes, axis=-1), probability))
    value = np.max(np.abs(errors), axis=1)
    upper, fortieth, mean, spread = (np.empty(errors.shape[0]) for _ in range(4))
    for start in range(0, errors.shape[0], UNITS_AT_ONCE):
        block = slice(start, start + UNITS_AT_ONCE)
        worst = _largest(errors[block], noise)
        upper[block], fortieth[block] = np.quantile(worst, (probability, 1.0 - 1.0 / 40.0), axis=1)
        mean[block], spread[block] = np.mean(worst, axis=1), np.std(worst, axis=1)
    return WorstErrors(
        value_cents=value,
        lower_cents=np.maximum(0.0, np.max(np.abs(errors) - band * deviation, axis=1)),
        upper_cents=np.maximum(value, upper),
        fortieth_cents=np.maximum(value, fortieth),
        bias_cents=mean - value,
        standard_uncertainty_cents=spread,
        index=np.argmax(np.abs(errors), axis=1),
    )


def _largest(errors: Array, noise: Array) -> Array:
    """Largest size among the points in each draw around each unit, (units, draws)."""
    worst = np.zeros((errors.shape[0], noise.shape[0]))
    for point in range(errors.shape[1]):
        np.maximum(worst, np.abs(errors[:, point, None] + noise[None, :, point]), out=worst)
    return worst


def _draws(covariance: Array, draws: int, seed: int) -> Array:
    values, vectors = np.linalg.eigh(0.5 * (covariance + covariance.T))
    if values[0] < -1e-9 * max(float(values[-1]), 1e-300):
        raise ValueError("the covariance of the points has negative eigenvalues, so it is no covariance")
    factor = vectors * np.sqrt(np.maximum(values, 0.0))
    # so narrow a product is done before the threads of a matrix library have woken up
    return np.asarray(np.einsum("di,ji->dj", _standard_normal(draws, values.size, seed), factor))


@lru_cache(maxsize=8)
def _standard_normal(draws: int, size: int, seed: int) -> Array:
    """Independent standard normal draws, (draws, size): the same ones for every unit."""
    normal = np.random.default_rng(seed).standard_normal((draws, size))
    normal.flags.writeable = False
    return normal
