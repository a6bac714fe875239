"""Drift: how fast the pitch still moves, and the columns that take it out of a sweep.

Heat moves scale as well as offset, so drift has one rate at the low CV and another at the high CV, and is
linear in octaves between them.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from rig.science.pitch import CENTS_PER_OCTAVE

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import ArrayLike, NDArray

    Array = NDArray[np.float64]

SECONDS_PER_MINUTE = 60.0
CENTS_PER_MINUTE = CENTS_PER_OCTAVE * SECONDS_PER_MINUTE
"""Octaves per second in cents per minute."""
RECENT = 2.5
"""A forecast rests on the rates since they were so many times the last one."""


@dataclass(frozen=True, slots=True)
class DriftRate:
    """Rate of pitch at one CV, cents per minute."""

    rate_cents_per_minute: float
    standard_uncertainty: float


def drift_columns(x: ArrayLike, time_s: ArrayLike, x_low: ArrayLike, x_high: ArrayLike) -> Array:
    """Columns for a fit whose coefficients are the drift at the low and at the high CV, octaves per second.

    :param x: octaves of the law, (n,) or (..., n).
    :param time_s: when each reading was taken, s, same shape. The fit then holds for time 0: count from the
        middle of the sweep.
    :param x_low: where the one and the other rate hold, scalar or (..., 1).
    :returns: shape (..., n, 2).
    :raises ValueError: low and high are the same.
    """
    low, high = np.asarray(x_low, dtype=np.float64), np.asarray(x_high, dtype=np.float64)
    if np.any(low == high):
        raise ValueError("drift needs a low and a high CV that differ")
    positions, times_s = np.broadcast_arrays(np.asarray(x, dtype=np.float64), np.asarray(time_s, dtype=np.float64))
    share_high = (positions - low) / (high - low)
    return np.stack([(1.0 - share_high) * times_s, share_high * times_s], axis=-1)


def rate_of(time_s: ArrayLike, pitch: ArrayLike, standard_uncertainty: ArrayLike) -> DriftRate:
    """Straight-line rate of readings at one CV.

    The uncertainty is that of the readings; where they scatter more than that (a curved warm-up, a
    disturbance), it grows with the scatter (R. T. Birge, 1932). Two readings will do.

    :param time_s: s, (n,);  pitch: octaves, (n,);  standard_uncertainty: octaves, scalar or (n,).
    :raises ValueError: fewer than two readings, or all at one time.
    """
    times_s, readings = np.asarray(time_s, dtype=np.float64), np.asarray(pitch, dtype=np.float64)
    if times_s.size < 2 or np.ptp(times_s) == 0.0:
        raise ValueError("a drift rate needs readings at two times at least")
    weight = np.broadcast_to(1.0 / np.square(np.asarray(standard_uncertainty, dtype=np.float64)), times_s.shape)
    away_s = times_s - np.average(times_s, weights=weight)
    level = np.average(readings, weights=weight)
    spread = float(np.sum(weight * away_s**2))
    rate = float(np.sum(weight * away_s * (readings - level))) / spread
    chi_squared = float(np.sum(weight * (readings - level - rate * away_s) ** 2))
    birge = max(1.0, chi_squared / (times_s.size - 2)) if times_s.size > 2 else 1.0
    return DriftRate(CENTS_PER_MINUTE * rate, CENTS_PER_MINUTE * float(np.sqrt(birge / spread)))


def is_steady(rates: Sequence[DriftRate], limit_cents_per_minute: float, coverage: float = 2.0) -> bool:
    """Whether every rate, with its expanded uncertainty, lies inside the limit.

    :raises ValueError: there is no rate to judge.
    """
    if not rates:
        raise ValueError("there is no drift rate to judge")
    return all(
        abs(each.rate_cents_per_minute) + coverage * each.standard_uncertainty <= limit_cents_per_minute
        for each in rates
    )


def time_until_steady(
    time_s: ArrayLike, rates: Sequence[DriftRate], limit_cents_per_minute: float, coverage: float = 2.0
) -> float | None:
    """Seconds after the last rate until it counts as steady (see :func:`is_steady`), were it to decay exponentially.

    A warm-up is no single exponential: what is quick dies away first, so only rates since the last ``RECENT``-fold say
    how it will go on. Overlapping windows do for a forecast.

    :param time_s: middle of the window of each rate, s.
    :returns: 0 where it lies inside already; None where the rates show no decay.
    """
    latest = rates[-1]
    size, within = abs(latest.rate_cents_per_minute), limit_cents_per_minute - coverage * latest.standard_uncertainty
    if size <= within:
        return 0.0
    sizes = np.abs([each.rate_cents_per_minute for each in rates])
    doubts = np.array([each.standard_uncertainty for each in rates])
    clear = (sizes > 2.0 * doubts) & (sizes <= RECENT * size)
    # from the end back to the first that is not: what came before is another part of the warm-up
    clear[: int(np.max(np.flatnonzero(~clear), initial=-1)) + 1] = False
    if np.count_nonzero(clear) < 2 or within <= 0.0:
        return None
    relative = np.maximum(doubts[clear] / sizes[clear], 1e-6)
    decay = rate_of(np.asarray(time_s, dtype=np.float64)[clear], np.log(sizes[clear]), relative)
    per_second = -decay.rate_cents_per_minute / CENTS_PER_MINUTE
    if per_second * CENTS_PER_MINUTE <= 2.0 * decay.standard_uncertainty:
        return None
    return float(np.log(size / within)) / per_second


def warm_up_left(
    time_s: ArrayLike, tracks: Sequence[Sequence[DriftRate]], limit_cents_per_minute: float
) -> float | None:
    """Seconds until every CV that is watched counts as steady; None while one of them shows no decay.

    :param time_s: middle of the window of each rate, s, (n,).
    :param tracks: rates at each CV, (n,) each.
    """
    left = [time_until_steady(time_s, track, limit_cents_per_minute) for track in tracks]
    known = [each for each in left if each is not None]
    return max(known) if known and len(known) == len(left) else None
