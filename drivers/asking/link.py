"""What every message rests on: line end, error queue, a register for tokens, and whether messages may be joined."""

from __future__ import annotations

import time
from dataclasses import dataclass, field, replace

from drivers.asking.findings import Capability, Evidence, LinkFindings
from drivers.clock import Clock
from drivers.dialect import ErrorForm, LinkDialect
from drivers.error_forms import error_reader
from drivers.errors import AnswerLate, DriverError, InstrumentError, LinkRefused, ReplyError
from drivers.exchange import Observer
from drivers.link import SerialOptions
from drivers.scpi import parse_nonnegative_integer
from drivers.session import Session

TERMINATIONS = ("\n", "\r\n", "\r")
NONSENSE = "NONE:SUCH"
"""A header that no instrument has: one that reports errors has to report it."""
_BARE = LinkDialect(identity_fields=3, clear="", error_query="", token_write="", token_count=0, joins=False)
_ERROR_QUERIES = ("SYST:ERR?", ":SYST:ERR?", "SYST:ERR:NEXT?", "STAT:QUE?")
_ERROR_FORMS = (ErrorForm.QUOTED, ErrorForm.UNQUOTED, ErrorForm.NUMBER)
# IEEE 488.2-1992, 11.3 and 11.4: of *SRE, bit 6 is not used, so that only 6 bits in a row are
_TOKENS = (("*ESE {token}", "*ESE?", 255), ("*SRE {token}", "*SRE?", 63))
_LONGEST_QUEUE = 64
_LEAST_PATIENCE_S = 0.1
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
    """
    termination, patience_s = _line_end(address)
    with address.open(_BARE, termination, patience_s) as bare:
        fields = 4 if bare.identity.firmware != "0" else 3
        dialect = replace(_BARE, identity_fields=fields, clear=LinkDialect().clear)
        dialect = _with_token(bare, dialect)
        dialect = _with_errors(bare, dialect)
        joins = _joins(bare, dialect)
        dialect = replace(dialect, joins=joins) if joins else _without_token(dialect)
        drops_rest = joins and bool(dialect.error_query) and _drops_rest(bare, dialect)
        common = tuple(_common(bare, dialect))
    dialect = _proven(address, dialect, termination, patience_s)
    return LinkFindings(
        identity=bare.identity,
        dialect=dialect,
        termination=termination,
        patience_s=patience_s,
        drops_rest=drops_rest,
        capabilities=(*_capabilities(dialect), *common),
        losses=tuple(_losses(dialect)),
    )


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


def _without_token(dialect: LinkDialect) -> LinkDialect:
    return replace(dialect, joins=False, token_write="", token_count=0)


def _comes_back(bare: Session, write: str, read: str, value: int) -> bool:
    bare.command(write)
    try:
        return bare.value(read, parse_nonnegative_integer) == value
    except (AnswerLate, ReplyError):
        return False


def _with_errors(bare: Session, dialect: LinkDialect) -> LinkDialect:
    for query in _ERROR_QUERIES:
        form = _error_form(bare, query)
        if form is not None:
            if _reports(bare, query, form):
                return replace(dialect, error_query=query, error_form=form)
            break  # it is there, and always says that nothing is wrong: another name will not change that
    if _reports(bare, "*ESR?", ErrorForm.REGISTER):
        return replace(dialect, error_query="*ESR?", error_form=ErrorForm.REGISTER)
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


def _reports(bare: Session, query: str, form: ErrorForm) -> bool:
    """Whether nonsense fills the queue, after it has been emptied."""
    bare.command("*CLS")
    try:
        if not _emptied(bare, query, form):
            return False
        bare.command(NONSENSE)
        reported = bool(bare.value(query, error_reader(form)).code)
        return reported and _emptied(bare, query, form)
    except (AnswerLate, ReplyError):
        return False


def _emptied(bare: Session, query: str, form: ErrorForm) -> bool:
    return any(not bare.value(query, error_reader(form)).code for _ in range(_LONGEST_QUEUE))


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
    joining = bare.dialect_replaced(replace(_BARE, joins=True))
    try:
        answer = joining.ask(message)
    except (AnswerLate, ReplyError):
        return False
    return len(answer.split(";")) >= parts


def _drops_rest(bare: Session, dialect: LinkDialect) -> bool:
    ...


def _common(bare: Session, dialect: LinkDialect) -> list[Capability]:
    ...
