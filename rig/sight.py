"""How the rig sees where a switch or a knob stands, from the pitch alone: at a held CV, by short gates.

A sight looks from before the hand moves until it says that the control stands right. Whatever it says, it says of
a pitch that is still: two successive readings agree, a knob's for a moment longer. A knob's stop is where turning
no longer changes the pitch, so a knob has to be seen turning: that it stands near its stop proves nothing. What
looks the same to the pitch it cannot tell apart: a knob of one octave turned to its stop between two looks, and a
switch moved by one.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from enum import StrEnum
from itertools import pairwise
from math import inf, log, log2, sqrt
from typing import TYPE_CHECKING

from drivers.errors import NoSignal
from rig.operators.port import Sighting

if TYPE_CHECKING:
    from collections.abc import Sequence

    from rig.acquire import Acquisition

CENTS = 1200.0
GATE_CENTS = 1.0
"""Standard uncertainty of one look: a step of a switch is a thousand times as large."""
SHORTEST_GATE_S, LONGEST_GATE_S = 0.02, 0.1
AGREEMENT = 4.5
"""A rest is a hundred looks long: rarely may one of them fall outside this many standard uncertainties."""
SAME_CENTS = 2.0
"""Readings this near are of a control at rest: warmth, and a finger on the knob, move the pitch a little."""
REMEMBERED_LOOKS, LEAST_LOOKS = 40, 8
JUMP_CENTS = 60.0
"""A change between two looks that is a hand's, and no noise."""
NOISIEST_CENTS = 15.0
UNMOVED_S = 6.0
"""A control that was to be moved, and whose pitch stays where it was for so long, changes nothing."""
OFF_S = 1.0
"""Silence for longer than this means that the unit may have been off."""
FITS_SHARE = 0.3
"""Share of the distance to the next position within which a pitch fits a position."""
HOLD_S, LONG_HOLD_S = 0.8, 4.0
HOLD_READINGS = 4
NEAR_SHARE = 0.08
FAR_SHARE = 0.25
"""A knob whose range is this far off is still taken for one, once it has stood still for long."""
TURNED_SHARE = 0.02
MIDDLE_THIRD = (1.0 / 3.0, 2.0 / 3.0)
NO_SIGNAL = "no signal: cable out or unit off"
NO_POSITION = "the pitch fits no position of the octave switch: does the knob stand at its low stop?"
NOT_THE_KNOB = "the pitch fits no position of the knob: has the octave switch moved?"
UNMOVED_SWITCH = "octave switch changes nothing: if it was moved, say so"
UNMOVED_KNOB = "knob changes nothing: if it was turned, say so"
WAS_OFF = "the signal is back, but the unit was off: it must warm up again"
COUNTS = ("no", "one", "two", "three", "four", "five", "six", "seven", "eight")


class KnobPosition(StrEnum):
    """Where a knob can be put by feel or by eye."""

    LOW = "low"
    MIDDLE = "middle"
    HIGH = "high"


@dataclass(frozen=True, slots=True)
class Known:
    """A pitch that is known at a position of the switch, octaves re 1 Hz."""

    position: str
    octaves: float


@dataclass(frozen=True, slots=True)
class Heard:
    """One short reading: pitch in octaves re 1 Hz, what of it is noise, and when it ended."""

    octaves: float
    standard_uncertainty: float
    time_s: float

    def agrees(self, other: Heard) -> bool:
        """Whether both are readings of a pitch at rest."""
        noise = AGREEMENT * sqrt(self.standard_uncertainty**2 + other.standard_uncertainty**2)
        return abs(self.octaves - other.octaves) <= noise + SAME_CENTS / CENTS


@dataclass(slots=True)
class Listening:
    """Pitch at a held CV, since when it is still, and whether the signal was away.

    ``was_off`` stays true once the signal was away for more than a second: the unit has to warm up again.
    """

    acquisition: Acquisition
    cv_v: float
    expected_octaves: float
    was_off: bool = False
    just_back: bool = False
    last: Heard | None = None
    first_of_rest: Heard | None = None
    readings_of_rest: int = 0
    _looks: list[float] = field(default_factory=list)
    _gate_s: float = 0.0
    _silent_since_s: float | None = None

    def hear(self) -> Heard | None:
        """Read once; None without a signal."""
        if self._gate_s == 0.0:
            self._begin()
        started_s = self.acquisition.bench.clock.now()
        try:
            frequency_hz = self.acquisition.read_once(self._gate_s)
        except NoSignal:
            self._lose(started_s)
            return None
        doubt = self.acquisition.random_uncertainty(self._gate_s, frequency_hz) / log(2.0)
        octaves = log2(frequency_hz)
        heard = Heard(octaves, max(doubt, self._scatter(octaves)), self.acquisition.bench.clock.now())
        self.just_back = self._silent_since_s is not None and started_s - self._silent_since_s > OFF_S
        self.was_off = self.was_off or self.just_back
        self._silent_since_s = None
        self._rest(heard)
        return heard

    @property
    def still_s(self) -> float:
        """For how long the pitch has been still; 0 before two readings agree."""
        if self.last is None or self.first_of_rest is None:
            return 0.0
        return self.last.time_s - self.first_of_rest.time_s

    def held(self, hold_s: float) -> bool:
        """Whether the pitch has been still for a time, by enough readings to say so."""
        return self.still_s >= hold_s and self.readings_of_rest >= HOLD_READINGS

    @property
    def noise_octaves(self) -> float:
        """Standard uncertainty of the last look."""
        return self.last.standard_uncertainty if self.last is not None else 0.0

    def _scatter(self, octaves: float) -> float:
        """Noise of the looks as they show it; 0 while there are too few, or none is above a steady motion.

        Noise makes a change up follow a change down; a turning hand does not. The covariance of neighbouring changes
        is minus the variance of one look.
        """
        if self._looks and abs(octaves - self._looks[-1]) > JUMP_CENTS / CENTS:
            self._looks.clear()
        self._looks.append(octaves)
        del self._looks[:-REMEMBERED_LOOKS]
        if len(self._looks) < LEAST_LOOKS:
            return 0.0
        changes = [after - before for before, after in pairwise(self._looks)]
        products = [one * next_one for one, next_one in pairwise(changes)]
        variance = max(0.0, -sum(products) / len(products))
        return min(sqrt(variance), NOISIEST_CENTS / CENTS)

    def _begin(self) -> None:
        expected_hz = 2.0**self.expected_octaves
        wanted_s = max(SHORTEST_GATE_S, self.acquisition.gate_s(expected_hz, GATE_CENTS))
        self._gate_s = min(wanted_s, max(LONGEST_GATE_S, 2.1 / expected_hz))
        self.acquisition.hold(self.cv_v)

    def _lose(self, started_s: float) -> None:
        if self._silent_since_s is None:
            self._silent_since_s = started_s
        self.last, self.first_of_rest, self.readings_of_rest = None, None, 0

    def _rest(self, heard: Heard) -> None:
        """Rest goes on as long as readings agree with the first of it and with the last."""
        goes_on = (
            self.last is not None
            and self.first_of_rest is not None
            and heard.agrees(self.last)
            and heard.agrees(self.first_of_rest)
        )
        if not goes_on:
            self.first_of_rest, self.readings_of_rest = heard, 0
        self.readings_of_rest += 1
        self.last = heard


@dataclass(slots=True)
class OctaveSight:
    """Sees at which position the octave switch stands.

    :param octaves: nominal octaves of each of ``positions``; a divider may be off by a few per cent.
    :param known: pitch at one position, at this CV and with everything else as it stands now.
    :param stood: position before the hand moves, where it is known; else the first one that is seen.
    """

    acquisition: Acquisition
    wanted: str
    positions: Sequence[str]
    octaves: Sequence[float]
    cv_v: float
    known: Known
    stood: str | None = None
    unmoved: bool = False
    """Whether it came to its end because the switch changes nothing."""
    _first: str | None = None
    _listening: Listening = field(init=False)

    def __post_init__(self) -> None:
        expected = self.known.octaves + self._nominal(self.wanted) - self._nominal(self.known.position)
        self._listening = Listening(self.acquisition, self.cv_v, expected)

    @property
    def was_off(self) -> bool:
        """Whether the signal was away for so long that the unit has to warm up again."""
        return self._listening.was_off

    def look(self) -> Sighting:
        """Read once, and say where the switch stands."""
        heard = self._listening.hear()
        if heard is None:
            return Sighting(False, NO_SIGNAL)
        if self._listening.just_back:
            return Sighting(False, WAS_OFF)
        if self._listening.readings_of_rest < 2:
            return Sighting(False, "octave switch: waiting until the pitch is still")
        seen = self._position_of(heard.octaves)
        if seen is None:
            return self._far_off(heard.octaves)
        if self.stood is None:
            self.stood = seen
        if self._first is None:
            self._first = seen
        if seen == self._first != self.wanted and self._listening.held(UNMOVED_S):
            self.unmoved = True
            return Sighting(False, UNMOVED_SWITCH)
        return Sighting(seen == self.wanted, f"octave switch is {self._where(seen)}")

    def _far_off(self, octaves: float) -> Sighting:
        """A pitch that fits no position: a faulty divider, once it has stood still nearest to the position wanted."""
        away = octaves - self.known.octaves + self._nominal(self.known.position)
        nearest = min(self.positions, key=lambda position: abs(away - self._nominal(position)))
        if nearest == self.wanted != self.stood and self._listening.held(LONG_HOLD_S):
            off = CENTS * (away - self._nominal(nearest))
            return Sighting(True, f"octave switch is taken to be at {nearest}: its pitch is {off:+.0f} cents off")
        return Sighting(False, NO_POSITION)

    def _nominal(self, position: str) -> float:
        return self.octaves[self.positions.index(position)]

    def _position_of(self, octaves: float) -> str | None:
        """Position whose pitch is nearest; None where it is not near enough to be one."""
        away = octaves - self.known.octaves + self._nominal(self.known.position)
        nearest = min(self.positions, key=lambda position: abs(away - self._nominal(position)))
        nominal = self._nominal(nearest)
        spacing = min((abs(each - nominal) for each in self.octaves if each != nominal), default=inf)
        return nearest if abs(away - nominal) <= FITS_SHARE * spacing else None

    def _where(self, seen: str) -> str:
        """Where the switch is, in words, from where it stood to where it should go."""
        if seen == self.wanted:
            return f"at {seen}: right"
        if seen == self.stood:
            return f"still at {seen}"
        at, goal = self.positions.index(seen), self.positions.index(self.wanted)
        start = self.positions.index(self.stood) if self.stood is not None else at
        way = 1 if goal > start else -1
        left = _positions(abs(goal - at))
        if goal != start and (at - start) * way < 0:
            return f"at {seen}: moved the wrong way"
        return f"at {seen}: {left} too far" if (at - goal) * way > 0 or goal == start else f"at {seen}: {left} to go"


@dataclass(slots=True)
class KnobSight:
    """Sees whether the knob stands at a stop or about its middle.

    At a stop it is done once the knob was turned there and the pitch is still and the farthest seen: for a moment
    where that is near the pitch expected, for longer where it is not, and then it says so. About the middle it is
    done once it rests in the middle third: which of its degrees is the middle nobody can hear.

    :param low_octaves: pitch expected at the low stop, at this CV and with everything else as it stands now.
    :param trusted_cents: how well the pitch at the wanted place is known. So near to it the knob is believed to be
        there without having been seen to turn; 0 where the pitch comes from a product file only.
    """

    acquisition: Acquisition
    wanted: KnobPosition
    cv_v: float
    low_octaves: float
    range_octaves: float
    trusted_cents: float = 0.0
    near_share: float = NEAR_SHARE
    unmoved: bool = False
    """Whether it came to its end because the knob changes nothing."""
    _listening: Listening = field(init=False)
    _first: float | None = None
    _farthest: float = -inf
    _turned: bool = False

    def __post_init__(self) -> None:
        self.wanted = KnobPosition(self.wanted)
        self._listening = Listening(self.acquisition, self.cv_v, self.low_octaves + self._goal * self.range_octaves)

    @property
    def was_off(self) -> bool:
        """Whether the signal was away for so long that the unit has to warm up again."""
        return self._listening.was_off

    @property
    def _goal(self) -> float:
        """Travel wanted, 0 at the low stop, 1 at the high stop."""
        return {KnobPosition.LOW: 0.0, KnobPosition.MIDDLE: 0.5, KnobPosition.HIGH: 1.0}[self.wanted]

    def look(self) -> Sighting:
        """Read once, and say where the knob stands."""
        heard = self._listening.hear()
        if heard is None:
            return Sighting(False, NO_SIGNAL)
        if self._listening.just_back:
            self._farthest = -inf
            return Sighting(False, WAS_OFF)
        travel = (heard.octaves - self.low_octaves) / self.range_octaves
        if self._first is None:
            self._first = travel
        noise_share = AGREEMENT * sqrt(2.0) * heard.standard_uncertainty / self.range_octaves
        self._turned = self._turned or abs(travel - self._first) >= max(TURNED_SHARE, noise_share)
        if not -FAR_SHARE <= travel <= 1.0 + FAR_SHARE:
            return Sighting(False, NOT_THE_KNOB)
        if self._listening.readings_of_rest < 2:
            return Sighting(False, f"knob is turning: at {100.0 * travel:.0f} % of its range")
        self.unmoved = not self._turned and abs(travel - self._goal) > FAR_SHARE and self._listening.held(UNMOVED_S)
        if self.unmoved:
            return Sighting(False, UNMOVED_KNOB)
        return self._resting(travel)

    def _resting(self, travel: float) -> Sighting:
        if self.wanted is KnobPosition.MIDDLE:
            return self._middle(travel)
        return self._stop(travel if self.wanted is KnobPosition.HIGH else 1.0 - travel)

    def _stop(self, way: float) -> Sighting:
        """At a stop? ``way`` is how far it has come to it, 1 at the stop expected."""
        self._farthest = max(self._farthest, way)
        first = self._first or 0.0
        started = first if self.wanted is KnobPosition.HIGH else 1.0 - first
        stop = f"its {self.wanted.value} stop"
        if way < self._farthest - self._same_share and self._farthest > 1.0 - FAR_SHARE:
            return Sighting(False, f"knob came back from {stop}: turn it on until it stops")
        if abs(way - 1.0) <= self.near_share:
            return self._near_stop(way, stop)
        if self._turned and way > 1.0 - FAR_SHARE and self._listening.held(LONG_HOLD_S):
            off = f"{100.0 * abs(way - 1.0):.0f} % of its range {'short of' if way < 1.0 else 'past'}"
            return Sighting(True, f"knob is taken to be at {stop}: it goes no farther, {off} where that should be")
        if way < started - TURNED_SHARE:
            return Sighting(False, "knob moved the wrong way")
        left = f"{100.0 * abs(1.0 - way):.0f} % of its range {'to go' if way < 1.0 else 'too far'}"
        return Sighting(False, f"knob is not at {stop} yet: {left}")

    def _near_stop(self, way: float, stop: str) -> Sighting:
        if not self._believed(way - 1.0):
            return Sighting(False, f"knob is near {stop}: turn it away and back against the stop")
        if self._listening.held(HOLD_S):
            return Sighting(True, f"knob is at {stop}")
        return Sighting(False, f"knob is at {stop}: hold it there")

    def _middle(self, travel: float) -> Sighting:
        low, high = MIDDLE_THIRD
        first = self._first or 0.0
        if low <= travel <= high:
            if not self._believed(travel - 0.5):
                return Sighting(False, "knob is near its middle: turn it away and back to its middle")
            if self._listening.held(HOLD_S):
                return Sighting(True, "knob is about its middle")
            return Sighting(False, "knob is about its middle: hold it there")
        past = travel > high if first < 0.5 else travel < low
        if past and self._turned:
            return Sighting(False, "knob is past the middle")
        return Sighting(False, "knob is not at its middle yet")

    def _believed(self, away: float) -> bool:
        """Whether it was seen to turn, or stands where its pitch is known to be."""
        noise = AGREEMENT * self._listening.noise_octaves if self.trusted_cents else 0.0
        return self._turned or abs(away) * self.range_octaves <= self.trusted_cents / CENTS + noise

    @property
    def _same_share(self) -> float:
        """Share of the range within which two places of the knob are the same."""
        noise = AGREEMENT * sqrt(2.0) * self._listening.noise_octaves
        return (3.0 * SAME_CENTS / CENTS + noise) / self.range_octaves


def _positions(count: int) -> str:
    words = COUNTS[count] if count < len(COUNTS) else str(count)
    return f"{words} position{'' if count == 1 else 's'}"
