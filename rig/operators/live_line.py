"""The live watch as lines of text: what a reading says to somebody who turns a trim. Pure; nothing is written here.

The distance comes with its expanded uncertainty (coverage factor 2), and no more digits than that leaves sense in.
"""

from __future__ import annotations

from dataclasses import dataclass
from math import isfinite, log1p
from textwrap import wrap
from typing import TYPE_CHECKING

from rich.text import Text

from rig.operators.glyphs import letters
from rig.operators.port import Seen

if TYPE_CHECKING:
    from rig.operators.glyphs import Glyphs
    from rig.operators.port import Turn, WatchReading

COVERAGE_FACTOR = 2.0
FULL_SCALE_TOLERANCES = 300.0
"""Distance at either end of the bar; the gate in its middle is one tolerance wide to each side."""
MILLI = 1000.0
LEAST_START_TOLERANCES = 2.0
"""From nearer than this the rough number of turns says nothing about turns left."""
NOT_MOVING = "Not moving. If you turn: it is at its end (e), or it is another trim."
NARROWEST_BLOCK, LOWEST_BLOCK = 36, 9
SIDE_BY_SIDE = 88
GOOD, WARNING, QUIET, STRONG = "green", "yellow", "dim", "bold"
_SEEN_STYLES = {
    Seen.INSIDE: GOOD,
    Seen.NEARER: GOOD,
    Seen.BACK: GOOD,
    Seen.STILL: QUIET,
    Seen.AWAY: WARNING,
    Seen.PAST: WARNING,
    Seen.NOTHING: WARNING,
    Seen.NO_SIGNAL: WARNING,
}


@dataclass(frozen=True, slots=True)
class View:
    """What a watch shows at one moment.

    ``start_distance`` is the first distance of the move (None before there was one); ``said`` a line of the console's
    own, ``keys`` the keys that help. ``lingers`` when the readings have been inside for long and are still not sure to
    be: a little nearer to the middle makes them so. ``unmoved`` when they have been at one place for long, far from the
    target, and nobody says whether somebody turns.
    """

    turn: Turn
    unit: str
    tolerance: float
    reading: WatchReading
    start_distance: float | None
    keys: str = ""
    said: str = ""
    lingers: bool = False
    unmoved: bool = False

    @property
    def inside(self) -> bool:
        """Whether it is inside, as the watch sees it: a single reading may stray."""
        return self.reading.done or (self.reading.seen is Seen.INSIDE and not self.lingers)

    @property
    def turns_left(self) -> float | None:
        """Rough number of turns left, clockwise positive, from the distance already made; None where unknown."""
        start = self.start_distance
        if not isfinite(self.reading.distance) or start is None or abs(start) < LEAST_START_TOLERANCES * self.tolerance:
            return None
        return self.turn.turns * self.reading.distance / start

    @property
    def clockwise(self) -> bool:
        """Which way to turn now: as planned, until the target lies on the other side."""
        start = self.start_distance
        beyond = isfinite(self.reading.distance) and start is not None and self.reading.distance * start < 0.0
        return (self.turn.turns > 0.0) is not beyond


_AMOUNTS = (
    (0.02, "a hair"), (0.09, "a touch"), (0.19, "an eighth"), (0.38, "a quarter turn"), (0.62, "half a turn"),
)  # fmt: skip


def amount(turns: float) -> str:
    """A number of turns as one says it at a bench; rough on purpose."""
    turns = abs(turns)
    for below, words in _AMOUNTS:
        if turns < below:
            return words
    if turns < 1.25:
        return "about 1 turn"
    halves = round(2.0 * turns) / 2.0
    return f"about {halves:.1f} turns" if turns < 5.0 else f"about {turns:.0f} turns"


@dataclass(frozen=True, slots=True)
class Shown:
    """A distance as it is shown: no sign to be misread, but a word."""

    number: str
    unit: str
    side: str
    doubt: str

    def tail(self, glyphs: Glyphs) -> str:
        """What stands behind the number."""
        return " ".join(filter(None, (self.unit, self.side, f"{glyphs.plus_minus} {self.doubt}" if self.doubt else "")))


def distance_shown(value: float, standard_uncertainty: float, unit: str) -> Shown:
    """Distance (target minus reading) with its expanded uncertainty; volts become millivolts."""
    scale, shown_unit = (MILLI, "mV") if unit == "V" else (1.0, unit)
    if not isfinite(value):
        return Shown("--", shown_unit, "", "")
    expanded = COVERAGE_FACTOR * standard_uncertainty * scale if isfinite(standard_uncertainty) else 0.0
    decimals = 0 if expanded >= 2.0 else 1 if expanded >= 0.05 else 2
    number = f"{abs(value) * scale:.{decimals}f}"
    side = "" if float(number) == 0.0 else "too low" if value > 0.0 else "too high"
    return Shown(number, shown_unit, side, f"{expanded:.{max(decimals, 1)}f}")


def bar(distance: float, tolerance: float, expanded_uncertainty: float, width: int, glyphs: Glyphs) -> str:
    """The way left, drawn from the reading's place to the gate in the middle; left of it the reading is too low.

    Its scale is logarithmic, so that the last cents are wide and the first ones narrow. The end is drawn faint over
    what the uncertainty spans.
    """
    side = max((width - 3) // 2, 3)
    gate = max(round(side * _place(tolerance, tolerance)), 1)
    plain = [glyphs.track] * (side + 1)
    reading = plain
    if isfinite(distance):
        away = abs(distance)
        place, sure, far = (
            round(side * _place(max(each, 0.0), tolerance))
            for each in (away, away - expanded_uncertainty, away + expanded_uncertainty)
        )
        reading = [
            glyphs.fill
            if step == place
            else glyphs.doubt
            if sure <= step <= far
            else glyphs.fill
            if gate < step < place
            else glyphs.track
            for step in range(side + 1)
        ]
    # A positive distance means that the reading lies below its target.
    low, high = (reading, plain) if distance > 0.0 else (plain, reading)
    cells = [*reversed(low[1:]), reading[0], *high[1:]]
    cells.insert(side + gate + 1, glyphs.gate[1])
    cells.insert(side - gate, glyphs.gate[0])
    return "".join(cells)


def _place(distance: float, tolerance: float) -> float:
    """Share of a side of the bar, 0 to 1."""
    return min(log1p(distance / tolerance) / log1p(FULL_SCALE_TOLERANCES), 1.0)


def watch_lines(view: View, width: int, height: int, glyphs: Glyphs) -> list[Text]:
    """The watch as a block of lines, none wider than ``width``; without block letters where there is no room."""
    shown = distance_shown(view.reading.distance, view.reading.standard_uncertainty, view.unit)
    tail = shown.tail(glyphs)
    if width < NARROWEST_BLOCK or height < LOWEST_BLOCK:
        few = [Text(f"{shown.number} {tail}", STRONG), _way(view, glyphs), _seen(view)]
        return [_clipped(line, width) for line in few[: max(height, 1)]]
    number, _, number_unit = view.reading.shown.partition(" ")
    big_distance, big_number = letters(shown.number, glyphs), letters(number, glyphs)
    if not isfinite(view.reading.distance):
        big_distance, tail, big_number, number_unit = (shown.number,), "", (view.reading.shown,), ""
    style = GOOD if view.inside else STRONG
    lines = [
        Text(f"{view.turn.label}  to {view.turn.target}", STRONG),
        Text(f"with {view.turn.where}", QUIET),
        Text(),
    ]
    if width >= SIDE_BY_SIDE:
        lines += _beside(_labelled(big_distance, tail), _labelled(big_number, number_unit), width // 2, style)
    else:
        lines += [Text(row, style) for row in _labelled(big_distance, tail)]
        if height >= len(lines) + len(big_number) + 6:
            lines += [Text(), *(Text(row) for row in _labelled(big_number, number_unit))]
        else:
            lines.append(Text(view.reading.shown))
    expanded = COVERAGE_FACTOR * view.reading.standard_uncertainty
    drawn = bar(view.reading.distance, view.tolerance, expanded, width - 10, glyphs)
    lines += [
        Text(),
        Text.assemble(("low ", QUIET), (drawn, style), (" high", QUIET)),
        _way(view, glyphs),
        _seen(view),
        *(Text(row, QUIET) for row in wrap(view.keys, width)),
    ]
    return [_clipped(line, width) for line in lines][-height:]


def plain_line(view: View, glyphs: Glyphs) -> str:
    """The watch in one line that stands by itself, for printed output."""
    shown = distance_shown(view.reading.distance, view.reading.standard_uncertainty, view.unit)
    way, seen = _way(view, glyphs).plain, _seen(view).plain
    return f"{view.turn.label} at {view.reading.shown}: {shown.number} {shown.tail(glyphs)}  {way}  {seen}"


def _seen(view: View) -> Text:
    if view.lingers and not view.said:
        return Text("inside, but not surely: a little nearer to the middle", WARNING)
    if view.unmoved and not view.said:
        return Text(NOT_MOVING, WARNING)
    return Text(view.said or view.reading.seen.value, _SEEN_STYLES[view.reading.seen])


def _way(view: View, glyphs: Glyphs) -> Text:
    """Which way and how far: one sign for a touch, two for less than a turn, three for more."""
    if not isfinite(view.reading.distance):
        return Text("wait", WARNING)
    if view.inside:
        return Text("hold still", GOOD)
    left = view.turns_left
    sign, words = (glyphs.clockwise, "clockwise") if view.clockwise else (glyphs.counter_clockwise, "counter-clockwise")
    signs = sign * (2 if left is None else 1 if abs(left) < 0.2 else 2 if abs(left) < 1.0 else 3)
    return Text(f"{signs} {words}" + (f", {amount(left)}" if left is not None else ""), STRONG)


def _labelled(rows: tuple[str, ...], label: str) -> list[str]:
    """Block letters with a unit beside their foot."""
    foot = max(len(row) for row in rows)
    return [*rows[:-1], f"{rows[-1]:<{foot}}  {label}".rstrip()]


def _beside(left: list[str], right: list[str], column: int, style: str) -> list[Text]:
    rows = max(len(left), len(right))
    lefts = [""] * (rows - len(left)) + left
    rights = [""] * (rows - len(right)) + right
    return [Text.assemble((f"{one:<{column}}", style), other) for one, other in zip(lefts, rights, strict=True)]


def _clipped(line: Text, width: int) -> Text:
    line.truncate(width)
    return line


def progress_line(stage: str, done: int, total: int, width: int, glyphs: Glyphs) -> Text:
    """How far a stage has come."""
    count = f"{done}/{total}"
    room = min(width - len(stage) - len(count) - 6, 40)
    drawn = ""
    if room >= 4 and total > 0:
        filled = room * min(max(done, 0), total) // total
        drawn = f"  {glyphs.fill * filled}{glyphs.track * (room - filled)}"
    return _clipped(Text.assemble("  ", stage, (drawn, QUIET), "  ", count), width)
