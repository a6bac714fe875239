"""Pitches of a sweep with its drift taken away, and how far each reading moves them.

Drift is fitted from the same readings that it is then taken from, so the two are not independent: what a reading adds
to a level and what it adds to the drift partly cancel. The sensitivities here hold both.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from rig.science.tracking import jacobian
from rig.science.tracking_solver import TERMS

if TYPE_CHECKING:
    from numpy.typing import ArrayLike, NDArray

    from rig.science.tracking import TrackingFit

    Array = NDArray[np.float64]


def fit_sensitivities(fit: TrackingFit, x: ArrayLike, columns: ArrayLike, standard_uncertainty: ArrayLike) -> Array:
    """Derivatives of the fitted terms by each reading, (4 + k, n): (J' W J)^-1 J' W of weighted least squares.

    :param x: (n,), octaves of the law.  columns: (n, k), those the fit was made with.
    :param standard_uncertainty: (n,), octaves, those the fit was made with.
    """
    design = np.hstack([jacobian(fit.parameters, x), np.asarray(columns, dtype=np.float64)])
    return np.asarray(fit.covariance @ (design / np.square(standard_uncertainty)[..., None]).T)


def level_sensitivities(fit: TrackingFit, x: ArrayLike, columns: ArrayLike, standard_uncertainty: ArrayLike) -> Array:
    """Derivatives of the drift-free pitches by each reading, (n, n). Without a fit nothing was taken away."""
    count = np.asarray(x).size
    if not fit.converged:
        return np.eye(count)
    by_reading = fit_sensitivities(fit, x, columns, standard_uncertainty)
    return np.asarray(np.eye(count) - np.asarray(columns) @ by_reading[TERMS:])


def level_covariance(fit: TrackingFit, x: ArrayLike, columns: ArrayLike, standard_uncertainty: ArrayLike) -> Array:
    """Covariance of the drift-free pitches, octaves squared, (n, n), from the readings' own uncertainties.

    What a prior on the terms left in doubt of the drift is counted as well.
    """
    variance = np.square(np.broadcast_to(standard_uncertainty, np.asarray(x).shape))
    levels = level_sensitivities(fit, x, columns, standard_uncertainty)
    covariance = levels @ (variance[:, None] * levels.T)
    if not fit.converged:
        return np.asarray(covariance)
    drift = fit_sensitivities(fit, x, columns, standard_uncertainty)[TERMS:]
    by_prior = fit.covariance[TERMS:, TERMS:] - drift @ (variance[:, None] * drift.T)
    return np.asarray(covariance + np.asarray(columns) @ by_prior @ np.asarray(columns).T)
