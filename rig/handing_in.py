"""A visit on a floor of several benches: the unit is this bench's own while it lasts, and its record is handed in.

Without a server all of this is nothing at all. With one that is away the bench goes on with what it knows itself, says
so once, and hands in as soon as the server answers.
"""

from __future__ import annotations

import threading
from contextlib import contextmanager, suppress
from typing import TYPE_CHECKING

from db import claims
from db.engine import open_at
from db.errors import DatabaseError, NotFound, UnitHeld, Unreachable
from db.fetching import fetch_people, fetch_unit
from db.floor import SharedFloor, own_record
from db.handing_in import hand_in, waiting
from db.history import history, merged
from db.location import database_location
from db.queries import unit_by_serial
from db.questions import connection_of
from rig.errors import WrongInput
from rig.kept_visit import read_visit
from rig.returns import last_left, reason_since
from rig.visit import run_visit

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator
    from uuid import UUID

    from sqlalchemy.orm import Session

    from db.engine import Database
    from db.handing_in import HandedIn
    from db.history import UnitHistory
    from db.location import Location
    from db.returned import ReturnRow
    from rig.bench import Bench, BenchFile
    from rig.kept_visit import KeptVisit
    from rig.operators.port import Operator
    from rig.product import Product
    from rig.tomlfile import Loaded
    from rig.visit import Request, Visit


def visit_on_the_floor(
    bench: Bench,
    bench_file: Loaded[BenchFile],
    product: Loaded[Product],
    operator: Operator,
    database: Database,
    request: Request,
) -> Visit:
    """Run a visit as :func:`rig.visit.run_visit` does, with the unit claimed, and hand in what came of it.

    :raises UnitHeld: another bench has the unit.
    """
    with claimed(database, request.serial, bench.file.bench.name, request.operator, operator.tell):
        visit = run_visit(bench, bench_file, product, operator, database, request)
    for sentence in hand_in_now(database):
        operator.tell(sentence)
    return visit


@contextmanager
def claimed(database: Database, serial: str, bench: str, operator: str, tell: Callable[[str], None]) -> Iterator[None]:
    """Have a unit to oneself, and know its history, as long as the server can be asked.

    The claim is renewed in the background.

    :raises UnitHeld: another bench has it.
    """
    floor = _floor(database)
    server = None if floor is None else floor.reached()
    if floor is None:
        yield
        return
    taken = None
    if server is not None:
        try:
            with server.session() as session:
                taken = claims.claim(session, serial=serial, bench=bench, operator=operator)
        except UnitHeld:
            raise
        except DatabaseError as error:
            floor.lost(error)
    if taken is None:
        tell(
            f"{floor.why_away} This bench goes on alone: nobody can see whether another one has unit {serial}, and "
            "the visit is handed in later."
        )
        yield
        return
    with _renewed(floor, taken, tell):
        _fetch(floor, database, serial, tell)
        yield


def _fetch(floor: SharedFloor, database: Database, serial: str, tell: Callable[[str], None]) -> None:
    """What other benches know of a unit, into this bench's own record: the visit rests on it from here on."""
    server = floor.reached()
    if server is None:
        return
    try:
        fetch_unit(server, database, serial)
    except DatabaseError as error:
        tell(f"What other benches know of {serial} could not be fetched: {error}")


@contextmanager
def _renewed(floor: SharedFloor, taken: claims.Claim, tell: Callable[[str], None]) -> Iterator[None]:
    ended, lost = threading.Event(), list[str]()

    def renew() -> None:
        while not ended.wait(claims.RENEWED_EVERY.total_seconds()):
            server = floor.reached()
            if server is None:
                continue
            try:
                with server.session() as session:
                    claims.renew(session, taken)
            except UnitHeld as held:
                lost.append(str(held))
                return
            except DatabaseError as error:
                floor.lost(error)

    thread = threading.Thread(target=renew, name="claim", daemon=True)
    thread.start()
    try:
        yield
    finally:
        ended.set()
        thread.join()
        for sentence in lost:
            tell(sentence)
        server = floor.reached()
        if server is not None:
            # a claim that cannot be ended runs out by itself
            with suppress(DatabaseError), server.session() as session:
                claims.release(session, taken)


def hand_in_now(database: Database) -> list[str]:
    """Hand in what has ended on this bench, and bring people and signatures from the server.

    :return: what there is to say: nothing when all went well.
    """
    floor = _floor(database)
    if floor is None:
        return []
    server = floor.reached()
    if server is None:
        return [f"Not handed in yet, and kept here ({database.url_shown}): {floor.why_away}"]
    try:
        fetch_people(server, database)
        return hand_in(database, server).notes
    except DatabaseError as error:
        floor.lost(error)
        return [f"Not handed in yet, and kept here ({database.url_shown}): {error}"]


def handed_in(database: Database) -> tuple[HandedIn, int]:
    """Hand in by hand: what was handed in, and how much is waiting still.

    :raises DatabaseError: the server is away, or refuses a record.
    """
    floor = _floor(database)
    if floor is None:
        raise WrongInput(
            f"This bench records straight into {database.url_shown}: there is nothing to hand in; RIG_DATABASE_URL "
            "names a server where there is one."
        )
    server = floor.ask_now().reached()
    if server is None:
        raise Unreachable(floor.why_away)
    fetch_people(server, database)
    return hand_in(database, server), waiting(database, server)


def known_history(database: Database, serial: str) -> UnitHistory | None:
    """What all benches know of a unit, and what this one has not handed in yet; None for a serial nobody knows."""

    def asked(session: Session) -> UnitHistory | None:
        try:
            return history(connection_of(session), serial)
        except NotFound:
            return None

    there = database.ask(asked)
    if database.floor is None:
        return there
    with database.reading() as session:
        return merged(there, asked(session))


def recorded_visit(serial: str, visit_id: UUID | None, tell: Callable[[str], None]) -> KeptVisit:
    """A visit to put on paper: by the server's record, or by this bench's own where that alone has it or answers.

    :param visit_id: which one; None for the latest of the unit that came to a verdict.
    :param tell: is told where it is this bench's own record, and why.
    :raises NotFound: there is none.
    :raises Unreachable: the server is away, and this bench has no such visit either.
    """
    location = database_location()
    own = own_record(location)
    there, refused = _read_at(location, serial, visit_id)
    here, _ = (None, None) if own is None else _read_at(own, serial, visit_id)
    if there is not None and (here is None or here.record.visit.started_utc <= there.record.visit.started_utc):
        return there
    if here is None:
        raise refused or NotFound(f"No visit of unit {serial} is recorded.")
    if isinstance(refused, Unreachable):
        tell(f"{refused} This is by this bench's own record: what other benches measured since is not in it.")
    else:
        tell("This is by this bench's own record: the visit was not handed in to the server yet (rig db hand-in).")
    return here


def _read_at(
    location: Location, serial: str, visit_id: UUID | None
) -> tuple[KeptVisit | None, Unreachable | NotFound | None]:
    try:
        with open_at(location) as database:
            return read_visit(database, serial, visit_id), None
    except (Unreachable, NotFound) as refused:
        return None, refused


def known_return(database: Database, serial: str, recorded: UnitHistory | None) -> ReturnRow | None:
    """Why a unit came back, where that was entered on any bench since it left with a pass; None where it was not.

    :param recorded: what is known of the unit, as :func:`known_history` tells it.
    """

    def asked(session: Session) -> ReturnRow | None:
        try:
            unit_id = unit_by_serial(session, serial).id
        except NotFound:
            return None
        return reason_since(session, unit_id, None if recorded is None else last_left(recorded))

    entered = [database.ask(asked)]
    if database.floor is not None:
        with database.reading() as session:
            entered.append(asked(session))
    return max((each for each in entered if each is not None), key=lambda each: each.received_utc, default=None)


def _floor(database: Database) -> SharedFloor | None:
    return database.floor if isinstance(database.floor, SharedFloor) else None
