"""The program that is killed: the rig's own command line, which also notes each row once it is committed.

The notes go straight to a file: what was handed to the operating system outlives a killed program.
"""

from __future__ import annotations

import os
import sys
from importlib.abc import MetaPathFinder
from typing import TYPE_CHECKING

from rig.cli import main

if TYPE_CHECKING:
    from collections.abc import Sequence


class _Notes(MetaPathFinder):
    """Begins to note commits when the database is about to be imported: a start is not made slower by being watched."""

    def __init__(self, descriptor: int) -> None:
        self._descriptor = descriptor

    def find_spec(self, fullname: str, path: object = None, target: object = None) -> None:
        """Find nothing, but see what is looked for."""
        if fullname == "db.engine":
            sys.meta_path.remove(self)
            note_commits(self._descriptor)


def note_commits(descriptor: int) -> None:
    """Write table and key of every row that was added, after the commit that keeps it."""
    from sqlalchemy import event, inspect
    from sqlalchemy.orm import Session

    @event.listens_for(Session, "after_flush")
    def _added(session: Session, _context: object) -> None:
        for row in session.new:
            key = inspect(type(row)).primary_key_from_instance(row)
            line = " ".join([row.__tablename__, *(getattr(part, "hex", str(part)) for part in key)])
            session.info.setdefault("added", []).append(line)

    @event.listens_for(Session, "after_commit")
    def _kept(session: Session) -> None:
        for line in session.info.pop("added", []):
            os.write(descriptor, f"{line}\n".encode())


def run(committed: str, said: str, typed: str, arguments: Sequence[str]) -> None:
    """Run a command.

    :param committed: file for the rows.
    :param said: file for what it prints.
    :param typed: what is typed or scanned.
    """
    reading, writing = os.pipe()
    os.write(writing, typed.encode())
    os.close(writing)
    os.dup2(reading, 0)
    sys.stdin = open(0, encoding="utf-8", closefd=False)  # noqa: SIM115
    output = os.open(said, os.O_WRONLY | os.O_CREAT | os.O_APPEND)
    os.dup2(output, 1)
    os.dup2(output, 2)
    notes = os.open(committed, os.O_WRONLY | os.O_CREAT | os.O_APPEND)
    if "db.engine" in sys.modules:
        note_commits(notes)
    else:
        sys.meta_path.insert(0, _Notes(notes))
    sys.argv = ["rig", *arguments]
    main()


def run_in(environment: dict[str, str], committed: str, said: str, typed: str, arguments: Sequence[str]) -> None:
    """Run a command in this process, which is one of its own, with another environment."""
    os.environ.clear()
    os.environ.update(environment)
    run(committed, said, typed, arguments)


if __name__ == "__main__":
    run(*sys.argv[1:4], sys.argv[4:])
