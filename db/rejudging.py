"""What judging again reads: visits with a verdict, the points of their last sweeps, their findings as left.

Made for a year of production at once: plain rows with as few columns as will do, the visits known by their number in
the list. Nothing is written.
"""

import gc
from collections.abc import Iterator, Mapping, Sequence
from contextlib import contextmanager
from functools import lru_cache, partial
from math import inf
from typing import Any, NamedTuple
from uuid import UUID

from sqlalchemy import (
    CTE,
    ColumnElement,
    Double,
    Integer,
    Select,
    Text,
    and_,
    case,
    cast,
    func,
    literal,
    select,
    type_coerce,
)
from sqlalchemy.orm import InstrumentedAttribute, Session, aliased

from db.models import BenchRevision, Finding, Move, Point, Product, ProductRevision, Sweep, Unit, Verdict, Visit

LAST_SWEEPS = ("as_found", "resumed", "as_left")
"""Purposes of sweeps that findings may rest on; those as left rest on the last one of a visit."""

LONGER = "measured longer"
"""Said in the note of a finding that rests on more readings than those of its sweep."""

PLACES = 1 << 16
"""Sweeps of a visit, twice the points of a sweep and revisions of a finding are fewer. One whole number says which row
it is of which visit: a row of few columns is read quicker, and a double holds it for 2 million visits."""
MARKS = 1 << 6
"""What is marked on a finding is fewer."""
IN_ORDER = (Unit.serial, Visit.started_utc, Visit.id)
"""Units one after another, and the visits of each as they began."""
HANDFUL = 500
"""Rows fetched at once: few enough that the memory of one handful serves the next."""


class JudgedVisit(NamedTuple):
    """A visit with a verdict; its place in the list is its number in the other rows.

    A tuple: a hundred thousand are made, and handed from process to process, in a third of the time of other objects.
    """

    key: bytes
    serial: str
    batch_code: str
    product: str
    product_revision_id: UUID
    bench_revision_id: UUID
    purpose: str
    decision: str
    moved: bool

    @property
    def visit_id(self) -> UUID:
        """Key of the visit."""
        return UUID(bytes=self.key)


def judged_visits(session: Session, batch_codes: Sequence[str], product: str | None = None) -> tuple[JudgedVisit, ...]:
    """Visits of some batches that have a verdict, each unit's in the order in which they began.

    :param product: only units of this product.
    """
    handfuls = _plain(
        session,
        _judged(
            batch_codes,
            product,
            Visit.id,
            Unit.serial,
            Unit.batch_code,
            Product.name,
            Visit.product_revision_id,
            Visit.bench_revision_id,
            Visit.purpose,
            Verdict.decision,
            select(Move.sequence).where(Move.visit_id == Visit.id).exists(),
        ).order_by(*IN_ORDER),
    )
    key = lru_cache(_key)  # a year has few revisions
    return tuple(
        JudgedVisit(
            own if isinstance(own, bytes) else own.bytes,
            serial,
            batch,
            name,
            key(product_id),
            key(bench_id),
            purpose,
            decision,
            bool(moved),
        )
        for rows in handfuls
        for own, serial, batch, name, product_id, bench_id, purpose, decision, moved in rows
    )


def _key(stored: bytes | UUID) -> UUID:
    """A key as the driver hands it out: bytes where the database knows no such type."""
    return UUID(bytes=stored) if isinstance(stored, bytes) else stored


def units_of_products(session: Session, batch_codes: Sequence[str]) -> dict[tuple[str, str], int]:
    """How many units of each product are in each of some batches, judged or not.

    :return: count by product and batch code, where there are any.
    """
    rows = session.execute(
        select(Product.name, Unit.batch_code, func.count())
        .join(Unit, Unit.product_id == Product.id)
        .where(Unit.batch_code.in_(batch_codes))
        .group_by(Product.name, Unit.batch_code)
    )
    return {(product, code): count for product, code, count in rows if code is not None}


def known_units(session: Session, batch_codes: Sequence[str]) -> int:
    """How many units some batches have, judged or not: told in no time."""
    return session.scalar(select(func.count()).where(Unit.batch_code.in_(batch_codes))) or 0


def last_sweeps(
    session: Session, batch_codes: Sequence[str], product: str | None = None
) -> Iterator[Sequence[tuple[int, int, str]]]:
    """The last sweep of each visit, of each of its oscillators: needed where units have several.

    Handfuls of rows in no particular order: number of the visit, number of the sweep in it, controls of the sweep (JSON
    text).
    """
    numbered = _numbered(batch_codes, product)
    return _plain(
        session,
        select(numbered.c.number, Sweep.sequence, type_coerce(Sweep.controls, Text))
        .select_from(numbered)
        .join(Sweep, _last_of(numbered)),
    )


def last_points(
    session: Session, batch_codes: Sequence[str], product: str | None = None
) -> Iterator[Sequence[tuple[float, ...]]]:
    """Points of those sweeps, as they were taken.

    Handfuls of rows of nothing but numbers, in no particular order: place, CV (V), frequency (Hz), its relative
    standard uncertainty, time (s). The place is (number of the visit x PLACES + number of the sweep in it) x PLACES
    + 2 x number of the point, + 1 where the point is a return to one measured before.
    """
    numbered = _numbered(batch_codes, product)
    return _plain(
        session,
        select(
            (numbered.c.number * PLACES + Sweep.sequence) * PLACES + 2 * Point.index + cast(Point.revisit, Integer),
            Point.cv_v,
            Point.frequency_hz,
            Point.relative_standard_uncertainty,
            Point.elapsed_s,
        )
        .select_from(numbered)
        .join(Sweep, _last_of(numbered))
        .join(Point, Point.sweep_id == Sweep.id),
    )


def findings_as_left(
    session: Session,
    batch_codes: Sequence[str],
    product: str | None = None,
    *,
    decisions: Mapping[str, int],
    guarded: str,
) -> Iterator[Sequence[tuple[Any, ...]]]:
    """Findings as left, with their corrections.

    Handfuls of rows in no particular order: characteristic, place and marks, value, its lower and upper bound, lower
    and upper limit. What is missing is infinite (a lower limit minus infinity). Place and marks are (number of the
    visit x PLACES + revision) x MARKS + 4 x the number of the decision, + 2 where the finding was measured longer, + 1
    where its rule is the guarded one.

    :param decisions: number that stands for each decision: numbers are read quicker than words.
    :param guarded: words of the guarded rule.
    """
    numbered = _numbered(batch_codes, product)
    marks = (
        4 * case(decisions, value=Finding.decision)
        + case((Finding.note.contains(LONGER), 2), else_=0)
        + case((Finding.rule == guarded, 1), else_=0)
    )
    return _plain(
        session,
        select(
            Finding.characteristic,
            (numbered.c.number * PLACES + Finding.revision) * MARKS + marks,
            *(_or_infinite(each) for each in (Finding.value, Finding.bound_low, Finding.bound_high)),
            _or_infinite(Finding.lower_limit, -inf),
            _or_infinite(Finding.upper_limit),
        )
        .select_from(numbered)
        .join(Finding, and_(Finding.visit_id == numbered.c.id, Finding.phase == "as_left")),
    )


def _or_infinite(column: InstrumentedAttribute[float | None], where_missing: float = inf) -> ColumnElement[float]:
    """A number, or an infinite one: arrays are made of numbers quicker than of what may be nothing."""
    return func.coalesce(column, literal(where_missing, Double), type_=Double)


def _last_of(numbered: CTE) -> ColumnElement[bool]:
    """Whether a sweep is the last of its visit, under the same controls, that findings may rest on."""
    later = aliased(Sweep)
    beaten = select(later.id).where(
        later.visit_id == Sweep.visit_id,
        later.purpose.in_(LAST_SWEEPS),
        later.controls == Sweep.controls,
        later.sequence > Sweep.sequence,
    )
    return and_(Sweep.visit_id == numbered.c.id, Sweep.purpose.in_(LAST_SWEEPS), ~beaten.exists())


def _plain(session: Session, wanted: Select[Any]) -> Iterator[Sequence[tuple[Any, ...]]]:
    """Rows as the database's driver makes them, asked for at once and fetched by handfuls.

    With millions of them, whatever is done to each takes a second, and so does memory for all at a time.
    """
    cursor = session.connection().execute(wanted).cursor
    return iter(()) if cursor is None else iter(partial(cursor.fetchmany, HANDFUL), [])


@contextmanager
def no_collecting() -> Iterator[None]:
    """While millions of rows are handled: the collector would look through all of them again and again, for nothing."""
    collecting = gc.isenabled()
    gc.disable()
    try:
        yield
    finally:
        if collecting:
            gc.enable()


def product_texts(session: Session, revision_ids: Sequence[UUID]) -> dict[UUID, str]:
    """Product files as they were."""
    rows = session.execute(
        select(ProductRevision.id, ProductRevision.toml_text).where(ProductRevision.id.in_(revision_ids))
    ).all()
    return {row[0]: row[1] for row in rows}


def bench_texts(session: Session, revision_ids: Sequence[UUID]) -> dict[UUID, str]:
    """Bench files as they were."""
    rows = session.execute(
        select(BenchRevision.id, BenchRevision.toml_text).where(BenchRevision.id.in_(revision_ids))
    ).all()
    return {row[0]: row[1] for row in rows}


def _numbered(batch_codes: Sequence[str], product: str | None) -> CTE:
    """Keys of the judged visits with their numbers."""
    number = func.row_number().over(order_by=IN_ORDER) - 1
    return _judged(batch_codes, product, Visit.id, number.label("number")).cte("numbered")


def _judged(batch_codes: Sequence[str], product: str | None, *columns: Any) -> Select[Any]:
    """Columns of visits with the verdict that stands."""
    correction = aliased(Verdict)
    wanted = (
        select(*columns)
        .select_from(Visit)
        .join(Unit, Unit.id == Visit.unit_id)
        .join(Product, Product.id == Unit.product_id)
        .join(Verdict, Verdict.visit_id == Visit.id)
        .where(
            Unit.batch_code.in_(batch_codes),
            ~select(correction.id).where(correction.corrects_verdict_id == Verdict.id).exists(),
        )
    )
    return wanted if product is None else wanted.where(Product.name == product)
