"""The server that several benches share, seen from one of them: perhaps there, perhaps away, never waited for twice."""

import time
from pathlib import Path
from typing import Self

from db.engine import Database, address_of, open_at, url_shown
from db.errors import DatabaseError
from db.location import Location, spool_location

PATIENCE_S = 3.0
ASKED_AGAIN_AFTER_S = 20.0


class SharedFloor:
    """A server that is opened when it is first needed. A server that is away is left alone for some seconds."""

    def __init__(self, location: Location) -> None:
        self.shown = url_shown(address_of(location))
        self.why_away = ""
        self._location = location
        self._server: Database | None = None
        self._away_until = 0.0

    def reached(self) -> Database | None:
        """The server's database; None while it does not answer, and then ``why_away`` says why."""
        if time.monotonic() < self._away_until:
            return None
        try:
            if self._server is None:
                self._server = open_at(self._location, patience_s=PATIENCE_S)
            else:
                self._server.require_answer()
        except DatabaseError as error:
            self.lost(error)
            return None
        self.why_away = ""
        return self._server

    def lost(self, error: DatabaseError) -> None:
        """Leave the server alone for some seconds."""
        self.why_away = str(error)
        self._away_until = time.monotonic() + ASKED_AGAIN_AFTER_S

    def ask_now(self) -> Self:
        """Forget that it was away."""
        self._away_until = 0.0
        return self

    def close(self) -> None:
        """Let go of the server."""
        if self._server is not None:
            self._server.close()


def own_record(location: Location) -> Location | None:
    """A bench's own record beside a server's; None without a server, and where nothing was recorded here for it.

    :param location: of the database that all benches share.
    """
    address = address_of(location)
    if address.get_backend_name() == "sqlite":
        return None
    own = spool_location(url_shown(address))
    file = address_of(own).database
    return own if file is not None and Path(file).is_file() else None


def open_bench_database(location: Location) -> Database:
    """The database that a bench records in: on this computer, whether the floor's is here or on a server.

    A bench first writes to its own disk, always in the same way: a point is committed in milliseconds, and a server or
    a network that fails in the middle of a visit is not noticed by it. What has ended is handed in afterwards.

    :raises DatabaseError: as :func:`db.engine.open_database`; a server that is away is no error.
    """
    if address_of(location).get_backend_name() == "sqlite":
        return open_at(location)
    floor = SharedFloor(location)
    own = spool_location(floor.shown)
    database = open_at(own)
    database.floor = floor
    return database
