"""A person at a terminal: prompts, and a live line while a trim is turned."""

from __future__ import annotations

import contextlib
import select
import sys
from dataclasses import dataclass
from typing import TYPE_CHECKING

from rich.console import Console

from rig.errors import Stopped
from rig.operators.port import Turned, TurnEnd

if TYPE_CHECKING:
    from collections.abc import Sequence

    from rig.operators.port import MeterPlace, Turn, Watch

HELD_READINGS = 6
BAR_WIDTH = 31
HAVE_SELECT_ON_STDIN = sys.platform != "win32"


@dataclass(slots=True)
class ConsoleOperator:
    """Asks a person, on the terminal. Enter answers yes; s stops the visit."""

    console: Console

    def warn(self, cautions: Sequence[str]) -> None:
        """Show the cautions and wait for Enter."""
        for caution in cautions:
            self.console.print(f"  ! {caution}", markup=False)
        self._ask("Read the cautions, then press Enter")

    def connect_unit(self, serial: str) -> None:
        """Ask for the unit on the bench."""
        self._ask(f"Put unit {serial} on the bench: CV and output leads in, power on; then press Enter")

    def connect_meter(self, place: MeterPlace) -> None:
        """Ask for the meter's lead."""
        self._ask(f"Meter lead to {place.value}; then press Enter")

    def set_control(self, control: str, position: str) -> None:
        """Ask for a switch or knob position."""
        self._ask(f"Set {control} to {position}; then press Enter")

    def output_is_connected(self, problem: str) -> bool:
        """Ask whether lead and power are truly on."""
        self.console.print(problem, markup=False, style="bold")
        return self._ask("Enter to read again, or d and Enter if lead and power are sure: the unit is dead") == "d"

    def tell(self, message: str) -> None:
        """Print a line."""
        self.console.print(message, markup=False)

    def progress(self, stage: str, done: int, total: int) -> None:
        """Print a line at the end of each stage, and a counter where the terminal can redraw it."""
        if self.console.is_terminal:
            self.console.print(f"  {stage} {done}/{total}", end="\n" if done >= total else "\r", markup=False)
        elif done >= total:
            self.console.print(f"  {stage} done", markup=False)

    def turn(self, turn: Turn, watch: Watch) -> Turned:
        """Show the live distance until it has stayed inside, or a key ends the move."""
        self.console.print(
            f"Turn {turn.label} {turn.direction}, about {abs(turn.turns):.1f} turns, to {turn.target} with {turn.where}.\n"
            "It stops by itself when it is right; e and Enter: end stop, Enter: give up.",
            markup=False,
        )
        inside = 0
        while inside < HELD_READINGS:
            reading = watch.read()
            inside = inside + 1 if abs(reading.distance) <= watch.tolerance else 0
            line = f"{reading.shown:>14}  {reading.distance:+9.2f} {watch.unit} {_bar(reading.distance / watch.tolerance)}"
            self.console.print(line, end="\r" if self.console.is_terminal else "\n", markup=False)
            pressed = _line_if_any()
            if pressed is not None:
                self.console.print()
                return Turned(TurnEnd.END_STOP if pressed == "e" else TurnEnd.GAVE_UP)
        self.console.print("\nStop, that is it. Hands away.", markup=False)
        return Turned(TurnEnd.REACHED)

    def _ask(self, prompt: str) -> str:
        try:
            answer = self.console.input(f"{prompt} (s stops) > ", markup=False).strip().lower()
        except EOFError:
            raise Stopped(f"Nobody answers at the terminal ({prompt}): the visit ends here.") from None
        if answer == "s":
            raise Stopped("The operator stopped the visit.")
        return answer


def _bar(distance_in_tolerances: float) -> str:
    middle = BAR_WIDTH // 2
    scaled = distance_in_tolerances / (1.0 + abs(distance_in_tolerances) / 10.0)
    place = round(min(max(middle - scaled * middle / 10.0, 0), BAR_WIDTH - 1))
    cells = ["."] * BAR_WIDTH
    cells[middle] = "|"
    cells[place] = "#"
    return "".join(cells)


def _line_if_any() -> str | None:
    if not HAVE_SELECT_ON_STDIN or not sys.stdin.isatty():
        return None
    with contextlib.suppress(OSError, ValueError):
        if select.select([sys.stdin], [], [], 0.0)[0]:
            return sys.stdin.readline().strip().lower()
    return None
