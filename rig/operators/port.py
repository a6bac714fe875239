"""What a stage may ask of whoever stands at the bench: a person at a terminal, a virtual hand, a script."""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum
from typing import TYPE_CHECKING, Protocol

if TYPE_CHECKING:
    from collections.abc import Sequence


class MeterPlace(StrEnum):
    """Where the meter's lead goes."""

    CV_JACK = "the unit's CV jack, against the unit's own ground"
    RAIL = "the unit's reference rail, against the unit's own ground"


class TurnEnd(StrEnum):
    """How a move ended."""

    REACHED = "target reached"
    END_STOP = "end stop: turning, nothing changes"
    TURN_LIMIT = "as many turns as it should ever take, and not there"
    GAVE_UP = "given up"
    SKIPPED = "left alone"


class Seen(StrEnum):
    """What the rig makes of the last readings, while somebody turns."""

    STILL = "still"
    NEARER = "nearer"
    AWAY = "wrong way"
    NOTHING = "turning, nothing changes"
    PAST = "past the target: back a little"
    INSIDE = "inside: hold it"
    NO_SIGNAL = "no signal: cable out or unit off"
    BACK = "the signal is back"


@dataclass(frozen=True, slots=True)
class WatchReading:
    """One live reading while a trim is turned.

    ``number`` is the reading itself (Hz or V); ``distance`` is target minus reading, in the unit of the watch
    (cents or volts), with its standard uncertainty; both are NaN without a signal. ``done`` is true once the reading
    has stayed inside for long enough to be believed.
    """

    shown: str
    number: float
    distance: float
    standard_uncertainty: float
    seen: Seen = Seen.STILL
    done: bool = False


@dataclass(frozen=True, slots=True)
class Sighting:
    """What a look at a control showed: whether it is right now, and what to say."""

    done: bool
    said: str


class Sight(Protocol):
    """How the rig sees where a switch or knob stands, from the pitch alone."""

    def look(self) -> Sighting:
        """Look once."""


class Watch(Protocol):
    """A live reading against its target."""

    @property
    def unit(self) -> str:
        """Unit of distance and tolerance: cents or V."""

    @property
    def tolerance(self) -> float:
        """How near is near enough."""

    def read(self, *, turning: bool = False) -> WatchReading:
        """Read once.

        :param turning: somebody has turned since the last reading; only then can the rig see that nothing changes.
        """


@dataclass(frozen=True, slots=True)
class Turn:
    """One trim to turn: direction and rough number of turns are an aid, the watch decides.

    ``turns`` is signed, clockwise positive; past ``most_turns`` something is wrong and the move ends.
    """

    trim: str
    label: str
    target: str
    where: str
    turns: float
    most_turns: float
    tool_stays: bool = False
    """The rig looks over the whole range when the target is reached, and may give a new one: the tool stays in."""

    @property
    def direction(self) -> str:
        """Which way to turn, in words."""
        return "clockwise" if self.turns > 0.0 else "counter-clockwise"


def rough(turns: float) -> str:
    """A number of turns, whichever way, as one says it before a turn that the watch ends."""
    tenths = f"{abs(turns):.1f}"
    return "less than 0.1 turns" if tenths == "0.0" else f"about {tenths} turns"


@dataclass(frozen=True, slots=True)
class Turned:
    """What came of a move."""

    end: TurnEnd
    turns_estimate: float | None = None
    said: str = ""
    """Why a move was given up, in the operator's words."""

    @property
    def outcome(self) -> str:
        """How it ended, for the record."""
        return f"{self.end.value}: {self.said}" if self.said else self.end.value


@dataclass(frozen=True, slots=True)
class Story:
    """Why a unit came back: one of the reasons that were offered, and the complaint in its owner's words."""

    reason: str
    complaint: str = ""


class Operator(Protocol):
    """Whoever does what only hands can do. Every method may raise ``rig.errors.Stopped``."""

    def warn(self, cautions: Sequence[str]) -> None:
        """Show the cautions; return once they are acknowledged."""

    def connect_unit(self, serial: str, oscillator: str) -> None:
        """Put the unit on the bench, connect it (one of its oscillators, where it has several) and switch it on."""

    def connect_meter(self, place: MeterPlace) -> None:
        """Move the meter's lead."""

    def set_control(self, control: str, position: str, sight: Sight | None = None) -> None:
        """Have a switch or a knob of the unit set; return once the sight says that it stands right.

        Without a sight, somebody has to say so.
        """

    def turn(self, turn: Turn, watch: Watch) -> Turned:
        """Turn a trim until the watch says that its target is reached."""

    def close_case(self) -> None:
        """Close the case, hands off."""

    def output_is_connected(self, problem: str) -> bool:
        """The counter sees nothing: are power and output lead truly on? False sends the rig to read again."""

    def why_returned(self, serial: str, reasons: Sequence[str]) -> Story:
        """A unit that left before is back: why? Asked once for each time that it comes back."""

    def tell(self, message: str) -> None:
        """Say what the rig is doing or has seen."""

    def progress(self, stage: str, done: int, total: int) -> None:
        """Say how far a stage has come."""
