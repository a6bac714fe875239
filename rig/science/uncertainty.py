"""Uncertainty of readings and of what is computed from them (JCGM 100:2008, the GUM)."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from scipy.special import ndtri, stdtrit

if TYPE_CHECKING:
    from numpy.typing import ArrayLike, NDArray

    from rig.science.pitch import Law

    Array = NDArray[np.float64]

SQRT6 = 6.0**0.5
"""Divisor for a full width split at random between two ends: a triangular distribution (JCGM 100, 4.3.9)."""


@dataclass(frozen=True, slots=True)
class CounterUncertainty:
    """Relative standard uncertainty of a frequency reading: own part and what readings have in common."""

    random: float
    systematic: float

    @property
    def combined(self) -> float:
        """Both parts together."""
        return float(np.hypot(self.random, self.systematic))


def counter_relative_uncertainty(
    gate_s: float,
    frequency_hz: float,
    *,
    trigger_jitter_s: float,
    resolution_s: float,
    noise_at_1s: float,
    time_base_relative: float,
) -> CounterUncertainty:
    """Relative standard uncertainty of a reciprocal counter's reading.

    The counter times whole periods: the gate ends with the first period after it. Both of its edges carry
    trigger jitter and the clock's resolution; the signal's own white frequency noise falls with the root of
    the gate.

    :param trigger_jitter_s: standard uncertainty of one edge.
    :param resolution_s: least count of the counter's clock, full width.
    :param noise_at_1s: the signal's relative frequency noise in one second (Allan deviation, IEEE 1139).
    :param time_base_relative: standard uncertainty of the time base, common to all readings.
    :raises ValueError: gate or frequency is not above 0.
    """
    _require_above_zero(gate_s, "gate", "s")
    _require_above_zero(frequency_hz, "frequency", "Hz")
    whole_periods_s = max(1.0, float(np.ceil(gate_s * frequency_hz - 1e-9))) / frequency_hz
    edges_s = np.hypot(np.sqrt(2.0) * trigger_jitter_s, resolution_s / SQRT6)
    random = np.hypot(edges_s / whole_periods_s, noise_at_1s / np.sqrt(whole_periods_s))
    return CounterUncertainty(float(random), abs(time_base_relative))


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
    root = np.sqrt(noise_squared**2 + 4.0 * edges_squared_s2 * wanted_relative**2)
    gate_s = (noise_squared + float(root)) / (2.0 * wanted_relative**2)
    return max(gate_s, periods / frequency_hz, shortest_s)


@dataclass(frozen=True, slots=True)
class StraightLineFit:
    """y = coefficients[0] + coefficients[1] x, with covariance (2, 2), residuals (n,) and their chi-squared.

    ``residual_standard_deviation`` is the scatter of y about the line, as GUM H.3.2 has it (0 with two
    points).
    """

    coefficients: Array
    covariance: Array
    residuals: Array
    chi_squared: float
    degrees_of_freedom: int
    residual_standard_deviation: float

    def predict(self, x: ArrayLike) -> tuple[Array, Array]:
        """Value of the line at x and its standard uncertainty (GUM H.3.5, eq. H.15)."""
        positions = np.asarray(x, dtype=np.float64)
        rows = np.stack([np.ones_like(positions), positions], axis=-1)
        variance = np.einsum("...i,ij,...j->...", rows, self.covariance, rows)
        return np.asarray(rows @ self.coefficients), np.asarray(np.sqrt(variance))


def fit_line(x: ArrayLike, y: ArrayLike, u_y: ArrayLike | None = None, u_x: ArrayLike | None = None) -> StraightLineFit:
    """Straight line by least squares.

    With ``u_y`` (and ``u_x``) the points are weighted by their own variance, that of x carried over by the
    slope, and the covariance follows from those uncertainties. Without ``u_y`` the scatter about the line
    takes their place, as in GUM H.3.

    :param x: (n,);  y: (n,);  u_y, u_x: scalar or (n,), independent from point to point.
    :raises ValueError: too few points, all at one x, numbers that are not finite, an uncertainty not above 0.
    """
    positions, values = np.asarray(x, dtype=np.float64), np.asarray(y, dtype=np.float64)
    least = 3 if u_y is None else 2
    if positions.ndim != 1 or positions.shape != values.shape or positions.size < least:
        raise ValueError(f"a straight line needs x and y of the same length, {least} points at least")
    if not (np.isfinite(positions).all() and np.isfinite(values).all()):
        raise ValueError("x and y of a straight line must be finite; leave out readings that failed")
    if np.ptp(positions) == 0.0:
        raise ValueError("a straight line needs points at different x")
    freedom = positions.size - 2
    variance_y = _variances(1.0 if u_y is None else u_y, positions.size)
    coefficients, covariance = _weighted_line(positions, values, variance_y)
    if u_x is not None and u_y is not None:
        variance_x = _variances(u_x, positions.size)
        for _ in range(20):
            before = coefficients
            coefficients, covariance = _weighted_line(positions, values, variance_y + before[1] ** 2 * variance_x)
            if np.allclose(coefficients, before, rtol=1e-12, atol=0.0):
                break
        variance_y = variance_y + coefficients[1] ** 2 * variance_x
    residuals = values - coefficients[0] - coefficients[1] * positions
    scatter = float(np.sqrt(np.sum(residuals**2) / freedom)) if freedom else 0.0
    if u_y is None:
        covariance, variance_y = covariance * scatter**2, variance_y * scatter**2
    chi_squared = float(freedom) if u_y is None else float(np.sum(residuals**2 / variance_y))
    return StraightLineFit(coefficients, covariance, residuals, chi_squared, freedom, scatter)


def pitch_covariance_octaves2(law: Law, cv_v: ArrayLike, covariance_v2: ArrayLike) -> Array:
    """Covariance of pitch that comes from the control voltage, octaves squared, shape (n, n)."""
    slope = law.octaves_per_volt(cv_v)
    return np.asarray(slope[:, None] * np.asarray(covariance_v2, dtype=np.float64) * slope)


def combine(sensitivities: ArrayLike, covariance: ArrayLike) -> float:
    """Combined standard uncertainty by the law of propagation (JCGM 100:2008, eq. 10, 13 and 16).

    :param sensitivities: (n,), derivatives of the result by each input.
    :param covariance: (n, n) of the inputs, or (n,) variances of inputs that are independent.
    """
    derivatives = np.asarray(sensitivities, dtype=np.float64)
    matrix = np.asarray(covariance, dtype=np.float64)
    variance = derivatives @ matrix @ derivatives if matrix.ndim == 2 else np.sum(derivatives**2 * matrix)
    return float(np.sqrt(max(float(variance), 0.0)))


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


def expanded(standard_uncertainty: float, degrees_of_freedom: float = np.inf, probability: float = 0.95) -> float:
    """Expanded uncertainty of a two-sided interval (GUM 6.2 and G.3)."""
    return coverage_factor(degrees_of_freedom, probability) * standard_uncertainty


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


def _weighted_line(x: Array, y: Array, variance: Array) -> tuple[Array, Array]:
    weight = 1.0 / variance
    total = float(weight.sum())
    centre = float(weight @ x) / total
    away = x - centre
    spread = float(weight @ away**2)
    slope = float((weight * away) @ y) / spread
    level = float(weight @ y) / total
    covariance = np.array([[1.0 / total + centre**2 / spread, -centre / spread], [-centre / spread, 1.0 / spread]])
    return np.array([level - slope * centre, slope]), covariance


def _variances(standard_uncertainty: ArrayLike, count: int) -> Array:
    uncertainty = np.broadcast_to(np.asarray(standard_uncertainty, dtype=np.float64), (count,))
    if not np.all(uncertainty > 0.0):
        raise ValueError("every standard uncertainty must be above 0")
    return np.square(uncertainty)


def _require_above_zero(value: float, what: str, unit: str) -> None:
    if not (np.isfinite(value) and value > 0.0):
        raise ValueError(f"{what} must be above 0 and finite, not {value:g} {unit}".rstrip())
