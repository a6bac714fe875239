"""What a room's temperature does to a unit: pitch and slope per kelvin, from two visits in rooms that differ."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from rig.science.pitch import CENTS_PER_OCTAVE

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import ArrayLike, NDArray

    Array = NDArray[np.float64]

ROUNDS = 8
LEAST_VARIANCE = 1e-24
"""Octaves squared: a line without any doubt is known to its last digit."""
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


def coefficient_of(
    lines: ArrayLike, covariances: ArrayLike, rooms: Sequence[RoomTemperature]
) -> TemperatureCoefficient:
    """Coefficient from the straight lines of two sweeps or more, by the law of propagation (JCGM 100, eq. 13).

    What the sweeps share (the meter, the time base) cancels in their differences: give covariances without it, or the
    coefficient is said to be less certain than it is. The order of the visits does not matter. Generalised least
    squares; what a room's doubt does to a line counts with the line (the slopes being found in a few rounds). From
    three sweeps on, what they scatter beyond their doubt widens the result (R. T. Birge, 1932).

    :param lines: (n, 2): pitch in octaves at the reference CV, and octaves per octave of the law.
    :param covariances: (n, 2, 2), of those.
    :raises ValueError: the rooms are too alike, or a number is not finite.
    """
    levels, doubts = np.asarray(lines, dtype=np.float64), np.asarray(covariances, dtype=np.float64)
    rooms_c = np.array([room.celsius for room in rooms])
    rooms_u_k = np.array([room.standard_uncertainty_k for room in rooms])
    if not all(np.isfinite(each).all() for each in (levels, doubts, rooms_c, rooms_u_k)):
        raise ValueError("a temperature coefficient needs lines, covariances and temperatures that are finite")
    difference_k = _difference_k(rooms_c, rooms_u_k)
    away_k = rooms_c - np.mean(rooms_c)
    rates = np.zeros(2)
    for _ in range(ROUNDS):
        weights = np.linalg.inv(
            doubts + LEAST_VARIANCE * np.eye(2) + np.einsum("i,j,n->nij", rates, rates, rooms_u_k**2)
        )
        sums = [np.einsum("nij,n->ij", weights, away_k**power) for power in (0, 1, 2)]
        normal = np.block([[sums[0], sums[1]], [sums[1], sums[2]]])
        right = [np.einsum("nij,nj,n->i", weights, levels, away_k**power) for power in (0, 1)]
        solved = np.linalg.solve(normal, np.concatenate(right))
        rates = solved[2:]
    left = levels - solved[:2] - np.outer(away_k, rates)
    chi_squared = float(np.einsum("ni,nij,nj->", left, weights, left))
    freedom = 2 * (rooms_c.size - 2)
    birge = max(1.0, chi_squared / freedom) if freedom else 1.0
    covariance = CENTS_PER_OCTAVE**2 * birge * np.linalg.inv(normal)[2:, 2:]
    spreads = np.sqrt(np.diag(covariance))
    product = float(spreads[0] * spreads[1])
    return TemperatureCoefficient(
        pitch=PerKelvin(float(CENTS_PER_OCTAVE * rates[0]), float(spreads[0])),
        scale=PerKelvin(float(CENTS_PER_OCTAVE * rates[1]), float(spreads[1])),
        correlation=float(covariance[0, 1]) / product if product > 0.0 else 0.0,
        difference_k=difference_k,
    )


def _difference_k(rooms_c: Array, rooms_u_k: Array) -> float:
    """From the first room to the last of two, or from the coldest to the warmest of more, K.

    :raises ValueError: it is too small for what is known of it.
    """
    first, last = (0, 1) if rooms_c.size == 2 else (int(np.argmin(rooms_c)), int(np.argmax(rooms_c)))
    difference_k = float(rooms_c[last] - rooms_c[first])
    doubt_k = float(np.hypot(rooms_u_k[first], rooms_u_k[last]))
    if difference_k == 0.0 or abs(difference_k) < LEAST_TIMES_UNCERTAIN * doubt_k:
        raise ValueError(
            f"the rooms of both visits differ by {abs(difference_k):.1f} K, known to {doubt_k:.1f} K: too little for a "
            "temperature coefficient; measure the unit again in a warmer or colder room"
        )
    return difference_k
