"""Uncertainty of readings and of what is computed from them (JCGM 100:2008, the GUM)."""

from __future__ import annotations

from math import ceil, hypot, isfinite, sqrt
from typing import TYPE_CHECKING

import numpy as np
from scipy.special import ndtri, stdtrit

if TYPE_CHECKING:
    from numpy.typing import ArrayLike, NDArray

    from rig.science.pitch import Law

    Array = NDArray[np.float64]

SQRT6 = 6.0**0.5
"""Divisor for a full width split at random between two ends: a triangular distribution (JCGM 100, 4.3.9)."""


def counter_relative_uncertainty(
    gate_s: float,
    frequency_hz: float,
    *,
    trigger_jitter_s: float,
    resolution_s: float,
    noise_at_1s: float,
) -> float:
    """Relative standard uncertainty of a reciprocal counter's reading, without the time base, which readings share.

    The counter times whole periods: the gate ends with the first period after it. Both of its edges carry
    trigger jitter and the clock's resolution; the signal's own white frequency noise falls with the root of
    the gate.

    :param trigger_jitter_s: standard uncertainty of one edge.
    :param resolution_s: least count of the counter's clock, full width.
    :param noise_at_1s: the signal's relative frequency noise in one second (Allan deviation, IEEE 1139).
    :raises ValueError: gate or frequency is not above 0.
    """
    _require_above_zero(gate_s, "gate", "s")
    _require_above_zero(frequency_hz, "frequency", "Hz")
    whole_periods_s = max(1, ceil(gate_s * frequency_hz - 1e-9)) / frequency_hz
    edges_s = hypot(sqrt(2.0) * trigger_jitter_s, resolution_s / SQRT6)
    return hypot(edges_s / whole_periods_s, noise_at_1s / sqrt(whole_periods_s))


def gate_for(
    wanted_relative: float,
    frequency_hz: float,
    *,
    trigger_jitter_s: float,
    resolution_s: float,
    noise_at_1s: float,
    periods: float = 2.0,
    shortest_s: float = 0.0,
) -> float:
    """Shortest gate whose reading has the random relative uncertainty wanted, s.

    Solves (edges / gate)^2 + noise^2 / gate = wanted^2; never shorter than ``periods`` periods or
    ``shortest_s``.

    :raises ValueError: what is wanted, or the frequency, is not above 0.
    """
    _require_above_zero(wanted_relative, "wanted uncertainty", "")
    _require_above_zero(frequency_hz, "frequency", "Hz")
    edges_squared_s2 = 2.0 * trigger_jitter_s**2 + resolution_s**2 / 6.0
    noise_squared = noise_at_1s**2
    root = sqrt(noise_squared**2 + 4.0 * edges_squared_s2 * wanted_relative**2)
    gate_s = (noise_squared + root) / (2.0 * wanted_relative**2)
    return max(gate_s, periods / frequency_hz, shortest_s)


def pitch_covariance_octaves2(law: Law, cv_v: ArrayLike, covariance_v2: ArrayLike) -> Array:
    """Covariance of pitch that comes from the control voltage, octaves squared, shape (n, n)."""
    slope = law.octaves_per_volt(cv_v)
    return np.asarray(slope[:, None] * np.asarray(covariance_v2, dtype=np.float64) * slope)


def coverage_factor(degrees_of_freedom: float = np.inf, probability: float = 0.95) -> float:
    """Coverage factor of a two-sided interval: Student's t, or the normal one (GUM G.3).

    :param degrees_of_freedom: infinite for an uncertainty that is known.
    :raises ValueError: the degrees of freedom are not above 0, or the probability not between 0 and 1.
    """
    if not 0.0 < probability < 1.0:
        raise ValueError(f"a coverage probability lies between 0 and 1, not {probability}")
    if not degrees_of_freedom > 0.0:
        raise ValueError("a coverage factor needs degrees of freedom above 0: repeat the reading")
    upper = 0.5 * (1.0 + probability)
    return float(ndtri(upper) if np.isinf(degrees_of_freedom) else stdtrit(degrees_of_freedom, upper))


def welch_satterthwaite(contributions: ArrayLike, degrees_of_freedom: ArrayLike) -> float:
    """Effective degrees of freedom of a sum of independent contributions (GUM G.4.1, eq. G.2b).

    :param contributions: standard uncertainties as they enter the result, (n,).
    :param degrees_of_freedom: of each, (n,); infinite for one that is known.
    """
    sizes = np.asarray(contributions, dtype=np.float64)
    largest = float(np.max(np.abs(sizes)))
    if largest == 0.0:
        return float(np.inf)
    relative = sizes / largest
    spread = float(np.sum(relative**4 / np.asarray(degrees_of_freedom, dtype=np.float64)))
    return float(np.sum(relative**2)) ** 2 / spread if spread > 0.0 else float(np.inf)


def _require_above_zero(value: float, what: str, unit: str) -> None:
    if not (isfinite(value) and value > 0.0):
        raise ValueError(f"{what} must be above 0 and finite, not {value:g} {unit}".rstrip())
