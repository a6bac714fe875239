"""Whether the record is as it was written: every link, every row that a link covers, and every row that none covers."""

from collections.abc import Collection, Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from functools import cache
from pathlib import Path
from typing import Any
from uuid import UUID

from sqlalchemy import Connection, Select, Table, exists, func, select

from db.canonical import (
    TableDigest,
    digest_of,
    key_of,
    key_written,
    loose_tables,
    rows_of_visits,
    values_of,
)
from db.chain import Digests, Head, Link, beginning_of, chains, ends_here, known_head, link_of, parts_declared
from db.chained_session import AT_ONCE, single_digest
from db.models import Base, RecordChain
from db.record_key import RecordKey

FLAWS_KEPT = 1000
"""Flaws past this number are counted and not kept: where so much is wrong, a backup is wanted and not a list."""

_LINKS, _VISITS, _UNITS = (Base.metadata.tables[name] for name in ("record_link", "visit", "unit"))


@dataclass(frozen=True, slots=True)
class Flaw:
    """Something that the program did not do: in which table, of which visit and unit, and what it is."""

    table: str
    visit_id: UUID | None
    serial: str
    what: str
    uncovered: bool = False

    @property
    def sentence(self) -> str:
        """For people."""
        whose = f" of visit {self.visit_id} (unit {self.serial})" if self.visit_id is not None else ""
        return f"{self.table}{whose}: {self.what}."


@dataclass(slots=True)
class Findings:
    """What a check found. ``notes`` are no flaws: what could not be looked at, and why."""

    visits: int = 0
    open_visits: int = 0
    links: int = 0
    heads: list[Head] = field(default_factory=list)
    flaws: list[Flaw] = field(default_factory=list)
    flaws_count: int = 0
    uncovered_count: int = 0
    notes: list[str] = field(default_factory=list)

    @property
    def sound(self) -> bool:
        """Whether nothing is wrong."""
        return self.flaws_count == 0

    @property
    def unaltered(self) -> bool:
        """Whether nothing that a link covers is wrong; there may be records that none covers."""
        return self.flaws_count == self.uncovered_count

    def flaw(self, table: str, what: str, visit_id: UUID | None = None, serial: str = "") -> None:
        """Add one."""
        self._add(Flaw(table, visit_id, serial, what))

    def uncovered(self, table: str, what: str, visit_id: UUID | None = None, serial: str = "") -> None:
        """Add something that no link covers."""
        self.uncovered_count += 1
        self._add(Flaw(table, visit_id, serial, f"no link covers {what}, it was recorded past the chain", True))

    def _add(self, flaw: Flaw) -> None:
        self.flaws_count += 1
        if len(self.flaws) < FLAWS_KEPT:
            self.flaws.append(flaw)


Single = dict[tuple[str | int, ...], set[tuple[int, str]]]


def check(connection: Connection, keys: Collection[RecordKey], heads_beside: Collection[Path]) -> Findings:
    """Compare every row with the chain.

    :param keys: keys that links may have been made with; chains of other keys are compared without.
    :param heads_beside: files of keys, beside which the last links known here are kept.
    """
    found = Findings()
    if connection.dialect.name == "sqlite":
        for (said,) in connection.exec_driver_sql("PRAGMA integrity_check(20)").all():
            if said != "ok":
                found.flaw("the file", " ".join(str(said).split()))
    by_id = {key.key_id: key for key in keys}
    single: dict[str, Single] = {}
    every = chains(connection)
    declared = {part for chain in every for part in parts_declared(chain.because)}
    for chain in every:
        head = _check_chain(connection, chain, by_id.get(chain.key_id), single, found)
        found.heads.append(head)
        _check_head(connection, head, heads_beside, declared, found)
    for visits in _visits(connection):
        _check_visits(connection, visits, single, found)
    _check_removed_visits(connection, found)
    _check_references(connection, found)
    for table in loose_tables():
        _check_loose(connection, table, single.pop(table.name, {}), found)
    for name, rows in single.items():
        for key in rows:
            found.flaw(name, f"the row {_shown(key)} was removed")
    return found


def _check_chain(
    connection: Connection, chain: RecordChain, key: RecordKey | None, single: dict[str, Single], found: Findings
) -> Head:
    """Links of one chain in their order; rows that they cover one by one are added to ``single``."""
    if key is None:
        found.notes.append(
            f"The chain {chain.id} was made with another key ({chain.key_id}, {chain.place}): its rows were compared, "
            "its links could not be; name that key's file with --key."
        )
    previous = "" if key is None else beginning_of(key, chain.id, chain.place, chain.because, chain.began_utc)
    sequence, link = -1, previous
    in_order = select(_LINKS).where(_LINKS.c.chain_id == chain.id).order_by(_LINKS.c.sequence)
    rows = connection.execute(in_order.execution_options(yield_per=1000))
    for row in rows:
        if row.sequence != sequence + 1:
            found.flaw("record_link", f"links {sequence + 1} to {row.sequence - 1} of chain {chain.id} were removed")
        elif key is not None:
            made = Link(chain.id, row.sequence, row.subject, row.visit_id, row.digests, row.made_utc)
            if link_of(key, link, made) != row.link:
                found.flaw("record_link", f"link {row.sequence} of chain {chain.id} was not made with its key")
        if row.subject == "rows":
            _add_single(row.digests, single)
        sequence, link = row.sequence, row.link
        found.links += 1
    return Head(chain.id, sequence, link)


def _add_single(digests: Digests, single: dict[str, Single]) -> None:
    for name, rows in digests.items():
        of_table = single.setdefault(name, {})
        for *key, filled, digest in rows:
            of_table.setdefault(tuple(key), set()).add((filled, digest))


def _check_head(
    connection: Connection, head: Head, heads_beside: Collection[Path], declared: Collection[str], found: Findings
) -> None:
    for path in heads_beside:
        known = known_head(path, head.chain_id)
        if known is None:
            continue
        if known.sequence > head.sequence:
            if ends_here(head) in declared:
                found.notes.append(
                    f"Chain {head.chain_id} ends at link {head.sequence} and was known here up to link "
                    f"{known.sequence}: an older copy was put in place, and the record says so."
                )
                continue
            found.flaw(
                "record_link",
                f"chain {head.chain_id} ends at link {head.sequence} and was known here up to link {known.sequence}: "
                "the last records were cut off, or an older copy was put in place",
            )
            continue
        there = connection.scalar(
            select(_LINKS.c.link).where(_LINKS.c.chain_id == head.chain_id, _LINKS.c.sequence == known.sequence)
        )
        if there is not None and there != known.link:
            found.flaw("record_link", f"link {known.sequence} of chain {head.chain_id} is not the one known here")


def _visits(connection: Connection) -> Iterator[Sequence[Any]]:
    """Visits by their keys, some at a time: key, end, serial."""
    last: UUID | None = None
    while True:
        wanted = select(_VISITS.c.id, _VISITS.c.ended_utc, _UNITS.c.serial).join_from(
            _VISITS, _UNITS, _UNITS.c.id == _VISITS.c.unit_id, isouter=True
        )
        if last is not None:
            wanted = wanted.where(_VISITS.c.id > last)
        rows = connection.execute(wanted.order_by(_VISITS.c.id).limit(AT_ONCE)).all()
        if not rows:
            return
        yield rows
        last = rows[-1].id


def _check_visits(connection: Connection, visits: Sequence[Any], single: dict[str, Single], found: Findings) -> None:
    serials = {row.id: row.serial or "unknown" for row in visits}
    links: dict[UUID, list[Digests]] = {}
    for visit_id, digests in connection.execute(
        select(_LINKS.c.visit_id, _LINKS.c.digests).where(_LINKS.c.visit_id.in_(list(serials)))
    ):
        links.setdefault(visit_id, []).append(digests)
    stored = rows_of_visits(connection, list(serials))
    for row in visits:
        found.visits += 1
        if row.id in links:
            present = _compared(row.id, serials[row.id], stored[row.id], single, found)
            for digests in links[row.id]:
                _compare(row.id, serials[row.id], digests, present, found)
        elif row.ended_utc is None:
            found.open_visits += 1
        else:
            found.uncovered("visit", "it", row.id, serials[row.id])


def _compared(
    visit_id: UUID,
    serial: str,
    tables: Mapping[str, Sequence[Sequence[Any]]],
    single: dict[str, Single],
    found: Findings,
) -> dict[str, TableDigest]:
    """Digests of a visit's rows but for those that links cover one by one, which are compared here."""
    present = {}
    for name, rows in tables.items():
        table, one_by_one = Base.metadata.tables[name], single.get(name, {})
        whole = []
        for row in rows:
            key = tuple(key_written(key_of(table, row)))
            known = one_by_one.pop(key, None)
            if known is None:
                whole.append(row)
            elif not _matches(table, row, known):
                found.flaw(name, f"the row {_shown(key)} was altered", visit_id, serial)
        if whole:
            present[name] = digest_of(table, whole)
    return present


def _compare(
    visit_id: UUID, serial: str, digests: Digests, present: Mapping[str, TableDigest], found: Findings
) -> None:
    for name in sorted(digests.keys() | present.keys()):
        count, digest = digests.get(name, (0, ""))
        there = present.get(name, TableDigest(0, ""))
        if there.count < count:
            found.flaw(name, f"{there.count} rows are there of {count}, some were removed", visit_id, serial)
        elif there.count > count:
            found.flaw(name, f"{there.count} rows are there in place of {count}, some were added", visit_id, serial)
        elif there.digest != digest:
            found.flaw(name, "a row was altered", visit_id, serial)


def _check_removed_visits(connection: Connection, found: Findings) -> None:
    gone = connection.scalars(
        select(_LINKS.c.visit_id).where(
            _LINKS.c.visit_id.is_not(None), ~exists().where(_VISITS.c.id == _LINKS.c.visit_id)
        )
    )
    for visit_id in gone:
        found.flaw("visit", "the whole visit was removed", visit_id, "unknown")


def _check_references(connection: Connection, found: Findings) -> None:
    """Rows whose parent is gone: neither database would let the program leave any."""
    for table, parent, counted in _lone_rows():
        lone = connection.scalar(counted)
        if lone:
            found.flaw(table, f"{lone} rows refer to a row of {parent} that is gone")


@cache
def _lone_rows() -> tuple[tuple[str, str, Select[int]], ...]:
    """For each reference: table, table of the parent, and how many rows lack theirs."""
    counted = []
    for table in Base.metadata.sorted_tables:
        for constraint in table.foreign_key_constraints:
            pairs = [(key.parent, key.column) for key in constraint.elements]
            parent = constraint.referred_table.alias()
            there = exists().where(*(child == parent.c[column.name] for child, column in pairs)).correlate(table)
            lone = select(func.count()).select_from(table).where(*(child.is_not(None) for child, _ in pairs), ~there)
            counted.append((table.name, constraint.referred_table.name, lone))
    return tuple(counted)


def _check_loose(connection: Connection, table: Table, covered: Single, found: Findings) -> None:
    rows = connection.execute(select(*values_of(table)).execution_options(yield_per=1000))
    for row in rows:
        key = tuple(key_written(key_of(table, row)))
        known = covered.pop(key, None)
        if known is None:
            found.uncovered(table.name, f"the row {_shown(key)}")
        elif not _matches(table, row, known):
            found.flaw(table.name, f"the row {_shown(key)} was altered")
    for key in covered:
        found.flaw(table.name, f"the row {_shown(key)} was removed")


def _matches(table: Table, row: Sequence[Any], known: Collection[tuple[int, str]]) -> bool:
    """Whether a row is as one of its links has it: of those that know the most of it, since columns are filled in.

    Several benches may have entered the same row, each at a moment of its own.
    """
    *_, filled, digest = single_digest(table, row)
    most = max(each for each, _ in known)
    return (filled, digest) in {each for each in known if each[0] == most}


def _shown(key: Sequence[str | int]) -> str:
    return " ".join(str(part) for part in key)
