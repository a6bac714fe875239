"""Pitches of a sweep with its drift taken away, and how far each reading moves them.

Drift is fitted from the same readings that it is then taken from, so the two are not independent: what a reading adds
to a level and what it adds to the drift partly cancel. The sensitivities here hold both.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from rig.science.tracking import jacobian
from rig.science.tracking_solver import TERMS

if TYPE_CHECKING:
    from numpy.typing import ArrayLike, NDArray

    from rig.science.tracking import TrackingFit

    Array = NDArray[np.float64]

STATED_DEGREES_OF_FREEDOM = 12.5
"""What a product file says of noise is known to about 20 %: half of 0.2 to the power of -2 (JCGM 100:2008, eq. G.3)."""


@dataclass(frozen=True, slots=True)
class Scatter:
    """By how much readings scatter against what is stated of them, and the degrees of freedom of that."""

    factor: float
    degrees_of_freedom: float


def pooled_scatter(fit: TrackingFit) -> Scatter:
    """Stated and seen variance pooled, each by its degrees of freedom (JCGM 100:2008, 4.2.4).

    Only ever enlarging what is stated would make intervals too wide where it was right.
    """
    if not fit.converged:
        return Scatter(1.0, STATED_DEGREES_OF_FREEDOM)
    freedom = STATED_DEGREES_OF_FREEDOM + float(fit.degrees_of_freedom)
    return Scatter(float(np.sqrt((STATED_DEGREES_OF_FREEDOM + fit.chi_squared) / freedom)), freedom)


def averaging(index: ArrayLike, counted: ArrayLike, random: ArrayLike) -> Array:
    """Matrix that makes one level of the counted readings of each setting, (settings, n), weighted by their variance.

    :param index: (n,), which setting each reading is of; levels come in the order of their index.
    :param counted: (n,), which readings count. Those that only returned to see the drift do not.
    :param random: (n,), standard uncertainty of each reading on its own.
    """
    settings, chosen = np.asarray(index), np.asarray(counted, dtype=np.bool_)
    weights = np.where(chosen, 1.0 / np.square(np.asarray(random, dtype=np.float64)), 0.0)
    rows = np.where(settings == np.unique(settings[chosen])[:, None], weights, 0.0)
    return np.asarray(rows / np.sum(rows, axis=1, keepdims=True))


def own_covariance(random: ArrayLike, shared: ArrayLike, index: ArrayLike) -> Array:
    """Covariance of readings by what they do not all have in common, (n, n).

    :param random: (n,), standard uncertainty of each reading on its own.
    :param shared: (n,), what readings of one setting of the source have in common, as its grid.
    :param index: (n,), which setting each reading is of.
    """
    settings, sizes = np.asarray(index), np.asarray(shared, dtype=np.float64)
    together = np.where(settings[:, None] == settings, sizes[:, None] * sizes, 0.0)
    return np.asarray(np.diag(np.square(np.asarray(random, dtype=np.float64))) + together)


def fit_sensitivities(fit: TrackingFit, x: ArrayLike, columns: ArrayLike, standard_uncertainty: ArrayLike) -> Array:
    """Derivatives of the fitted terms by each reading, (4 + k, n): (J' W J)^-1 J' W of weighted least squares.

    Nought where the fit has no answer.

    :param x: (n,), octaves of the law.  columns: (n, k), those the fit was made with.
    :param standard_uncertainty: (n,), octaves, those the fit was made with.
    """
    if not fit.converged:
        return np.zeros((TERMS + np.shape(columns)[-1], np.size(x)))
    design = np.hstack([jacobian(fit.parameters, x), np.asarray(columns, dtype=np.float64)])
    return np.asarray(fit.covariance @ (design / np.square(standard_uncertainty)[..., None]).T)


def level_sensitivities(fit: TrackingFit, x: ArrayLike, columns: ArrayLike, standard_uncertainty: ArrayLike) -> Array:
    """Derivatives of the drift-free pitches by each reading, (n, n). Without a fit nothing was taken away."""
    by_reading = fit_sensitivities(fit, x, columns, standard_uncertainty)
    return np.asarray(np.eye(np.size(x)) - np.asarray(columns) @ by_reading[TERMS:])


def terms_covariance(
    fit: TrackingFit, x: ArrayLike, columns: ArrayLike, standard_uncertainty: ArrayLike, own: ArrayLike
) -> Array:
    """Covariance of the four terms, (4, 4), where the readings' covariance is ``own`` and not what the fit took.

    What a prior on the terms left in doubt is counted as well.
    """
    by_reading = fit_sensitivities(fit, x, columns, standard_uncertainty)
    whole = by_reading @ np.asarray(own, dtype=np.float64) @ by_reading.T
    return np.asarray((whole + _prior_doubt(fit, by_reading, standard_uncertainty))[:TERMS, :TERMS])


def level_covariance(
    fit: TrackingFit, x: ArrayLike, columns: ArrayLike, standard_uncertainty: ArrayLike, own: ArrayLike
) -> Array:
    """Covariance of the drift-free pitches, octaves squared, (n, n), from that of the readings, ``own``.

    What a prior on the terms left in doubt of the drift is counted as well.
    """
    levels = level_sensitivities(fit, x, columns, standard_uncertainty)
    covariance = levels @ np.asarray(own, dtype=np.float64) @ levels.T
    if not fit.converged:
        return np.asarray(covariance)
    by_reading = fit_sensitivities(fit, x, columns, standard_uncertainty)
    drift = _prior_doubt(fit, by_reading, standard_uncertainty)[TERMS:, TERMS:]
    return np.asarray(covariance + np.asarray(columns) @ drift @ np.asarray(columns).T)


def _prior_doubt(fit: TrackingFit, by_reading: Array, standard_uncertainty: ArrayLike) -> Array:
    """What of the fit's covariance comes from its prior; nought without one."""
    variance = np.square(np.broadcast_to(standard_uncertainty, by_reading.shape[-1:]))
    return np.asarray(fit.covariance - (by_reading * variance) @ by_reading.T)
