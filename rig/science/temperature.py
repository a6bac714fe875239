"""What a room's temperature does to a unit: pitch and slope per kelvin, from two visits in rooms that differ."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from rig.science.pitch import CENTS_PER_OCTAVE

if TYPE_CHECKING:
    from numpy.typing import ArrayLike, NDArray

    Array = NDArray[np.float64]

LEAST_TIMES_UNCERTAIN = 4.0
"""Rooms differ by so many times the standard uncertainty of their difference, or the quotient has no interval."""

PLATINUM_A, PLATINUM_B = 3.9083e-3, -5.775e-7
"""IEC 60751:2008, 4.2: per degree Celsius, and per degree squared."""


@dataclass(frozen=True, slots=True)
class RoomTemperature:
    """Temperature of a room, degrees Celsius, with standard uncertainty, K."""

    celsius: float
    standard_uncertainty_k: float


@dataclass(frozen=True, slots=True)
class PerKelvin:
    """A coefficient with its standard uncertainty, per kelvin."""

    value: float
    standard_uncertainty: float


@dataclass(frozen=True, slots=True)
class TemperatureCoefficient:
    """Pitch at the reference CV (cents per kelvin) and scale (cents per octave per kelvin).

    ``correlation`` is that of both: they share the difference of temperature, and the fits.
    """

    pitch: PerKelvin
    scale: PerKelvin
    correlation: float
    difference_k: float


def platinum_celsius(resistance_ohm: float, ohm_at_zero: float) -> float:
    """Temperature of a platinum probe, degrees Celsius (IEC 60751:2008, 4.2: R = R0 (1 + A t + B t^2)).

    Below 0 degrees the standard adds a term, which is worth 1 mK at -20 degrees and is left out.

    :raises ValueError: no platinum probe has this resistance at any temperature of a room.
    """
    root = PLATINUM_A**2 - 4.0 * PLATINUM_B * (1.0 - resistance_ohm / ohm_at_zero)
    if not (resistance_ohm > 0.0 and ohm_at_zero > 0.0 and root > 0.0):
        raise ValueError(f"{resistance_ohm:g} ohm is no platinum probe of {ohm_at_zero:g} ohm")
    return float((np.sqrt(root) - PLATINUM_A) / (2.0 * PLATINUM_B))


def temperature_coefficient(
    line_cold: ArrayLike,
    covariance_cold: ArrayLike,
    room_cold: RoomTemperature,
    line_warm: ArrayLike,
    covariance_warm: ArrayLike,
    room_warm: RoomTemperature,
) -> TemperatureCoefficient:
    """Coefficient from the straight lines of two sweeps, by the law of propagation (JCGM 100, eq. 13).

    What both sweeps share (the meter, the time base) cancels in their difference: give covariances without it, or the
    coefficient is said to be less certain than it is. The order of the two visits does not matter.

    :param line_cold, line_warm: (2,): pitch in octaves at the reference CV, and octaves per octave of the law.
    :param covariance_cold, covariance_warm: (2, 2), of those.
    :raises ValueError: the rooms are too alike, or a number is not finite.
    """
    lines = np.array([line_cold, line_warm], dtype=np.float64)
    covariances = np.array([covariance_cold, covariance_warm], dtype=np.float64)
    difference_k = room_warm.celsius - room_cold.celsius
    doubt_k = float(np.hypot(room_cold.standard_uncertainty_k, room_warm.standard_uncertainty_k))
    if not (np.isfinite(lines).all() and np.isfinite(covariances).all() and np.isfinite([difference_k, doubt_k]).all()):
        raise ValueError("a temperature coefficient needs lines, covariances and temperatures that are finite")
    if difference_k == 0.0 or abs(difference_k) < LEAST_TIMES_UNCERTAIN * doubt_k:
        raise ValueError(
            f"the rooms of both visits differ by {abs(difference_k):.1f} K, known to {doubt_k:.1f} K: too little for a "
            "temperature coefficient; measure the unit again in a warmer or colder room"
        )
    rates = (lines[1] - lines[0]) / difference_k
    by_lines = covariances.sum(axis=0) / difference_k**2
    by_rooms = np.outer(rates, rates) * (doubt_k / difference_k) ** 2
    covariance = CENTS_PER_OCTAVE**2 * (by_lines + by_rooms)
    spreads = np.sqrt(np.diag(covariance))
    product = float(spreads[0] * spreads[1])
    return TemperatureCoefficient(
        pitch=PerKelvin(float(CENTS_PER_OCTAVE * rates[0]), float(spreads[0])),
        scale=PerKelvin(float(CENTS_PER_OCTAVE * rates[1]), float(spreads[1])),
        correlation=float(covariance[0, 1]) / product if product > 0.0 else 0.0,
        difference_k=float(difference_k),
    )
