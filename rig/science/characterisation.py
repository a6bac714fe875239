"""The source measured by the meter, up and down: a smooth curve from programmed to true voltage, with covariance.

The curve is a sum of Legendre polynomials on the measured span. A straight line is preferred; a higher order must earn
its place. What the meter's readings have in common (gain, offset) ties all points of the curve together.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from math import inf
from typing import TYPE_CHECKING, Protocol

import numpy as np
from numpy.polynomial import legendre
from scipy.special import fdtrc

if TYPE_CHECKING:
    from numpy.typing import ArrayLike, NDArray

    Array = NDArray[np.float64]

SQRT12 = 12.0**0.5
HIGHEST_ORDER = 5
TERMS_IN_DOUBT = 2
"""A term of each symmetry: a curve that is even about the middle of the span has no odd term, and the other way."""
EARNED_PROBABILITY = 0.01
"""A higher order is taken where chance alone would do as well this seldom."""
BEYOND_SHARE = 0.02
"""How far outside the measured span the curve is believed, as a share of the span."""
ENOUGH_ITERATIONS = 50
CLOSE_V = 1e-12
LEAST_NOISE_V = 1e-10
"""Readings without any noise are equal to their last digit: what is left is arithmetic."""


class NotTheSource(ValueError):
    """The readings are not those of a source that follows what is programmed; one sentence says why."""


class CvCorrection(Protocol):
    """What a programmed voltage truly is at the unit's jack."""

    def true_v(self, programmed_v: float) -> float:
        """Voltage at the jack."""

    def programmed_v(self, true_v: float, resolution_v: float) -> float:
        """What to program, on the source's own grid, for a voltage at the jack."""

    def covariance_at(self, programmed_v: ArrayLike) -> Array:
        """Covariance of the voltages at the jack, V squared, shape (n, n)."""


@dataclass(frozen=True, slots=True)
class CommonErrors:
    """Standard uncertainty of what all readings have in common: a gain (relative) and an offset."""

    gain: float
    offset_v: float

    def and_also(self, other: CommonErrors) -> CommonErrors:
        """Both sources of error, independent of each other."""
        return CommonErrors(float(np.hypot(self.gain, other.gain)), float(np.hypot(self.offset_v, other.offset_v)))


@dataclass(frozen=True, slots=True)
class Plausible:
    """What may still be a source with its meter. Beyond it, a lead is in the wrong place or data are missing."""

    gain: float = 0.05
    offset_v: float = 0.1
    residual_v: float = 0.01
    hysteresis_v: float = 0.005
    gap_share: float = 0.15


@dataclass(frozen=True, slots=True)
class SourceCurve:
    """Programmed voltage to voltage at the unit's jack, on a span.

    ``coefficients`` are those of Legendre polynomials in t = (2 p - low - high) / (high - low), shape (k,); terms
    that did not earn their place are zero and keep the uncertainty with which that is known. ``covariance`` (k, k)
    holds scatter and the common errors; ``own_standard_uncertainty_v`` is what each setting has for itself.
    ``degrees_of_freedom`` are those of the scatter.
    """

    low_v: float
    high_v: float
    coefficients: Array
    covariance: Array
    own_standard_uncertainty_v: float = 0.0
    degrees_of_freedom: float = inf

    def evaluate(self, programmed_v: ArrayLike) -> tuple[Array, Array]:
        """True voltages and their standard uncertainties, V.

        :raises ValueError: a voltage lies outside the measured span.
        """
        rows = self._rows(programmed_v)
        variance = np.einsum("...i,ij,...j->...", rows, self.covariance, rows)
        own = self.own_standard_uncertainty_v**2
        return np.asarray(rows @ self.coefficients), np.asarray(np.sqrt(variance + own))

    def true_v(self, programmed_v: float) -> float:
        """Voltage at the jack.

        :raises ValueError: it lies outside the measured span.
        """
        return float(legendre.legval(self._place(programmed_v), self.coefficients))

    def standard_uncertainty_v(self, programmed_v: float) -> float:
        """Standard uncertainty of the voltage at the jack, V."""
        return float(self.evaluate(programmed_v)[1])

    def covariance_at(self, programmed_v: ArrayLike) -> Array:
        """Covariance of the voltages at the jack, V squared, shape (n, n).

        :param programmed_v: (n,). Visits of one voltage are different points: hysteresis is each one's own.
        :raises ValueError: a voltage lies outside the measured span.
        """
        rows = np.atleast_2d(self._rows(programmed_v))
        own = self.own_standard_uncertainty_v**2 * np.eye(rows.shape[0])
        return np.asarray(rows @ self.covariance @ rows.T + own)

    def slope_at(self, programmed_v: ArrayLike) -> Array:
        """True volts per programmed volt."""
        derivative = legendre.legder(self.coefficients) * 2.0 / (self.high_v - self.low_v)
        return np.asarray(legendre.legval(self._place(programmed_v), derivative))

    def programmed_for(self, true_v: float) -> float:
        """What to program for a voltage at the jack (Newton's method; the curve rises everywhere).

        :raises ValueError: the span does not reach it.
        """
        derivative = legendre.legder(self.coefficients)
        half_v = (self.high_v - self.low_v) / 2.0
        programmed_v = float(true_v)
        for _ in range(ENOUGH_ITERATIONS):
            place = _scaled(programmed_v, self.low_v, self.high_v)
            missing_v = true_v - float(legendre.legval(place, self.coefficients))
            if abs(missing_v) < CLOSE_V:
                break
            programmed_v += missing_v * half_v / float(legendre.legval(place, derivative))
        if abs(missing_v) < CLOSE_V and self._lowest_v <= programmed_v <= self._highest_v:
            return programmed_v
        raise ValueError(
            f"{true_v:g} V lies outside what the source was characterised for ({self.low_v:g} V to {self.high_v:g} V)"
        )

    def programmed_v(self, true_v: float, resolution_v: float) -> float:
        """What to program, on the source's own grid, for a voltage at the jack.

        :raises ValueError: the span does not reach it.
        """
        return round(round(self.programmed_for(true_v) / resolution_v) * resolution_v, 9)

    def with_common(self, errors: CommonErrors) -> SourceCurve:
        """The same curve with more common error: a gain turns all coefficients, an offset the first."""
        along_gain = errors.gain * self.coefficients
        covariance = self.covariance + np.outer(along_gain, along_gain)
        covariance[0, 0] += errors.offset_v**2
        return replace(self, covariance=covariance)

    @property
    def order(self) -> int:
        """Order of the polynomial that was earned."""
        return int(np.max(np.flatnonzero(self.coefficients), initial=0))

    @property
    def _lowest_v(self) -> float:
        return self.low_v - BEYOND_SHARE * (self.high_v - self.low_v)

    @property
    def _highest_v(self) -> float:
        return self.high_v + BEYOND_SHARE * (self.high_v - self.low_v)

    def _place(self, programmed_v: ArrayLike) -> Array:
        voltages = np.asarray(programmed_v, dtype=np.float64)
        if not bool(np.all((voltages >= self._lowest_v) & (voltages <= self._highest_v))):
            raise ValueError(
                f"a voltage lies outside what the source was characterised for ({self.low_v:g} V to {self.high_v:g} V)"
            )
        return _scaled(voltages, self.low_v, self.high_v)

    def _rows(self, programmed_v: ArrayLike) -> Array:
        place = self._place(programmed_v)
        rows = np.asarray(legendre.legvander(place, self.coefficients.size - 1), dtype=np.float64)
        return rows.reshape(*place.shape, self.coefficients.size)


def covariance_of_readings(voltage_v: ArrayLike, own_u_v: ArrayLike, common: CommonErrors) -> Array:
    """Covariance of control voltages that a second meter reads at each point, V squared, shape (n, n).

    :param voltage_v: (n,), as read.  own_u_v: standard uncertainty of each reading on its own, scalar or (n,).
    """
    read = np.asarray(voltage_v, dtype=np.float64)
    own = np.broadcast_to(np.square(np.asarray(own_u_v, dtype=np.float64)), read.shape)
    return np.asarray(common.gain**2 * np.outer(read, read) + common.offset_v**2 + np.diag(own))


@dataclass(frozen=True, slots=True)
class Characterised:
    """A source's curve and how it was come by.

    ``scatter_v`` is the standard deviation of one reading about the curve, with ``degrees_of_freedom``;
    ``roughness_v`` what of it up and down have in common; ``hysteresis_v`` the largest difference between them.
    ``order_probabilities`` say for each order from 1 on how often chance alone would gain as much from a higher one.
    """

    curve: SourceCurve
    programmed_v: Array
    up_v: Array
    down_v: Array
    scatter_v: float
    degrees_of_freedom: int
    chi_squared: float
    roughness_v: float
    hysteresis_v: float
    order_probabilities: tuple[float, ...]


def characterise(
    programmed_v: ArrayLike,
    up_v: ArrayLike,
    down_v: ArrayLike,
    *,
    reading_u_v: float,
    common: CommonErrors,
    plausible: Plausible | None = None,
) -> Characterised:
    """Fit a source's curve to what a meter read on the way up and on the way down.

    Readings are weighted alike. The scatter about the curve is the larger of what is claimed (``reading_u_v``) and
    what is seen. Up and down differing by as much as h at some voltage gives each point a variance of h^2 / 12
    (JCGM 100:2008, F.2.2.2). Terms that did not earn their place are taken as zero, with their estimate and its
    uncertainty as the uncertainty of that: so the intervals do not depend on a test's luck.

    :param programmed_v: (n,), rising.  up_v, down_v: (n,), read at those voltages, in the order of ``programmed_v``.
    :param reading_u_v: standard uncertainty of one reading on its own: noise, resolution, the source's grid.
    :param common: the meter's gain and offset, the load's, the source's wander: common to all readings.
    :raises NotTheSource: the readings are not those of a source, or some are missing.
    """
    allowed = plausible if plausible is not None else Plausible()
    programmed = np.asarray(programmed_v, dtype=np.float64)
    readings = np.stack([np.asarray(up_v, dtype=np.float64), np.asarray(down_v, dtype=np.float64)])
    _require_whole(programmed, readings, allowed)
    hysteresis_v = float(np.max(np.abs(readings[0] - readings[1])))
    _require_settled(hysteresis_v, allowed)
    _require_wired(programmed, readings, allowed)
    low_v, high_v = float(programmed[0]), float(programmed[-1])
    place, values = np.tile(_scaled(programmed, low_v, high_v), 2), readings.ravel()
    highest = min(HIGHEST_ORDER, programmed.size - TERMS_IN_DOUBT - 2)
    order, probabilities = _earned_order(place, values, highest)
    taken, _ = _least_squares(place, values, order)
    whole, inverse = _least_squares(place, values, order + TERMS_IN_DOUBT)
    residuals = values - legendre.legval(place, taken)
    freedom = values.size - order - 1
    scatter_v = float(np.sqrt(np.sum(residuals**2) / freedom))
    covariance = max(scatter_v, reading_u_v) ** 2 * inverse
    left_out = whole[order + 1 :]
    covariance[order + 1 :, order + 1 :] += np.diag(left_out**2)
    roughness_v = _roughness_v(readings, residuals.reshape(readings.shape), order + 1)
    own_v = float(np.hypot(hysteresis_v / SQRT12, roughness_v))
    coefficients = np.append(taken, np.zeros(TERMS_IN_DOUBT))
    curve = SourceCurve(low_v, high_v, coefficients, covariance, own_v, float(freedom)).with_common(common)
    _require_smooth(curve, residuals, allowed)
    return Characterised(
        curve=curve,
        programmed_v=programmed,
        up_v=readings[0],
        down_v=readings[1],
        scatter_v=scatter_v,
        degrees_of_freedom=freedom,
        chi_squared=float(np.sum(residuals**2)) / reading_u_v**2,
        roughness_v=roughness_v,
        hysteresis_v=hysteresis_v,
        order_probabilities=probabilities,
    )


def _earned_order(place: Array, values: Array, highest: int) -> tuple[int, tuple[float, ...]]:
    """Lowest order that no higher one beats, by F-tests against all the terms above it at once.

    :returns: the order, and for each order looked at the probability of such a gain by chance.
    """
    largest, _ = _least_squares(place, values, highest)
    freedom = values.size - highest - 1
    noise = max(float(np.sum((values - legendre.legval(place, largest)) ** 2)) / freedom, LEAST_NOISE_V**2)
    probabilities: list[float] = []
    for order in range(1, highest):
        fitted, _ = _least_squares(place, values, order)
        left = float(np.sum((values - legendre.legval(place, fitted)) ** 2))
        gained, terms = left - noise * freedom, highest - order
        chance = float(fdtrc(terms, freedom, max(gained, 0.0) / terms / noise))
        probabilities.append(chance)
        if chance > EARNED_PROBABILITY:
            return order, tuple(probabilities)
    return highest, tuple(probabilities)


def _roughness_v(readings: Array, residuals: Array, terms: int) -> float:
    """Standard deviation of what a setting's two readings have in common beside the curve, V; 0 where it is noise."""
    count = readings.shape[1]
    noise = float(np.var(readings[0] - readings[1], ddof=1)) / 2.0
    together = float(np.sum(np.mean(residuals, axis=0) ** 2)) / (count - terms)
    return float(np.sqrt(max(together - noise / 2.0, 0.0)))


def _least_squares(place: Array, values: Array, order: int) -> tuple[Array, Array]:
    """Coefficients (order + 1,) and the inverse of the normal matrix."""
    rows = legendre.legvander(place, order)
    inverse = np.linalg.inv(rows.T @ rows)
    return np.asarray(inverse @ rows.T @ values), np.asarray(inverse)


def _scaled(programmed_v: ArrayLike, low_v: float, high_v: float) -> Array:
    return np.asarray((2.0 * np.asarray(programmed_v, dtype=np.float64) - low_v - high_v) / (high_v - low_v))


def _require_whole(programmed: Array, readings: Array, allowed: Plausible) -> None:
    """No reading is missing, and no part of the span."""
    if programmed.ndim != 1 or readings.shape != (2, programmed.size):
        raise NotTheSource("The source was not read once up and once down at each voltage: characterise it again.")
    if programmed.size < TERMS_IN_DOUBT + 4:
        raise NotTheSource(
            f"{programmed.size} voltages are too few to know a source by: measure {TERMS_IN_DOUBT + 4} at least."
        )
    missing = ~np.isfinite(readings).all(axis=0)
    if missing.any():
        raise NotTheSource(f"The reading at {programmed[missing][0]:.3f} V is missing: characterise the source again.")
    gaps_v = np.diff(programmed)
    if not (np.isfinite(programmed).all() and (gaps_v > 0.0).all()):
        raise NotTheSource("The voltages of a characterisation must rise, each given once.")
    widest = int(np.argmax(gaps_v))
    if gaps_v[widest] > allowed.gap_share * (programmed[-1] - programmed[0]) * (1.0 + 1e-9):
        raise NotTheSource(
            f"Nothing was read between {programmed[widest]:.3f} V and {programmed[widest + 1]:.3f} V: characterise the "
            "source again, without the hole."
        )


def _require_settled(hysteresis_v: float, allowed: Plausible) -> None:
    """Up and down agree."""
    if hysteresis_v > allowed.hysteresis_v:
        raise NotTheSource(
            f"Up and down differ by {1e3 * hysteresis_v:.1f} mV ({1e3 * allowed.hysteresis_v:.1f} mV are allowed): the "
            "source had not settled, or a contact is bad; give it more settling_s in the bench file, or mend the lead."
        )


def _require_wired(programmed: Array, readings: Array, allowed: Plausible) -> None:
    """The meter follows the source at all: asked of a plain straight line."""
    gain, offset_v = np.polyfit(np.tile(programmed, 2), readings.ravel(), 1)
    if abs(gain - 1.0) <= allowed.gain and abs(offset_v) <= allowed.offset_v:
        return
    seen = f"it reads {offset_v:.3f} V at 0 V and {gain:.3f} V more for each volt"
    if abs(gain) < allowed.gain:
        raise NotTheSource(
            f"The meter does not follow the source ({seen}): put its lead on the unit's CV jack, and see that the "
            "source's output is on."
        )
    if abs(gain + 1.0) <= allowed.gain:
        raise NotTheSource(f"The meter reads the source the wrong way round ({seen}): swap its two leads.")
    raise NotTheSource(
        f"What the meter reads cannot be the source alone ({seen}): check lead, ground and load, then start again."
    )


def _require_smooth(curve: SourceCurve, residuals: Array, allowed: Plausible) -> None:
    """Readings lie on a smooth curve that rises everywhere."""
    largest_v = float(np.max(np.abs(residuals)))
    slopes = curve.slope_at(np.linspace(curve.low_v, curve.high_v, 101))
    if largest_v > allowed.residual_v or bool(np.any(np.abs(slopes - 1.0) > 2.0 * allowed.gain)):
        raise NotTheSource(
            f"The readings lie up to {1e3 * largest_v:.1f} mV off a smooth curve ({1e3 * allowed.residual_v:.1f} mV "
            "are allowed): a limit, a range or a loose lead cuts in; check them, then start again."
        )
