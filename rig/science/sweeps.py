"""What sweeps say, many at once: the same numbers as of one sweep by itself, for a whole year's production."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from rig.science.drift import drift_columns
from rig.science.pitch import CENTS_PER_OCTAVE
from rig.science.tracking import fit_tracking, predict

if TYPE_CHECKING:
    from numpy.typing import NDArray

    Array = NDArray[np.float64]
    Flags = NDArray[np.bool_]


@dataclass(frozen=True, slots=True)
class Sweeps:
    """N sweeps of n readings each, in the order in which they were taken.

    ``x`` octaves of the law, ``pitch`` octaves re 1 Hz, ``standard_uncertainty`` of each pitch in octaves, ``time_s``:
    all (N, n). ``first`` (N, n) marks the readings that are no return to one before, as many in each sweep; ``musical``
    (N, n) those in the musical range.
    """

    x: Array
    pitch: Array
    standard_uncertainty: Array
    time_s: Array
    first: Flags
    musical: Flags


@dataclass(frozen=True, slots=True)
class SweepValues:
    """Characteristics of each sweep, (N,): cents per octave, then cents. Base pitch is NaN where no curve fits."""

    scale_error: Array
    tracking_musical: Array
    tracking_full: Array
    highs_error: Array
    base_pitch: Array
    converged: Flags


def sweep_values(sweeps: Sweeps, base_x: float, lowest_note_octaves: float) -> SweepValues:
    """Fit all sweeps at once, take their drift away, and count their errors as tracking, scale, highs and base pitch.

    :param base_x: octaves of the law at which the base pitch is judged.
    :param lowest_note_octaves: what it ought to be, octaves re 1 Hz.
    :raises ValueError: sweeps with different numbers of first readings, or none in the musical range.
    """
    x, time_s = sweeps.x, sweeps.time_s - np.mean(sweeps.time_s, axis=1, keepdims=True)
    columns = drift_columns(x, time_s, np.min(x, axis=1, keepdims=True), np.max(x, axis=1, keepdims=True))
    fit = fit_tracking(x, sweeps.pitch, sweeps.standard_uncertainty, extra=columns)
    drift = np.where(fit.converged[:, None], fit.extra, 0.0)
    level = sweeps.pitch - np.einsum("ijk,ik->ij", columns, drift)
    counts = np.count_nonzero(sweeps.first, axis=1)
    if np.any(counts != counts[0]):
        raise ValueError("sweeps that are judged together have the same number of points")
    order = np.argsort(np.where(sweeps.first, x, np.inf), axis=1)[:, : counts[0]]
    position, level, musical = (np.take_along_axis(each, order, axis=1) for each in (x, level, sweeps.musical))
    within = np.count_nonzero(musical, axis=1)
    if np.any(within < 2):
        raise ValueError("no straight line goes through fewer than two points in the musical range")
    deviation = CENTS_PER_OCTAVE * (level - position)
    error = deviation - (np.sum(np.where(musical, deviation, 0.0), axis=1) / within)[:, None]
    middle = (np.sum(np.where(musical, position, 0.0), axis=1) / within)[:, None]
    away = np.where(musical, position - middle, 0.0)
    slope = np.sum(away * error, axis=1) / np.sum(away**2, axis=1)
    parameters = np.where(fit.converged[:, None], fit.parameters, np.nan)
    base = predict(parameters, np.array([base_x]))[:, 0]
    return SweepValues(
        scale_error=slope,
        tracking_musical=np.max(np.where(musical, np.abs(error), 0.0), axis=1),
        tracking_full=np.max(np.abs(error), axis=1),
        highs_error=error[:, -1] - slope * (position[:, -1] - middle[:, 0]),
        base_pitch=CENTS_PER_OCTAVE * (base - lowest_note_octaves),
        converged=fit.converged,
    )
