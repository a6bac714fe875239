"""What every message rests on: line end, error queue, a register for tokens, and whether messages may be joined."""

from __future__ import annotations

import time
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from dataclasses import replace
from typing import TypeVar

from drivers.asking.address import Address, let_in
from drivers.asking.findings import Capability, Evidence, LinkFindings
from drivers.dialect import ErrorForm, LinkDialect
from drivers.error_forms import error_reader
from drivers.errors import AnswerLate, InstrumentError, LinkRefused, ReplyError
from drivers.link import named
from drivers.scpi import Identity, parse_nonnegative_integer, split_units
from drivers.secrets import escaped
from drivers.session import Session

T = TypeVar("T")

TERMINATIONS = ("\n", "\r\n", "\r")
NONSENSE = "NONE:SUCH"
NONSENSE_QUERY = f"{NONSENSE}?"
"""A header that no instrument has: one that reports errors has to report it."""
_COMPLETION = "*OPC?"
_BARE = LinkDialect(identity_fields=3, clear="", error_query="", token_write="", token_count=0)
_ERROR_QUERIES = ("SYST:ERR?", ":SYST:ERR?", "SYST:ERR:NEXT?", "STAT:QUE?")
_ERROR_FORMS = (ErrorForm.QUOTED, ErrorForm.UNQUOTED, ErrorForm.NUMBER)
# IEEE 488.2-1992, 11.3 and 11.4: of *SRE, bit 6 is not used, so that only 6 bits in a row are
_TOKENS = (("*ESE {token}", "*ESE?", 255), ("*SRE {token}", "*SRE?", 63))
_LEAST_PATIENCE_S = 0.05
_TIMES_SLOWER = 5.0
_MOST_TIMEOUTS = 4.0
"""How much longer than it may an instrument is waited for, to say how long it takes."""
_LONGEST_QUEUE = 64
_SHOWN = 60


def ask_link(address: Address) -> LinkFindings:
    """Find out what every message to an instrument can rest on.

    :raises LinkRefused: nobody is there, or nobody who identifies himself with any of the usual line ends; or whoever
        is there repeats what it is told, or takes longer than it may.
    :raises Unreadable: who answers has no identity of at least three fields (IEEE 488.2-1992, 10.14, wants four).
    :raises LinkError: the link failed while asking.
    """
    termination, patience_s, took_s = _line_end(address)
    _require_quick(address, termination, took_s)
    with address.open_next(_BARE, termination, patience_s) as bare:
        identity = bare.ask(_BARE.identity)
        _require_answers_alone(bare, identity)
        fields = 4 if identity.count(",") >= 3 else 3
        dialect = _with_token(bare, replace(_BARE, identity_fields=fields, clear=LinkDialect().clear))
        dialect, queue_fault = _with_errors(address, bare, dialect)
        joins = _joins(bare, dialect)
    dialect = dialect if joins else _modest(dialect)
    dialect = _proven(address, dialect, termination, patience_s)
    drops_rest = dialect.joins and _drops_rest(address, dialect, termination, patience_s)
    with address.open_next(careful(dialect, drops_rest=drops_rest), termination, patience_s) as session:
        capabilities = (*_capabilities(dialect), *_common(session))
    return LinkFindings(
        identity=session.identity,
        dialect=dialect,
        termination=termination,
        patience_s=patience_s,
        drops_rest=drops_rest,
        capabilities=capabilities,
        losses=tuple(_losses(dialect, queue_fault, joins_known=joins is not None)),
    )


def _require_answers_alone(bare: Session, identity: str) -> None:
    """Let an instrument pass that answers questions, and says nothing else.

    :param identity: what it answers to the question who it is.
    :raises LinkRefused: it repeats what it is told, or has a prompt, or confirms settings.
    """
    if identity.strip().endswith(_BARE.identity):
        raise LinkRefused(f"{bare.name} repeats what it is told: switch its echo off, and ask it again")
    prompt = _answered(bare, _COMPLETION).removesuffix("1")
    if prompt and identity.startswith(prompt):
        raise LinkRefused(
            f"{bare.name} writes the prompt {_printable(prompt.strip())!r} before its answers, as for a person at a "
            "terminal: switch its prompt off, or give the address at which it answers programs, and ask it again"
        )
    confirmed = _said_to(bare, LinkDialect().clear, identity)
    # what is said to nonsense as well is the instrument's way to complain
    if confirmed and _said_to(bare, NONSENSE, identity) != confirmed:
        raise LinkRefused(
            f"{bare.name} answers settings as well ({_printable(confirmed)!r}), so that its answers cannot be told "
            "apart: switch that off, and ask it again"
        )


def _said_to(bare: Session, command: str, identity: str) -> str:
    """What an instrument says to a command that is no question; empty where it says nothing."""
    before = bare.resynchronisations
    bare.command(command)
    try:
        said = bare.ask(_BARE.identity)
    except (AnswerLate, ReplyError):
        return ""
    if said != identity:
        # the answer to the question may still come
        let_in(bare.reopen)
        return said
    return "" if bare.resynchronisations == before else _listened_to(bare, command)


def _listened_to(bare: Session, command: str) -> str:
    """What an instrument says to a command, waited for: what it said before came too early, and was discarded."""
    try:
        return bare.ask(command)
    except (AnswerLate, ReplyError):
        return ""


def who_answers(address: Address) -> tuple[Identity, str]:
    """Return who is there, and the line end to which he answers; raises as :func:`ask_link` does."""
    termination, patience_s, _ = _line_end(address)
    with address.open_next(_BARE, termination, patience_s) as bare:
        return bare.identity, termination


def careful(dialect: LinkDialect, *, drops_rest: bool) -> LinkDialect:
    """Return the dialect in which to try spellings that may be wrong.

    An instrument that forgets the rest of a message at an error is asked one unit at a time, or each wrong spelling
    would cost the time of an answer that does not come.
    """
    return _modest(dialect) if drops_rest else dialect


def _modest(dialect: LinkDialect) -> LinkDialect:
    return replace(dialect, joins=False, token_write="", token_count=0)


def _line_end(address: Address) -> tuple[str, float, float]:
    """Return the line end to which the instrument answers, how long to wait for its answers, and how long it took."""
    others = [each for each in TERMINATIONS if each != address.termination]
    refused: LinkRefused | None = None
    for termination in [address.termination, *others]:
        try:
            session = address.open(_BARE, termination, address.timeout_s)
        except LinkRefused as error:
            refused = refused or error
            continue
        with session:
            begun_s = time.monotonic()
            session.ask(_BARE.identity, timeout_s=_MOST_TIMEOUTS * address.timeout_s)
            took_s = time.monotonic() - begun_s
        patience_s = min(address.timeout_s, max(_LEAST_PATIENCE_S, _TIMES_SLOWER * took_s, _patience(address)))
        return termination, patience_s, took_s
    raise refused or LinkRefused(f"nobody answers at {address.resource}")


def _require_quick(address: Address, termination: str, took_s: float) -> None:
    """Let an instrument pass that takes a setting and answers a question after it in the time that it may take.

    :param took_s: how long it took to answer a question; twice that is tried only where it may be too long.
    :raises LinkRefused: it takes longer: whatever would be found out about it would be wrong.
    """
    if 2.0 * took_s <= address.timeout_s:
        return
    pair_s = 2.0 * took_s
    with (
        suppress(AnswerLate, ReplyError),
        address.open_next(_BARE, termination, _MOST_TIMEOUTS * max(took_s, address.timeout_s)) as session,
    ):
        begun_s = time.monotonic()
        session.command(LinkDialect().clear)
        session.ask(_BARE.identity)
        pair_s = time.monotonic() - begun_s
    if pair_s > address.timeout_s:
        raise LinkRefused(
            f"{named(address.role, address.resource)} takes {pair_s:.1f} s for a setting and a question after it, and "
            f"may take {address.timeout_s:g} s: set timeout_s = {2.0 * pair_s:.1f} for it"
        )


def _patience(address: Address) -> float:
    """A third of the time that an answer may take: what is not known is usually not answered at all."""
    return address.timeout_s / 3.0


def _with_token(bare: Session, dialect: LinkDialect) -> LinkDialect:
    for write, read, count in _TOKENS:
        if all(_comes_back(bare, write.format(token=token), read, token) for token in (5, 9)):
            return replace(dialect, token_write=write, token_read=read, token_count=count)
    return dialect


def _comes_back(bare: Session, write: str, read: str, value: int) -> bool:
    bare.command(write)
    try:
        return bare.value(read, parse_nonnegative_integer) == value
    except (AnswerLate, ReplyError):
        return False


def _with_errors(address: Address, bare: Session, dialect: LinkDialect) -> tuple[LinkDialect, str]:
    """Return the dialect with what reports errors, and with ``*CLS`` only where that is not an error itself; and why
    an error queue that is there is not used.
    """
    tried: list[LinkDialect] = []
    fault = ""
    for query in _ERROR_QUERIES:
        answer = _answered(bare, query)
        form = _error_form(answer)
        if form is not None:
            # where it is there, and always says that nothing is wrong, another name will not change that
            tried.append(replace(dialect, error_query=query, error_form=form))
            break
        if answer and not fault and _answered(bare, NONSENSE_QUERY) != answer:
            fault = f"Its error queue gives answers of no known form ({_printable(answer)!r})"
    tried.append(replace(dialect, error_query="*ESR?", error_form=ErrorForm.REGISTER))
    for each in tried:
        for candidate in (each, replace(each, clear="")):
            if _reports(address, candidate, bare):
                return candidate, fault
        if each.error_form is not ErrorForm.REGISTER:
            fault = _fault_of_a_queue(bare, each)
    return dialect, fault


def _fault_of_a_queue(bare: Session, dialect: LinkDialect) -> str:
    """Why an error queue that answers is of no use."""
    entry = error_reader(dialect.error_form)
    for _ in range(_LONGEST_QUEUE):
        try:
            if not entry(_answered(bare, dialect.error_query)).code:
                return "Its error queue does not say what it refuses"
        except ReplyError:
            return "Its error queue is not always answered"
    return "Its error queue never empties"


def _answered(bare: Session, query: str) -> str:
    """Return the answer to a question; empty when there is none."""
    try:
        return bare.ask(query)
    except (AnswerLate, ReplyError):
        return ""


def _printable(answer: str) -> str:
    shown = escaped(answer)
    return shown if len(shown) <= _SHOWN else f"{shown[:_SHOWN]}..."


def _error_form(answer: str) -> ErrorForm | None:
    """Return the form of an answer to an error query; ``None`` when it is of none that is known."""
    for form in _ERROR_FORMS:
        try:
            error_reader(form)(answer)
        except ReplyError:
            continue
        return form
    return None


def _reports(address: Address, dialect: LinkDialect, bare: Session) -> bool:
    """Whether nonsense is complained about, and nothing else is."""
    # many an instrument serves one caller at a time
    with _aside(bare):
        try:
            session = address.open_next(_modest(dialect), bare.termination, bare.timeout_s)
        except (InstrumentError, AnswerLate, ReplyError, LinkRefused):
            return False
        with session:
            session.errors()
            return _complains(session) and not session.errors()


@contextmanager
def _aside(session: Session) -> Iterator[None]:
    """Leave the link to another session in the block, and come back after it.

    :raises LinkRefused: nobody lets it in again.
    """
    session.close()
    try:
        yield
    finally:
        let_in(session.reopen)


def _complains(session: Session) -> bool:
    try:
        session.command(NONSENSE)
    except InstrumentError:
        return True
    except (AnswerLate, ReplyError):
        return False
    return False


def _joins(bare: Session, dialect: LinkDialect) -> bool | None:
    """Whether several questions in one message are answered by one message; ``None`` where no question is known that
    could tell.
    """
    if dialect.token_write:
        message, parts = f"{dialect.token_write.format(token=7)};{dialect.token_read};{dialect.token_read}", 2
    elif dialect.error_query:
        query = dialect.error_query.removeprefix(":")
        between = ";" if query.startswith("*") else ";:"
        message, parts = f"{query}{between}{query}", 2
    elif _answered(bare, _COMPLETION) == "1":
        message, parts = f"{_COMPLETION};{_COMPLETION}", 2
    else:
        return None
    return len(split_units(_answered(bare, message))) == parts


def _drops_rest(address: Address, dialect: LinkDialect, termination: str, patience_s: float) -> bool:
    """Whether an error makes the instrument forget the rest of a message: then its error check is not answered."""
    if not dialect.error_query:
        return False
    with address.open_next(dialect, termination, patience_s) as session:
        return not _complains(session) or session.resynchronisations > 0


def _proven(address: Address, dialect: LinkDialect, termination: str, patience_s: float) -> LinkDialect:
    """Return the best dialect with which a session opens: as found, else more modest ones.

    :raises DriverError: none does.
    """
    modest = _modest(dialect)
    for each in (dialect, replace(dialect, clear=""), modest):
        if _opens(address, each, termination, patience_s):
            return each
    last = replace(modest, clear="")
    address.open_next(last, termination, patience_s).close()
    return last


def _opens(address: Address, dialect: LinkDialect, termination: str, patience_s: float) -> bool:
    try:
        address.open_next(dialect, termination, patience_s).close()
    except (InstrumentError, AnswerLate, ReplyError, LinkRefused):
        return False
    return True


def _common(session: Session) -> list[Capability]:
    """Ask for the common commands by which one waits (IEEE 488.2-1992, 12.5)."""
    found = [_asked(session, "completion asked for", "*OPC?")]
    for name, command in (("completion flagged", "*OPC"), ("waiting", "*WAI")):
        if session.reports_errors:
            found.append(_commanded(session, name, command))
    return found


def _asked(session: Session, name: str, query: str) -> Capability:
    try:
        session.ask(query)
    except (InstrumentError, AnswerLate, ReplyError) as error:
        return Capability(name, "", Evidence.NONE, str(error))
    return Capability(name, query, Evidence.ANSWERED)


def _commanded(session: Session, name: str, command: str) -> Capability:
    try:
        session.command(command)
    except InstrumentError as error:
        return Capability(name, "", Evidence.NONE, str(error.entries[0]))
    return Capability(name, command, Evidence.ACCEPTED)


def _capabilities(dialect: LinkDialect) -> list[Capability]:
    register = dialect.error_form is ErrorForm.REGISTER
    error_query = Evidence.ACCEPTED if dialect.error_query else Evidence.NONE
    token = Evidence.READ_BACK if dialect.token_write else Evidence.NONE
    joins = "several units a message" if dialect.joins else ""
    return [
        Capability("event register" if register else "error queue", dialect.error_query, error_query),
        Capability("proof of answers", dialect.token_write, token),
        Capability("joined messages", joins, Evidence.ANSWERED if joins else Evidence.NONE),
    ]


def _losses(dialect: LinkDialect, queue_fault: str, *, joins_known: bool) -> list[str]:
    """What is not there, and what that costs.

    :param queue_fault: why an error queue that is there is not used; empty where there is none.
    :param joins_known: whether it was found out that messages may be joined, or that they may not.
    """
    losses: list[str] = []
    if not dialect.error_query:
        reports = queue_fault or "It reports no errors"
        losses.append(f"{reports}: settings are checked by reading them back, which costs a message each.")
    elif dialect.error_form is ErrorForm.REGISTER:
        queue = queue_fault or "It has no error queue"
        losses.append(f"{queue}: refusals are seen in *ESR?, without the instrument's own words.")
    if not dialect.joins and not joins_known:
        losses.append(
            "Whether it takes several commands a message could not be found out: a setting and its check are two "
            "messages, which is slower."
        )
    elif not dialect.joins:
        losses.append("It takes one command a message: a setting and its check are two messages, which is slower.")
    if not dialect.token_write:
        losses.append("It has no register for tokens: a doubled answer can only be told by what it says.")
    return losses
