"""The chain over finished records: one keyed link for each visit that ends, and for what is entered beside visits.

A link covers the digests of rows (:mod:`db.canonical`) and the link before it. The last link is also kept in a small
file beside the key, so that records cut off at the end are missed.
"""

import base64
import json
from collections.abc import Iterable, Mapping
from contextlib import suppress
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path
from typing import Any
from uuid import UUID

from sqlalchemy import Connection, insert, select
from sqlalchemy.orm import Session

from db.canonical import TableDigest
from db.models import Base, RecordChain, RecordLink, new_key
from db.record_key import RecordKey, read_or_make_key
from db.stored_values import microseconds

Digests = Mapping[str, Any]

FIRST = "the first record with this key in this place"
RESTORED = "restored by"
_CHAINS, _LINKS = (Base.metadata.tables[name] for name in ("record_chain", "record_link"))


@dataclass(frozen=True, slots=True)
class Seal:
    """What a slip shows of the chain: a link's number and the beginning of its hash."""

    sequence: int
    link: str

    @property
    def short(self) -> str:
        """Eighty bits of the link as four groups of base 32 (RFC 4648)."""
        text = base64.b32encode(bytes.fromhex(self.link)[:10]).decode()
        return "-".join(text[place : place + 4] for place in range(0, 16, 4))


@dataclass(frozen=True, slots=True)
class Head:
    """The last link of a chain; number -1 is the chain's beginning, before its first link."""

    chain_id: UUID
    sequence: int
    link: str


@dataclass(frozen=True, slots=True)
class Link:
    """What a link is computed from, beside the link before it."""

    chain_id: UUID
    sequence: int
    subject: str
    visit_id: UUID | None
    digests: Digests
    made_utc: datetime


def link_of(key: RecordKey, previous: str, link: Link) -> str:
    """The keyed hash of a link, 64 hexadecimal digits."""
    return key.mac(
        b"link",
        bytes.fromhex(previous),
        link.chain_id.bytes,
        str(link.sequence).encode(),
        link.subject.encode(),
        b"" if link.visit_id is None else link.visit_id.bytes,
        json.dumps(link.digests, sort_keys=True, separators=(",", ":")).encode(),
        _moment(link.made_utc),
    )


def beginning_of(key: RecordKey, chain_id: UUID, place: str, because: str, began_utc: datetime) -> str:
    """What the first link of a chain hangs on."""
    return key.mac(b"chain", chain_id.bytes, place.encode(), because.encode(), _moment(began_utc))


def _moment(at: datetime) -> bytes:
    return str(microseconds(at)).encode()


def visit_digests(tables: Mapping[str, TableDigest]) -> Digests:
    """Digests of a visit's tables, as a link keeps them."""
    return {name: [each.count, each.digest] for name, each in tables.items()}


class ChainKeeper:
    """Makes the links of one database with one key, which is read or made when the first link is due."""

    def __init__(self, place: str, path: Path) -> None:
        self.place = place
        self.path = path
        self._key: RecordKey | None = None

    @property
    def key(self) -> RecordKey:
        """The key.

        :raises Exposed: others can read its file.
        :raises KeyProblem: it can neither be read nor made.
        """
        if self._key is None:
            self._key = read_or_make_key(self.path)
        return self._key

    def require_key(self) -> None:
        """See that links could be made now.

        :raises Exposed: others can read its file.
        :raises KeyProblem: it can neither be read nor made.
        """
        self._key = read_or_make_key(self.path)

    def head(self, connection: Connection) -> Head:
        """The last link of this place's chain, begun where there is none.

        A chain that was longer once, by the file beside the key, is not gone on with: the database is an older copy,
        and two links of one number must not be.
        """
        found = connection.execute(
            select(_CHAINS.c.id, _CHAINS.c.because, _CHAINS.c.began_utc)
            .where(_CHAINS.c.place == self.place, _CHAINS.c.key_id == self.key.key_id)
            .order_by(_CHAINS.c.began_utc.desc(), _CHAINS.c.id.desc())
            .limit(1)
        ).one_or_none()
        if found is None:
            return self.begin(connection, FIRST)
        beginning = beginning_of(self.key, found.id, self.place, found.because, found.began_utc)
        head = last_link(connection, found.id) or Head(found.id, -1, beginning)
        known = known_head(self.path, found.id)
        if known is not None and known.sequence > head.sequence:
            return self.begin(
                connection, f"chain {found.id} ends here at link {head.sequence}, and was known up to {known.sequence}"
            )
        return head

    def begin(self, connection: Connection, because: str) -> Head:
        """Begin a chain, and say why."""
        chain_id, now = new_key(), datetime.now(UTC)
        connection.execute(
            insert(_CHAINS).values(
                id=chain_id, place=self.place, key_id=self.key.key_id, because=because, began_utc=now
            )
        )
        return Head(chain_id, -1, beginning_of(self.key, chain_id, self.place, because, now))

    def add(
        self, connection: Connection, head: Head, subject: str, subjects: Iterable[tuple[UUID | None, Digests]]
    ) -> Head:
        """Add one link after another, and say which is the last now.

        :param subjects: visit (none for single rows) and digests of each.
        """
        rows = []
        for visit_id, digests in subjects:
            link = Link(head.chain_id, head.sequence + 1, subject, visit_id, digests, datetime.now(UTC))
            head = Head(head.chain_id, link.sequence, link_of(self.key, head.link, link))
            rows.append(
                {
                    "chain_id": link.chain_id,
                    "sequence": link.sequence,
                    "subject": subject,
                    "visit_id": visit_id,
                    "digests": digests,
                    "link": head.link,
                    "made_utc": link.made_utc,
                }
            )
        if rows:
            connection.execute(insert(_LINKS), rows)
        return head

    def remember(self, head: Head) -> None:
        """Keep the last link in the file beside the key; where that cannot be written, the check says so."""
        with suppress(OSError):
            path = _head_file(self.path, head.chain_id)
            path.parent.mkdir(mode=0o700, exist_ok=True)
            written = path.with_suffix(".new")
            written.write_text(f"{head.sequence} {head.link}\n", encoding="ascii")
            written.replace(path)


def begin_after_restore(keeper: ChainKeeper, connection: Connection, *, who: str, why: str) -> None:
    """Begin a chain that says where the chains of a restored database end, by whom and why it was put in place."""
    ends = [ends_here(last_link(connection, chain.id) or Head(chain.id, -1, "")) for chain in chains(connection)]
    keeper.begin(connection, "; ".join((f"{RESTORED} {who}: {why.replace(';', ',')}", *ends)))


def ends_here(head: Head) -> str:
    """How the beginning of a chain after a restore names where another one ends."""
    return f"chain {head.chain_id} ends at link {head.sequence}"


def parts_declared(because: str) -> tuple[str, ...]:
    """The ends that a chain begun after a restore names; none for any other."""
    return tuple(because.split("; ")[1:]) if because.startswith(RESTORED) else ()


def last_link(connection: Connection, chain_id: UUID) -> Head | None:
    """The last link of a chain; None where it has none."""
    found = connection.execute(
        select(_LINKS.c.sequence, _LINKS.c.link)
        .where(_LINKS.c.chain_id == chain_id)
        .order_by(_LINKS.c.sequence.desc())
        .limit(1)
    ).one_or_none()
    return None if found is None else Head(chain_id, found.sequence, found.link)


def known_head(key_path: Path, chain_id: UUID) -> Head | None:
    """The last link of a chain that this computer made, by the file beside the key; None where it knows of none."""
    try:
        sequence, link = _head_file(key_path, chain_id).read_text(encoding="ascii").split()
        return Head(chain_id, int(sequence), link)
    except (OSError, ValueError):
        return None


def _head_file(key_path: Path, chain_id: UUID) -> Path:
    return key_path.parent / f"{key_path.name}.heads" / str(chain_id)


def seal_of_visit(session: Session, visit_id: UUID) -> Seal | None:
    """What the slip of a visit shows; None while it has not ended, or where it was recorded without a chain."""
    found = session.execute(
        select(RecordLink.sequence, RecordLink.link)
        .where(RecordLink.visit_id == visit_id)
        .order_by(RecordLink.made_utc)
        .limit(1)
    ).one_or_none()
    return None if found is None else Seal(found.sequence, found.link)


def chains(connection: Connection) -> tuple[RecordChain, ...]:
    """All chains, the oldest first."""
    with Session(connection) as session:
        rows = session.scalars(select(RecordChain).order_by(RecordChain.began_utc, RecordChain.id)).all()
        session.expunge_all()
    return tuple(rows)
