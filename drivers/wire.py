"""One link to one instrument, kept in step: what was asked before is never answered later.

After a timeout, a wrong token, surplus bytes or an interrupted exchange the link is brought in step again
before anything more is believed: links over a network are closed and opened anew, and on every kind of link
all that arrives is discarded until a fresh token comes back.

Several roles may speak over one wire, one at a time, when one instrument fills them.
"""

from __future__ import annotations

import contextlib
from collections.abc import Callable
from dataclasses import dataclass, replace
from functools import partial
from typing import NoReturn, TypeVar

from drivers.clock import Clock
from drivers.dialect import LinkDialect
from drivers.errors import LinkLost, LinkRefused, ReplyError, Unreadable, WrongIdentity
from drivers.exchange import Exchange, Observer
from drivers.link import BETWEEN_ATTEMPTS_S, Link, LinkKind, named, open_by
from drivers.scpi import Identity, parse_identity
from drivers.tokens import Tokens

T = TypeVar("T")
_SHOWN = 60


@dataclass(frozen=True, slots=True)
class Conduct:
    """How a wire is run.

    :param timeout_s: how long an ordinary answer may take, and twice as long for bringing the link in step.
    :param observer: is shown every exchange after it is over, with times of ``clock``.
    """

    timeout_s: float
    termination: str
    dialect: LinkDialect
    observer: Observer | None
    clock: Clock


class Wire:
    """A link that is in step, or known to be out of it.

    ``speaker`` is the role on whose behalf something is said, for messages about it. ``messages`` counts exchanges,
    ``resynchronisations`` how often the link had to be brought in step. ``holder`` is whoever set the instrument's
    function last, where several roles share it, and ``addressed`` the command that chose the one spoken to last.
    ``mishaps`` says in a sentence each what went wrong and was made good.
    """

    identity: Identity

    def __init__(self, connect: Callable[[], Link], role: str, conduct: Conduct) -> None:
        self._connect = connect
        self._link = connect()
        self._conduct = conduct
        self._lost = ""
        self._unfinished = False
        self._heard = ""
        self._read_identity = partial(parse_identity, fields=conduct.dialect.identity_fields)
        self.tokens = Tokens(conduct.dialect)
        self.resource = self._link.resource
        self.speaker = role
        self.users = 1
        self.messages = 0
        self.resynchronisations = 0
        self.mishaps: list[str] = []
        self.holder: object | None = None
        self.addressed = ""

    @property
    def name(self) -> str:
        """Speaker and resource, as they begin a sentence."""
        return named(self.speaker, self.resource)

    @property
    def conduct(self) -> Conduct:
        """How it is run."""
        return self._conduct

    def remote_by(self, command: str) -> None:
        """Say this first from here on, whenever the link is opened or brought in step."""
        self._conduct = replace(self._conduct, dialect=replace(self._conduct.dialect, remote=command))

    def introduce(self) -> None:
        """Learn who answers.

        :raises LinkRefused: nobody does.
        :raises Unreadable: who answers gives no identity.
        """
        self.identity = self.understood(self._read_identity, self._introduction())

    def converse(self, message: str, timeout_s: float | None) -> str:
        """Send one message and receive its answer.

        :param timeout_s: how long the answer may take; ``None`` when there will be none.
        :raises TimeoutError, ConnectionError: see :class:`Link`; the exchange then counts as unfinished.
        """
        begun_s = self._conduct.clock.now()
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

    def proven(self, reply: str, about: str) -> str:
        """Return the reply without its token, if that is the right one.

        :raises Unreadable: it is not; the link has been brought in step.
        """
        answer = self.tokens.behind(reply)
        if answer is not None:
            return answer
        self.resynchronise()
        raise Unreadable(
            f"{self.name}: {reply[:_SHOWN]!r} does not prove that it answers {about!r}; it was discarded "
            "and the link is in step again: ask again"
        )

    def understood(self, parse: Callable[[str], T], answer: str) -> T:
        """Read an answer; what ``parse`` raises then names speaker and resource."""
        try:
            return parse(answer)
        except ReplyError as error:
            raise error.at(self.name) from error

    def doubt(self) -> None:
        """Have the link brought in step before it is used again."""
        self._unfinished = True

    def require_step(self) -> None:
        """Bring the link in step where it is not.

        :raises LinkLost: it is gone, or stays out of step.
        """
        if self._lost:
            raise LinkLost(f"{self.name} is not connected ({self._lost}): open it again")
        try:
            surplus = self._unfinished or self._link.unread()
        except ConnectionError as error:
            self.raise_lost(error)
        if surplus:
            self.resynchronise()
            self.mishaps.append(
                f"{self.name} sent what nobody had asked for: it was discarded, and the link is in step again."
            )

    def resynchronise(self) -> None:
        """Make sure that nothing that was sent before can be taken for an answer to what is asked from now on.

        :raises LinkLost: that did not succeed in twice the time that an answer may take.
        :raises WrongIdentity: another instrument answers now.
        """
        self.resynchronisations += 1
        self._unfinished = True
        self.addressed = ""
        # The other end lives in its own time, whatever clock the session reports with.
        deadline_s = self._link.clock.now() + 2 * self._conduct.timeout_s
        try:
            identity = self._step_anew(deadline_s)
        except OSError as error:
            self.raise_lost(error)
        except LinkRefused as error:
            self.raise_lost(error, "it cannot be opened again")
        self._require_same(identity)

    def reopen(self) -> None:
        """Close the link and open it anew; the same instrument must answer.

        :raises LinkRefused: it cannot be opened, or nobody answers.
        :raises WrongIdentity: another instrument answers.
        """
        self._link.abandon()
        self._lost = "it could not be opened again"
        self.holder, self.addressed = None, ""
        self._link = self._connect()
        self._require_same(self._introduction())
        self._lost = ""

    def release(self) -> None:
        """One role less speaks over the wire; the last one closes it."""
        self.users -= 1
        if self.users <= 0:
            self._link.close()
            self._lost = self._lost or "it is closed"

    def abandon(self) -> None:
        """Drop the link without a word to the other end."""
        self._link.abandon()

    def raise_lost(self, error: Exception, reason: str = "") -> NoReturn:
        """Give the link up.

        :raises LinkLost: always.
        """
        self._link.abandon()
        self._lost = reason or str(error)
        raise LinkLost(f"{self.name} is lost ({self._lost}): check its cable and power, then open it again") from error

    def _step_anew(self, deadline_s: float) -> str:
        if self._link.kind in {LinkKind.SERIAL, LinkKind.BUS}:
            self._link.clear()
            return self._identify(deadline_s)
        while True:
            self._link.abandon()
            self._link = open_by(deadline_s, self._connect, self._link.clock)
            try:
                # opening may have taken all the time there was: whoever opens is owed one question
                return self._identify(max(deadline_s, self._link.clock.now() + self._conduct.timeout_s))
            except ConnectionError:
                # who serves one caller at a time may let the next one in and hang up, until he sees the last one gone
                if self._link.clock.now() > deadline_s:
                    raise
            self._link.clock.sleep(BETWEEN_ATTEMPTS_S)

    def _introduction(self) -> str:
        query = self._conduct.dialect.identity
        try:
            return self._identify(self._link.clock.now() + 2 * self._conduct.timeout_s)
        except ConnectionError as error:
            self._link.abandon()
            raise LinkRefused(
                f"{self.name} hangs up when it is asked {query} ({error}): see whether another program holds it, "
                "whether its remote control is enabled, and whether the address in the bench file is its own"
            ) from error
        except TimeoutError as error:
            self._link.abandon()
            if self._heard:
                raise LinkRefused(
                    f"{self.name} answers {query} with {self._heard[:_SHOWN]!r}, which is no identity: check what is "
                    "connected there, and line ending and line settings in the bench file"
                ) from error
            raise LinkRefused(
                f"{self.name}: nobody answers {query} there ({error}): check that the "
                "instrument is on and remote control enabled, and address and line ending in the bench file"
            ) from error

    def _identify(self, deadline_s: float) -> str:
        """Ask for the identity until an answer comes that belongs to this very question; discard all others.

        :raises TimeoutError, ConnectionError: none came.
        """
        self._heard = ""
        self._take_remote()
        while (now_s := self._link.clock.now()) < deadline_s:
            message, begun_s = self.tokens.identity(), self._conduct.clock.now()
            # only a token tells the answers to two attempts apart: without one there is a single long attempt
            attempt_s = min(deadline_s, now_s + self._conduct.timeout_s) if self.tokens.known else deadline_s
            try:
                self._link.write(message)
                identity = self._identity_by(attempt_s, message, begun_s)
            except OSError as error:
                self._show(message, "", begun_s, str(error))
                raise
            if identity is not None:
                self._unfinished = False
                return identity
        raise TimeoutError(f"no answer within {2 * self._conduct.timeout_s:g} s")

    def _take_remote(self) -> None:
        """Put the instrument under remote control, where it has a word for that: many fall back when a link closes."""
        remote, begun_s = self._conduct.dialect.remote, self._conduct.clock.now()
        if remote:
            self._link.write(remote)
            self._show(remote, "", begun_s)

    def _identity_by(self, deadline_s: float, message: str, begun_s: float) -> str | None:
        """Read until an identity comes that is the answer to the last question; ``None`` when time is up."""
        while (left_s := deadline_s - self._link.clock.now()) > 0:
            try:
                reply = self._link.read(left_s)
            except TimeoutError as error:
                self._show(message, "", begun_s, str(error))
                break
            self._show(message, reply, begun_s)
            message, self._heard = "", reply or self._heard
            identity = self.tokens.ahead(reply)
            if identity is not None and (self.tokens.known or self._is_identity(identity)):
                return identity
        return None

    def _is_identity(self, text: str) -> bool:
        with contextlib.suppress(Unreadable):
            return bool(self._read_identity(text))
        return False

    def _require_same(self, identity: str) -> None:
        """Mark the link as lost when another instrument answers than the one that was opened."""
        found = self.understood(self._read_identity, identity)
        if found != self.identity:
            self._link.abandon()
            self._lost = "another instrument answers"
            raise WrongIdentity(f"{self.name} is now {found}, and was {self.identity}: check what has this address")

    def _show(self, sent: str, received: str, begun_s: float, failure: str = "") -> None:
        if self._conduct.observer is not None:
            now_s = self._conduct.clock.now()
            self._conduct.observer(Exchange(self.speaker, sent, received, begun_s, now_s, failure))
