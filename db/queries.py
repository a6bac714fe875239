"""What is asked of the record, and the few ways of adding to it that must look first.

All take a session and change nothing else; times are aware UTC. Rows handed out are values or plain models.
"""

import hashlib
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import TYPE_CHECKING, TypeVar
from uuid import UUID

from sqlalchemy import ColumnElement, func, select, update
from sqlalchemy.engine import CursorResult
from sqlalchemy.orm import InstrumentedAttribute, Session

from db.errors import Conflict, NotFound, VisitEnded
from db.history import unknown_serial
from db.models import (
    Bench,
    BenchRevision,
    Finding,
    Instrument,
    Move,
    Product,
    ProductRevision,
    Sweep,
    Unit,
    Visit,
    VisitClosing,
)
from db.models.base import Base

if TYPE_CHECKING:
    from db.models import InstrumentProfile

RowT = TypeVar("RowT", bound=Base)


def content_sha256(toml_text: str) -> str:
    """SHA-256 (FIPS 180-4) of the text's UTF-8 bytes, 64 hexadecimal digits: what a revision is known by."""
    return hashlib.sha256(toml_text.encode("utf-8")).hexdigest()


def get_or_add_product_revision(
    session: Session, *, product_name: str, toml_text: str, at_utc: datetime
) -> ProductRevision:
    """The revision of this product with exactly this text, added (with the product) when it is new."""
    product = session.scalar(select(Product).where(Product.name == product_name))
    if product is None:
        product = _added(session, Product(name=product_name))
    digest = content_sha256(toml_text)
    revision = session.scalar(
        select(ProductRevision).where(
            ProductRevision.product_id == product.id, ProductRevision.content_sha256 == digest
        )
    )
    return revision or _added(
        session,
        ProductRevision(product_id=product.id, content_sha256=digest, toml_text=toml_text, created_utc=at_utc),
    )


def get_or_add_bench_revision(session: Session, *, bench_name: str, toml_text: str, at_utc: datetime) -> BenchRevision:
    """The revision of this bench with exactly this text, added (with the bench) when it is new."""
    bench = session.scalar(select(Bench).where(Bench.name == bench_name))
    if bench is None:
        bench = _added(session, Bench(name=bench_name))
    digest = content_sha256(toml_text)
    revision = session.scalar(
        select(BenchRevision).where(BenchRevision.bench_id == bench.id, BenchRevision.content_sha256 == digest)
    )
    return revision or _added(
        session,
        BenchRevision(bench_id=bench.id, content_sha256=digest, toml_text=toml_text, created_utc=at_utc),
    )


def get_or_add_instrument(session: Session, *, maker: str, model: str, serial: str, firmware: str) -> Instrument:
    """The instrument that identifies itself so, added when it is new; each firmware is one of its own."""
    instrument = session.scalar(
        select(Instrument).where(
            Instrument.maker == maker,
            Instrument.model == model,
            Instrument.serial == serial,
            Instrument.firmware == firmware,
        )
    )
    return instrument or _added(session, Instrument(maker=maker, model=model, serial=serial, firmware=firmware))


def get_or_add_profile(session: Session, toml_text: str) -> "InstrumentProfile":
    """How an instrument is spoken to, with exactly this text, added when it is new."""
    from db.models import InstrumentProfile

    digest = content_sha256(toml_text)
    profile = session.get(InstrumentProfile, digest)
    return profile or _added(session, InstrumentProfile(content_sha256=digest, toml_text=toml_text))


def get_or_add_unit(session: Session, *, serial: str, product_id: UUID, batch_code: str | None = None) -> Unit:
    """The unit with this serial, added when it is new; a batch that was not known before is filled in.

    :param batch_code: None when it is not known now; what is recorded stays.
    :raises Conflict: the serial is recorded with another product or another batch.
    """
    unit = session.scalar(select(Unit).where(Unit.serial == serial))
    if unit is None:
        return _added(session, Unit(serial=serial, product_id=product_id, batch_code=batch_code))
    if unit.product_id != product_id:
        raise _of_another_product(serial, _product_name(session, unit))
    if batch_code is not None and unit.batch_code is None:
        unit.batch_code = batch_code
        session.flush()
    if batch_code not in (None, unit.batch_code):
        raise Conflict(
            f"Unit {serial} is recorded in batch {unit.batch_code}, not {batch_code}: check the batch, or leave it out."
        )
    return unit


def require_product(session: Session, serial: str, product_name: str) -> None:
    """Whether a unit can be one of this product, before anything is done to it; a new serial can be of any.

    :raises Conflict: the serial is recorded with another product.
    """
    unit = session.scalar(select(Unit).where(Unit.serial == serial))
    if unit is not None and (recorded := _product_name(session, unit)) != product_name:
        raise _of_another_product(serial, recorded)


def _product_name(session: Session, unit: Unit) -> str:
    return session.scalars(select(Product.name).where(Product.id == unit.product_id)).one()


def _of_another_product(serial: str, recorded: str) -> Conflict:
    return Conflict(
        f"Unit {serial} is recorded as a unit of {recorded}: choose that product, or scan the serial again."
    )


def _added(session: Session, row: RowT) -> RowT:
    session.add(row)
    session.flush()
    return row


def unit_by_serial(session: Session, serial: str) -> Unit:
    """The unit with this serial.

    :raises NotFound: no unit with this serial was ever recorded.
    """
    unit = session.scalar(select(Unit).where(Unit.serial == serial))
    if unit is None:
        raise unknown_serial(serial)
    return unit


def end_visit(session: Session, visit_id: UUID, *, outcome: str, ended_utc: datetime) -> None:
    """Close a visit, once and for all.

    :param outcome: 'finished', 'stopped' or 'failed'.
    :raises NotFound: there is no such visit.
    :raises VisitEnded: it was closed before, perhaps by somebody else.
    """
    from db.chained_session import visit_ended

    result = session.execute(
        update(Visit)
        .where(Visit.id == visit_id, Visit.ended_utc.is_(None))
        .values(outcome=outcome, ended_utc=ended_utc)
    )
    if isinstance(result, CursorResult) and result.rowcount == 1:
        visit_ended(session, visit_id)
        return
    ended = session.execute(select(Visit.outcome, Visit.ended_utc).where(Visit.id == visit_id)).one_or_none()
    if ended is None:
        raise NotFound(f"There is no visit {visit_id}: look for the unit in its history.")
    raise VisitEnded(
        f"The visit {visit_id} was closed before ({ended.outcome}, {ended.ended_utc:%Y-%m-%d %H:%M:%S} UTC): "
        "scan the unit again to begin a new one."
    )


def close_visit(session: Session, visit_id: UUID, *, reason: str, closed_by: str, closed_utc: datetime) -> None:
    """End a visit as stopped when it might have gone on, and keep why; what was measured in it stays.

    :param reason: in the words of whoever closes it; not empty.
    :raises NotFound: there is no such visit.
    :raises VisitEnded: it was closed before, perhaps by somebody else.
    """
    started = session.execute(select(Visit.started_utc, Visit.ended_utc).where(Visit.id == visit_id)).one_or_none()
    if started is not None and started.ended_utc is None:
        _added(session, VisitClosing(visit_id=visit_id, reason=reason, closed_by=closed_by, closed_utc=closed_utc))
    ended_utc = closed_utc if started is None else max(closed_utc, started.started_utc)
    end_visit(session, visit_id, outcome="stopped", ended_utc=ended_utc)


@dataclass(frozen=True, slots=True)
class Closing:
    """Who closed a visit that might have gone on, and why."""

    closed_by: str
    reason: str


def closing_of(session: Session, visit_id: UUID) -> Closing | None:
    """Who closed a visit that might have gone on; None where nobody did."""
    row = session.get(VisitClosing, visit_id)
    return None if row is None else Closing(row.closed_by, row.reason)


@dataclass(frozen=True, slots=True)
class OpenVisit:
    """A visit that was begun and never ended, as far as it came."""

    visit_id: UUID
    product_revision_id: UUID
    bench_revision_id: UUID
    purpose: str
    started_utc: datetime
    sweeps: int
    moves: int


def open_visits_of(session: Session, serial: str) -> tuple[OpenVisit, ...]:
    """Visits of a unit that were begun and never ended, the latest first."""
    visits = session.scalars(
        select(Visit)
        .join(Unit, Unit.id == Visit.unit_id)
        .where(Unit.serial == serial, Visit.ended_utc.is_(None))
        .order_by(Visit.started_utc.desc(), Visit.id.desc())
    ).all()
    return tuple(
        OpenVisit(
            visit_id=each.id,
            product_revision_id=each.product_revision_id,
            bench_revision_id=each.bench_revision_id,
            purpose=each.purpose,
            started_utc=each.started_utc,
            sweeps=_next(session, Sweep.sequence, Sweep.visit_id == each.id),
            moves=_next(session, Move.sequence, Move.visit_id == each.id),
        )
        for each in visits
    )


def findings_of_phase(session: Session, visit_id: UUID, phase: str) -> Sequence[Finding]:
    """Findings of one phase of a visit as first made, in the order in which they were made."""
    return session.scalars(
        select(Finding)
        .where(Finding.visit_id == visit_id, Finding.phase == phase, Finding.revision == 0)
        .order_by(Finding.created_utc, Finding.characteristic)
    ).all()


def _next(session: Session, sequence: InstrumentedAttribute[int], of_visit: ColumnElement[bool]) -> int:
    last = session.scalar(select(func.max(sequence)).where(of_visit))
    return 0 if last is None else last + 1
