"""What a bench that lies gives away: readings that no oscillator gives, whatever is wrong with it.

An oscillator's pitch moves smoothly with its control voltage. A counter that triggers twice a period, or on every
second one, is off by a whole ratio; one that counts hum does not follow the voltage at all, and neither does a source
that is stuck. All here is arithmetic on readings; what is asked of people and instruments stands in the stages.
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum
from itertools import combinations
from statistics import median
from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import ArrayLike, NDArray

CENTS = 1200.0
RATIOS = (2.0, 3.0, 4.0, 5.0, 1.0 / 2.0, 1.0 / 3.0, 1.0 / 4.0)
"""What a counter may be off by: harmonics and triggers too many, or periods left out."""
MAINS_HZ = (50.0, 60.0)
MAINS_MULTIPLES = (1, 2, 3, 4)
HUM_SHARE = 0.01
"""Mains frequency keeps to 1 % (EN 50160: within 1 % for 99.5 % of a year; from memory)."""
SAME_CENTS = 3.0
"""Pitches nearer than this are the same."""
APART_OCTAVES = 0.3
"""Voltages farther apart than this many octaves cannot give the same pitch."""
TORN_CENTS = 100.0
"""A point so far off the line between its neighbours, half an octave away on both sides, is no part of a curve."""
TORN_SPACING_OCTAVES = 0.5
MOST_TORN_CENTS = 500.0
RATIO_CENTS = 150.0
"""A step between two groups of points so near to that of a whole ratio is one."""
GROUP_CENTS = 400.0
"""Within a group points lie as a badly trimmed unit has them."""
THOUSANDS = {1e-3: "kilohertz", 1e-6: "megahertz", 1e3: "millihertz"}
"""What a counter is off by that answers in another unit than hertz, and does not say so."""
LEVEL_CENTS = 240.0
"""The same for the pitch of a whole unit: how far from its nominal pitch it may have been found."""


class Doubt(StrEnum):
    """What is odd about a sweep."""

    NONE = "none"
    FLAT = "flat"
    """Voltages far apart give the same pitch."""
    RATIO = "ratio"
    """Some points lie a whole ratio from the others."""
    TORN = "torn"
    """Some points lie on no curve with the others, or differ from their own repetition."""


@dataclass(frozen=True, slots=True)
class Oddness:
    """A doubt about a sweep, with what shows it.

    :param ratio: of the higher group to the lower; 1 unless the doubt is a ratio.
    :param index: where it shows most, among the points as they were given.
    """

    doubt: Doubt
    ratio: float = 1.0
    index: int = 0


def whole_ratio(octaves: float, within_cents: float) -> float | None:
    """Ratio of a miscounting counter that a distance is near to; None where it is near to none.

    :param octaves: distance of a pitch from what it should be.
    """
    distances = [CENTS * abs(octaves - float(np.log2(ratio))) for ratio in RATIOS]
    nearest = int(np.argmin(distances))
    return RATIOS[nearest] if distances[nearest] <= within_cents else None


def unsaid_unit(octaves: float, within_cents: float) -> str:
    """Unit in which a counter answers that does not say which; empty where the distance is of none.

    :param octaves: distance of a pitch from what it should be.
    """
    near = (unit for ratio, unit in THOUSANDS.items() if CENTS * abs(octaves - float(np.log2(ratio))) <= within_cents)
    return next(near, "")


def hum_hz(frequencies_hz: ArrayLike) -> float | None:
    """Multiple of a mains frequency that all readings are of, Hz; None where they are not.

    :param frequencies_hz: (n,), read at control voltages that differ; two at least, or it is never hum.
    """
    read = np.asarray(frequencies_hz, dtype=np.float64)
    if read.size < 2:
        return None
    wanted = [mains * times for mains in MAINS_HZ for times in MAINS_MULTIPLES]
    off = [float(np.max(np.abs(read / each - 1.0))) for each in wanted]
    best = int(np.argmin(off))
    return wanted[best] if off[best] <= HUM_SHARE else None


def strays(readings: Sequence[float], allowed: float) -> tuple[int, ...]:
    """Places of readings that lie farther than allowed from the median; none among fewer than three."""
    if len(readings) < 3:
        return ()
    middle = median(readings)
    return tuple(place for place, each in enumerate(readings) if abs(each - middle) > allowed)


def stray_sentence(instrument: str) -> str:
    """What is told of a stray that was read again."""
    return f"{instrument} gave one reading far from its neighbours: it was taken again."


def oddness(x: ArrayLike, octaves: ArrayLike) -> Oddness:
    """What is odd about the points of a sweep, the gravest first: a whole ratio, flat, torn.

    :param x: (n,), octaves of the law at the control voltages, in any order; repetitions come again.
    :param octaves: (n,), pitches at them.
    """
    x, y = np.asarray(x, dtype=np.float64), np.asarray(octaves, dtype=np.float64)
    flat, torn = _flat_at(x, y), _torn_at(x, y)
    if torn is None and flat is None:
        return Oddness(Doubt.NONE)
    # one point an octave off has the pitch of another CV as well: that a source is stuck is the plainer reading
    ratio = _ratio_of_groups(y - x, least=1 if flat is None else 2)
    if ratio is not None and torn is not None:
        return Oddness(Doubt.RATIO, ratio, torn)
    return Oddness(Doubt.FLAT, index=flat) if flat is not None else Oddness(Doubt.TORN, index=torn or 0)


def rail_share_of_steps(steps_octaves: ArrayLike, nominal_octaves: ArrayLike) -> float:
    """Rail as a share of its nominal voltage, as the steps of the switch that hangs on it show it.

    The median step: one resistor of the divider may be wrong.

    :param steps_octaves: (n,), from the lowest position.  nominal_octaves: (n,), none of them 0.
    """
    return float(np.median(np.asarray(steps_octaves, dtype=np.float64) / np.asarray(nominal_octaves)))


def _flat_at(x: NDArray[np.float64], y: NDArray[np.float64]) -> int | None:
    """Second of two points far apart with the same pitch."""
    for one, other in combinations(range(x.size), 2):
        if abs(x[one] - x[other]) > APART_OCTAVES and CENTS * abs(y[one] - y[other]) < SAME_CENTS:
            return other
    return None


def _torn_at(x: NDArray[np.float64], y: NDArray[np.float64]) -> int | None:
    """Point that differs most from its repetition or from the line between its neighbours; None where all agree."""
    order = np.argsort(x, kind="stable")
    places, first = np.unique(x[order], return_index=True)
    groups = np.split(order, first[1:])
    spreads = np.array([CENTS * float(np.ptp(y[group])) for group in groups])
    if np.max(spreads) > TORN_CENTS:
        return int(groups[int(np.argmax(spreads))][-1])
    if places.size < 3:
        return None
    mean = np.array([float(np.mean(y[group])) for group in groups])
    share = (places[1:-1] - places[:-2]) / (places[2:] - places[:-2])
    off = CENTS * np.abs(mean[1:-1] - (1.0 - share) * mean[:-2] - share * mean[2:])
    spacing = (places[2:] - places[:-2]) / 2.0
    allowed = np.clip(TORN_CENTS * (spacing / TORN_SPACING_OCTAVES) ** 2, TORN_CENTS, MOST_TORN_CENTS)
    worst = int(np.argmax(off / allowed))
    return int(groups[worst + 1][-1]) if off[worst] > allowed[worst] else None


def _ratio_of_groups(away: NDArray[np.float64], least: int) -> float | None:
    """Ratio between two groups of points that the widest gap between them parts, each close together.

    :param least: points that each group must have.
    """
    level = np.sort(away)
    gap = int(np.argmax(np.diff(level)))
    low, high = level[: gap + 1], level[gap + 1 :]
    if min(low.size, high.size) < least or CENTS * max(float(np.ptp(low)), float(np.ptp(high))) > GROUP_CENTS:
        return None
    return whole_ratio(float(np.median(high) - np.median(low)), RATIO_CENTS)
