"""What the tracking of a unit looks like over the ranges that are played, and as shares of what is permitted.

Errors are deviations from the nominal law with the mean over the musical range removed, as of an instrument that is
tuned across the range that is played.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache
from typing import TYPE_CHECKING

import numpy as np

from rig.science.tracking_model import predict

if TYPE_CHECKING:
    from numpy.typing import NDArray

    Array = NDArray[np.float64]

CENTS = 1200.0
GRID = 41
KIND_COUNT = 5
KINDS = np.repeat(np.arange(KIND_COUNT), [1, GRID, GRID, 1, 1])
"""Which characteristic a row is of: scale, musical range, full range, highs, base."""


@dataclass(frozen=True, slots=True)
class TrackingLimits:
    """Permitted deviations, cents (cents per octave for scale)."""

    scale: float
    musical: float
    full: float
    highs: float
    base: float


@dataclass(frozen=True, slots=True)
class Played:
    """The range in octaves of the law: full span, musical span, where the lowest note stands and what it must be."""

    full: tuple[float, float]
    musical: tuple[float, float]
    base_x: float
    lowest_note_octaves: float


@dataclass(frozen=True, slots=True)
class Characteristics:
    """What the tracking of a unit looks like, in cents; arrays over units or draws where the parameters are."""

    scale: Array
    musical: Array
    full: Array
    highs: Array
    base: Array
    bottom: Array
    """Error at the lowest CV, signed."""

    def worst_share(self, limits: TrackingLimits) -> Array:
        """Largest of the characteristics as shares of their limits; 1 is just inside."""
        shares = [
            np.abs(self.scale) / limits.scale,
            np.abs(self.musical) / limits.musical,
            np.abs(self.full) / limits.full,
            np.abs(self.highs) / limits.highs,
            np.abs(self.base) / limits.base,
        ]
        return np.asarray(np.max(np.stack(shares), axis=0))


def characteristics(parameters: Array, played: Played) -> Characteristics:
    """Characteristics of tracking parameters (..., 4), without noise."""
    rows = _rows(np.asarray(parameters, dtype=np.float64), played)
    return Characteristics(
        scale=rows.scale,
        musical=np.max(np.abs(rows.musical), axis=-1),
        full=np.max(np.abs(rows.full), axis=-1),
        highs=rows.highs,
        base=rows.base,
        bottom=rows.full[..., 0],
    )


def shares_of(parameters: Array, played: Played, limits: TrackingLimits) -> Array:
    """Characteristics as shares of their limits, signed, (..., n), of parameters (..., 4)."""
    rows = _rows(parameters, played)
    return np.concatenate(
        [
            rows.scale[..., None] / limits.scale,
            rows.musical / limits.musical,
            rows.full / limits.full,
            rows.highs[..., None] / limits.highs,
            rows.base[..., None] / limits.base,
        ],
        axis=-1,
    )


@dataclass(frozen=True, slots=True)
class _Rows:
    scale: Array
    musical: Array
    full: Array
    highs: Array
    base: Array


@dataclass(frozen=True, slots=True)
class Grids:
    """Octaves of the law over the full and over the musical range, and the weights of a straight line there."""

    full: Array
    musical: Array
    slope_weights: Array
    top_from_middle: float


@cache
def grids_of(played: Played) -> Grids:
    """Where a unit is looked at."""
    musical = np.linspace(*played.musical, GRID)
    centred = musical - musical.mean()
    weights = centred / (centred @ centred)
    return Grids(np.linspace(*played.full, GRID), musical, weights, played.full[1] - float(musical.mean()))


def _rows(parameters: Array, played: Played) -> _Rows:
    grids = grids_of(played)
    full_error = CENTS * (predict(parameters, grids.full) - grids.full)
    musical_error = CENTS * (predict(parameters, grids.musical) - grids.musical)
    offset = musical_error.mean(axis=-1, keepdims=True)
    slope = musical_error @ grids.slope_weights
    line_at_top = offset[..., 0] + slope * grids.top_from_middle
    bottom = predict(parameters, np.array([played.base_x]))[..., 0]
    return _Rows(
        scale=np.asarray(slope),
        musical=musical_error - offset,
        full=full_error - offset,
        highs=np.asarray(full_error[..., -1] - line_at_top),
        base=np.asarray(CENTS * (bottom - played.lowest_note_octaves)),
    )
