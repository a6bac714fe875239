"""One conversation with one instrument, kept in step.

Every exchange is one message out and one message back. A setting takes its error check along::

    SOUR:VOLT 1.5;:SYST:ERR?;*ESE 17;*ESE?      →  0,"No error";17

and a question carries a token, a register written before it and read back after it, so that the answer proves
which question it belongs to::

    *ESE 18;:MEAS:VOLT?;*ESE?                   →  +1.500E+00;18

To an instrument that takes one unit a message only, the same units go one by one, without a token.

After a timeout, a wrong token, surplus bytes or an interrupted exchange the link is brought in step again
before anything more is believed: links over a network are closed and opened anew, and on every kind of link
all that arrives is discarded until a fresh token comes back.
"""

from __future__ import annotations

import contextlib
from collections.abc import Callable
from functools import partial
from typing import NoReturn, Self, TypeVar

from drivers.clock import Clock, RealClock
from drivers.dialect import ErrorForm, LinkDialect, joined
from drivers.error_forms import error_reader
from drivers.errors import (
    AnswerLate,
    ErrorEntry,
    InstrumentError,
    LinkLost,
    LinkRefused,
    ReplyError,
    Unreadable,
    WrongIdentity,
    quoted,
)
from drivers.exchange import Exchange, Observer
from drivers.link import Link, LinkKind, SerialOptions, named, open_link, open_link_by
from drivers.scpi import Identity, count_queries, parse_identity, split_units
from drivers.tokens import Tokens

T = TypeVar("T")

_LONGEST_QUEUE = 64


class Session:
    """An open link to an instrument that has told who it is, for one thread at a time.

    Open one with :meth:`open`; close it, or use ``with``. ``identity`` is who answers, ``messages`` counts
    exchanges, ``resynchronisations`` how often the link had to be brought in step, and ``mishaps`` says in a sentence
    each what was repeated (:mod:`drivers.repeating`).
    """

    identity: Identity

    def __init__(
        self,
        connect: Callable[[], Link],
        *,
        role: str,
        timeout_s: float,
        termination: str,
        dialect: LinkDialect,
        observer: Observer | None,
        clock: Clock,
    ) -> None:
        self._connect = connect
        self._link = connect()
        self.role = role
        self.resource = self._link.resource
        self.timeout_s = timeout_s
        self.messages = 0
        self.resynchronisations = 0
        self.mishaps: list[str] = []
        self.termination = termination
        self._dialect = dialect
        self._observer = observer
        self._clock = clock
        self._lost = ""
        self._unfinished = False
        self._tokens = Tokens(dialect)
        self._error_query = dialect.error_query
        self._read_identity = partial(parse_identity, fields=dialect.identity_fields)
        self._entry = error_reader(dialect.error_form)

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
        :raises LinkRefused: nobody is there, or nobody who answers ``*IDN?``.
        :raises Unreadable: who answers gives no identity, or none of an error queue after that.
        """
        session = cls(
            partial(open_link, named(role, resource), resource, timeout_s, termination, serial or SerialOptions()),
            role=role,
            timeout_s=timeout_s,
            termination=termination,
            dialect=link if link is not None else LinkDialect(),
            observer=observer,
            clock=clock if clock is not None else RealClock(),
        )
        with contextlib.ExitStack() as unless_opened:
            unless_opened.callback(session._link.abandon)
            session.identity = session._understood(session._read_identity, session._introduction())
            if session._dialect.clear:
                session.command(session._dialect.clear)
            unless_opened.pop_all()
        return session

    @property
    def name(self) -> str:
        """Role and resource, as they begin a sentence."""
        return named(self.role, self.resource)

    @property
    def reports_errors(self) -> bool:
        """Whether the instrument says so when it refuses a setting."""
        return bool(self._error_query)

    @property
    def tells_power_on(self) -> bool:
        """Whether its standard event register can be asked for the power-on bit."""
        return self.reports_errors and self._dialect.error_form is not ErrorForm.REGISTER

    @property
    def clock(self) -> Clock:
        """The clock that times the exchanges."""
        return self._clock

    def command(self, text: str) -> None:
        """Send one setting, as one message, and see that the instrument took it.

        :param text: program message units without queries, for example ``"SOUR:VOLT 1.5"``.
        :raises InstrumentError: it did not; its whole error queue is in ``entries`` and its own words are
            quoted.
        :raises AnswerLate, LinkLost: the link failed; the setting may have been taken.
        :raises Unreadable: the answer is not an entry of an error queue.
        """
        self._require_step()
        answer = self._joined(text) if self._dialect.joins else self._one_by_one(text)
        if not self._error_query:
            return
        first = self._understood(self._entry, answer)
        if first.code:
            self._raise_refused(text, (first, *self._queue()))

    def errors(self) -> tuple[ErrorEntry, ...]:
        """Empty the error queue and return its entries, oldest first.

        :raises LinkLost: the link is gone.
        """
        self._require_step()
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
        self._require_step()
        allowed_s = self.timeout_s if timeout_s is None else timeout_s
        if self._dialect.joins:
            answer = self._proven(self._exchange(query, self._tokens.around(query), allowed_s), query)
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
        return self._understood(parse, self.ask(query, timeout_s=timeout_s))

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
        self._link.abandon()
        self._lost = "it could not be opened again"
        self._link = self._connect()
        self._require_same(self._introduction())
        self._lost = ""

    def close(self) -> None:
        """Close the link; a second time does nothing."""
        self._link.close()
        self._lost = self._lost or "it is closed"

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *_exception: object) -> None:
        self.close()

    def _joined(self, text: str) -> str:
        """Send a setting with its error check in one message; return the answer to the check."""
        message = self._tokens.after(joined(text, self._error_query))
        # without error queue and token there is nothing to wait for
        timeout_s = None if message == text else self.timeout_s
        return self._proven(self._exchange(text, message, timeout_s), text)

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
            return self._converse(message, timeout_s)
        except TimeoutError:
            self._raise_late(text, timeout_s)
        except ConnectionError as error:
            self._raise_lost(error)

    def _converse(self, message: str, timeout_s: float | None) -> str:
        """Send and receive.

        :raises TimeoutError, ConnectionError: see :class:`Link`; the exchange then counts as unfinished.
        """
        begun_s = self._clock.now()
        self._unfinished = True
        try:
            self._link.write(message)
            reply = "" if timeout_s is None else self._link.read(timeout_s)
        except OSError as error:
            self._show(message, "", begun_s, str(error))
            raise
        self._unfinished = False
        self.messages += 1
        self._show(message, reply, begun_s)
        return reply

    def _show(self, sent: str, received: str, begun_s: float, failure: str = "") -> None:
        if self._observer is not None:
            self._observer(Exchange(self.role, sent, received, begun_s, self._clock.now(), failure))

    def _proven(self, reply: str, message: str) -> str:
        """Return the reply without its token, if that is the right one.

        :raises Unreadable: it is not; the link has been brought in step.
        """
        answer = self._tokens.behind(reply)
        if answer is not None:
            return answer
        self._resynchronise()
        raise Unreadable(
            f"{self.name}: {reply[:60]!r} does not prove that it answers {message!r}; it was discarded "
            "and the link is in step again: ask again"
        )

    def _understood(self, parse: Callable[[str], T], answer: str) -> T:
        try:
            return parse(answer)
        except ReplyError as error:
            raise error.at(self.name) from error

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
        try:
            reply = self._converse(self._tokens.around(self._error_query), self.timeout_s)
            return self._entry(self._tokens.behind(reply) or "")
        except (OSError, Unreadable):
            # what is known already is worth more than why there is no more; the link is brought in step later
            self._unfinished = True
            return None

    def _raise_refused(self, text: str, entries: tuple[ErrorEntry, ...]) -> NoReturn:
        raise InstrumentError(
            f"{self.name} refused {text!r}: it says {quoted(entries)}; check its dialect in the bench file", entries
        )

    # Bringing the link in step

    def _require_step(self) -> None:
        if self._lost:
            raise LinkLost(f"{self.name} is not connected ({self._lost}): open it again")
        try:
            surplus = self._unfinished or self._link.unread()
        except ConnectionError as error:
            self._raise_lost(error)
        if surplus:
            self._resynchronise()

    def _resynchronise(self) -> None:
        """Make sure that nothing that was sent before can be taken for an answer to what is asked from now
        on.

        :raises LinkLost: that did not succeed in twice the time that an answer may take.
        :raises WrongIdentity: another instrument answers now.
        """
        self.resynchronisations += 1
        self._unfinished = True
        # The other end lives in its own time, whatever clock the session reports with.
        deadline_s = self._link.clock.now() + 2 * self.timeout_s
        try:
            identity = self._step_anew(deadline_s)
        except OSError as error:
            self._raise_lost(error)
        except LinkRefused as error:
            self._raise_lost(error, "it cannot be opened again")
        self._require_same(identity)

    def _step_anew(self, deadline_s: float) -> str:
        if self._link.kind in {LinkKind.SERIAL, LinkKind.BUS}:
            self._link.clear()
        else:
            self._link.abandon()
            self._link = open_link_by(deadline_s, self._connect, self._link.clock)
        # opening may have taken all the time there was: whoever opens is owed one question
        return self._identify(max(deadline_s, self._link.clock.now() + self.timeout_s))

    def _introduction(self) -> str:
        try:
            return self._identify(self._link.clock.now() + 2 * self.timeout_s)
        except OSError as error:
            self._link.abandon()
            raise LinkRefused(
                f"{self.name}: nobody answers {self._dialect.identity} there ({error}): check that the "
                "instrument is on and remote control enabled, and address and line ending in the bench file"
            ) from error

    def _identify(self, deadline_s: float) -> str:
        """Ask for the identity until an answer comes that belongs to this very question; discard all others.

        :raises TimeoutError, ConnectionError: none came.
        """
        while (now_s := self._link.clock.now()) < deadline_s:
            message, begun_s = self._tokens.identity(), self._clock.now()
            self._link.write(message)
            # only a token tells the answers to two attempts apart: without one there is a single long attempt
            attempt_s = min(deadline_s, now_s + self.timeout_s) if self._tokens.known else deadline_s
            identity = self._identity_by(attempt_s, message, begun_s)
            if identity is not None:
                self._unfinished = False
                return identity
        raise TimeoutError(f"no answer within {2 * self.timeout_s:g} s")

    def _identity_by(self, deadline_s: float, message: str, begun_s: float) -> str | None:
        """Read until an identity comes that is the answer to the last question; ``None`` when time is up."""
        while (left_s := deadline_s - self._link.clock.now()) > 0:
            try:
                reply = self._link.read(left_s)
            except TimeoutError as error:
                self._show(message, "", begun_s, str(error))
                break
            self._show(message, reply, begun_s)
            message = ""
            identity = self._tokens.ahead(reply)
            if identity is not None and (self._tokens.known or self._is_identity(identity)):
                return identity
        return None

    def _is_identity(self, text: str) -> bool:
        with contextlib.suppress(Unreadable):
            return bool(self._read_identity(text))
        return False

    def _require_same(self, identity: str) -> None:
        """Mark the link as lost when another instrument answers than the one that was opened."""
        found = self._understood(self._read_identity, identity)
        if found != self.identity:
            self._link.abandon()
            self._lost = "another instrument answers"
            raise WrongIdentity(f"{self.name} is now {found}, and was {self.identity}: check what has this address")

    def _raise_late(self, text: str, timeout_s: float | None) -> NoReturn:
        self._resynchronise()
        entries = self._queue()
        # -4xx (SCPI-1999 volume 2, 21.8.12) is the instrument's word for the interruption itself
        if any(not -500 < entry.code <= -400 for entry in entries):
            self._raise_refused(text, entries)
        raise AnswerLate(
            f"{self.name} did not answer {text!r} within {timeout_s or self.timeout_s:g} s; its answer "
            "is discarded if it still comes: ask again, or allow more time in the bench file"
        )

    def _raise_lost(self, error: Exception, reason: str = "") -> NoReturn:
        self._link.abandon()
        self._lost = reason or str(error)
        raise LinkLost(f"{self.name} is lost ({self._lost}): check its cable and power, then open it again") from error
