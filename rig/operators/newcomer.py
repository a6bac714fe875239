"""A person at a virtual bench: the arrow keys turn its trims, so that everything can be tried without hardware."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TYPE_CHECKING

from rig.operators.keys import Key
from rig.operators.virtual import METER_LEADS

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from drivers.hands import Hands
    from rig.operators.console import ConsoleOperator
    from rig.operators.port import MeterPlace, Sight, Story, Turn, Turned, Watch

HAIR_TURNS, FINE_TURNS, COARSE_TURNS = 0.005, 0.02, 0.25
ARROWS: Mapping[str, float] = {
    Key.RIGHT: FINE_TURNS,
    Key.LEFT: -FINE_TURNS,
    Key.UP: COARSE_TURNS,
    Key.DOWN: -COARSE_TURNS,
    ".": HAIR_TURNS,
    ",": -HAIR_TURNS,
}
HOW = (
    "This bench is virtual, and your keys are its hands. While a trim is to be turned, the arrows right and left turn "
    f"it a little clockwise and counter-clockwise ({FINE_TURNS} turn), up and down a quarter turn, full stop and comma "
    "by a hair; hold a key to go on."
)


@dataclass(slots=True)
class TurningFingers:
    """Arrow keys on a virtual trim."""

    hands: Hands
    trim: str
    turned: float | None = 0.0
    hint: str = "right/left fine, up/down coarse, . and , a hair"

    def press(self, key: str) -> bool:
        """Turn, for an arrow."""
        step = ARROWS.get(key)
        if step is None:
            return False
        self.hands.turn(self.trim, step)
        self.turned = (self.turned or 0.0) + step
        return True


@dataclass(slots=True)
class SettingFingers:
    """Enter sets a virtual control as asked, a number key as it says (also wrongly)."""

    hands: Hands
    control: str
    wanted: str
    positions: Sequence[str]
    turned: float | None = None

    @property
    def hint(self) -> str:
        """Enter, and the number keys with what they set."""
        numbered = self._numbered()
        if all(number == position for number, position in numbered.items()):
            return "Enter sets it for you" + (", or a number key" if numbered else "")
        return "Enter sets it for you, or " + "  ".join(f"{number} {position}" for number, position in numbered.items())

    def press(self, key: str) -> bool:
        """Set the control."""
        position = self.wanted if key == Key.ENTER else self._numbered().get(key)
        if position is None:
            return False
        self.hands.set_control(self.control, position)
        return True

    def _numbered(self) -> dict[str, str]:
        """Positions by key: those that are digits by themselves, others from 1 on."""
        if all(len(position) == 1 and position.isdigit() for position in self.positions):
            return {position: position for position in self.positions}
        return {str(number): position for number, position in enumerate(self.positions[:9], 1)}


@dataclass(slots=True)
class NewcomerOperator:
    """The console with a virtual bench's hands on its keys.

    :param positions: positions of each control, as the product names them.
    """

    person: ConsoleOperator
    hands: Hands
    positions: Mapping[str, Sequence[str]] = field(default_factory=dict)
    _shown_how: bool = False

    def warn(self, cautions: Sequence[str]) -> None:
        """Show how this bench is handled, once, and the cautions."""
        if not self._shown_how:
            self.person.tell(HOW)
            self._shown_how = True
        self.person.warn(cautions)

    def connect_unit(self, serial: str, oscillator: str) -> None:
        """Ask, then put the virtual unit in and switch it on."""
        self.person.connect_unit(serial, oscillator)
        self.hands.insert(f"{serial}/{oscillator}" if oscillator else serial)
        self.hands.power(True)

    def connect_meter(self, place: MeterPlace) -> None:
        """Ask, then move the virtual lead."""
        self.person.connect_meter(place)
        self.hands.connect_meter(METER_LEADS[place])

    def set_control(self, control: str, position: str, sight: Sight | None = None) -> None:
        """Have the control set by a key."""
        fingers = SettingFingers(self.hands, control, position, self.positions.get(control, ()))
        self.person.set_control(control, position, sight, fingers)

    def turn(self, turn: Turn, watch: Watch) -> Turned:
        """Have the trim turned by the arrow keys."""
        return self.person.turn(turn, watch, TurningFingers(self.hands, turn.trim))

    def close_case(self) -> None:
        """Ask for the closed case."""
        self.person.close_case()

    def output_is_connected(self, problem: str) -> bool:
        """Ask; reading again switches the virtual unit on, as looking at a switch would."""
        dead = self.person.output_is_connected(problem)
        self.hands.power(True)
        return dead

    def why_returned(self, serial: str, reasons: Sequence[str]) -> Story:
        """Ask."""
        return self.person.why_returned(serial, reasons)

    def tell(self, message: str) -> None:
        """Write a line."""
        self.person.tell(message)

    def progress(self, stage: str, done: int, total: int) -> None:
        """Draw how far a stage is."""
        self.person.progress(stage, done, total)
