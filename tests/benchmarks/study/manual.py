"""How the trims are chased by hand: as the trade does it, and as a skilled hand does it who has learned to overshoot.

Both look at a tuner that resolves one cent, and know nothing of the unit but what it shows. Turning scale to make the
upper note right moves the lower note too, so that one flips between two voltages and turns, again and again.

As practised (common practice): octave by octave. Scale with 0 and 1 V, then with 0 and 2 V, the octave switch against
the rail, the highs on the top octave, the base at the lowest note; always to the nominal interval over the lower note
as it was read last. Round again until nothing needs a touch.

When an interval is right is declared, once, for both: the display shows the nominal interval (``RIGHT_WITHIN_CENTS`` is
0). A turn ends when the display shows the very number aimed at, and who aims at a number does not leave another one
standing beside it. A more lenient hand, which leaves an interval alone that shows one cent beside the nominal one, is
reported beside it on a part of the units, as the sensitivity to this choice.

The skilled hand takes 5 V spans, and has an overshoot in mind: how much farther than the nominal interval the watched
note has to go. It comes from what the last moves did, is carried from unit to unit, may be negative where the pivot
lies above, and the note watched is the one that moves more.
"""

from __future__ import annotations

from collections import Counter
from dataclasses import dataclass, field
from math import log2
from typing import TYPE_CHECKING, Protocol

from rig.operators.port import Turn, TurnEnd, WatchReading

if TYPE_CHECKING:
    from rig.bench import Bench
    from rig.operators.virtual import VirtualOperator
    from rig.product import Product
    from rig.science.characterisation import CvCorrection

OCTAVE_CENTS = 1200.0
TUNER_CENTS = 1.0
"""What the tuner resolves."""
RIGHT_WITHIN_CENTS, LENIENT_CENTS = 0.0, 1.0
"""How far beside the nominal interval the display may stand for an interval to be left alone; and a lenient hand."""
LOOK_GATE_S = 0.3
TURNING_GATE_S = 0.1
"""How long a tuner averages: a note that is read, and a note that moves under the hand."""
MOST_ROUNDS = 24
"""Patience with one interval, in moves."""
WORSE_IN_A_ROW = 3
"""After so many moves in a row that made it no better, the trim goes back to where it was best, for good."""
MOST_PASSES = 4
"""Patience with the unit: how often all trims are gone through."""
FEEL_TURNS = 0.25
MOST_FEELS = 4
"""A trim is felt by a quarter turn, or a few, to see which way and how strongly it acts."""
ROUND_TRIP_TRAVELS = 2.0
BELIEVED_CENTS = 3.0
"""A change of interval from which a skilled hand learns: more than the tuner's own rounding."""
LARGEST_OVERSHOOT = 6.0


@dataclass(frozen=True, slots=True)
class Interval:
    """Two voltages whose notes are compared; one volt is an octave."""

    low_v: float
    high_v: float

    @property
    def nominal_cents(self) -> float:
        """What it should sound like."""
        return OCTAVE_CENTS * (self.high_v - self.low_v)


FIRST_OCTAVE, FIRST_TWO_OCTAVES, TOP_OCTAVE = Interval(0.0, 1.0), Interval(0.0, 2.0), Interval(7.0, 8.0)
LOW_SPAN, HIGH_SPAN = Interval(0.0, 5.0), Interval(3.0, 8.0)


class Ear(Protocol):
    """What somebody with a tuner and a screwdriver can do."""

    resolution_cents: float
    right_within_cents: float

    def look(self, cv_v: float) -> float:
        """Play a note and read it, cents over the nominal lowest note."""

    def aim(self, trim: str, cv_v: float, reading_cents: float) -> bool:
        """Turn a trim until a note reads so; whether it came to that. One move."""


@dataclass(slots=True)
class TunerHand:
    """Somebody with a tuner at the bench. ``moves`` counts every approach of every trim, every return included."""

    bench: Bench
    line: CvCorrection
    product: Product
    operator: VirtualOperator
    switch_s: float
    look_s: float
    resolution_cents: float = TUNER_CENTS
    right_within_cents: float = RIGHT_WITHIN_CENTS
    moves: Counter[str] = field(default_factory=Counter)
    _felt: dict[tuple[str, float], float] = field(default_factory=dict)
    _held_v: float | None = None

    def look(self, cv_v: float) -> float:
        """Play a note and read it, cents over the nominal lowest note."""
        self._hold(cv_v)
        self.bench.clock.sleep(self.look_s)
        return self.shown_cents(LOOK_GATE_S)

    def shown_cents(self, gate_s: float) -> float:
        """What the tuner shows of the note that sounds: rounded to what it resolves."""
        self.bench.counter.set_gate(gate_s)
        octaves = log2(self.bench.counter.read_frequency() / self.product.range.lowest_note_hz)
        return round(OCTAVE_CENTS * octaves / self.resolution_cents) * self.resolution_cents

    def aim(self, trim: str, cv_v: float, reading_cents: float) -> bool:
        """Turn a trim until a note reads so; whether it came to that. One move."""
        self._hold(cv_v)
        self.moves[trim] += 1
        watch = TunerWatch(self, reading_cents)
        per_turn = self._felt.get((trim, cv_v)) or self._feel(trim, watch)
        if not per_turn:
            return False
        self._felt[trim, cv_v] = per_turn
        distance = watch.peek().distance
        if abs(distance) <= watch.tolerance:
            return True
        travel, label = self.product.trims[trim].turns, self.product.trims[trim].label
        asked = Turn(
            trim,
            label,
            f"{reading_cents:.0f} cents",
            f"the CV held at {cv_v:g} V",
            distance / per_turn,
            ROUND_TRIP_TRAVELS * travel,
        )
        return self.operator.turn(asked, watch).end is TurnEnd.REACHED

    def set_octave(self, position: str) -> None:
        """Move the octave switch."""
        self.bench.clock.sleep(self.switch_s)
        self.operator.hands.set_control("octave", position)

    def _hold(self, cv_v: float) -> None:
        if cv_v != self._held_v:
            self.bench.clock.sleep(self.switch_s)
            self.bench.source.set_voltage(self.line.programmed_v(cv_v, self.bench.file.source.resolution_v))
            self.bench.clock.sleep(self.bench.file.source.settling_s)
            self._held_v = cv_v

    def _feel(self, trim: str, watch: TunerWatch) -> float:
        """Cents a turn, from a little turn and the change it makes; 0 when nothing changes."""
        before = watch.read().distance
        for count in range(1, MOST_FEELS + 1):
            self.operator.hands.turn(trim, FEEL_TURNS)
            self.bench.clock.sleep(self.operator.habits.turn_s)
            change = before - watch.read().distance
            if abs(change) >= 2.0 * self.resolution_cents:
                return change / (count * FEEL_TURNS)
        return 0.0


@dataclass(slots=True)
class TunerWatch:
    """A tuner while a trim is turned: how far the note shown is from the one aimed at."""

    hand: TunerHand
    reading_cents: float
    unit: str = "cents"
    _peeked: WatchReading | None = None

    @property
    def tolerance(self) -> float:
        """The display shows the very number."""
        return 0.5 * self.hand.resolution_cents

    def peek(self) -> WatchReading:
        """Read once; the next reading is this one."""
        self._peeked = self.read()
        return self._peeked

    def read(self, *, turning: bool = False) -> WatchReading:
        """Read once; with the hand away and the very number on the display it is done."""
        if self._peeked is not None:
            reading, self._peeked = self._peeked, None
            return reading
        shown = self.hand.shown_cents(TURNING_GATE_S)
        distance = self.reading_cents - shown
        return WatchReading(
            shown=f"{shown:.0f} cents",
            number=shown,
            distance=distance,
            # half the last digit as a rectangular distribution (JCGM 100, 4.3.7)
            standard_uncertainty=self.tolerance / 3.0**0.5,
            done=not turning and abs(distance) <= self.tolerance,
        )


def sounds_right(ear: Ear, error_cents: float) -> bool:
    """Whether what the display shows is left alone; it shows multiples of what it resolves."""
    return abs(error_cents) < ear.right_within_cents + 0.5 * ear.resolution_cents


@dataclass(frozen=True, slots=True)
class Chased:
    """How the chase of one interval went: its error before each move and at the end, cents; and whether it is right."""

    errors_cents: tuple[float, ...]
    right: bool


def chase(ear: Ear, trim: str, interval: Interval, *, most_rounds: int = MOST_ROUNDS) -> Chased:
    """Chase an interval: look at both notes, turn until the upper one is the nominal interval above the lower."""
    errors: list[float] = []
    best_cents, best_reading, no_better = float("inf"), 0.0, 0
    while True:
        low, high = ear.look(interval.low_v), ear.look(interval.high_v)
        error = high - low - interval.nominal_cents
        errors.append(error)
        if sounds_right(ear, error):
            return Chased(tuple(errors), right=True)
        no_better = 0 if abs(error) < best_cents else no_better + 1
        if abs(error) < best_cents:
            best_cents, best_reading = abs(error), high
        if no_better >= WORSE_IN_A_ROW or len(errors) > most_rounds:
            ear.aim(trim, interval.high_v, best_reading)
            return Chased(tuple(errors), right=False)
        if not ear.aim(trim, interval.high_v, high - error):
            return Chased(tuple(errors), right=False)


@dataclass(slots=True)
class Overshoot:
    """What a skilled hand has learned of a trim: how far the upper note goes for a cent of interval; 1 is none."""

    upper_per_interval: float = 1.0

    def learn(self, upper_cents: float, interval_cents: float) -> None:
        """Take in what a move did to the upper note and to the interval."""
        if abs(interval_cents) >= BELIEVED_CENTS:
            seen = upper_cents / interval_cents
            self.upper_per_interval = max(-LARGEST_OVERSHOOT, min(seen, LARGEST_OVERSHOOT))


def chase_with_overshoot(
    ear: Ear, trim: str, interval: Interval, learned: Overshoot, *, most_rounds: int = MOST_ROUNDS
) -> Chased:
    """Chase an interval, aiming past the nominal interval by what earlier moves have taught."""
    errors: list[float] = []
    before: tuple[float, float] | None = None
    while True:
        low, high = ear.look(interval.low_v), ear.look(interval.high_v)
        if before is not None:
            learned.learn(high - before[1], (high - low) - (before[1] - before[0]))
        before = (low, high)
        error = high - low - interval.nominal_cents
        errors.append(error)
        if sounds_right(ear, error):
            return Chased(tuple(errors), right=True)
        share = learned.upper_per_interval
        if len(errors) > most_rounds:
            return Chased(tuple(errors), right=False)
        # the note that moves more is the one to watch: the upper moves by share, the lower by share - 1
        upper = share >= 0.5
        at_v, aimed = (
            (interval.high_v, high - share * error) if upper else (interval.low_v, low - (share - 1.0) * error)
        )
        if not ear.aim(trim, at_v, aimed):
            return Chased(tuple(errors), right=False)


@dataclass(slots=True)
class Skill:
    """What a skilled hand carries from unit to unit."""

    scale: Overshoot = field(default_factory=Overshoot)
    highs: Overshoot = field(default_factory=Overshoot)


def tune_as_practised(hand: TunerHand) -> None:
    """All trims, as the trade does it."""
    given_up: set[tuple[str, Interval]] = set()
    for _ in range(MOST_PASSES):
        moves = hand.moves.total()
        for trim, interval in (("scale", FIRST_OCTAVE), ("scale", FIRST_TWO_OCTAVES)):
            _chase_once(hand, trim, interval, given_up)
        set_rail(hand)
        _chase_once(hand, "highs", TOP_OCTAVE, given_up)
        set_base(hand)
        if hand.moves.total() == moves:
            break
    check_octaves(hand)


def _chase_once(hand: TunerHand, trim: str, interval: Interval, given_up: set[tuple[str, Interval]]) -> None:
    """Chase an interval, unless it has been given up on this unit before."""
    if (trim, interval) not in given_up and not chase(hand, trim, interval).right:
        given_up.add((trim, interval))


def tune_skilfully(hand: TunerHand, skill: Skill) -> None:
    """All trims, with wide spans and a learned overshoot."""
    for _ in range(MOST_PASSES):
        moves = hand.moves.total()
        chase_with_overshoot(hand, "scale", LOW_SPAN, skill.scale)
        set_rail(hand)
        chase_with_overshoot(hand, "highs", HIGH_SPAN, skill.highs)
        set_base(hand)
        if hand.moves.total() == moves:
            break
    check_octaves(hand)


def set_rail(hand: TunerHand) -> None:
    """Octave switch against rail: from the lowest position to the highest it shall be whole octaves."""
    switch = hand.product.controls.octave
    if switch is None:
        return
    at_v = switch.read_at_cv_v
    for _ in range(MOST_PASSES):
        hand.set_octave(switch.positions[0])
        low = hand.look(at_v)
        hand.set_octave(switch.positions[-1])
        wanted = low + OCTAVE_CENTS * switch.octaves[-1]
        if sounds_right(hand, hand.look(at_v) - wanted) or not hand.aim("rail", at_v, wanted):
            break
    hand.set_octave(switch.positions[0])


def set_base(hand: TunerHand) -> None:
    """The lowest note to its pitch."""
    at_v = hand.product.range.base_cv_v
    if not sounds_right(hand, hand.look(at_v)):
        hand.aim("base", at_v, 0.0)


def check_octaves(hand: TunerHand) -> tuple[float, ...]:
    """The last thing before the unit leaves: every octave once, read from the lowest note up."""
    full = hand.product.range.full
    return tuple(hand.look(float(each)) for each in range(round(full.low_v), round(full.high_v) + 1))
