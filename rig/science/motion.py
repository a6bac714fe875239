"""What a stream of watch readings says of the hand behind it: nearer, wrong way, past, inside, nothing.

Readings are folded one by one, each a distance (target minus reading) with its standard uncertainty, in any
unit:

    motion = Motion(Rules(tolerance=0.3, drift_per_s=DRIFT_CENTS_PER_S))
    motion = follow(motion, time_s, distance, standard_uncertainty)

What is judged is the median of the last three readings, so that one stray reading alone changes nothing. A
motion begins where that median leaves the level of rest by more than noise, drift and a tenth of the
tolerance; it turns round where it comes back from its farthest by more than noise; it ends where the readings
of the last moments have no slope left. Nearer and wrong way are said of one motion in one direction, measured
from where it began. The stated uncertainty has to be honest: all of this is counted in it.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from enum import Enum, auto
from math import ceil, copysign, isfinite, isnan, pi, sqrt
from statistics import fmean, median
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from collections.abc import Sequence

DRIFT_CENTS_PER_S = 0.3 / 60.0
"""What a warm unit may drift by itself, cents per second."""
JUDGED = 3
MEDIAN_OF_THREE = sqrt(1.0 - sqrt(3.0) / pi)
"""Standard deviation of the median of three normal readings over that of one (normal order statistics)."""
THEIL_SEN = sqrt(pi / 3.0)
"""Standard deviation of a median of slopes over that of least squares, normal noise (P. K. Sen, 1968)."""
BEYOND_NOISE = 4.5
"""Standard deviations past which a shift is a motion: eight readings a second make many tries."""
GRAIN = 0.1
"""Share of the tolerance under which nobody need be told of a motion."""
REST_S = 0.6
REST_READINGS = 4
REST_SLOPE = 1.0
REST_REMEMBERED = 16
STRAY = 4.0
"""Standard deviations past which a single reading is left out of a mean."""
STRAYS_ONE_IN = 8
"""Readings of which more than one in so many stray are not believed."""
ONE_SIDED_95 = 1.645
GUARD_SHARE = 0.5
"""Share of the tolerance that the doubt of the mean may take: the noisier the readings, the more of them."""
REMEMBERED = 64
VAIN_S = 1.5
VAIN_READINGS = 5
LONGEST_STEP_S = 0.5
"""So much of the time between two readings counts as turning, at most."""


class Seen(Enum):
    """What is seen of the hand; the names are those of the operator's port."""

    STILL = auto()
    NEARER = auto()
    AWAY = auto()
    NOTHING = auto()
    PAST = auto()
    INSIDE = auto()
    NO_SIGNAL = auto()
    BACK = auto()


@dataclass(frozen=True, slots=True)
class Rules:
    """When a target is reached.

    :param tolerance: how near is near enough, in the unit of the distance.
    :param drift_per_s: what the unit may drift by itself without anybody turning, per second.
    :param hold_s: how long the readings must stay inside.
    :param readings: how many readings there must be in that time, at least.
    """

    tolerance: float
    drift_per_s: float
    hold_s: float = 0.6
    readings: int = 5

    def __post_init__(self) -> None:
        if not (isfinite(self.tolerance) and self.tolerance > 0.0):
            raise ValueError(f"a tolerance must be above 0 and finite, not {self.tolerance}")
        if not (isfinite(self.drift_per_s) and self.drift_per_s >= 0.0):
            raise ValueError(f"a drift must not be below 0, and finite, not {self.drift_per_s}")
        if not self.hold_s > 0.0 or self.readings < JUDGED:
            raise ValueError(f"a hold needs a time above 0 s and at least {JUDGED} readings")


@dataclass(frozen=True, slots=True)
class Reading:
    """One reading with a signal."""

    time_s: float
    distance: float
    standard_uncertainty: float


@dataclass(frozen=True, slots=True)
class Rest:
    """Where the readings rest: a mean over ``count`` of them, since when."""

    level: float
    count: int
    since_s: float


@dataclass(frozen=True, slots=True)
class Leg:
    """A motion in one direction: where it began, and the farthest that it got."""

    start: float
    farthest: float


@dataclass(frozen=True, slots=True)
class Rate:
    """How fast the distance changes, per second, with its standard uncertainty."""

    per_s: float
    standard_uncertainty: float


@dataclass(frozen=True, slots=True)
class Motion:
    """What is known after some readings. Begin with ``Motion(rules)``; go on with :func:`follow`.

    ``done`` is true once the readings have stayed inside for the hold time, there are enough of them that
    their mean lies inside with its one-sided 95 % doubt, and nothing moves. ``gap_s`` is how long the signal
    was last away.
    """

    rules: Rules
    seen: Seen = Seen.STILL
    done: bool = False
    inside_since_s: float | None = None
    silent_since_s: float | None = None
    gap_s: float = 0.0
    time_s: float = -float("inf")
    readings: tuple[Reading, ...] = ()
    rest: Rest | None = None
    leg: Leg | None = None
    side: float = 0.0
    vain_s: float = 0.0
    vain_readings: int = 0
    returning: bool = False

    @property
    def moving(self) -> bool:
        """Whether the distance changes beyond noise."""
        return self.leg is not None

    @property
    def rate(self) -> Rate | None:
        """Rate of the last moments; None before there are enough readings."""
        window = _window(self.readings, REST_S, JUDGED)
        return _slope(window) if len(window) >= JUDGED else None


def follow(
    motion: Motion,
    time_s: float,
    distance: float | None,
    standard_uncertainty: float,
    *,
    turning: bool = False,
) -> Motion:
    """Take one more reading.

    :param distance: target minus reading; None or NaN without a signal.
    :param turning: somebody declares to have turned since the last reading. Only then can it be said that
        turning changes nothing: from readings alone, an end stop and a hand at rest look the same.
    :raises ValueError: time runs backwards, or the uncertainty is not above 0 and finite.
    """
    if not time_s >= motion.time_s:
        raise ValueError(f"a reading at {time_s} s cannot follow one at {motion.time_s} s")
    if distance is None or isnan(distance):
        return _silent(motion, time_s)
    if not (isfinite(standard_uncertainty) and standard_uncertainty > 0.0 and isfinite(distance)):
        raise ValueError(
            f"a reading needs a finite distance and an uncertainty above 0, not {distance} and {standard_uncertainty}"
        )
    step_s = min(time_s - motion.time_s, LONGEST_STEP_S) if turning else 0.0
    heard = _heard(motion, Reading(float(time_s), float(distance), float(standard_uncertainty)))
    if len(heard.readings) < JUDGED:
        return replace(heard, seen=Seen.BACK if heard.returning else Seen.STILL, done=False)
    level, doubt = _level(heard.readings)
    moved = _moved(replace(heard, returning=False), level, doubt)
    counted = _counted(moved, step_s, turning=turning)
    held = replace(counted, inside_since_s=_inside_since_s(counted, level, doubt))
    return replace(held, seen=_seen(held, level, turning=turning), done=_is_done(held))


def _silent(motion: Motion, time_s: float) -> Motion:
    """The motion without a signal: what was known of rest and motion no longer holds."""
    since_s = time_s if motion.silent_since_s is None else motion.silent_since_s
    return Motion(
        motion.rules,
        Seen.NO_SIGNAL,
        silent_since_s=since_s,
        gap_s=motion.gap_s,
        time_s=time_s,
        side=motion.side,
    )


def _heard(motion: Motion, reading: Reading) -> Motion:
    readings = (*motion.readings[1 - REMEMBERED :], reading)
    if motion.silent_since_s is None:
        return replace(motion, time_s=reading.time_s, readings=readings)
    gap_s = reading.time_s - motion.silent_since_s
    return replace(motion, time_s=reading.time_s, readings=readings, silent_since_s=None, gap_s=gap_s, returning=True)


def _level(readings: Sequence[Reading]) -> tuple[float, float]:
    """Median of the last three readings and its standard uncertainty."""
    last = readings[-JUDGED:]
    return median(each.distance for each in last), MEDIAN_OF_THREE * _single(last)


def _single(readings: Sequence[Reading]) -> float:
    """Standard uncertainty of one of these readings (root mean square)."""
    return sqrt(fmean(each.standard_uncertainty**2 for each in readings))


def _moved(motion: Motion, level: float, doubt: float) -> Motion:
    if motion.leg is None and motion.rest is None:
        # the median of three is worth two readings and a little
        return replace(motion, rest=Rest(level, 2, motion.time_s))
    if motion.rest is not None:
        return _left_rest(motion, motion.rest, level, doubt)
    return _went_on(motion, level, doubt)


def _left_rest(motion: Motion, rest: Rest, level: float, doubt: float) -> Motion:
    """A motion begins, or rest goes on and its level is known better."""
    rules, single = motion.rules, _single(motion.readings[-JUDGED:])
    noise = BEYOND_NOISE * sqrt(doubt**2 + single**2 / rest.count)
    allowed = noise + rules.drift_per_s * (motion.time_s - rest.since_s) + GRAIN * rules.tolerance
    if abs(level - rest.level) > allowed:
        return _begun(motion, rest.level, level)
    if rest.count >= REST_REMEMBERED or len(motion.readings) <= JUDGED:
        return motion
    # a reading counts for the level of rest once it is no longer judged against it
    left = motion.readings[-JUDGED - 1]
    if left.time_s <= rest.since_s or abs(left.distance - rest.level) > STRAY * sqrt(1.0 + 1.0 / rest.count) * single:
        return motion
    mean = rest.level + (left.distance - rest.level) / (rest.count + 1)
    return replace(motion, rest=replace(rest, level=mean, count=rest.count + 1))


def _went_on(motion: Motion, level: float, doubt: float) -> Motion:
    """A motion goes on, turns round, or comes to rest."""
    window = _window(motion.readings, REST_S, REST_READINGS)
    if len(window) >= REST_READINGS and _is_flat(window, motion.rules, REST_SLOPE):
        kept = _without_strays(window)
        return replace(motion, leg=None, rest=Rest(fmean(kept), len(kept), motion.time_s))
    leg = motion.leg
    if leg is None:
        return motion
    beyond = (level - leg.farthest) * copysign(1.0, leg.farthest - leg.start)
    if beyond > 0.0:
        return replace(motion, leg=replace(leg, farthest=level))
    if -beyond > BEYOND_NOISE * sqrt(2.0) * doubt + GRAIN * motion.rules.tolerance:
        return _begun(motion, leg.farthest, level)
    return motion


def _begun(motion: Motion, start: float, level: float) -> Motion:
    """A motion from ``start``; one that comes nearer says on which side of the target it comes from."""
    outside = abs(start) > motion.rules.tolerance
    comes = abs(level) < abs(start) or level * start < 0.0
    side = copysign(1.0, start) if outside and (comes or motion.side == 0.0) else motion.side
    return replace(motion, leg=Leg(start, level), rest=None, side=side)


def _counted(motion: Motion, step_s: float, *, turning: bool) -> Motion:
    """How long somebody has turned in vain."""
    if motion.moving:
        return replace(motion, vain_s=0.0, vain_readings=0)
    return replace(motion, vain_s=motion.vain_s + step_s, vain_readings=motion.vain_readings + turning)


def _inside_since_s(motion: Motion, level: float, doubt: float) -> float | None:
    """Since when the readings are inside; who is inside leaves only beyond noise."""
    if motion.inside_since_s is None:
        return motion.time_s if abs(level) <= motion.rules.tolerance else None
    return motion.inside_since_s if abs(level) <= motion.rules.tolerance + 2.0 * doubt else None


def _seen(motion: Motion, level: float, *, turning: bool) -> Seen:
    if motion.inside_since_s is not None:
        return Seen.INSIDE
    if turning and motion.vain_s >= VAIN_S and motion.vain_readings >= VAIN_READINGS:
        return Seen.NOTHING
    if level * motion.side < 0.0:
        return Seen.PAST
    if motion.leg is None:
        return Seen.STILL
    return Seen.NEARER if abs(level) < abs(motion.leg.start) else Seen.AWAY


def _is_done(motion: Motion) -> bool:
    """Whether the reading is truly inside and stays there."""
    rules, since_s = motion.rules, motion.inside_since_s
    if since_s is None or motion.moving:
        return False
    inside = [each for each in motion.readings if each.time_s >= since_s]
    single = _single(inside)
    wanted = max(rules.readings, min(ceil((ONE_SIDED_95 * single / (GUARD_SHARE * rules.tolerance)) ** 2), REMEMBERED))
    window = _window(inside, rules.hold_s, wanted)
    if len(window) < wanted or window[-1].time_s - window[0].time_s < rules.hold_s:
        return False
    kept = _without_strays(window)
    if len(window) - len(kept) > max(1, len(window) // STRAYS_ONE_IN):
        return False
    doubt = ONE_SIDED_95 * single / sqrt(len(kept))
    return abs(fmean(kept)) + doubt <= rules.tolerance and _is_flat(window, rules, 2.0)


def _window(readings: Sequence[Reading], span_s: float, count: int) -> Sequence[Reading]:
    """The last readings: as few as span the time and make up the number, or all there are."""
    for first in range(len(readings) - count, -1, -1):
        if readings[-1].time_s - readings[first].time_s >= span_s:
            return readings[first:]
    return readings


def _is_flat(window: Sequence[Reading], rules: Rules, coverage: float) -> bool:
    span_s = window[-1].time_s - window[0].time_s
    if span_s <= 0.0:
        return False
    rate = _slope(window)
    allowed = coverage * rate.standard_uncertainty + rules.drift_per_s + GRAIN * rules.tolerance / span_s
    return abs(rate.per_s) <= allowed


def _slope(window: Sequence[Reading]) -> Rate:
    """Median of the slopes of all pairs (H. Theil, 1950; P. K. Sen, 1968): no stray reading tilts it."""
    slopes = [
        (later.distance - earlier.distance) / (later.time_s - earlier.time_s)
        for index, earlier in enumerate(window)
        for later in window[index + 1 :]
        if later.time_s > earlier.time_s
    ]
    if not slopes:
        return Rate(0.0, float("inf"))
    middle_s = fmean(each.time_s for each in window)
    spread_s = sqrt(sum((each.time_s - middle_s) ** 2 for each in window))
    return Rate(median(slopes), THEIL_SEN * _single(window) / spread_s)


def _without_strays(window: Sequence[Reading]) -> list[float]:
    """Distances near the middle one; where the readings fall into two heaps, the middle itself."""
    centre, single = median(each.distance for each in window), _single(window)
    near = [each.distance for each in window if abs(each.distance - centre) <= STRAY * single]
    return near or [centre]
