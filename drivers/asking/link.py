"""What every message rests on: line end, error queue, a register for tokens, and whether messages may be joined."""

from __future__ import annotations

import time
from dataclasses import dataclass, field, replace

from drivers.asking.findings import Capability, Evidence, LinkFindings
from drivers.clock import Clock
from drivers.dialect import ErrorForm, LinkDialect
from drivers.error_forms import error_reader
from drivers.errors import AnswerLate, InstrumentError, LinkRefused, ReplyError
from drivers.exchange import Observer
from drivers.link import SerialOptions
from drivers.scpi import Identity, parse_nonnegative_integer, split_units
from drivers.session import Session

TERMINATIONS = ("\n", "\r\n", "\r")
NONSENSE = "NONE:SUCH"
"""A header that no instrument has: one that reports errors has to report it."""
_BARE = LinkDialect(identity_fields=3, clear="", error_query="", token_write="", token_count=0)
_ERROR_QUERIES = ("SYST:ERR?", ":SYST:ERR?", "SYST:ERR:NEXT?", "STAT:QUE?")
_ERROR_FORMS = (ErrorForm.QUOTED, ErrorForm.UNQUOTED, ErrorForm.NUMBER)
# IEEE 488.2-1992, 11.3 and 11.4: of *SRE, bit 6 is not used, so that only 6 bits in a row are
_TOKENS = (("*ESE {token}", "*ESE?", 255), ("*SRE {token}", "*SRE?", 63))
_LEAST_PATIENCE_S = 0.05
_TIMES_SLOWER = 5.0


@dataclass(frozen=True, slots=True)
class Address:
    """Where an instrument is, and how to talk to it.

    :param termination: tried first; the other usual ones follow when nobody answers to it.
    :param timeout_s: longest time that an ordinary answer may take.
    """

    resource: str
    role: str
    timeout_s: float
    termination: str = "\n"
    serial: SerialOptions = field(default_factory=SerialOptions)
    observer: Observer | None = None
    clock: Clock | None = None

    def open(self, dialect: LinkDialect, termination: str, timeout_s: float) -> Session:
        """Open a session; raises as :meth:`Session.open` does."""
        return Session.open(
            self.resource,
            role=self.role,
            timeout_s=timeout_s,
            termination=termination,
            link=dialect,
            serial=self.serial,
            observer=self.observer,
            clock=self.clock,
        )


def ask_link(address: Address) -> LinkFindings:
    """Find out what every message to an instrument can rest on.

    :raises LinkRefused: nobody is there, or nobody who identifies himself with any of the usual line ends.
    :raises Unreadable: who answers has no identity of at least three fields (IEEE 488.2-1992, 10.14, wants four).
    :raises LinkError: the link failed while asking.
    """
    termination, patience_s = _line_end(address)
    with address.open(_BARE, termination, patience_s) as bare:
        fields = 4 if bare.ask(_BARE.identity).count(",") >= 3 else 3
        dialect = _with_token(bare, replace(_BARE, identity_fields=fields, clear=LinkDialect().clear))
        dialect = _with_errors(address, bare, dialect)
        joins = _joins(bare, dialect)
    dialect = dialect if joins else _modest(dialect)
    dialect = _proven(address, dialect, termination, patience_s)
    drops_rest = dialect.joins and _drops_rest(address, dialect, termination, patience_s)
    with address.open(careful(dialect, drops_rest=drops_rest), termination, patience_s) as session:
        capabilities = (*_capabilities(dialect), *_common(session))
    return LinkFindings(
        identity=session.identity,
        dialect=dialect,
        termination=termination,
        patience_s=patience_s,
        drops_rest=drops_rest,
        capabilities=capabilities,
        losses=tuple(_losses(dialect)),
    )


def who_answers(address: Address) -> tuple[Identity, str]:
    """Return who is there, and the line end to which he answers; raises as :func:`ask_link` does."""
    termination, patience_s = _line_end(address)
    with address.open(_BARE, termination, patience_s) as bare:
        return bare.identity, termination


def careful(dialect: LinkDialect, *, drops_rest: bool) -> LinkDialect:
    """Return the dialect in which to try spellings that may be wrong.

    An instrument that forgets the rest of a message at an error is asked one unit at a time, or each wrong spelling
    would cost the time of an answer that does not come.
    """
    return _modest(dialect) if drops_rest else dialect


def _modest(dialect: LinkDialect) -> LinkDialect:
    return replace(dialect, joins=False, token_write="", token_count=0)


def _line_end(address: Address) -> tuple[str, float]:
    """Return the line end to which the instrument answers, and how long to wait for its answers."""
    others = [each for each in TERMINATIONS if each != address.termination]
    refused: LinkRefused | None = None
    for termination in [address.termination, *others]:
        begun_s = time.monotonic()
        try:
            session = address.open(_BARE, termination, address.timeout_s)
        except LinkRefused as error:
            refused = refused or error
            continue
        with session:
            begun_s = time.monotonic()
            session.ask(_BARE.identity)
            took_s = time.monotonic() - begun_s
        return termination, min(address.timeout_s, max(_LEAST_PATIENCE_S, _TIMES_SLOWER * took_s, _patience(address)))
    raise refused or LinkRefused(f"nobody answers at {address.resource}")


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


def _with_errors(address: Address, bare: Session, dialect: LinkDialect) -> LinkDialect:
    """Return the dialect with what reports errors, and with ``*CLS`` only where that is not an error itself."""
    tried: list[LinkDialect] = []
    for query in _ERROR_QUERIES:
        form = _error_form(bare, query)
        if form is not None:
            # where it is there, and always says that nothing is wrong, another name will not change that
            tried.append(replace(dialect, error_query=query, error_form=form))
            break
    tried.append(replace(dialect, error_query="*ESR?", error_form=ErrorForm.REGISTER))
    for each in tried:
        for candidate in (each, replace(each, clear="")):
            if _reports(address, candidate, bare):
                return candidate
    return dialect


def _error_form(bare: Session, query: str) -> ErrorForm | None:
    """Return the form of the answers to an error query; ``None`` when there are none."""
    try:
        answer = bare.ask(query)
    except (AnswerLate, ReplyError):
        return None
    for form in _ERROR_FORMS:
        try:
            error_reader(form)(answer)
        except ReplyError:
            continue
        return form
    return None


def _reports(address: Address, dialect: LinkDialect, bare: Session) -> bool:
    """Whether nonsense is complained about, and nothing else is."""
    try:
        session = address.open(_modest(dialect), bare.termination, bare.timeout_s)
    except (InstrumentError, AnswerLate, ReplyError, LinkRefused):
        return False
    with session:
        session.errors()
        return _complains(session) and not session.errors()


def _complains(session: Session) -> bool:
    try:
        session.command(NONSENSE)
    except InstrumentError:
        return True
    except (AnswerLate, ReplyError):
        return False
    return False


def _joins(bare: Session, dialect: LinkDialect) -> bool:
    """Whether several questions in one message are answered by one message."""
    if dialect.token_write:
        message, parts = f"{dialect.token_write.format(token=7)};{dialect.token_read};{dialect.token_read}", 2
    elif dialect.error_query:
        query = dialect.error_query.removeprefix(":")
        between = ";" if query.startswith("*") else ";:"
        message, parts = f"{query}{between}{query}", 2
    else:
        return False
    try:
        answer = bare.ask(message)
    except (AnswerLate, ReplyError):
        return False
    return len(split_units(answer)) == parts


def _drops_rest(address: Address, dialect: LinkDialect, termination: str, patience_s: float) -> bool:
    """Whether an error makes the instrument forget the rest of a message: then its error check is not answered."""
    if not dialect.error_query:
        return False
    with address.open(dialect, termination, patience_s) as session:
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
    address.open(last, termination, patience_s).close()
    return last


def _opens(address: Address, dialect: LinkDialect, termination: str, patience_s: float) -> bool:
    try:
        address.open(dialect, termination, patience_s).close()
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


def _losses(dialect: LinkDialect) -> list[str]:
    losses: list[str] = []
    if not dialect.error_query:
        losses.append("It reports no errors: settings are checked by reading them back, which costs a message each.")
    elif dialect.error_form is ErrorForm.REGISTER:
        losses.append("It has no error queue: refusals are seen in *ESR?, without the instrument's own words.")
    if not dialect.joins:
        losses.append("It takes one command a message: a setting and its check are two messages, which is slower.")
    if not dialect.token_write:
        losses.append("It has no register for tokens: a doubled answer can only be told by what it says.")
    return losses
