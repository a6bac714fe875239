"""A person at a terminal, with a screwdriver in one hand and a probe in the other.

What the rig can see by itself it waits for; Enter and a few single keys are for the rest. Nothing needs a key twice,
except what overrides the rig. ``s`` ends the visit at any prompt.
"""

from __future__ import annotations

import sys
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, NoReturn, Protocol

from rig.operators.desk import DOUBLE_SCAN_S, Burst, Desk, Notice, Press
from rig.operators.keys import Key, open_keyboard
from rig.operators.live_line import QUIET, STRONG, WARNING, progress_line
from rig.operators.port import Story, Turned, TurnEnd
from rig.operators.screen import Screen, printable
from rig.operators.tone import Tone
from rig.operators.typed_line import typed_line
from rig.operators.watch_screen import SightLine, WatchScreen

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence

    from rich.console import Console

    from rig.operators.desk import Event
    from rig.operators.port import MeterPlace, Sight, Turn, Watch

BETWEEN_LOOKS_S = 0.005
"""A look takes its own time; this is for sights that take none."""
PAINTED_EVERY_S = 0.05
CONFIRM_WITHIN_S = 10.0
TYPING_S = 1.0
"""Within this time of a key that means nothing somebody types, and ``s`` is a letter."""
SHORTEST_SCAN = 4
SCANNED_AGAIN = "scanned again"
SKIP_REASONS = {"1": "out of reach", "2": "damaged or loose", "3": "not fitted", "4": "other"}
MEANT_KEYS = frozenset({"a", "d", "e", "k", "s", "t", *SKIP_REASONS, *Key})


class Fingers(Protocol):
    """Keys beyond the common ones, while a trim is turned or a control is set."""

    @property
    def hint(self) -> str:
        """What the keys do, in a few words."""

    @property
    def turned(self) -> float | None:
        """Turns made so far, where somebody knows."""

    def press(self, key: str) -> bool:
        """Do what the key is for; whether it is for anything."""


class NoFingers:
    """A person turns real trims; no key does."""

    hint = ""
    turned: float | None = None

    def press(self, _key: str) -> bool:
        """No key means anything here."""
        return False


@dataclass(frozen=True, slots=True)
class Skipped:
    """A trim that the operator would not or could not turn, and why."""

    trim: str
    label: str
    reason: str


@dataclass(slots=True)
class ConsoleOperator:
    """Asks a person on the terminal.

    :param desk: where keys and scans arrive; that of standard input by default. Whoever keeps it open (``with desk``)
        lets keys count between prompts as well.
    """

    console: Console
    desk: Desk = field(default_factory=lambda: Desk(open_keyboard(sys.stdin)))
    tone_on: bool = False
    skipped: list[Skipped] = field(default_factory=list)
    screen: Screen = field(init=False)
    tone: Tone = field(init=False)
    _connected: Burst | None = None
    _acknowledged: set[tuple[str, ...]] = field(default_factory=set)
    _odd_s: float = float("-inf")
    _own_scan_s: float = float("-inf")
    """When the unit on the bench was last scanned again: a label read twice in one go answers one question."""
    _progress_s: float = float("-inf")

    def __post_init__(self) -> None:
        self.screen = Screen(self.console, self._lost)
        self.tone = Tone(self.screen.bell, self.tone_on)
        self.desk.before_suspend = self.screen.wipe

    def warn(self, cautions: Sequence[str]) -> None:
        """Show the cautions; wait for Enter, unless the same were acknowledged at an earlier scan.

        What comes after the unit is connected is to be checked on each unit, and always asked.
        """
        if not cautions:
            return
        connected = self._connected is not None and self._connected is self.desk.on_bench
        if tuple(cautions) in self._acknowledged and self.desk.on_bench is not None and not connected:
            self.screen.line(f"The {len(cautions)} cautions hold as before.", WARNING)
            return
        for caution in cautions:
            self.screen.line(f"  ! {caution}", WARNING)
        self._ask("Checked?" if connected else "Read the cautions", f"{self._yes} when done")
        self._acknowledged.add(tuple(cautions))

    def connect_unit(self, serial: str, oscillator: str) -> None:
        """Ask for the unit on the bench."""
        which = f", its oscillator {oscillator}" if oscillator else ""
        self._ask(
            f"Put unit {serial} on the bench{which}: CV and output leads in, power on",
            f"{self._yes} when done",
        )
        self._connected = self.desk.on_bench

    def connect_meter(self, place: MeterPlace) -> None:
        """Ask for the meter's lead."""
        self._ask(f"Meter lead to {place.value}", f"{self._yes} when done")

    def close_case(self) -> None:
        """Ask for the closed case."""
        self._ask("Close the case, hands off the unit", f"{self._yes} when done")

    def output_is_connected(self, problem: str) -> bool:
        """Ask whether lead and power are truly on; only a confirmed ``d`` blames the unit."""
        self.screen.line(problem, STRONG)
        if (
            self._ask("Check lead and power", f"{self._yes}: read again, d: both are sure, the unit is dead", "ad")
            != "d"
        ):
            return False
        return (
            self._ask("The unit will be judged dead", f"{self._yes} if you are sure, a reads again", "a") == Key.ENTER
        )

    def why_returned(self, serial: str, reasons: Sequence[str]) -> Story:
        """A number key for the reason, then the complaint in a few words; Enter alone for none."""
        numbered = {str(number): reason for number, reason in enumerate(reasons, 1)}
        with self.desk:
            self._clear_the_desk()
            self.screen.line(f"Why is {serial} back?", STRONG)
            self.screen.line("  " + "  ".join(f"{number} {reason}" for number, reason in numbered.items()), QUIET)
            reason = numbered[self._one_of(*numbered)]
            self.screen.line("What does its owner say? A few words, Enter ends", STRONG)
            complaint = typed_line(self.desk, self.screen)
        return Story(reason, complaint)

    def tell(self, message: str) -> None:
        """Write a line."""
        self.screen.line(message)
        self._listen()

    def progress(self, stage: str, done: int, total: int) -> None:
        """Draw how far a stage is; write one line at its end."""
        now_s = self.desk.now()
        if done >= total:
            self._progress_s = float("-inf")
            self.screen.line(f"  {stage}: done", QUIET)
        elif self.screen.redraws and now_s - self._progress_s >= PAINTED_EVERY_S:
            self._progress_s = now_s
            width = self.screen.size()[0] - 1
            self.screen.paint([progress_line(stage, done, total, width, self.screen.glyphs)])
        self._listen()

    def set_control(
        self, control: str, position: str, sight: Sight | None = None, fingers: Fingers | None = None
    ) -> None:
        """Have a control set: seen by the rig where it can see, else told by Enter."""
        fingers = fingers or NoFingers()
        if sight is None:
            self._ask(f"Set {control} to {position}", fingers.hint or f"{self._yes} when done", fingers=fingers)
            return
        by_enter = "" if fingers.hint else f"{self._yes} goes on without"
        hint = hints(fingers.hint, "the rig sees it by itself", by_enter, "s stops")
        with self.desk as desk:
            self._clear_the_desk()
            self.screen.line(f"Set {control} to {position}", STRONG)
            self.screen.line(f"  {hint}", QUIET)
            override = _Override(self.screen, desk.now)
            shown = SightLine(self.screen, desk.now)
            while True:
                sighting = sight.look()
                shown.show(sighting)
                if sighting.done:
                    return
                keys = [_meant(self._key(event)) for event in desk.arrived(BETWEEN_LOOKS_S)]
                unknown = [key for key in keys if key and not fingers.press(key)]
                if Key.ENTER in unknown and override.given():
                    self.screen.line(f"  {control} is taken to be at {position}, on your word.", WARNING)
                    return

    def turn(self, turn: Turn, watch: Watch, fingers: Fingers | None = None) -> Turned:
        """Show the live distance until the watch says that it is right; a key may end the move before."""
        fingers = fingers or NoFingers()
        keys = hints(fingers.hint, "e end stop", "k skip", "t tone", "s stop")
        with self.desk as desk:
            self._clear_the_desk()
            known = fingers.turned is not None
            shown = WatchScreen(self.screen, turn, watch, keys, desk.now, turns_known=known)
            shown.introduce()
            before = fingers.turned
            while True:
                reading = watch.read(turning=fingers.turned != before)
                before = fingers.turned
                shown.show(reading)
                self.tone.follow(reading.distance / watch.tolerance, desk.now())
                if reading.done:
                    self.tone.reached()
                    shown.reached(reading)
                    return Turned(TurnEnd.REACHED, fingers.turned)
                end = self._end_of(turn, [self._key(event) for event in desk.arrived()], shown, fingers)
                if end is not None:
                    self.screen.line(f"{turn.label}: {end.value}.", WARNING)
                    said = self.skipped[-1].reason if end is TurnEnd.SKIPPED and self.skipped else ""
                    return Turned(end, fingers.turned, said)

    def _end_of(self, turn: Turn, keys: Sequence[str], shown: WatchScreen, fingers: Fingers) -> TurnEnd | None:
        """What the keys pressed while turning come to: an end of the move, or None."""
        for key in keys:
            if not key or fingers.press(key):
                continue
            if key == "e" and self._at_its_end(turn, fingers):
                return TurnEnd.END_STOP
            if key == "k" and self._skips(turn):
                return TurnEnd.SKIPPED
            if key == "t":
                self.tone.on = not self.tone.on
                shown.say(f"tone {'on' if self.tone.on else 'off'}")
            elif key == "a":
                shown.again()
            elif key == SCANNED_AGAIN:
                shown.say("the move ends by itself, or by e, k or s")
        turned = fingers.turned
        return TurnEnd.TURN_LIMIT if turned is not None and abs(turned) > turn.most_turns else None

    def _at_its_end(self, turn: Turn, fingers: Fingers) -> bool:
        """Ask once more: a trim said to be at its end condemns the unit. Who turns on goes on."""
        asked = f"Is the tool in {turn.label}, and {turn.label} at its end?"
        self.screen.line(f"{asked}  e again, it is  a goes on", STRONG)
        return self._one_of("a", "e", fingers=fingers) == "e"

    def _skips(self, turn: Turn) -> bool:
        """Ask why; whether there is a reason."""
        reasons = "  ".join(f"{key} {reason}" for key, reason in SKIP_REASONS.items())
        self.screen.line(f"Leave {turn.label} alone: why?  {reasons}  a go on turning", STRONG)
        key = self._one_of("a", *SKIP_REASONS)
        if key not in SKIP_REASONS:
            return False
        self.skipped.append(Skipped(turn.trim, turn.label, SKIP_REASONS[key]))
        self.screen.line(f"{turn.label} is left alone: {SKIP_REASONS[key]}.", WARNING)
        return True

    @property
    def _yes(self) -> str:
        """How to say yes without a word: the key, or the label of the unit on the bench where it was scanned."""
        return "Enter or scan the unit again" if self.desk.on_bench is not None else "Enter"

    def _ask(self, prompt: str, hint: str, keys: Sequence[str] = (), fingers: Fingers | None = None) -> str:
        """Ask, until Enter (the unit on the bench scanned again means the same) or one of the keys.

        ``a`` says it again where it is not one of them.
        """
        fingers = fingers or NoFingers()
        with self.desk:
            self._clear_the_desk()
            while True:
                self.screen.line(prompt, STRONG)
                self.screen.line(f"  {hint}, s stops", QUIET)
                key = self._one_of(Key.ENTER, "a", *keys, fingers=fingers)
                if key != "a" or "a" in keys:
                    return key

    def _one_of(self, *wanted: str, fingers: Fingers | None = None) -> str:
        """Wait for one of some keys, or one that the fingers know."""
        with self.desk as desk:
            while True:
                event = desk.next(None)
                key = self._key(event) if event is not None else ""
                if Key.ENTER in wanted:
                    key = _meant(key)
                if key and ((fingers is not None and fingers.press(key)) or key in wanted):
                    return key

    def _key(self, event: Event) -> str:
        """The key that an event is, empty where it is none; says what is to be said.

        :raises Stopped: it ends the visit.
        """
        if isinstance(event, Notice):
            self.screen.line(event.sentence, WARNING)
            return ""
        if isinstance(event, Burst):
            return self._scanned(event)
        return self._pressed(event)

    def _pressed(self, press: Press) -> str:
        key = press.key.lower()
        typing = press.at_s - self._odd_s < TYPING_S
        if key not in MEANT_KEYS:
            self._odd_s = press.at_s
        if key == Key.END or (key == "s" and not typing):
            self.screen.wipe()
            self.desk.stop("The operator stopped the visit.")
        return key

    def _scanned(self, burst: Burst) -> str:
        """A scan in the middle of a visit is no key: it is set aside, unless it is the unit on the bench itself."""
        text = burst.text.strip()
        on_bench = self.desk.on_bench
        if on_bench is not None and text.upper() == on_bench.text.upper():
            since_s = burst.at_s - max(on_bench.at_s, self._own_scan_s)
            self._own_scan_s = burst.at_s
            return "" if since_s < DOUBLE_SCAN_S else SCANNED_AGAIN
        if not burst.ended and len(text) < SHORTEST_SCAN:
            self.screen.line("Several keys came at once and were not taken: press one.", WARNING)
            return ""
        self.desk.set_aside.append(text)
        self.screen.line(f"{printable(text)} was scanned: finish this unit first, then scan it again.", WARNING)
        return ""

    def _clear_the_desk(self) -> None:
        """Keys pressed before a question are no answer to it; lines of a file are."""
        if self.desk.interactive:
            for event in self.desk.arrived():
                self._key(event)

    def _listen(self) -> None:
        """Between questions: somebody may stop the visit, or scan the next unit too early."""
        if self.desk.open and not self.desk.between_units:
            self._clear_the_desk()
        self.desk.require_somebody()

    def _lost(self) -> NoReturn:
        lost = "Nobody reads the output any more: the visit ends here and the source is left safe."
        self.desk.hang_up(lost)
        self.desk.stop(lost)


@dataclass(slots=True)
class _Override:
    """A first Enter warns; a second one soon after counts."""

    screen: Screen
    now: Callable[[], float]
    until_s: float = float("-inf")

    def given(self) -> bool:
        if self.now() <= self.until_s:
            return True
        self.until_s = self.now() + CONFIRM_WITHIN_S
        self.screen.line("  The rig does not see it yet: Enter once more goes on all the same.", WARNING)
        return False


def _meant(key: str) -> str:
    """The unit on the bench scanned again means yes."""
    return Key.ENTER if key == SCANNED_AGAIN else key


def hints(*each: str) -> str:
    """Short hints in one line."""
    return ", ".join(filter(None, each))
