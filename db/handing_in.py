"""From a bench's own record to the server's: link by link, each with its rows in one transaction, each once.

The chain is the list of what there is to hand in, and the server's last link of it says how far it has come; nothing
else is kept about it. A program or a server that dies in the middle leaves a link handed in whole or not at all.
"""

from collections import defaultdict
from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import Any
from uuid import UUID

from sqlalchemy import Connection, Table, insert, inspect, select, update

from db.canonical import (
    Key,
    digest_of,
    key_of,
    key_read,
    loose_tables,
    owned_tables,
    rows_of_visits,
    values_of,
)
from db.chain import chains, last_link, visit_digests
from db.chained_session import AT_ONCE, with_keys
from db.engine import Database
from db.errors import Conflict
from db.models import Base, Person, Product, ProductRevision, ProductSignature, RecordChain
from db.moving import insert_rows
from db.protection import FILLED_ONCE

_CHAINS, _LINKS, _VISITS, _UNITS = (
    Base.metadata.tables[name] for name in ("record_chain", "record_link", "visit", "unit")
)


@dataclass(slots=True)
class HandedIn:
    """What was handed in. ``notes`` say where the server knew of something else already, and kept it."""

    visits: list[UUID] = field(default_factory=list)
    links: int = 0
    notes: list[str] = field(default_factory=list)


def waiting(spool: Database, server: Database) -> int:
    """How many links of the bench the server lacks."""
    with spool.reading_connection() as own, server.reading_connection() as there:
        count = 0
        for chain in chains(own):
            last, known = last_link(own, chain.id), last_link(there, chain.id)
            count += 0 if last is None else last.sequence - (-1 if known is None else known.sequence)
        return count


def hand_in(spool: Database, server: Database) -> HandedIn:
    """Hand in what the server lacks, oldest first; asked again after a failure, it goes on where it stopped.

    :raises Unreachable: the server went away; what was handed in before stays.
    :raises Conflict: the server has other rows under the same keys: nothing of that link was handed in.
    """
    done = HandedIn()
    with spool.reading_connection() as own:
        for chain in chains(own):
            while _hand_in_next(own, server, chain, done):
                pass
    return done


def _hand_in_next(own: Connection, server: Database, chain: RecordChain, done: HandedIn) -> bool:
    with server.writing_connection() as there:
        last = last_link(there, chain.id)
        following = -1 if last is None else last.sequence
        link = own.execute(
            select(_LINKS).where(_LINKS.c.chain_id == chain.id, _LINKS.c.sequence == following + 1)
        ).one_or_none()
        if link is None:
            return False
        if last is None and there.scalar(select(_CHAINS.c.id).where(_CHAINS.c.id == chain.id)) is None:
            own_chain = own.execute(select(_CHAINS).where(_CHAINS.c.id == chain.id)).one()
            there.execute(insert(_CHAINS).values(**own_chain._mapping))
        notes = (
            _single_rows(own, there, link.digests, server.url_shown)
            if link.visit_id is None
            else _visit(own, there, link.visit_id, link.digests, server.url_shown)
        )
        there.execute(insert(_LINKS).values(**link._mapping))
    done.links += 1
    done.notes += notes
    if link.visit_id is not None:
        done.visits.append(link.visit_id)
    return True


def _single_rows(own: Connection, there: Connection, digests: dict[str, Any], place: str) -> list[str]:
    notes = []
    for table in Base.metadata.sorted_tables:
        keys = [key_read(table, row[:-2]) for row in digests.get(table.name, ())]
        notes += _bring(own, there, table, keys, place)
    return notes


def _visit(own: Connection, there: Connection, visit_id: UUID, digests: dict[str, Any], place: str) -> list[str]:
    """All rows of a visit: it is entered as open and ended when its rows are there, as it was on the bench."""
    rows = rows_of_visits(own, [visit_id])[visit_id]
    notes = _bring_parents(own, there, rows, place)
    for name in owned_tables():
        table = Base.metadata.tables[name]
        present = _present(there, table, [key_of(table, row) for row in rows.get(name, ())])
        missing = [row for row in rows.get(name, ()) if key_of(table, row) not in present]
        insert_rows(there, table, [_as_begun(table, row) for row in missing], place)
    (ended,) = (dict(zip(_VISITS.c.keys(), row, strict=True)) for row in rows["visit"])
    there.execute(
        update(_VISITS)
        .where(_VISITS.c.id == visit_id, _VISITS.c.ended_utc.is_(None))
        .values({name: ended[name] for name in FILLED_ONCE["visit"]})
    )
    arrived = rows_of_visits(there, [visit_id])[visit_id]
    if _digests(arrived) != _digests(rows):
        raise Conflict(
            f"The server {place} has another record of the visit {visit_id} than this bench: nothing of it was handed "
            "in; run rig db check on both, and keep both as they are."
        )
    return notes


def _digests(rows: dict[str, list[Sequence[Any]]]) -> dict[str, Any]:
    return dict(visit_digests({name: digest_of(Base.metadata.tables[name], each) for name, each in rows.items()}))


def _as_begun(table: Table, row: Sequence[Any]) -> Sequence[Any]:
    if table.name != "visit":
        return row
    return [None if name in FILLED_ONCE["visit"] else value for name, value in zip(table.c.keys(), row, strict=True)]


def _bring_parents(own: Connection, there: Connection, rows: dict[str, list[Sequence[Any]]], place: str) -> list[str]:
    """Rows beside visits that these rows refer to, where the server lacks them."""
    wanted: defaultdict[str, set[Key]] = defaultdict(set)
    notes: list[str] = []
    _refer(rows, wanted)
    for table in reversed(loose_tables()):
        keys = wanted.get(table.name)
        if keys:
            found = own.execute(select(*values_of(table)).where(with_keys(table, sorted(keys, key=str)))).all()
            _refer({table.name: list(found)}, wanted)
    for table in loose_tables():
        notes += _bring(own, there, table, sorted(wanted.get(table.name, ()), key=str), place)
    return notes


def _refer(rows: dict[str, list[Sequence[Any]]], wanted: defaultdict[str, set[Key]]) -> None:
    loose = {table.name for table in loose_tables()}
    for name, each in rows.items():
        table = Base.metadata.tables[name]
        for place, column in enumerate(table.columns):
            for key in column.foreign_keys:
                if key.column.table.name in loose:
                    wanted[key.column.table.name].update((row[place],) for row in each if row[place] is not None)


def _bring(own: Connection, there: Connection, table: Table, keys: Sequence[Key], place: str) -> list[str]:
    """Rows with these keys: missing ones are inserted, columns filled in meanwhile are filled in."""
    notes = []
    for first in range(0, len(keys), AT_ONCE):
        chosen = select(*values_of(table)).where(with_keys(table, keys[first : first + AT_ONCE]))
        known = {key_of(table, row): row for row in there.execute(chosen)}
        rows = own.execute(chosen).all()
        insert_rows(there, table, [row for row in rows if key_of(table, row) not in known], place)
        for row in rows:
            if key_of(table, row) in known:
                notes += _filled_in(there, table, known[key_of(table, row)], row)
    return notes


def _filled_in(there: Connection, table: Table, known: Sequence[Any], row: Sequence[Any]) -> list[str]:
    have, bring = (dict(zip(table.c.keys(), each, strict=True)) for each in (known, row))
    fill = {
        name: bring[name] for name in FILLED_ONCE.get(table.name, ()) if have[name] is None and bring[name] is not None
    }
    if fill:
        there.execute(update(table).where(with_keys(table, [key_of(table, row)])).values(fill))
    differing = [name for name in bring if {**have, **fill}[name] != bring[name] and bring[name] is not None]
    if table.name != "unit" or not differing:
        return []
    words = {"product_id": "another product", "batch_code": f"batch {have['batch_code']}, not {bring['batch_code']}"}
    return [
        f"Unit {have['serial']} is recorded on the server with {' and '.join(words[name] for name in differing)}: its "
        "visit was handed in as it was made; find out which is right."
    ]


def _present(there: Connection, table: Table, keys: Sequence[Key]) -> set[Key]:
    columns = list(table.primary_key.columns)
    return {
        tuple(row)
        for first in range(0, len(keys), AT_ONCE)
        for row in there.execute(select(*columns).where(with_keys(table, keys[first : first + AT_ONCE])))
    }


def fetch_people(server: Database, spool: Database) -> int:
    """Bring people and engineers' signatures from the server to the bench, which works by them when it is alone.

    :return: how many rows were new.
    """
    rows: list[Product | ProductRevision | Person | ProductSignature] = []
    with server.reading() as there:
        people = there.query(Person).all()
        if not people:
            return 0
        signed = there.query(ProductSignature).all()
        revisions = there.query(ProductRevision).where(
            ProductRevision.id.in_([each.product_revision_id for each in signed])
        )
        rows += [*there.query(Product).all(), *revisions.all(), *people, *signed]
        there.expunge_all()
    with spool.session() as session:
        new = [row for row in rows if session.get(type(row), row.id) is None]
        session.add_all(_copy(row) for row in new)
    return len(new)


def _copy(row: Any) -> Base:
    copied: Base = type(row)(**{each.key: getattr(row, each.key) for each in inspect(row).mapper.column_attrs})
    return copied
