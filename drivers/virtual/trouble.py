"""Trouble that a virtual bench is told to have: with which role, at which moment, of which kind.

A schedule stands in the [virtual] table of a bench file or is handed over while the bench runs. What ails a link
is done to the messages (:mod:`drivers.virtual.links.serving`); what ails an instrument stands in its ``ails`` while
it lasts, and the instrument behaves accordingly.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from enum import StrEnum
from typing import TYPE_CHECKING, Annotated, Literal, Protocol, Self

from pydantic import Field, model_validator

from drivers.virtual.clock import InstantClock
from drivers.virtual.description import Described
from drivers.virtual.links.serving import After, Outgoing
from drivers.virtual.randomness import stream

if TYPE_CHECKING:
    from collections.abc import Sequence

    import numpy as np

    from drivers.clock import Clock

Role = Literal["source", "meter", "counter", "computer"]
ROLES: tuple[Role, ...] = ("source", "meter", "counter")
COMPUTER: Role = "computer"


class Kind(StrEnum):
    """What can go wrong on a bench."""

    # with a link
    SILENCE = "silence"
    LATE = "late answer"
    HALF = "half an answer"
    TWICE = "two answers"
    GARBAGE = "garbage"
    STRANGE = "characters that are not ASCII"
    CLOSED = "connection closed"
    REFUSED = "connection closed and refused"
    HALF_OPEN = "connection half open"
    # with any instrument
    STALE = "reading of the setting before"
    OVERLOAD = "overload"
    POWER_CYCLED = "switched off and on"
    FLOODED = "error queue flooded"
    # with the source
    TRIPPED = "output tripped by its protection"
    STUCK = "stuck at its old level"
    STUCK_UNSEEN = "stuck at its old level, and reads back what it was told"
    # with the meter
    LEAD_OFF = "meter lead off"
    # with the counter
    NO_SIGNAL = "no signal"
    MULTIPLE = "locked on a multiple"
    HUM = "locked on hum"
    TIME_BASE = "time base off"
    # with the computer
    CLOCK_JUMP = "clock jump"


OF_LINKS = frozenset(list(Kind)[: list(Kind).index(Kind.STALE)])
OF_ANY = (Kind.STALE, Kind.OVERLOAD, Kind.POWER_CYCLED, Kind.FLOODED)
OF_SOURCE = (Kind.TRIPPED, Kind.STUCK, Kind.STUCK_UNSEEN)
OF_METER = (Kind.LEAD_OFF,)
OF_COUNTER = (Kind.NO_SIGNAL, Kind.MULTIPLE, Kind.HUM, Kind.TIME_BASE)
_MORE: dict[Role, tuple[Kind, ...]] = {"source": OF_SOURCE, "meter": OF_METER, "counter": OF_COUNTER}
AMOUNTS = {Kind.LATE: 8.0, Kind.MULTIPLE: 2.0, Kind.HUM: 50.0, Kind.TIME_BASE: 2000.0, Kind.CLOCK_JUMP: 7200.0}
"""Seconds, times the pitch, Hz, parts per million, seconds: where a schedule says nothing else."""


def kinds_of(role: Role) -> tuple[Kind, ...]:
    """Everything that can go wrong with a role."""
    if role == COMPUTER:
        return (Kind.CLOCK_JUMP,)
    return (*(kind for kind in Kind if kind in OF_LINKS), *OF_ANY, *_MORE[role])


class Trouble(Described):
    """One entry of a schedule. Either ``message`` or ``at_s`` says when it begins.

    :param message: with the n-th message to the role (to any instrument, where the computer is ailing); the first is
        1, counted from the bench's start or, for an entry that is handed over later, from that moment.
    :param at_s: with the first message at or after this time on the bench's clock.
    :param messages: how many messages it lasts; how many callers are turned away, where the link refuses them.
    :param amount: how much; see :data:`AMOUNTS`.
    """

    role: Role
    kind: Kind
    message: Annotated[int, Field(ge=1)] | None = None
    at_s: Annotated[float, Field(ge=0)] | None = None
    messages: Annotated[int, Field(ge=1)] = 1
    amount: float | None = None

    @model_validator(mode="after")
    def _one_moment_and_its_own_kind(self) -> Self:
        if (self.message is None) == (self.at_s is None):
            raise ValueError("give either message or at_s: when the trouble begins")
        if self.kind not in kinds_of(self.role):
            raise ValueError(f"a {self.role} cannot have {self.kind.value!r}")
        return self

    @property
    def much(self) -> float:
        """How much of it, where that means anything."""
        return AMOUNTS.get(self.kind, 0.0) if self.amount is None else self.amount


class Ailing(Protocol):
    """An instrument that trouble can come to."""

    ails: dict[Kind, float]

    def befall(self, kind: Kind, much: float) -> None:
        """Something happens to it, all at once."""
        ...


@dataclass(slots=True)
class _Entry:
    trouble: Trouble
    from_message: int
    left: int
    begun: bool = False


@dataclass(slots=True)
class Troublemaker:
    """What stands between one role's link and its instrument (:class:`drivers.virtual.links.serving.Spoiler`).

    ``messages`` counts what has come through.

    :param beside: what sees every message as well.
    """

    device: Ailing
    clock: Clock
    chance: np.random.Generator
    beside: Troublemaker | None = None
    messages: int = 0
    _entries: list[_Entry] = field(default_factory=list)
    _now: dict[Kind, float] = field(default_factory=dict)
    _turn_away: int = 0

    def add(self, trouble: Trouble) -> None:
        """Take in one more entry; its messages are counted from now."""
        self._entries.append(_Entry(trouble, self.messages + (trouble.message or 1), trouble.messages))

    def mend(self) -> None:
        """Nothing ails it any more, nor will."""
        self._entries, self._now, self._turn_away = [], {}, 0
        self.device.ails = {}

    def before(self) -> None:
        """A message has come: see what ails link and instrument while it is executed and answered."""
        if self.beside is not None:
            self.beside.before()
        self.messages += 1
        if not self._entries and not self._now:
            return
        self._now = {}
        for entry in self._entries:
            trouble = entry.trouble
            due = trouble.at_s is None or self.clock.now() >= trouble.at_s
            if self.messages < entry.from_message or not due:
                continue
            if not entry.begun:
                entry.begun = True
                self.device.befall(trouble.kind, trouble.much)
            entry.left -= 1
            self._now[trouble.kind] = trouble.much
            if trouble.kind is Kind.REFUSED:
                self._turn_away, entry.left = trouble.messages, 0
        self._entries = [entry for entry in self._entries if entry.left > 0]
        self.device.ails = {kind: much for kind, much in self._now.items() if kind not in OF_LINKS}

    def after(self, whole: Outgoing) -> Outgoing:
        """What becomes of an answer."""
        sent = whole
        for kind, much in self._now.items():
            sent = self._spoilt(kind, much, sent)
        return sent

    def admits(self) -> bool:
        """Whether a new caller is let in."""
        if self._turn_away:
            self._turn_away -= 1
            return False
        return True

    def _spoilt(self, kind: Kind, much: float, whole: Outgoing) -> Outgoing:
        data, delay_s = whole.data, whole.delay_s
        spoilt = {
            Kind.SILENCE: lambda: whole._replace(data=b""),
            Kind.LATE: lambda: whole._replace(delay_s=delay_s + much),
            Kind.HALF: lambda: whole._replace(data=data[: len(data) // 2]),
            Kind.TWICE: lambda: whole._replace(data=data + data),
            Kind.GARBAGE: lambda: whole._replace(data=self._noise(data, range(32, 127))),
            Kind.STRANGE: lambda: whole._replace(data=self._noise(data, range(128, 256))),
            Kind.CLOSED: lambda: Outgoing(b"", 0.0, After.HANG_UP),
            Kind.REFUSED: lambda: Outgoing(b"", 0.0, After.HANG_UP),
            Kind.HALF_OPEN: lambda: Outgoing(b"", 0.0, After.GO_DEAF),
        }
        return spoilt[kind]() if kind in spoilt else whole

    def _noise(self, data: bytes, among: Sequence[int]) -> bytes:
        """As many bytes as there were, of any of these values; the line end stays."""
        text = data.rstrip(b"\r\n")
        return bytes(int(each) for each in self.chance.choice(list(among), len(text))) + data[len(text) :]


class Troubles:
    """All trouble of a virtual bench.

    :param devices: the instruments by role.
    """

    def __init__(self, devices: dict[Role, Ailing], clock: Clock, seed: int, schedule: Sequence[Trouble]) -> None:
        self._computer = Troublemaker(Computer(clock), clock, stream(seed, "trouble", COMPUTER))
        self.of: dict[Role, Troublemaker] = {COMPUTER: self._computer}
        for role, device in devices.items():
            self.of[role] = Troublemaker(device, clock, stream(seed, "trouble", role), self._computer)
        for trouble in schedule:
            self.add(trouble)

    def add(self, trouble: Trouble) -> None:
        """Let the bench have some more trouble; messages are counted from now."""
        self.of[trouble.role].add(trouble)

    def mend(self) -> None:
        """End all trouble."""
        for maker in self.of.values():
            maker.mend()


class Computer:
    """The computer as something that trouble can come to: its date may jump.

    How time passes is not affected, as with a computer's monotonic clock.
    """

    def __init__(self, clock: Clock) -> None:
        self.ails: dict[Kind, float] = {}
        self._clock = clock

    def befall(self, kind: Kind, much: float) -> None:
        """Let the date jump."""
        if kind is Kind.CLOCK_JUMP and isinstance(self._clock, InstantClock):
            self._clock.jump(much)
