"""A virtual operator: turns virtual trims through the bench's hands, imperfectly, from what the watch shows.

It knows what a person would know: the direction and rough number of turns on the screen, and the live reading. It
misjudges every turn, cannot turn by less than a hand can, and learns from what each turn did.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TYPE_CHECKING

import numpy as np

from rig.operators.port import MeterPlace, Story, Turned, TurnEnd, rough

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence

    from drivers.clock import Clock
    from drivers.hands import Hands
    from rig.operators.port import Sight, Turn, Watch, WatchReading

LOOKS = 400
READINGS_WITH_HANDS_AWAY = 40
METER_LEADS = {MeterPlace.CV_JACK: "source", MeterPlace.RAIL: "rail"}


@dataclass(frozen=True, slots=True)
class Habits:
    """How good a hand is, and how long it takes."""

    misjudged: float = 0.15
    finest_turn: float = 0.01
    largest_turn: float = 3.0
    turn_s: float = 1.0
    lead_s: float = 4.0
    control_s: float = 2.0
    hands_away_s: float = 3.0
    longest_move: int = 80


def silent(_message: str) -> None:
    """Say nothing."""


def no_progress(_stage: str, _done: int, _total: int) -> None:
    """Show nothing."""


@dataclass(slots=True)
class VirtualOperator:
    """Does with virtual hands what a person does with real ones."""

    hands: Hands
    clock: Clock
    seed: int
    habits: Habits = field(default_factory=Habits)
    say: Callable[[str], None] = silent
    show_progress: Callable[[str, int, int], None] = no_progress
    generator: np.random.Generator = field(init=False)

    def __post_init__(self) -> None:
        self.generator = np.random.default_rng([self.seed, 0x0FE7])

    def warn(self, cautions: Sequence[str]) -> None:
        """Read the cautions out and go on."""
        for caution in cautions:
            self.say(caution)

    def connect_unit(self, serial: str, oscillator: str) -> None:
        """Put the unit in and switch it on; each oscillator of a virtual unit is a virtual unit of its own."""
        self.clock.sleep(self.habits.lead_s)
        self.hands.insert(f"{serial}/{oscillator}" if oscillator else serial)
        self.hands.power(True)

    def connect_meter(self, place: MeterPlace) -> None:
        """Move the meter's lead."""
        self.clock.sleep(self.habits.lead_s)
        self.hands.connect_meter(METER_LEADS[place])

    def set_control(self, control: str, position: str, sight: Sight | None = None) -> None:
        """Set a switch or knob, and look until the rig sees it."""
        if sight is not None:
            sight.look()
        self.clock.sleep(self.habits.control_s)
        self.hands.set_control(control, position)
        if sight is None:
            return
        for _ in range(LOOKS):
            sighting = sight.look()
            if sighting.done:
                return
        self.say(f"{control} was set to {position}, whatever the rig sees of it ({sighting.said}).")

    def close_case(self) -> None:
        """Close the case."""
        self.clock.sleep(self.habits.lead_s)

    def output_is_connected(self, problem: str) -> bool:
        """A virtual lead is always where it should be."""
        self.say(problem)
        return True

    def why_returned(self, serial: str, reasons: Sequence[str]) -> Story:
        """Nobody complains on a virtual bench: the last reason offered."""
        return Story(reasons[-1], f"{serial} was measured again by the virtual operator")

    def tell(self, message: str) -> None:
        """Pass a message on."""
        self.say(message)

    def progress(self, stage: str, done: int, total: int) -> None:
        """Pass progress on."""
        self.show_progress(stage, done, total)

    def turn(self, turn: Turn, watch: Watch) -> Turned:
        """Turn towards the target, and say what came of it."""
        self.say(f"Turn {turn.label} {turn.direction}, {rough(turn.turns)}, to {turn.target} with {turn.where}.")
        turned = self._approach(turn, watch)
        self.say(f"  {turned.end.value}, after {abs(turned.turns_estimate or 0.0):.2f} turns.")
        return turned

    def _approach(self, turn: Turn, watch: Watch) -> Turned:
        """Turn in steps that shrink with the distance left; stop when the reading stays inside with hands away."""
        before = watch.read()
        gain = before.distance / turn.turns if turn.turns and before.distance else 1.0
        turned, still = 0.0, 0
        for _ in range(self.habits.longest_move):
            if abs(before.distance) <= watch.tolerance:
                if not turn.tool_stays:
                    self.clock.sleep(self.habits.hands_away_s)
                before = _settled(watch)
                if before.done:
                    return Turned(TurnEnd.REACHED, turned)
            step = self._step(before.distance / gain)
            if abs(turned + step) > turn.most_turns:
                return Turned(TurnEnd.TURN_LIMIT, turned)
            self.hands.turn(turn.trim, step)
            turned += step
            self.clock.sleep(self.habits.turn_s)
            after = watch.read(turning=True)
            change = before.distance - after.distance
            noise = 6.0 * max(after.standard_uncertainty, watch.tolerance / 10.0)
            if abs(step) >= 0.2 and abs(change) < noise:
                still += 1
                if still >= 3:
                    return Turned(TurnEnd.END_STOP, turned)
            else:
                still = 0
                gain = self._learned(gain, change, step, noise)
            before = after
        return Turned(TurnEnd.GAVE_UP, turned)

    def _step(self, wanted_turns: float) -> float:
        misjudged = wanted_turns * (0.85 + self.habits.misjudged * float(self.generator.standard_normal()))
        limited = float(np.clip(misjudged, -self.habits.largest_turn, self.habits.largest_turn))
        smallest = float(np.copysign(self.habits.finest_turn, wanted_turns))
        return limited if abs(limited) > self.habits.finest_turn else smallest

    @staticmethod
    def _learned(gain: float, change: float, step: float, noise: float) -> float:
        if abs(step) < 0.05 or abs(change) < noise:
            return gain
        seen = change / step
        return float(np.copysign(np.clip(abs(seen), abs(gain) / 3.0, abs(gain) * 3.0), gain))


def _settled(watch: Watch) -> WatchReading:
    """Readings with hands away, until the watch is sure that it is right, or that it is not."""
    reading = watch.read()
    for _ in range(READINGS_WITH_HANDS_AWAY):
        if reading.done or abs(reading.distance) > 2.0 * watch.tolerance:
            break
        reading = watch.read()
    return reading
