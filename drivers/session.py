"""One conversation with one instrument: what one role asks and sets.

Every exchange is one message out and one message back. A setting takes its error check along::

    SOUR:VOLT 1.5;:SYST:ERR?;*ESE 17;*ESE?      →  0,"No error";17

and a question carries a token, a register written before it and read back after it, so that the answer proves
which question it belongs to::

    *ESE 18;:MEAS:VOLT?;*ESE?                   →  +1.500E+00;18

To an instrument that takes one unit a message only, the same units go one by one, without a token. How the link
stays in step is told in :mod:`drivers.wire`.
"""

from __future__ import annotations

import contextlib
from collections.abc import Callable
from functools import partial
from typing import NoReturn, Self, TypeVar

from drivers.clock import Clock, RealClock
from drivers.dialect import ErrorForm, LinkDialect, joined
from drivers.error_forms import error_reader
from drivers.errors import AnswerLate, ErrorEntry, InstrumentError, LinkLost, Unreadable, quoted
from drivers.exchange import Observer
from drivers.link import SerialOptions, named, open_link
from drivers.scpi import Identity, count_queries, split_units
from drivers.wire import Conduct, Wire

T = TypeVar("T")

_LONGEST_QUEUE = 64


class Session:
    """What one role says to its instrument, which has told who it is; for one thread at a time.

    Open one with :meth:`open`, or with :meth:`shared` where another role has the instrument already; close it, or
    use ``with``.
    """

    def __init__(self, wire: Wire, role: str, timeout_s: float) -> None:
        self._wire = wire
        self.role = role
        self.timeout_s = timeout_s
        self._closed = False
        self._select = ""
        self._dialect = wire.conduct.dialect
        self._error_query = self._dialect.error_query
        self._entry = error_reader(self._dialect.error_form)

    @classmethod
    def open(
        cls,
        resource: str,
        *,
        role: str,
        timeout_s: float = 3.0,
        termination: str = "\n",
        link: LinkDialect | None = None,
        serial: SerialOptions | None = None,
        observer: Observer | None = None,
        clock: Clock | None = None,
    ) -> Self:
        """Open a link, learn who answers, and clear the instrument's status.

        :param resource: VISA resource string, or that of an instrument inside this process.
        :param role: what the instrument is on this bench, for messages (``"source"``, ``"meter"``,
            ``"counter"``).
        :param timeout_s: how long an answer may take, and twice as long for bringing the link in step.
        :param termination: ends every message in both directions; at least one character.
        :param link: how the instrument spells error queue and token; SCPI-1999 by default.
        :param serial: settings of a serial line.
        :param observer: is shown every exchange after it is over.
        :param clock: times the exchanges for the observer; real time by default.
        :raises LinkRefused: nobody is there, or nobody who answers ``*IDN?`` with an identity.
        :raises Unreadable: who answers gives no identity, or none of an error queue after that.
        """
        connect = partial(open_link, named(role, resource), resource, timeout_s, termination, serial or SerialOptions())
        dialect = link if link is not None else LinkDialect()
        conduct = Conduct(timeout_s, termination, dialect, observer, clock if clock is not None else RealClock())
        wire = Wire(connect, role, conduct)
        with contextlib.ExitStack() as unless_opened:
            unless_opened.callback(wire.abandon)
            wire.introduce()
            session = cls(wire, role, timeout_s)
            if dialect.clear:
                session.command(dialect.clear)
            unless_opened.pop_all()
        return session

    def shared(self, role: str, timeout_s: float | None = None) -> Session:
        """Let another role speak to the same instrument over the same link, which closes when the last of them does.

        :param timeout_s: how long an answer to it may take; as here when ``None``.
        """
        self._wire.users += 1
        return Session(self._wire, role, self.timeout_s if timeout_s is None else timeout_s)

    @property
    def name(self) -> str:
        """Role and resource, as they begin a sentence."""
        return named(self.role, self.resource)

    @property
    def resource(self) -> str:
        """Resource string of the link."""
        return self._wire.resource

    @property
    def identity(self) -> Identity:
        """Who answers."""
        return self._wire.identity

    @property
    def termination(self) -> str:
        """What ends every message."""
        return self._wire.conduct.termination

    @property
    def messages(self) -> int:
        """Exchanges over the link so far, of all its roles."""
        return self._wire.messages

    @property
    def resynchronisations(self) -> int:
        """How often the link had to be brought in step."""
        return self._wire.resynchronisations

    @property
    def reports_errors(self) -> bool:
        """Whether the instrument says so when it refuses a setting."""
        return bool(self._error_query)

    @property
    def mishaps(self) -> list[str]:
        """What went wrong on the link and was made good, one sentence each; whoever has told them removes them."""
        return self._wire.mishaps

    @property
    def tells_power_on(self) -> bool:
        """Whether its standard event register can be asked for the power-on bit."""
        return self.reports_errors and self._dialect.error_form is not ErrorForm.REGISTER

    @property
    def clock(self) -> Clock:
        """The clock that times the exchanges."""
        return self._wire.conduct.clock

    @property
    def joins(self) -> bool:
        """Whether several units travel in one message."""
        return self._dialect.joins

    @property
    def link_dialect(self) -> LinkDialect:
        """How the instrument spells what every message rests on."""
        return self._wire.conduct.dialect

    def shares_with(self, other: Session) -> bool:
        """Whether another role speaks to the same instrument over the same link."""
        return other is not self and other._wire is self._wire

    def selects_by(self, select: str) -> None:
        """Choose the instrument behind the link by this command whenever another role has spoken; never when empty."""
        self._select = select

    def remote_by(self, command: str) -> None:
        """Put the instrument under remote control by this command, whenever the link is opened anew."""
        self._wire.remote_by(command)

    def claim(self) -> bool:
        """Take the instrument's function for this role.

        :return: whether another role had it meanwhile, so that nothing that was set before can be relied on.
        """
        holder, self._wire.holder = self._wire.holder, self
        return holder is not self and self._wire.users > 1

    def command(self, text: str) -> None:
        """Send one setting, as one message, and see that the instrument took it.

        :param text: program message units without queries, for example ``"SOUR:VOLT 1.5"``.
        :raises InstrumentError: it did not; its whole error queue is in ``entries`` and its own words are
            quoted.
        :raises AnswerLate, LinkLost: the link failed; the setting may have been taken.
        :raises Unreadable: the answer is not an entry of an error queue.
        """
        text = self._addressed(text)
        answer = self._joined(text) if self._dialect.joins else self._one_by_one(text)
        if not self._error_query:
            return
        first = self._wire.understood(self._entry, answer)
        if first.code:
            self._raise_refused(text, (first, *self._queue()))

    def errors(self) -> tuple[ErrorEntry, ...]:
        """Empty the error queue and return its entries, oldest first.

        :raises LinkLost: the link is gone.
        """
        self._speak()
        return self._queue()

    def ask(self, query: str, *, timeout_s: float | None = None) -> str:
        """Ask one question, as one message, and return the answer that is proven to be its own.

        :param query: one query, for example ``"MEAS:VOLT?"``, or several with ``;`` between (their answers
            come so too).
        :param timeout_s: how long this answer may take; the session's own by default.
        :raises InstrumentError: the instrument refused the question; its own words are quoted.
        :raises AnswerLate: no answer in time; the link is in step again.
        :raises LinkLost: the link is gone.
        :raises Unreadable: the answer does not prove that it belongs to the question; the link is in step
            again.
        """
        query = self._addressed(query)
        allowed_s = self.timeout_s if timeout_s is None else timeout_s
        if self._dialect.joins:
            answer = self._wire.proven(self._exchange(query, self._wire.tokens.around(query), allowed_s), query)
        else:
            answer = self._answers_one_by_one(query, allowed_s)
        if answer and (";" not in query + answer or len(split_units(answer)) == count_queries(query)):
            return answer
        entries = self._queue()
        if entries:
            self._raise_refused(query, entries)
        raise Unreadable(f"{self.name} answered {query!r} with {answer[:60]!r}: one answer a question is needed")

    def value(self, query: str, parse: Callable[[str], T], *, timeout_s: float | None = None) -> T:
        """Ask one question and read the answer with ``parse``, whose errors then name role and resource.

        :raises ReplyError: from ``parse``, besides what :meth:`ask` raises.
        """
        return self._wire.understood(parse, self.ask(query, timeout_s=timeout_s))

    def values(
        self,
        query: str,
        parse: Callable[[str], tuple[float, ...]],
        count: int,
        *,
        timeout_s: float | None = None,
    ) -> tuple[float, ...]:
        """Ask one question whose answer is ``count`` numbers; raises as :meth:`value` does.

        :raises Unreadable: there are more or fewer.
        """
        numbers = self.value(query, parse, timeout_s=timeout_s)
        if len(numbers) != count:
            raise Unreadable(f"{self.name} answered {query!r} with {len(numbers)} readings instead of {count}")
        return numbers

    def reopen(self) -> None:
        """Close the link and open it anew; the same instrument must answer.

        :raises LinkRefused: it cannot be opened, or nobody answers.
        :raises WrongIdentity: another instrument answers.
        """
        self._wire.speaker = self.role
        if self._closed:
            self._closed = False
            self._wire.users += 1
        self._wire.reopen()

    def close(self) -> None:
        """Leave the link, which closes with the last role on it; a second time does nothing."""
        if not self._closed:
            self._closed = True
            self._wire.release()

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *_exception: object) -> None:
        self.close()

    def _speak(self) -> None:
        """Speak from here on, over a link that is in step."""
        self._wire.speaker = self.role
        if self._closed:
            raise LinkLost(f"{self.name} is not connected (it is closed): open it again")
        self._wire.require_step()

    def _addressed(self, text: str) -> str:
        """Speak from here on, to the right one of the instruments behind the link."""
        self._speak()
        before, self._wire.addressed = self._wire.addressed, self._select
        return text if not self._select or before == self._select else joined(self._select, text)

    def _joined(self, text: str) -> str:
        """Send a setting with its error check in one message; return the answer to the check."""
        message = self._wire.tokens.after(joined(text, self._error_query))
        # without error queue and token there is nothing to wait for
        timeout_s = None if message == text else self.timeout_s
        return self._wire.proven(self._exchange(text, message, timeout_s), text)

    def _one_by_one(self, text: str) -> str:
        """Send each unit of a setting as a message of its own, then the error check; return its answer."""
        for unit in split_units(text):
            self._exchange(text, unit, None)
        return self._exchange(text, self._error_query, self.timeout_s) if self._error_query else ""

    def _answers_one_by_one(self, query: str, timeout_s: float) -> str:
        """Send each unit of a question as a message of its own; return the answers joined."""
        answers: list[str] = []
        for unit in split_units(query):
            reply = self._exchange(query, unit, timeout_s if count_queries(unit) else None)
            answers += [reply] if reply else []
        return ";".join(answers)

    def _exchange(self, text: str, message: str, timeout_s: float | None) -> str:
        """Send and receive on a link that is in step, and leave it in step or marked as lost.

        :param text: what the message is about, for errors.
        :param timeout_s: how long the answer may take; ``None`` when there will be none.
        """
        try:
            return self._wire.converse(message, timeout_s)
        except TimeoutError:
            self._raise_late(text, timeout_s)
        except ConnectionError as error:
            self._wire.raise_lost(error)

    # What the instrument complains about

    def _queue(self) -> tuple[ErrorEntry, ...]:
        """Empty the error queue, as far as the link lets it and up to a length that only a broken one has."""
        entries: list[ErrorEntry] = []
        while self._error_query and len(entries) < _LONGEST_QUEUE:
            entry = self._next_in_queue()
            if entry is None or not entry.code:
                break
            entries.append(entry)
        return tuple(entries)

    def _next_in_queue(self) -> ErrorEntry | None:
        tokens = self._wire.tokens
        try:
            reply = self._wire.converse(tokens.around(self._error_query), self.timeout_s)
            return self._entry(tokens.behind(reply) or "")
        except (OSError, Unreadable):
            # what is known already is worth more than why there is no more; the link is brought in step later
            self._wire.doubt()
            return None

    def _raise_refused(self, text: str, entries: tuple[ErrorEntry, ...]) -> NoReturn:
        self._wire.addressed = ""
        raise InstrumentError(
            f"{self.name} refused {text!r}: it says {quoted(entries)}; ask it with rig bench check", entries
        )

    def _raise_late(self, text: str, timeout_s: float | None) -> NoReturn:
        self._wire.resynchronise()
        entries = self._queue()
        # -4xx (SCPI-1999 volume 2, 21.8.12) is the instrument's word for the interruption itself
        if any(not -500 < entry.code <= -400 for entry in entries):
            self._raise_refused(text, entries)
        raise AnswerLate(
            f"{self.name} did not answer {text!r} within {timeout_s or self.timeout_s:g} s; its answer "
            "is discarded if it still comes: ask again, or allow more time in the bench file"
        )
