"""A record in trouble: a disk without room, and a database that another program holds. SQLite does both."""

from __future__ import annotations

import sqlite3
from contextlib import contextmanager
from typing import TYPE_CHECKING

from sqlalchemy import event
from sqlalchemy.engine import Connection, Engine

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path

DISK_FULL, LOCKED = "disk full", "database locked by another program"
NO_LIMIT = 4_294_967_294
"""https://www.sqlite.org/pragma.html#pragma_max_page_count: no more pages than that in any case."""


class CommitCount:
    """Counts commits of every engine while it is open."""

    def __init__(self) -> None:
        self.count = 0

    def committed(self, _connection: Connection) -> None:
        self.count += 1

    @contextmanager
    def open(self) -> Iterator[CommitCount]:
        event.listen(Engine, "commit", self.committed)
        try:
            yield self
        finally:
            event.remove(Engine, "commit", self.committed)


class RecordTrouble(CommitCount):
    """Begins after a number of commits, and goes on until it is mended."""

    def __init__(self, kind: str, at: int, path: Path) -> None:
        super().__init__()
        self._kind = kind
        self._at = at
        self._path = path
        self._holder: sqlite3.Connection | None = None
        self.mended = False

    def committed(self, connection: Connection) -> None:
        super().committed(connection)
        if self._kind == LOCKED and self.count >= self._at and self._holder is None and not self.mended:
            self._holder = sqlite3.connect(self._path, isolation_level=None, timeout=5.0)

    def begun(self, connection: Connection) -> None:
        if self._kind == DISK_FULL:
            full = self.count >= self._at and not self.mended
            connection.exec_driver_sql(f"PRAGMA max_page_count = {1 if full else NO_LIMIT}")

    def about_to_begin(self) -> None:
        """The other program takes the lock as soon as it can get it."""
        if self._holder is not None and not self._holder.in_transaction:
            self._holder.execute("BEGIN IMMEDIATE")

    @contextmanager
    def open(self) -> Iterator[CommitCount]:
        def checked_out(_dbapi: object, _record: object, _proxy: object) -> None:
            self.about_to_begin()

        event.listen(Engine, "commit", self.committed)
        event.listen(Engine, "begin", self.begun)
        event.listen(Engine, "checkout", checked_out)
        try:
            yield self
        finally:
            self.mend()
            event.remove(Engine, "commit", self.committed)
            event.remove(Engine, "begin", self.begun)
            event.remove(Engine, "checkout", checked_out)

    def mend(self) -> None:
        """Room is made; the other program ends."""
        self.mended = True
        if self._holder is not None:
            self._holder.close()
            self._holder = None
