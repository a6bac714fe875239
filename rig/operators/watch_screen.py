"""The live watch on a screen: painted in place where it can be, else as plain lines at a rate one can read."""

from __future__ import annotations

from math import isfinite
from typing import TYPE_CHECKING

from rich.text import Text

from rig.operators.glyphs import large_letters
from rig.operators.live_line import (
    COVERAGE_FACTOR,
    GOOD,
    QUIET,
    STRONG,
    WARNING,
    View,
    amount,
    distance_shown,
    plain_line,
    watch_lines,
)
from rig.operators.port import Seen

if TYPE_CHECKING:
    from collections.abc import Callable

    from rig.operators.port import Sighting, Turn, Watch, WatchReading
    from rig.operators.screen import Screen

PAINTED_EVERY_S = 0.02
PLAIN_LINES_EVERY_S = 1.0
PLAIN_CHANGES_EVERY_S = 0.4
SAID_FOR_S = 1.5
LINGERS_S = 3.0
"""So long inside without being sure of it: the readings lie at the edge, and will not be surer by themselves."""

UNMOVED_S = 6.0
FAR_TOLERANCES = 3.0
"""Nearer to its target than this a reading may stand still: somebody thinks before the last touch."""

HANDS_AWAY = "Stop, that is it. Hands away."
TOOL_STAYS = "Stop, that is it. Leave the tool in, hands still: the rig looks over the whole range."


class WatchScreen:
    """Shows the readings of one move.

    :param turns_known: the watch is told when somebody turns; where it is not, an end stop and a hand at rest look the
        same, and after a while at one place that is said.
    """

    def __init__(
        self,
        screen: Screen,
        turn: Turn,
        watch: Watch,
        keys: str,
        now: Callable[[], float],
        *,
        turns_known: bool = False,
    ) -> None:
        self._screen = screen
        self._turn = turn
        self._watch = watch
        self._keys = keys
        self._now = now
        self._start: float | None = None
        self._shown_s = self._said_s = float("-inf")
        self._inside_s: float | None = None
        self._turns_known = turns_known
        self._rests_at: float | None = None
        self._rests_s = float("-inf")
        self._seen = ""
        self._said = ""

    def introduce(self) -> None:
        """Say what to do; where the watch is painted, the painting says the rest."""
        turn = self._turn
        self._screen.line(
            f"Turn {turn.label} {turn.direction}, {amount(turn.turns)}, never more than {abs(turn.most_turns):.1f}.",
            STRONG,
        )
        if not self._screen.redraws:
            self._screen.line(f"  to {turn.target} with {turn.where}. It stops by itself. {self._keys}", QUIET)

    def show(self, reading: WatchReading) -> None:
        """Show a reading, unless the last one was shown a moment ago."""
        if self._start is None and isfinite(reading.distance):
            self._start = reading.distance
        now_s = self._now()
        if now_s - self._said_s > SAID_FOR_S:
            self._said = ""
        if reading.seen is not Seen.INSIDE:
            self._inside_s = None
        elif self._inside_s is None:
            self._inside_s = now_s
        self._follow_rest(reading, now_s)
        since_s = now_s - self._shown_s
        if self._screen.redraws:
            if since_s >= PAINTED_EVERY_S or reading.done:
                self._shown_s = now_s
                width, height = self._screen.size()
                self._screen.paint(watch_lines(self._view(reading), width - 1, height - 1, self._screen.glyphs))
            return
        changed = reading.seen.value != self._seen
        if since_s >= PLAIN_LINES_EVERY_S or (changed and since_s >= PLAIN_CHANGES_EVERY_S):
            self._shown_s, self._seen = now_s, reading.seen.value
            self._screen.line(f"  {plain_line(self._view(reading), self._screen.glyphs)}")

    def _follow_rest(self, reading: WatchReading, now_s: float) -> None:
        """Since when the reading has been where it is, and where that is."""
        if not isfinite(reading.distance):
            self._rests_at = None
            return
        allowed = max(self._watch.tolerance, COVERAGE_FACTOR * reading.standard_uncertainty)
        if self._rests_at is None or abs(reading.distance - self._rests_at) > allowed:
            self._rests_at, self._rests_s = reading.distance, now_s

    def say(self, message: str) -> None:
        """Show a message of the console's own for a moment."""
        self._said, self._said_s = message, self._now()

    def again(self) -> None:
        """Say it once more as it stands now. What a turn does was learned from the first distance, which stays."""
        self._inside_s, self._shown_s = None, float("-inf")
        self.say("once more from here")

    def reached(self, reading: WatchReading) -> None:
        """Say that it is right, large enough to be seen from the board."""
        self._screen.wipe()
        if self._screen.redraws:
            for row in large_letters("STOP", self._screen.glyphs):
                self._screen.line(row, GOOD)
        shown = distance_shown(reading.distance, reading.standard_uncertainty, self._watch.unit)
        self._screen.line(TOOL_STAYS if self._turn.tool_stays else HANDS_AWAY, GOOD)
        self._screen.line(f"  {self._turn.label} at {reading.shown}, {shown.number} {shown.tail(self._screen.glyphs)}")

    def _view(self, reading: WatchReading) -> View:
        turn, watch = self._turn, self._watch
        lingers = self._inside_s is not None and self._now() - self._inside_s >= LINGERS_S
        far = isfinite(reading.distance) and abs(reading.distance) > FAR_TOLERANCES * watch.tolerance
        rests = self._rests_at is not None and self._now() - self._rests_s >= UNMOVED_S
        unmoved = far and rests and not self._turns_known
        return View(turn, watch.unit, watch.tolerance, reading, self._start, self._keys, self._said, lingers, unmoved)


class SightLine:
    """Shows what the rig sees of a control: in place where it can be, else when it changes, and not too often."""

    def __init__(self, screen: Screen, now: Callable[[], float]) -> None:
        self._screen = screen
        self._now = now
        self._said = ""
        self._said_s = float("-inf")

    def show(self, sighting: Sighting) -> None:
        """Show a sighting; one that is done stays."""
        if sighting.done:
            if sighting.said:
                self._screen.line(f"  {sighting.said}", GOOD)
            return
        if sighting.said == self._said:
            return
        if self._screen.redraws:
            self._said = sighting.said
            line = Text(f"  {sighting.said}", WARNING)
            line.truncate(self._screen.size()[0] - 1)
            self._screen.paint([line])
        elif self._now() - self._said_s >= PLAIN_LINES_EVERY_S:
            self._said, self._said_s = sighting.said, self._now()
            self._screen.line(f"  {sighting.said}", WARNING)
