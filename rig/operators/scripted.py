"""An operator that follows a script, for tests: answers are given beforehand, and what was asked is kept."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TYPE_CHECKING

from rig.errors import Stopped
from rig.operators.port import Story, Turned, TurnEnd

if TYPE_CHECKING:
    from collections.abc import Sequence

    from rig.operators.port import MeterPlace, Sight, Turn, Watch


@dataclass(slots=True)
class ScriptedOperator:
    """Answers from a script; stops the visit when a stage named in ``stop_at`` begins."""

    output_connected: bool = True
    turn_end: TurnEnd = TurnEnd.REACHED
    stop_at: str = ""
    story: Story | None = None
    asked: list[str] = field(default_factory=list)

    def warn(self, cautions: Sequence[str]) -> None:
        """Keep the cautions shown."""
        self.asked.extend(f"caution: {caution}" for caution in cautions)

    def connect_unit(self, serial: str, oscillator: str) -> None:
        """Keep the serial."""
        self.asked.append(f"connect {serial} {oscillator}".rstrip())

    def connect_meter(self, place: MeterPlace) -> None:
        """Keep the place."""
        self.asked.append(f"meter on {place.name}")

    def set_control(self, control: str, position: str, sight: Sight | None = None) -> None:
        """Keep the position, and what the rig sees of it."""
        self.asked.append(f"{control} at {position}" + (f": {sight.look().said}" if sight is not None else ""))

    def close_case(self) -> None:
        """Keep that it was asked for."""
        self.asked.append("close the case")

    def turn(self, turn: Turn, watch: Watch) -> Turned:
        """Read the watch once and end as the script says."""
        self.asked.append(f"turn {turn.trim} {turn.direction}: {watch.read().shown}")
        return Turned(self.turn_end)

    def output_is_connected(self, problem: str) -> bool:
        """Answer as the script says."""
        self.asked.append(problem)
        return self.output_connected

    def why_returned(self, serial: str, reasons: Sequence[str]) -> Story:
        """Answer as the script says, with the first reason offered where it says nothing."""
        self.asked.append(f"why is {serial} back")
        return self.story or Story(reasons[0])

    def tell(self, message: str) -> None:
        """Keep the message."""
        self.asked.append(message)

    def progress(self, stage: str, done: int, total: int) -> None:
        """Stop where the script says so."""
        if stage == self.stop_at:
            raise Stopped(f"The operator stopped the visit in {stage} ({done} of {total}).")
