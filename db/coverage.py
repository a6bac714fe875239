"""What links say of single rows: those that were verified with their key, apart from those that could not be.

A link that was not verified vouches for nothing, since anybody can write one. What it says is compared all the same:
on a server with several benches' records, most links are other benches'.
"""

from collections.abc import Callable, Collection, Mapping, Sequence
from dataclasses import dataclass, field
from enum import Enum, auto
from typing import Any
from uuid import UUID

from sqlalchemy import Table

from db import keys
from db.canonical import key_of, key_written
from db.chain import Digests
from db.chained_session import single_digest
from db.protection import FILLED_ONCE
from db.queries import content_sha256

Marks = set[tuple[int, str]]
"""Of one row, by each of its links: how many of the columns that are filled once are filled, and its digest."""
Single = dict[tuple[str | int, ...], Marks]


class Standing(Enum):
    """How a row stands to the links that cover it one by one."""

    NOT_SINGLE = auto()
    VERIFIED = auto()
    UNVERIFIED = auto()
    ALTERED = auto()


@dataclass(slots=True)
class Coverage:
    """Rows that links cover one by one, table by table, and which links were verified at all."""

    verified: dict[str, Single] = field(default_factory=dict)
    claimed: dict[str, Single] = field(default_factory=dict)
    with_key: set[UUID] = field(default_factory=set)
    unfit: set[tuple[UUID, int]] = field(default_factory=set)

    def is_verified(self, chain_id: UUID, sequence: int) -> bool:
        """Whether a link was made with a key that is at hand."""
        return chain_id in self.with_key and (chain_id, sequence) not in self.unfit

    def add(self, digests: Digests, *, verified: bool) -> None:
        """Add what a link says of single rows."""
        of_tables = self.verified if verified else self.claimed
        for name, rows in digests.items():
            of_table = of_tables.setdefault(name, {})
            for *key, filled, digest in rows:
                of_table.setdefault(tuple(key), set()).add((filled, digest))

    def take(self, table: Table, row: Sequence[Any]) -> Standing:
        """How a row stands; it is looked for once."""
        key = tuple(key_written(key_of(table, row)))
        known = self.verified.get(table.name, {}).pop(key, None)
        claimed = self.claimed.get(table.name, {}).pop(key, None)
        if known is None and claimed is None:
            return Standing.NOT_SINGLE
        return _standing(table, row, known or set(), claimed or set())

    def left(self) -> dict[str, set[tuple[str | int, ...]]]:
        """Rows that were not there to be looked for, table by table."""
        left: dict[str, set[tuple[str | int, ...]]] = {}
        for name, rows in (*self.verified.items(), *self.claimed.items()):
            left.setdefault(name, set()).update(rows)
        return left


def _standing(table: Table, row: Sequence[Any], known: Marks, claimed: Marks) -> Standing:
    """A row is as one of its links has it: of those that know the most of it, since columns are filled in.

    Several benches may have entered the same row, each at a moment of its own.
    """
    mark = _mark(table, row)
    most = max(filled for filled, _ in known | claimed)
    if mark[0] != most:
        return Standing.ALTERED
    if mark in known:
        return Standing.VERIFIED
    if mark not in claimed:
        return Standing.ALTERED
    if not known or _mark(table, _as_begun(table, row)) in known or _is_named_by_itself(table, row):
        return Standing.UNVERIFIED
    return Standing.ALTERED


def _mark(table: Table, row: Sequence[Any]) -> tuple[int, str]:
    *_, filled, digest = single_digest(table, row)
    return int(filled), str(digest)


def _as_begun(table: Table, row: Sequence[Any]) -> Sequence[Any]:
    once: Collection[str] = FILLED_ONCE.get(table.name, ())
    return [None if name in once else value for name, value in zip(table.c.keys(), row, strict=True)]


def _is_named_by_itself(table: Table, row: Sequence[Any]) -> bool:
    """Whether the row's key follows from what it says: such a row several benches enter, each for itself."""
    key = _KEYS.get(table.name)
    values = dict(zip(table.c.keys(), row, strict=True))
    return key is not None and key(values) == values["id"]


def _revision_key(of: Callable[[UUID, str], UUID], above: str) -> Callable[[Mapping[str, Any]], UUID | None]:
    def key(row: Mapping[str, Any]) -> UUID | None:
        digest = content_sha256(row["toml_text"])
        return of(row[above], digest) if digest == row["content_sha256"] else None

    return key


_KEYS: Mapping[str, Callable[[Mapping[str, Any]], UUID | None]] = {
    "product": lambda row: keys.product_key(row["name"]),
    "product_revision": _revision_key(keys.product_revision_key, "product_id"),
    "bench": lambda row: keys.bench_key(row["name"]),
    "bench_revision": _revision_key(keys.bench_revision_key, "bench_id"),
    "instrument": lambda row: keys.instrument_key(row["maker"], row["model"], row["serial"], row["firmware"]),
    "unit": lambda row: keys.unit_key(row["serial"]),
}
