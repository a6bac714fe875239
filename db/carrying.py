"""Single visits and rows from one database into another, with whatever they refer to; what is there stays."""

from collections import defaultdict
from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import Any
from uuid import UUID

from sqlalchemy import Connection, Table, select, update

from db.canonical import Key, encoded, key_of, loose_tables, owned_tables, rows_of_visits, values_of
from db.chained_session import AT_ONCE, with_keys
from db.errors import Conflict
from db.models import Base
from db.moving import insert_rows
from db.protection import FILLED_ONCE

_VISITS = Base.metadata.tables["visit"]


@dataclass(slots=True)
class Carried:
    """Rows that were new in the other database, table by table, and what there is to say."""

    rows: defaultdict[str, set[Key]] = field(default_factory=lambda: defaultdict(set))
    notes: list[str] = field(default_factory=list)


def carry_visit(own: Connection, there: Connection, visit_id: UUID, place: str, carried: Carried) -> None:
    """All rows of an ended visit: it is entered as open and ended when its rows are there, as it was where it was made.

    :param place: the database that it goes to, as it may be shown.
    :raises Conflict: another record of the visit is there.
    """
    rows = rows_of_visits(own, [visit_id])[visit_id]
    _bring_parents(own, there, rows, place, carried)
    for name in owned_tables():
        table = Base.metadata.tables[name]
        present = _present(there, table, [key_of(table, row) for row in rows.get(name, ())])
        missing = [row for row in rows.get(name, ()) if key_of(table, row) not in present]
        insert_rows(there, table, [_as_begun(table, row) for row in missing], place)
        carried.rows[name].update(key_of(table, row) for row in missing)
    (ended,) = (dict(zip(_VISITS.c.keys(), row, strict=True)) for row in rows["visit"])
    there.execute(
        update(_VISITS)
        .where(_VISITS.c.id == visit_id, _VISITS.c.ended_utc.is_(None))
        .values({name: ended[name] for name in FILLED_ONCE["visit"]})
    )
    arrived = rows_of_visits(there, [visit_id])[visit_id]
    if any(_forms(name, each) - _forms(name, arrived[name]) for name, each in rows.items()):
        raise Conflict(
            f"The database {place} has another record of the visit {visit_id} than the one that it was to get: nothing "
            "of it was taken; run rig db check on the server's and the bench's, and keep both as they are."
        )


def _forms(name: str, rows: Sequence[Sequence[Any]]) -> set[bytes]:
    """Rows in the form in which they are compared."""
    return {encoded(Base.metadata.tables[name], row) for row in rows}


def _as_begun(table: Table, row: Sequence[Any]) -> Sequence[Any]:
    if table.name != "visit":
        return row
    return [None if name in FILLED_ONCE["visit"] else value for name, value in zip(table.c.keys(), row, strict=True)]


def _bring_parents(
    own: Connection, there: Connection, rows: dict[str, list[Sequence[Any]]], place: str, carried: Carried
) -> None:
    """Rows beside visits that these rows refer to, where they are missing."""
    wanted: defaultdict[str, set[Key]] = defaultdict(set)
    _refer(rows, wanted)
    for table in reversed(loose_tables()):
        keys = wanted.get(table.name)
        if keys:
            found = own.execute(select(*values_of(table)).where(with_keys(table, sorted(keys, key=str)))).all()
            _refer({table.name: list(found)}, wanted)
    for table in loose_tables():
        carry_rows(own, there, table, sorted(wanted.get(table.name, ()), key=str), place, carried)


def _refer(rows: dict[str, list[Sequence[Any]]], wanted: defaultdict[str, set[Key]]) -> None:
    loose = {table.name for table in loose_tables()}
    for name, each in rows.items():
        table = Base.metadata.tables[name]
        for place, column in enumerate(table.columns):
            for key in column.foreign_keys:
                if key.column.table.name in loose:
                    wanted[key.column.table.name].update((row[place],) for row in each if row[place] is not None)


def carry_rows(
    own: Connection, there: Connection, table: Table, keys: Sequence[Key], place: str, carried: Carried
) -> None:
    """Rows with these keys: missing ones are inserted, columns filled in meanwhile are filled in."""
    for first in range(0, len(keys), AT_ONCE):
        chosen = select(*values_of(table)).where(with_keys(table, keys[first : first + AT_ONCE]))
        known = {key_of(table, row): row for row in there.execute(chosen)}
        rows = own.execute(chosen).all()
        missing = [row for row in rows if key_of(table, row) not in known]
        insert_rows(there, table, missing, place)
        carried.rows[table.name].update(key_of(table, row) for row in missing)
        for row in rows:
            if key_of(table, row) in known:
                _fill_in(there, table, known[key_of(table, row)], row, carried)


def _fill_in(there: Connection, table: Table, known: Sequence[Any], row: Sequence[Any], carried: Carried) -> None:
    have, bring = (dict(zip(table.c.keys(), each, strict=True)) for each in (known, row))
    fill = {
        name: bring[name] for name in FILLED_ONCE.get(table.name, ()) if have[name] is None and bring[name] is not None
    }
    if fill:
        there.execute(update(table).where(with_keys(table, [key_of(table, row)])).values(fill))
        carried.rows[table.name].add(key_of(table, row))
    differing = [name for name in bring if {**have, **fill}[name] != bring[name] and bring[name] is not None]
    if table.name != "unit" or not differing:
        return
    words = {"product_id": "another product", "batch_code": f"batch {have['batch_code']}, not {bring['batch_code']}"}
    carried.notes.append(
        f"Unit {have['serial']} is recorded there with {' and '.join(words[name] for name in differing)}: its visit "
        "was handed in as it was made; find out which is right."
    )


def _present(there: Connection, table: Table, keys: Sequence[Key]) -> set[Key]:
    columns = list(table.primary_key.columns)
    return {
        tuple(row)
        for first in range(0, len(keys), AT_ONCE)
        for row in there.execute(select(*columns).where(with_keys(table, keys[first : first + AT_ONCE])))
    }
