"""A SCPI device: it takes program messages, keeps status, and answers.

Sources: IEEE 488.2-1992, chapters 6 (message exchange), 10 (common commands), 12 (*OPC, *WAI); SCPI-1999
volume 1, chapter 4 (what every device has), 6.2.4 (header path); volume 2, 20 (STATus) and 21 (SYSTem).
"""

from __future__ import annotations

from abc import ABC, abstractmethod
from dataclasses import dataclass
from functools import partial
from threading import RLock
from typing import TYPE_CHECKING

from drivers.virtual.channels import channel_of, second_of
from drivers.virtual.grammar import MOST_KNOWN, Unit, units
from drivers.virtual.headers import HeaderTree
from drivers.virtual.parameters import (
    INFINITY,
    Boolean,
    LimitWord,
    Number,
    Parameter,
    Value,
    Word,
    integer,
    read_all,
    real,
)
from drivers.virtual.personality import STANDARD, Channels, Errors, Personality
from drivers.virtual.scpi_errors import ScpiError
from drivers.virtual.status import QUEUE_CAPACITY, Entry, EventRegister, StandardEvent, Status
from drivers.virtual.trouble import Kind

if TYPE_CHECKING:
    from collections.abc import Callable

    from drivers.clock import Clock

SCPI_VERSION = "1999.0"
SETTING_DIGITS = 9
LONGEST_DETAIL = 80
BYTE = Number(0, 255, 0, whole=True)
SIXTEEN_BITS = Number(0, 65535, 0, whole=True)


@dataclass(frozen=True, slots=True)
class Command:
    """What belongs to a header.

    :param obey: called with the values of the parameters; returns the answer of a query.
    :param unit: what a personality with units puts behind each number of the answer.
    :param listed: the channel comes as a list behind the parameters, and is passed before them.
    :param indefinite: the answer has no end of its own, so that no query may follow it (IEEE 488.2, 10.14.3).
    """

    obey: Callable[..., str | None]
    takes: tuple[Parameter, ...] = ()
    unit: str = ""
    listed: bool = False
    indefinite: bool = False


@dataclass(frozen=True, slots=True)
class Order:
    """A program message unit that a device has understood.

    :param path: the header path behind it.
    """

    command: Command
    values: tuple[Value, ...]
    path: tuple[str, ...]


class Device(ABC):
    """Base of the virtual instruments: everything that IEEE 488.2 and SCPI ask of every device.

    A subclass adds its own commands in its constructor, says what ``*RST`` means by :meth:`reset`, and what
    is going on by :meth:`refresh`.

    :param identity: maker, model, serial, firmware, as ``*IDN?`` answers.
    :param latency_s: time that every message takes, on the bench's clock, unless the personality has its own.
    :param personality: how it is spoken to.
    """

    def __init__(
        self,
        clock: Clock,
        identity: tuple[str, str, str, str],
        latency_s: float,
        personality: Personality = STANDARD,
    ) -> None:
        self.clock = clock
        self.personality = personality
        self.status = Status()
        self.busy_until_s = float("-inf")
        self.ails: dict[Kind, float] = {}
        """What is wrong with it at this moment, and how much of it."""
        self._answered: dict[int, str] = {}
        """The last answer of each command that gives a reading."""
        self._identity = personality.identity or ",".join(identity)
        self._latency_s = latency_s if personality.latency_s is None else personality.latency_s
        self._tree: HeaderTree[Command] = HeaderTree()
        self._lock = RLock()
        self._completion_wanted = False
        self._answering = False
        self._orders: dict[tuple[int, tuple[str, ...], str], Order] = {}
        """What was understood before, by what is selected, header path and text."""
        self.selected = 1
        self._add_common()
        self._add_system()
        self._add_register("STATus:OPERation", self.status.operation)
        self._add_register("STATus:QUEStionable", self.status.questionable)

    def execute(self, message: str) -> str | None:
        """Execute one program message, without its terminator.

        Units are executed one after the other; one that is wrong leaves an entry in the error queue, and the
        next ones are still executed.

        :returns: the response message without terminator, or None when nothing was asked.
        """
        with self._lock:
            self.clock.sleep(self._latency_s)
            if self.ails and Kind.FLOODED in self.ails:
                for _ in range(QUEUE_CAPACITY):
                    self.status.report(Entry(-363))
            if not self.personality.joins and ";" in message:
                self.status.report(Entry(-102))
                return None
            return self._respond(message)

    def befall(self, kind: Kind, much: float) -> None:
        """Something happens to it, all at once: it is switched off and on, or its error queue fills up."""
        with self._lock:
            if kind is Kind.POWER_CYCLED:
                self._reset()
                self.status.power_on()
                self._answered.clear()

    def query_error(self, code: int) -> None:
        """Let a link report a breach of message exchange (IEEE 488.2, 6.5.7): -410, -420 or -430."""
        with self._lock:
            self.status.report(Entry(code))

    def find(self, words: tuple[str, ...], *, query: bool) -> Command:
        """What belongs to a header, which is the same as long as the same is selected.

        :raises ScpiError: there is no such header.
        """
        return self._tree.find(words, query=query)

    def add(
        self,
        header: str,
        obey: Callable[..., str | None],
        *takes: Parameter,
        unit: str = "",
        indefinite: bool = False,
    ) -> None:
        """Add a command or query (SCPI notation), as the personality spells it."""
        for spelling in self.personality.spellings(header):
            self._tree.add(spelling, Command(obey, takes, unit, indefinite=indefinite))

    def add_by_channel(self, header: str, obey: Callable[..., str | None], *takes: Parameter, unit: str = "") -> None:
        """Add a command or query that acts on a channel, named in the personality's way.

        :param header: with ``{n}`` where a number may stand.
        :param obey: takes the channel before the parameters.
        """
        for spelling in self.personality.spellings(header):
            first = spelling.replace("{n}", "[1]")
            match self.personality.channels:
                case Channels.NONE:
                    self._tree.add(first, Command(partial(obey, 1), takes, unit))
                case Channels.LIST:
                    self._tree.add(first, Command(obey, takes, unit, listed=True))
                case Channels.SELECT:
                    self._tree.add(first, Command(lambda *values: obey(self.selected, *values), takes, unit))
                case Channels.SUFFIX:
                    self._tree.add(first, Command(partial(obey, 1), takes, unit))
                    self._tree.add(second_of(spelling), Command(partial(obey, 2), takes, unit))

    def add_number(self, header: str, number: Number, take: Callable[[float], None], give: Callable[[], float]) -> None:
        """Add a setting and the query that belongs to it, which also tells its limits."""

        def answer(limit: float | None) -> str:
            value = give() if limit is None else limit
            return integer(value) if number.whole else real(value, SETTING_DIGITS)

        self.add(header, take, number)
        self.add(f"{header}?", answer, LimitWord(number))

    def add_boolean(self, header: str, take: Callable[[bool], None], give: Callable[[], bool]) -> None:
        """Add a switch and the query that belongs to it."""
        self.add(header, take, Boolean())
        self.add(f"{header}?", lambda: integer(give()))

    def add_word(
        self, header: str, choices: dict[str, str], take: Callable[[str], None], give: Callable[[], str]
    ) -> None:
        """Add a choice among words and the query that belongs to it."""
        self.add(header, take, Word(choices))
        self.add(f"{header}?", give)

    @abstractmethod
    def reset(self) -> None:
        """Bring the instrument's own settings to where ``*RST`` has them."""

    @abstractmethod
    def refresh(self) -> None:
        """Bring the condition registers up to date with what is going on at this moment."""

    def wait(self) -> None:
        """Let time pass until whatever goes on is over."""
        self.clock.sleep(self.busy_until_s - self.clock.now())
        self._settle_status()

    def _respond(self, message: str) -> str | None:
        answers: list[str] = []
        path: tuple[str, ...] = ()
        indefinite = False
        for unit in units(message):
            self._settle_status()
            self._answering = bool(answers)
            try:
                if isinstance(unit, ScpiError):
                    raise unit
                known = self.selected, path, unit.text
                order = self._orders.get(known)
                if order is None:
                    words = unit.words if unit.common or unit.absolute else (*path, *unit.words)
                    command = self.find(words, query=unit.query)
                    path = path if unit.common else words[:-1]
                else:
                    command, path = order.command, order.path
                if indefinite and unit.query:
                    raise ScpiError(-440, unit.text)
                if order is None:
                    order = self._remembered(known, Order(command, _values(command, unit), path))
                answer = self._obey(command, order.values)
            except ScpiError as error:
                self.status.report(Entry(error.code, _printable(error.detail)))
                if self.personality.drops_rest:
                    return None
                continue
            if answer is not None:
                answers.append(answer)
                indefinite = command.indefinite
        return ";".join(answers) if answers else None

    def _remembered(self, known: tuple[int, tuple[str, ...], str], order: Order) -> Order:
        if len(self._orders) >= MOST_KNOWN:
            self._orders.clear()
        self._orders[known] = order
        return order

    def _obey(self, command: Command, values: tuple[Value, ...]) -> str | None:
        answer = command.obey(*values)
        if answer is None or not command.unit:
            return answer
        answer = self._as_ailing(id(command), answer)
        if not self.personality.units:
            return answer
        return ",".join(f"{number} {command.unit}" for number in answer.split(","))

    def _as_ailing(self, command: int, reading: str) -> str:
        """A reading as an ailing instrument gives it: that of the last time, or none for an overload."""
        before = self._answered.get(command, reading)
        self._answered[command] = reading
        if not self.ails:
            return reading
        if Kind.STALE in self.ails:
            return before
        if Kind.OVERLOAD in self.ails:
            return ",".join(real(INFINITY, SETTING_DIGITS) for _ in reading.split(","))
        return reading

    def _settle_status(self) -> None:
        self.refresh()
        if self._completion_wanted and self.clock.now() >= self.busy_until_s:
            self._completion_wanted = False
            self.status.standard_event |= StandardEvent.OPERATION_COMPLETE

    def _add_common(self) -> None:
        status = self.status
        self.add("*IDN?", lambda: self._identity, indefinite=True)
        self.add("*RST", self._reset)
        self.add("*CLS", self._clear)
        self.add("*ESE", lambda value: status.take_standard_enable(int(value)), BYTE)
        self.add("*ESE?", lambda: integer(status.standard_enable))
        self.add("*ESR?", lambda: integer(status.take_standard_event()))
        self.add("*SRE", lambda value: status.take_service_enable(int(value)), BYTE)
        self.add("*SRE?", lambda: integer(status.service_enable))
        self.add("*STB?", lambda: integer(status.byte(message_available=self._answering)))
        self.add("*OPC", self._want_completion)
        self.add("*OPC?", self._answer_completion)
        self.add("*WAI", self.wait)
        self.add("*TST?", lambda: "0")

    def _add_system(self) -> None:
        errors = self.status.errors
        for header in ("SYSTem:ERRor[:NEXT]?", "STATus:QUEue[:NEXT]?"):
            self.add(header, self._answer_error)
        self.add("SYSTem:ERRor:ALL?", lambda: ",".join(str(entry) for entry in errors.take_all()))
        self.add("SYSTem:ERRor:COUNt?", lambda: integer(len(errors)))
        self.add("SYSTem:ERRor:CODE[:NEXT]?", lambda: integer(errors.take().code))
        self.add("SYSTem:ERRor:CODE:ALL?", lambda: ",".join(integer(entry.code) for entry in errors.take_all()))
        self.add("SYSTem:VERSion?", lambda: SCPI_VERSION)
        self.add("STATus:PRESet", self._preset)

    def _answer_error(self) -> str | None:
        match self.personality.errors:
            case Errors.UNANSWERED:
                return None
            case Errors.EMPTY:
                return str(Entry(0))
            case Errors.NUMBER:
                return integer(self.status.errors.take().code)
            case Errors.UNQUOTED:
                return str(self.status.errors.take()).replace('"', "").replace(",", ", ")
            case _:
                return str(self.status.errors.take())

    def _add_register(self, header: str, register: EventRegister) -> None:
        self.add(f"{header}[:EVENt]?", lambda: integer(register.take_event()))
        self.add(f"{header}:CONDition?", lambda: integer(register.condition))
        self._add_mask(f"{header}:ENABle", register.take_enable, lambda: register.enable)
        self._add_mask(f"{header}:PTRansition", register.take_positive_transition, lambda: register.positive_transition)
        self._add_mask(f"{header}:NTRansition", register.take_negative_transition, lambda: register.negative_transition)

    def _add_mask(self, header: str, take: Callable[[int], None], give: Callable[[], int]) -> None:
        self.add(header, lambda value: take(int(value)), SIXTEEN_BITS)
        self.add(f"{header}?", lambda: integer(give()))

    def _reset(self) -> None:
        self._completion_wanted = False
        self.busy_until_s = float("-inf")
        self.reset()

    def _clear(self) -> None:
        self._completion_wanted = False
        self.status.clear()

    def _preset(self) -> None:
        self.status.operation.preset()
        self.status.questionable.preset()

    def _want_completion(self) -> None:
        self._completion_wanted = True
        self._settle_status()

    def _answer_completion(self) -> str:
        self.wait()
        return "1"


def _values(command: Command, unit: Unit) -> tuple[Value, ...]:
    """What a command is called with.

    :raises ScpiError: the unit's data are not what the command takes.
    """
    if command.listed:
        channel, elements = channel_of(unit.elements)
        return (channel, *read_all(command.takes, elements))
    return tuple(read_all(command.takes, unit.elements))


def _printable(detail: str) -> str:
    """Detail fit for a quoted string of printable ASCII."""
    return "".join(character if " " <= character <= "~" else "?" for character in detail)[:LONGEST_DETAIL]
