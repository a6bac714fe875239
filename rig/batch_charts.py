"""Characteristics of a batch: capability as left, control charts as found and as left, and what the charts say.

As found shows the parts and the making, since no trim was turned yet; as left shows the adjusting.
"""

from __future__ import annotations

from collections import Counter, defaultdict
from dataclasses import dataclass
from math import isfinite
from typing import TYPE_CHECKING

import numpy as np
from scipy.special import pdtrc

from rig.causes import named_cause
from rig.counted import counted
from rig.science.capability import capability
from rig.science.conformity import Decision, Limits
from rig.science.control_chart import ENOUGH_POINTS, RUN_TESTS, Chart, ChartPair, individuals_chart, signals
from rig.science.shifts import DECISION, ewma, first_shift

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from numpy.typing import NDArray

    from db.batches import BatchVisit, Found
    from rig.science.capability import Capability
    from rig.science.control_chart import Signal
    from rig.science.shifts import Ewma, Shift

    Array = NDArray[np.float64]

AS_FOUND, AS_LEFT = "as_found", "as_left"
FAILED = (Decision.FAIL.value, Decision.CONDITIONAL_FAIL.value)
BASELINE = 10
"""A shift that comes sooner leaves too few values before it to make limits of: then all values make them."""
STAYED = 0.3
"""A step of several octaves that moved by less than this share of the scale error of one has stayed where it was."""
LAST_UNITS = 10
SPEAKING = tuple(test.sentence for test in RUN_TESTS[:3])
"""Rules that point to a lasting change of level; all of them are in the document."""
BEYOND_BY_CHANCE = 0.0027
"""Share of normal values beyond three standard deviations."""
CLEARLY_MORE = 0.001
"""More points lie out than chance explains where chance puts so many there less often than this."""
ENOUGH_TO_SEE = 20
"""Common practice: fewer units than this make limits too wide, and sums too short, to see a characteristic move."""
BACK = 0.5
"""A level that lies nearer than so many standard deviations to where it was before has come back."""


@dataclass(frozen=True, slots=True)
class Charted:
    """One characteristic in one phase, unit by unit in the order of the visits.

    ``pair`` (individuals and moving range) and ``smoothed`` have their limits from the units before the ``shift``,
    where there are enough, and from units with no faulty part; both are None for too few values. ``sentence`` says what
    the charts say, and is empty where they say nothing.
    """

    phase: str
    serials: tuple[str, ...]
    values: Array
    pair: ChartPair | None
    smoothed: Ewma | None
    signals: tuple[Signal, ...]
    shift: Shift | None
    sentence: str

    @property
    def beyond(self) -> tuple[int, ...]:
        """Places of the points beyond a limit of the chart of individuals."""
        return tuple(each.index for each in self.signals if each.beyond_limits)


@dataclass(frozen=True, slots=True)
class Characteristic:
    """One characteristic of a batch.

    ``left_out`` units with a faulty part are not in the capability, which is that of the process without them, nor are
    ``shelved`` units, which went to the fault shelf as they were found: they have no value as left. ``limits`` are
    those of the last unit; ``limits_changed`` says that earlier ones had others.
    """

    name: str
    unit: str
    limits: Limits
    limits_changed: bool
    failed: int
    as_found: Charted | None
    as_left: Charted | None
    capability: Capability | None
    left_out: int
    shelved: int

    @property
    def label(self) -> str:
        """For people."""
        return self.name.replace("_", " ")

    @property
    def sentences(self) -> tuple[str, ...]:
        """What its charts say."""
        return tuple(each.sentence for each in (self.as_found, self.as_left) if each is not None and each.sentence)


@dataclass(frozen=True, slots=True)
class _Value:
    serial: str
    found: Found
    value: float
    faulty: bool


def characteristics_of(runs: Sequence[Sequence[BatchVisit]]) -> tuple[Characteristic, ...]:
    """Characteristics in the order in which they were first found.

    :param runs: judged visits of each unit: as found counts the first of a unit, as left the last.
    """
    first, last = sorted((run[0] for run in runs), key=_age), sorted((run[-1] for run in runs), key=_age)
    by_found = _values(first, AS_FOUND)
    by_left = _values([each for each in last if _left_the_line(each)], AS_LEFT)
    shelved = {each.serial: each for each in last if not _left_the_line(each)}
    order = {each.serial: place for place, each in enumerate(last)}
    names = list(dict.fromkeys((*by_left, *by_found)))
    return tuple(
        _characteristic(name, by_found.get(name, []), by_left.get(name, []), tuple(shelved), order) for name in names
    )


def shelved_causes(runs: Sequence[Sequence[BatchVisit]]) -> tuple[tuple[str, int], ...]:
    """What the units that went to the fault shelf as they were found were shelved for, the most frequent first.

    A unit with several causes counts for each of them.
    """
    counted = Counter(
        label
        for run in runs
        if not _left_the_line(run[-1])
        for label in {named_cause(each).label for each in run[-1].causes} or {"no cause named"}
    )
    return tuple(sorted(counted.items(), key=lambda each: (-each[1], each[0])))


def _left_the_line(visit: BatchVisit) -> bool:
    """Whether a visit left the unit adjusted, or good as it was; others went to the fault shelf as they were found."""
    return bool(visit.moves) or visit.decision not in FAILED


def _age(visit: BatchVisit) -> tuple[object, object]:
    return visit.started_utc, visit.visit_id


def _values(visits: Sequence[BatchVisit], phase: str) -> dict[str, list[_Value]]:
    """Values of each characteristic, one a visit; a finding without a value or a limit is none."""
    values: defaultdict[str, list[_Value]] = defaultdict(list)
    for visit in visits:
        faulty = any(named_cause(each).special for each in visit.causes)
        for found in visit.findings:
            limited = found.lower_limit is not None or found.upper_limit is not None
            if found.phase == phase and limited and found.value is not None and isfinite(found.value):
                values[found.characteristic].append(_Value(visit.serial, found, found.value, faulty))
    return values


def _characteristic(
    name: str, by_found: list[_Value], by_left: list[_Value], shelved: Sequence[str], order: Mapping[str, int]
) -> Characteristic:
    ruling = (by_left or by_found)[-1].found
    limits = Limits(ruling.lower_limit, ruling.upper_limit)
    same = {(each.found.lower_limit, each.found.upper_limit) for each in (*by_found, *by_left)}
    failed = [each.serial for each in by_left if each.found.decision in FAILED]
    fate = _Fate(frozenset(failed), tuple(shelved), order)
    sound = [each.value for each in by_left if not each.faulty]
    return Characteristic(
        name=name,
        unit=ruling.unit,
        limits=limits,
        limits_changed=len(same) > 1,
        failed=len(failed),
        as_found=_charted(name, ruling.unit, AS_FOUND, by_found, fate),
        as_left=_charted(name, ruling.unit, AS_LEFT, by_left, fate),
        capability=capability(sound, limits) if sound else None,
        left_out=len(by_left) - len(sound),
        shelved=len(shelved),
    )


def _charted(name: str, unit: str, phase: str, values: list[_Value], fate: _Fate) -> Charted | None:
    if not values:
        return None
    serials = tuple(each.serial for each in values)
    data = np.array([each.value for each in values])
    if data.size < ENOUGH_POINTS:
        return Charted(phase, serials, data, None, None, (), None, "")
    shift = first_shift(data)
    pair = _chart(data, np.array([not each.faulty for each in values]), shift)
    centre, sigma = pair.location.centre, pair.location.sigma
    seen = signals(pair.location)
    sentence = "" if shift is None else _sentence(name, unit, phase, serials, pair.location, shift, seen, fate)
    return Charted(phase, serials, data, pair, ewma(data, centre, sigma), seen, shift, sentence)


def _chart(data: Array, sound: NDArray[np.bool_], shift: Shift | None) -> ChartPair:
    """Individuals and moving range of all values, with limits from those that may set them."""
    before = np.arange(data.size) < (data.size if shift is None or shift.since < BASELINE else shift.since)
    setting = before & sound
    reference = individuals_chart(data[setting] if np.count_nonzero(setting) >= ENOUGH_POINTS else data)
    location, spread = reference.location, reference.spread
    return ChartPair(
        Chart(data, location.centre, location.lower, location.upper),
        Chart(np.abs(np.diff(data)), spread.centre, spread.lower, spread.upper),
    )


def _sentence(
    name: str,
    unit: str,
    phase: str,
    serials: Sequence[str],
    chart: Chart,
    shift: Shift,
    seen: Sequence[Signal],
    fate: _Fate,
) -> str:
    """A shift in words: which characteristic, by which rules, since which unit, how far, and whether units fail."""
    count = len(serials)
    before = chart.points[: shift.since] if shift.since >= ENOUGH_POINTS else np.array([chart.centre])
    reference = float(np.median(before))
    moved = float(np.median(chart.points[shift.since : shift.seen + 1])) - reference
    now = float(np.median(chart.points[max(shift.since, count - LAST_UNITS) :])) - reference
    turned = now < 0.0 if shift.upwards else now > 0.0
    by_now = f"{now:+.3g} {unit} by now" if turned else f"{now:+.3g} by now"
    if chart.sigma > 0.0:
        by_now += f" ({abs(now) / chart.sigma:.1f} times the spread from unit to unit)"
    size = f"{moved:+.3g} {unit} when it was seen, {by_now}"
    if turned:
        where = "it has come back since" if abs(now) < BACK * chart.sigma else "it now lies on the other side"
        size = f"{moved:+.3g} {unit} when it was seen; {where}: {by_now}"
    rules = [f"cumulative sum beyond {DECISION:g} standard deviations at unit {serials[shift.seen]}"]
    for rule in SPEAKING:
        place = next((each.index for each in seen if each.sentence == rule and each.index >= shift.since), None)
        rules += [] if place is None else [f"{rule}, first at unit {serials[place]}"]
    way = f"{'moved' if turned else 'has moved'} {'up' if shift.upwards else 'down'} {'from' if turned else 'since'}"
    return (
        f"{phase.replace('_', ' ').capitalize()}, {name.replace('_', ' ')} "
        f"{way} unit {serials[shift.since]} ({shift.since + 1} of {count}): "
        f"{size}. "
        f"Seen by {'; '.join(rules)}. {fate.sentence(serials, shift.since)}"
    )


@dataclass(frozen=True, slots=True)
class _Fate:
    """Units that failed for a characteristic after they were adjusted, and units that were not adjusted at all."""

    failed: frozenset[str]
    shelved: tuple[str, ...]
    order: Mapping[str, int]

    def sentence(self, serials: Sequence[str], since: int) -> str:
        """Which unit was the first to fail from place ``since`` on, if any."""
        failing = next((place for place in range(since, len(serials)) if serials[place] in self.failed), None)
        if failing is not None:
            return f"The first unit to fail for it since then is {serials[failing]} ({failing + 1} of {len(serials)})."
        began = self.order[serials[since]]
        shelved = sum(self.order[serial] >= began for serial in self.shelved)
        many = f" ({shelved} {'was' if shelved == 1 else 'were'} shelved as found)" if shelved else ""
        return f"No unit that was adjusted since then has failed for it{many}."


def where_to_look(characteristics: Sequence[Characteristic]) -> tuple[str, ...]:
    """Sentences where several charts together say more than each: see below for which."""
    named = {each.name.rpartition(".")[2]: each for each in characteristics}
    return (*_scale_and_steps(named), *(_odd_step(named) or _rail(named)))


BEFORE_THE_CONVERTER = (
    "look at the bench's CV lead and source first (rig bench characterise, rig bench verify), then at the units' input "
    "resistors."
)


def _odd_step(named: Mapping[str, Characteristic]) -> tuple[str, ...]:
    """One octave step left one way and the others the other: the rail makes up for it where it can (minimax)."""
    moved = [
        (each.label, each.as_left.shift.upwards)
        for name, each in named.items()
        if name.startswith("octave_step") and each.as_left is not None and each.as_left.shift is not None
    ]
    ups, downs = ([label for label, upwards in moved if upwards is way] for way in (True, False))
    odd, others = sorted((ups, downs), key=len)
    if len(odd) != 1 or not others:
        return ()
    return (
        f"{odd[0].capitalize()} moved one way and {', '.join(others)} the other, as the rail is set between them: look "
        "at the divider resistors of that position, and at their lot.",
    )


def _rail(named: Mapping[str, Characteristic]) -> tuple[str, ...]:
    """The rail is set to suit switch and CV together: it comes as ever and leaves elsewhere, so the CV has changed."""
    rail = named.get("rail")
    if rail is None or rail.as_left is None or rail.as_left.shift is None:
        return ()
    if rail.as_found is not None and rail.as_found.shift is not None:
        return ()
    return (
        "The rail is left elsewhere since then, though units come with it as before: the CV weighs less or more than "
        f"it did against the octave switch; {BEFORE_THE_CONVERTER}",
    )


def _scale_and_steps(named: Mapping[str, Characteristic]) -> tuple[str, ...]:
    """The scale moved as found, and the octave steps stayed or went along: both pass through the converter."""
    scale = named.get("scale_error")
    steps = [each for name, each in named.items() if name.startswith("octave_step")]
    if scale is None or scale.as_found is None or scale.as_found.shift is None or not steps:
        return ()
    moved = _median_move(scale.as_found.values, scale.as_found.shift)
    highest = steps[-1].as_found
    if highest is None or highest.serials != scale.as_found.serials:
        return ()
    if abs(_median_move(highest.values, scale.as_found.shift)) < STAYED * abs(moved):
        return (
            f"The octave steps did not move with the scale, so the converter is not to blame: {BEFORE_THE_CONVERTER}",
        )
    return ("The octave steps moved with the scale: look at the converter and its parts.",)


def _median_move(values: Array, shift: Shift) -> float:
    """How far the middle of the values lies from what it was before, or from all of them where few came before."""
    before = values[: shift.since] if shift.since >= ENOUGH_POINTS else values
    return float(np.median(values[shift.since :]) - np.median(before))


def chance_signals(characteristics: Sequence[Characteristic]) -> tuple[int, float]:
    """How many points lie beyond the limits of the charts of individuals, and about how many chance puts there."""
    charts = _charts(characteristics)
    points = sum(len(charted.serials) for _, charted in charts)
    return sum(len(charted.beyond) for _, charted in charts), points * BEYOND_BY_CHANCE


def _charts(characteristics: Sequence[Characteristic]) -> list[tuple[Characteristic, Charted]]:
    return [
        (each, charted)
        for each in characteristics
        for charted in (each.as_found, each.as_left)
        if charted is not None and charted.pair is not None
    ]


def charts_say(characteristics: Sequence[Characteristic]) -> tuple[str, ...]:
    """Which characteristics moved; where none was seen to, what else the charts show, and how far that can be trusted.

    That none was seen to move is said only where no EWMA leaves its band, and where chance explains the points that
    lie beyond a limit.
    """
    moved = tuple(sentence for each in characteristics for sentence in each.sentences)
    if moved:
        return moved
    units = max(
        (len(each.serials) for one in characteristics for each in (one.as_found, one.as_left) if each is not None),
        default=0,
    )
    if units < ENOUGH_POINTS:
        return (f"{counted(units, 'unit')} of a kind make no chart: {ENOUGH_POINTS} are needed to see anything move.",)
    said = _unsettled(characteristics) or ["No characteristic was seen to move."]
    if units < ENOUGH_TO_SEE:
        said.append(
            f"{counted(units, 'unit')} are too few to tell: with fewer than {ENOUGH_TO_SEE}, a characteristic may "
            "drift and not be seen to."
        )
    return tuple(said)


def _unsettled(characteristics: Sequence[Characteristic]) -> list[str]:
    """What speaks against a batch in which the cumulative sums saw nothing move."""
    said, leaving = [], []
    for each, charted in _charts(characteristics):
        place = _leaves_band(charted)
        if place is not None:
            leaving.append(f"{each.label} {charted.phase.replace('_', ' ')} (first at unit {charted.serials[place]})")
    if leaving:
        said.append(
            f"The cumulative sums saw nothing move for certain, but the EWMA leaves its band for {', '.join(leaving)}: "
            "look at these charts."
        )
    beyond, by_chance = chance_signals(characteristics)
    if beyond and by_chance > 0.0 and float(pdtrc(beyond - 1, by_chance)) < CLEARLY_MORE:
        said.append(
            "Clearly more points lie out than chance explains: the level moved for some units, or single units are odd."
        )
    return said


def _leaves_band(charted: Charted) -> int | None:
    """Place of the first point of the EWMA outside its band."""
    if charted.pair is None or charted.smoothed is None or charted.pair.location.sigma <= 0.0:
        return None
    smoothed = charted.smoothed
    outside = np.flatnonzero((smoothed.points < smoothed.lower) | (smoothed.points > smoothed.upper))
    return int(outside[0]) if outside.size else None


@dataclass(frozen=True, slots=True)
class OddUnit:
    """A unit with points beyond a limit of its charts in one phase: its farthest, and how many more it has."""

    serial: str
    phase: str
    label: str
    standard_deviations: float
    more: int


def odd_units(characteristics: Sequence[Characteristic], most: int) -> tuple[OddUnit, ...]:
    """Units farthest beyond a limit while the level had not moved, the farthest first."""
    found: dict[tuple[str, str], list[tuple[float, str]]] = defaultdict(list)
    for each in characteristics:
        for charted in (each.as_found, each.as_left):
            if charted is None or charted.pair is None or charted.pair.location.sigma <= 0.0:
                continue
            chart = charted.pair.location
            since = charted.shift.since if charted.shift is not None else len(charted.serials)
            for place in charted.beyond:
                if place < since:
                    away = float(chart.points[place] - chart.centre) / chart.sigma
                    found[charted.serials[place], charted.phase].append((away, each.label))
    odd = []
    for (serial, phase), points in found.items():
        away, label = max(points, key=lambda point: abs(point[0]))
        odd.append(OddUnit(serial, phase.replace("_", " "), label, away, len(points) - 1))
    return tuple(sorted(odd, key=lambda each: -abs(each.standard_deviations))[:most])
