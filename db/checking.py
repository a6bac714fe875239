"""Whether the record is as it was written: every link, every row that a link covers, and every row that none covers."""

import json
from collections.abc import Collection, Iterator, Mapping, Sequence
from dataclasses import dataclass
from functools import cache
from pathlib import Path
from typing import Any
from uuid import UUID

from sqlalchemy import Connection, Select, Table, exists, func, select

from db.canonical import (
    TableDigest,
    digest_of,
    key_of,
    loose_tables,
    rows_of_visits,
    values_of,
)
from db.chain import Digests, Head, Link, beginning_of, chains, ends_here, known_head, link_of, parts_declared
from db.chained_session import AT_ONCE
from db.coverage import Coverage, Standing
from db.findings import Findings, UnverifiedChain, shown
from db.models import Base, RecordChain
from db.readable import check_readable, digests_read
from db.record_key import RecordKey
from db.view_texts import check_views

_LINKS, _VISITS, _UNITS = (Base.metadata.tables[name] for name in ("record_link", "visit", "unit"))


@dataclass(frozen=True, slots=True)
class _Checked:
    """A chain that was looked at; ``vouched`` where its first link was verified, and with it why it was begun."""

    chain: RecordChain
    head: Head
    vouched: bool


def check(
    connection: Connection, keys: Collection[RecordKey], heads_beside: Collection[Path], *, older: bool = False
) -> Findings:
    """Compare every row with the chain.

    :param keys: keys that links may have been made with; chains of other keys are compared and not verified.
    :param heads_beside: files of keys, beside which the last links known here are kept.
    :param older: it is known to be an older copy: that chains go on beyond it is no flaw.
    """
    found = Findings()
    if connection.dialect.name == "sqlite":
        for (said,) in connection.exec_driver_sql("PRAGMA integrity_check(20)").all():
            if said != "ok":
                found.flaw("the file", " ".join(str(said).split()))
    check_views(connection, found)
    if not check_readable(connection, found):
        found.unchecked.append("Nothing else was compared, since not all of it can be read: restore the last backup.")
        return found
    by_id = {key.key_id: key for key in keys}
    coverage = Coverage()
    checked = [_check_chain(connection, each, by_id.get(each.key_id), coverage, found) for each in chains(connection)]
    declared = {part for each in checked if each.vouched for part in parts_declared(each.chain.because)}
    for each in checked:
        found.heads.append(each.head)
        _check_head(connection, each, by_id, heads_beside, declared, found, older=older)
    for visits in _visits(connection):
        _check_visits(connection, visits, coverage, found)
    _check_removed_visits(connection, found)
    _check_references(connection, found)
    for table in loose_tables():
        _check_loose(connection, table, coverage, found)
    for name, rows in coverage.left().items():
        for key in rows:
            found.flaw(name, f"the row {_shown(key)} was removed")
    return found


def _check_chain(
    connection: Connection, chain: RecordChain, key: RecordKey | None, coverage: Coverage, found: Findings
) -> _Checked:
    """Links of one chain in their order; rows that they cover one by one are added to ``coverage``."""
    previous = None if key is None else beginning_of(key, chain.id, chain.place, chain.because, chain.began_utc)
    sequence, link, links, vouched = -1, previous or "", 0, False
    if key is not None:
        coverage.with_key.add(chain.id)
    in_order = select(*values_of(_LINKS)).where(_LINKS.c.chain_id == chain.id).order_by(_LINKS.c.sequence)
    for row in connection.execute(in_order.execution_options(yield_per=1000)):
        if row.sequence != sequence + 1:
            found.flaw("record_link", f"links {sequence + 1} to {row.sequence - 1} of chain {chain.id} were removed")
            previous = None
        digests = digests_read(row.digests, row.subject)
        if digests is None:
            found.flaw("record_link", f"link {row.sequence} of chain {chain.id} was altered: what it covers is no list")
        verified = key is not None and previous is not None and digests is not None and _fits(key, previous, row)
        if key is not None and not verified:
            coverage.unfit.add((chain.id, row.sequence))
            if previous is not None and digests is not None:
                found.flaw("record_link", f"link {row.sequence} of chain {chain.id} was not made with its key")
        vouched = vouched or (verified and row.sequence == 0)
        if row.subject == "rows" and digests is not None:
            coverage.add(digests, verified=verified)
        sequence, link = row.sequence, row.link
        previous = link
        links += 1
    found.links += links
    if sequence < 0:
        found.flaw("record_chain", f"chain {chain.id} has no link, and none is begun without one")
    elif key is None:
        found.unverified.append(UnverifiedChain(chain.id, chain.place, chain.key_id, links))
    return _Checked(chain, Head(chain.id, sequence, link), vouched)


def _fits(key: RecordKey, previous: str, row: Any) -> bool:
    """Whether a link was made with the key."""
    digests = json.loads(row.digests)
    made = Link(row.chain_id, row.sequence, row.subject, row.visit_id, digests, row.made_utc)
    try:
        return link_of(key, previous, made) == str(row.link)
    except ValueError:
        # the link before is no hexadecimal number
        return False


def _check_head(
    connection: Connection,
    checked: _Checked,
    by_id: Collection[str],
    heads_beside: Collection[Path],
    declared: Collection[str],
    found: Findings,
    *,
    older: bool,
) -> None:
    """Hold the end of a chain against what this computer knows of it."""
    head, key_id = checked.head, checked.chain.key_id
    for path in heads_beside:
        known = known_head(path, head.chain_id)
        if known is None:
            continue
        if key_id not in by_id:
            found.flaw(
                "record_chain",
                f"chain {head.chain_id} was made on this computer and names another key ({shown(key_id)}): its row was "
                f"altered, or the key {path} was exchanged (then name the file of the old one with --key)",
            )
        if known.sequence > head.sequence:
            if older:
                continue
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


def _check_visits(connection: Connection, visits: Sequence[Any], coverage: Coverage, found: Findings) -> None:
    serials = {row.id: row.serial or "unknown" for row in visits}
    links: dict[UUID, list[Any]] = {}
    of_visits = select(*values_of(_LINKS))
    for link in connection.execute(of_visits.where(_LINKS.c.visit_id.in_(list(serials)))):
        links.setdefault(link.visit_id, []).append(link)
    stored = rows_of_visits(connection, list(serials))
    for row in visits:
        found.visits += 1
        if row.id in links:
            verified = any(coverage.is_verified(link.chain_id, link.sequence) for link in links[row.id])
            present = _compared(row.id, serials[row.id], stored[row.id], coverage, found, verified=verified)
            for link in links[row.id]:
                digests = digests_read(link.digests, link.subject)
                if digests is not None:
                    _compare(row.id, serials[row.id], digests, present, stored[row.id], found)
            found.count(sum(each.count for each in present.values()), verified=verified)
        elif row.ended_utc is None:
            found.open_visits += 1
        else:
            found.uncovered("visit", "it", row.id, serials[row.id])


def _compared(
    visit_id: UUID,
    serial: str,
    tables: Mapping[str, Sequence[Sequence[Any]]],
    coverage: Coverage,
    found: Findings,
    *,
    verified: bool,
) -> dict[str, TableDigest]:
    """Digests of a visit's rows but for those that links cover one by one, which are compared here.

    :param verified: whether a link that was verified covers the visit.
    """
    present = {}
    for name, rows in tables.items():
        table = Base.metadata.tables[name]
        whole = []
        for row in rows:
            standing = coverage.take(table, row)
            if standing is Standing.NOT_SINGLE:
                whole.append(row)
            elif standing is Standing.ALTERED:
                found.flaw(name, f"the row {_shown(key_of(table, row))} was altered", visit_id, serial)
            else:
                if verified and standing is Standing.UNVERIFIED:
                    found.doubtful(name, _shown(key_of(table, row)), visit_id, serial)
                found.count(1, verified=standing is Standing.VERIFIED)
        if whole:
            present[name] = digest_of(table, whole)
    return present


def _compare(
    visit_id: UUID,
    serial: str,
    digests: Digests,
    present: Mapping[str, TableDigest],
    tables: Mapping[str, Sequence[Sequence[Any]]],
    found: Findings,
) -> None:
    """Hold what a link says of a visit against its rows.

    A bench that fetched a visit with a correction in it covers all its rows together; the bench that made the
    correction covers that row by itself.

    :param present: digests of the rows but for those that links cover one by one.
    :param tables: all rows.
    """
    for name in sorted(digests.keys() | present.keys()):
        count, digest = digests.get(name, (0, ""))
        there = present.get(name, TableDigest(0, ""))
        if count == len(tables.get(name, ())) != there.count:
            there = digest_of(Base.metadata.tables[name], tables[name])
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


def _check_loose(connection: Connection, table: Table, coverage: Coverage, found: Findings) -> None:
    rows = connection.execute(select(*values_of(table)).execution_options(yield_per=1000))
    for row in rows:
        standing = coverage.take(table, row)
        if standing is Standing.NOT_SINGLE:
            found.uncovered(table.name, f"the row {_shown(key_of(table, row))}")
        elif standing is Standing.ALTERED:
            found.flaw(table.name, f"the row {_shown(key_of(table, row))} was altered")
        else:
            found.count(1, verified=standing is Standing.VERIFIED)


def _shown(key: Sequence[object]) -> str:
    return " ".join(str(part) for part in key)
