"""From a bench's own record to the server's: link by link, each with its rows in one transaction, each once.

The chain is the list of what there is to hand in, and the server's last link of it says how far it has come; nothing
else is kept about it. A program or a server that dies in the middle leaves a link handed in whole or not at all.
"""

from dataclasses import dataclass, field
from uuid import UUID

from sqlalchemy import Connection, insert, select

from db.canonical import key_read
from db.carrying import Carried, carry_rows, carry_visit
from db.chain import chains, last_link
from db.engine import Database
from db.models import Base, RecordChain

_CHAINS, _LINKS = (Base.metadata.tables[name] for name in ("record_chain", "record_link"))


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
        carried = Carried()
        if link.visit_id is not None:
            carry_visit(own, there, link.visit_id, server.url_shown, carried)
        for name, rows in link.digests.items() if link.visit_id is None else ():
            table = Base.metadata.tables[name]
            carry_rows(own, there, table, [key_read(table, row[:-2]) for row in rows], server.url_shown, carried)
        there.execute(insert(_LINKS).values(**link._mapping))
    done.links += 1
    done.notes += carried.notes
    if link.visit_id is not None:
        done.visits.append(link.visit_id)
    return True
