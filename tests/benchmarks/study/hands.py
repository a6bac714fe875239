"""The hands of the study: how good they are and how long they take, declared once and used by every method.

Times are common practice at an adjusting bench, rounded: a turn of a screwdriver with the eyes on a display, a
switch or key pressed, a display read until it is still and understood.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from rig.operators.virtual import Habits, VirtualOperator

if TYPE_CHECKING:
    from drivers.clock import Clock
    from drivers.hands import Hands
    from rig.operators.port import MeterPlace, Sight, Turn, Turned, Watch

TURN_S = 1.0
"""Turning a trim once, a little or a lot, and seeing what the display makes of it."""
SWITCH_S = 2.0
"""Moving a switch or a knob of the unit, or asking the CV source for another voltage by hand."""
LOOK_S = 1.5
"""Reading a note on a tuner, or an instruction on a screen, and knowing what to do."""
LEAD_S = 4.0
"""Moving a lead."""
HANDS_AWAY_S = 3.0
"""Taking the hand away to see whether the reading stays."""

HABITS = Habits(
    misjudged=0.15,
    finest_turn=0.01,
    largest_turn=3.0,
    turn_s=TURN_S,
    lead_s=LEAD_S,
    control_s=SWITCH_S,
    hands_away_s=HANDS_AWAY_S,
)
"""A turn comes out 15 % off (standard deviation) and short of what was meant; a hundredth of a turn is the finest."""


@dataclass(slots=True)
class Worker(VirtualOperator):
    """The virtual operator with the study's habits, who also takes time to look before acting."""

    def set_control(self, control: str, position: str, sight: Sight | None = None) -> None:
        """Read what is wanted, then set a switch or knob."""
        self.clock.sleep(LOOK_S)
        VirtualOperator.set_control(self, control, position, sight)

    def connect_meter(self, place: MeterPlace) -> None:
        """Read what is wanted, then move the meter's lead."""
        self.clock.sleep(LOOK_S)
        VirtualOperator.connect_meter(self, place)

    def turn(self, turn: Turn, watch: Watch) -> Turned:
        """Read what is wanted, then turn."""
        self.clock.sleep(LOOK_S)
        return VirtualOperator.turn(self, turn, watch)


def worker(hands: Hands, clock: Clock, seed: int) -> Worker:
    """Somebody at the bench, whose misjudgements follow from the seed."""
    return Worker(hands, clock, seed, HABITS)
