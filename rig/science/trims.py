"""What a trim does to the tracking of a unit, and the reading at which to stop turning it.

Tracking parameters are those of :mod:`rig.science.tracking` (core pitch, slope, leakage, dead time), in arrays of
shape (..., 4). A trim moves the *core* pitch y_c = a + s x with a known shape; leakage and dead time act after it.

    scale at the common node   y' = y_p + (1 + e)(y - y_p)     pivot y_p: converter current equals its reference
    scale at the CV input      y' = y + e s x                  pivot at x = 0
    base                       y' = y + e
    highs                      1/f' = 1/f - e                  e in seconds

The distance from a pivot decides how much of a turn is seen: a *target reading* is the pitch that the unit will
have, at one held CV, when the whole unit is right.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Protocol

import numpy as np

from rig.science.tracking import CORE, DEAD_TIME, LEAKAGE, SLOPE, predict

if TYPE_CHECKING:
    from numpy.typing import NDArray

    Array = NDArray[np.float64]


class Effect(Protocol):
    """How one trim moves the tracking parameters."""

    def moved(self, parameters: Array, amount: Array | float) -> Array:
        """Parameters after a move of this amount. Shapes broadcast."""

    def amount_seen(self, parameters: Array, x: float, pitch: Array | float) -> Array:
        """Amount of the move that brought the pitch at ``x`` from the parameters' own to ``pitch``."""


def core_pitch(parameters: Array, x: float | Array) -> Array:
    """Pitch of the core alone, octaves re 1 Hz."""
    return np.asarray(parameters[..., CORE] + parameters[..., SLOPE] * x)


def core_of_pitch(parameters: Array, pitch: Array | float) -> Array:
    """Pitch of the core under a pitch heard: dead time and leakage taken away.

    :raises ValueError: no core could give that pitch (leakage alone lies above it, or its period below the dead time).
    """
    period_s = np.exp2(-np.asarray(pitch, dtype=np.float64)) - parameters[..., DEAD_TIME]
    if np.any(period_s <= 0.0):
        raise ValueError("a pitch whose period is shorter than the dead time cannot be reached")
    core_hz = 1.0 / period_s - parameters[..., LEAKAGE]
    if np.any(core_hz <= 0.0):
        raise ValueError("a pitch below what leakage alone gives cannot be reached")
    return np.asarray(np.log2(core_hz))


def pitch_of_core(parameters: Array, core: Array | float) -> Array:
    """Pitch heard for a pitch of the core: leakage added, then dead time. The inverse of :func:`core_of_pitch`."""
    core_hz = np.exp2(np.asarray(core, dtype=np.float64)) + parameters[..., LEAKAGE]
    return np.asarray(-np.log2(1.0 / core_hz + parameters[..., DEAD_TIME]))


def pitches_after(pitches: Array, before: Array, after: Array, x: float, stretch: float) -> Array:
    """Pitches that a switch or knob will give once the tracking has gone from ``before`` to ``after``.

    What a control adds to the core is stretched (by scale at the common node, by the rail); the rest follows from the
    tracking itself.

    :param pitches: pitches read at the positions of the control, the first at rest, octaves re 1 Hz, shape (n,).
    :param x: octaves of the law at which they were read.
    """
    cores = core_of_pitch(before, pitches)
    return pitch_of_core(after, core_pitch(after, x) + stretch * (cores - cores[0]))


@dataclass(frozen=True, slots=True)
class ScaleAboutPivot:
    """Scale trim at the converter's common node."""

    pivot_octaves: Array | float

    def moved(self, parameters: Array, amount: Array | float) -> Array:
        """Turn the straight line about its pivot; ``amount`` is the relative change of slope."""
        core = parameters[..., CORE]
        return _with(
            parameters,
            core=core + amount * (core - self.pivot_octaves),
            slope=parameters[..., SLOPE] * (1.0 + amount),
        )

    def amount_seen(self, parameters: Array, x: float, pitch: Array | float) -> Array:
        """Relative change of slope behind a change of pitch at ``x``."""
        before = core_pitch(parameters, x)
        return np.asarray((core_of_pitch(parameters, pitch) - before) / (before - self.pivot_octaves))


@dataclass(frozen=True, slots=True)
class ScaleAtInput:
    """Scale trim that sees the control voltage only."""

    def moved(self, parameters: Array, amount: Array | float) -> Array:
        """Change the slope about x = 0; ``amount`` is the relative change of slope."""
        return _with(parameters, core=parameters[..., CORE], slope=parameters[..., SLOPE] * (1.0 + amount))

    def amount_seen(self, parameters: Array, x: float, pitch: Array | float) -> Array:
        """Relative change of slope behind a change of pitch at ``x``."""
        change = core_of_pitch(parameters, pitch) - core_pitch(parameters, x)
        return np.asarray(change / (parameters[..., SLOPE] * x))


@dataclass(frozen=True, slots=True)
class Shift:
    """Base trim, or the gain of a hertz-per-volt unit: the same number of octaves everywhere."""

    def moved(self, parameters: Array, amount: Array | float) -> Array:
        """Shift by ``amount`` octaves."""
        return _with(parameters, core=parameters[..., CORE] + amount, slope=parameters[..., SLOPE])

    def amount_seen(self, parameters: Array, x: float, pitch: Array | float) -> Array:
        """Octaves of shift behind a change of pitch at ``x``."""
        return core_of_pitch(parameters, pitch) - core_pitch(parameters, x)


@dataclass(frozen=True, slots=True)
class DeadTimeTaken:
    """Highs trim: takes ``amount`` seconds away from every period."""

    def moved(self, parameters: Array, amount: Array | float) -> Array:
        """Take ``amount`` seconds from the dead time."""
        moved = _with(parameters, core=parameters[..., CORE], slope=parameters[..., SLOPE])
        moved[..., DEAD_TIME] -= amount
        return moved

    def amount_seen(self, parameters: Array, x: float, pitch: Array | float) -> Array:
        """Seconds taken behind a change of pitch at ``x``."""
        before = predict(parameters, np.atleast_1d(np.float64(x)))[..., 0]
        return np.asarray(np.exp2(-before) - np.exp2(-np.asarray(pitch, dtype=np.float64)))


def target_reading(parameters: Array, effect: Effect, amount: Array | float, x: float) -> Array:
    """Pitch at ``x`` once the move is made, octaves re 1 Hz: the reading at which to stop."""
    return np.asarray(predict(effect.moved(parameters, amount), np.atleast_1d(np.float64(x)))[..., 0])


@dataclass(frozen=True, slots=True)
class Pivot:
    """What is known of a scale trim's pivot: pitch and standard uncertainty, octaves."""

    octaves: float
    standard_uncertainty: float


def learn_pivot(before: Array, before_covariance: Array, after: Array, after_covariance: Array, prior: Pivot) -> Pivot:
    """Pivot from the tracking before and after one move of a scale trim, combined with what was known.

    The two straight lines of the core cross at the pivot: with a' = a + e(a - y_p) and s' = s(1 + e),
    y_p = a - s (a' - a) / (s' - s). Its variance follows by propagation from both fits (JCGM 100, eq. 13); the two
    are combined with weights of inverse variance (conjugate normal). A move too small to tell leaves the prior.

    :param before: tracking parameters, shape (4,), covariance (4, 4); likewise ``after``.
    """
    a, s = before[CORE], before[SLOPE]
    shift, tilt = after[CORE] - a, after[SLOPE] - s
    pair = np.ix_([CORE, SLOPE], [CORE, SLOPE])
    tilt_variance = before_covariance[SLOPE, SLOPE] + after_covariance[SLOPE, SLOPE]
    if tilt**2 < 9.0 * tilt_variance:
        return prior
    seen = a - s * shift / tilt
    by_before = np.array([1.0 + s / tilt, -shift / tilt - s * shift / tilt**2])
    by_after = np.array([-s / tilt, s * shift / tilt**2])
    variance = float(by_before @ before_covariance[pair] @ by_before + by_after @ after_covariance[pair] @ by_after)
    prior_weight, seen_weight = 1.0 / prior.standard_uncertainty**2, 1.0 / variance
    total = prior_weight + seen_weight
    return Pivot(float((prior_weight * prior.octaves + seen_weight * seen) / total), float(total**-0.5))


def _with(parameters: Array, *, core: Array | float, slope: Array | float) -> Array:
    core, slope = np.broadcast_arrays(core, slope)
    moved = np.empty((*core.shape, 4))
    moved[..., CORE] = core
    moved[..., SLOPE] = slope
    moved[..., LEAKAGE] = parameters[..., LEAKAGE]
    moved[..., DEAD_TIME] = parameters[..., DEAD_TIME]
    return moved
