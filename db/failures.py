"""Turns what SQLAlchemy and the drivers raise into the errors of this package."""

import sqlite3
from collections.abc import Iterator
from contextlib import contextmanager

from db import errors
from db.failures_postgresql import is_from_postgresql, of_postgresql

# Primary result codes (https://www.sqlite.org/rescode.html); extended codes carry them in the low byte.
_SENTENCES: dict[int, tuple[type[errors.DatabaseError], str]] = {
    sqlite3.SQLITE_BUSY: (
        errors.Locked,
        "The database {place} is held by another program: wait until that has finished, or close it, and try again.",
    ),
    sqlite3.SQLITE_LOCKED: (
        errors.Locked,
        "The database {place} is held by another part of this program: finish that first and try again.",
    ),
    sqlite3.SQLITE_READONLY: (
        errors.ReadOnly,
        "The database {place} can be read but not written: make the file and its folder writable, "
        "or name another database in RIG_DATABASE_URL.",
    ),
    sqlite3.SQLITE_FULL: (
        errors.DiskFull,
        "No room is left for the database {place}: free some space on that disk; all that was recorded before is kept.",
    ),
    sqlite3.SQLITE_CANTOPEN: (
        errors.Unreachable,
        "The database {place} cannot be opened: check that its folder exists and that you may read and write there.",
    ),
    sqlite3.SQLITE_NOTADB: (
        errors.NotADatabase,
        "The file {place} is not a database: move it away, or name another one in RIG_DATABASE_URL.",
    ),
    sqlite3.SQLITE_CORRUPT: (
        errors.Damaged,
        "The database {place} is damaged: keep the file, and restore the last backup beside it.",
    ),
    sqlite3.SQLITE_IOERR: (
        errors.StorageFailed,
        "The disk reported an error ({detail}) at the database {place}: check the disk and its connection; "
        "all that was recorded before is kept.",
    ),
    sqlite3.SQLITE_PERM: (
        errors.Unreachable,
        "Access to the database {place} is not permitted: check the rights on the file and its folder.",
    ),
}


@contextmanager
def translated(place: str) -> Iterator[None]:
    """Let nothing but errors of this package out of the block, as far as the database caused them.

    :param place: the database, as it may be shown.
    :raises DatabaseError: in place of the error that SQLAlchemy or a driver raised.
    """
    try:
        yield
    except Exception as error:
        cause = _of_database(error)
        if cause is None:
            raise
        raise _ours(cause, place) from error


def _of_database(error: Exception) -> BaseException | None:
    """What a database raised, out of SQLAlchemy's wrapping; None for anything else.

    SQLAlchemy is known by its name first: where nothing has loaded it, nothing is wrapped in it.
    """
    if isinstance(error, sqlite3.Error) or is_from_postgresql(error):
        return error
    if type(error).__module__.partition(".")[0] != "sqlalchemy":
        return None
    from sqlalchemy.exc import StatementError

    return (error.orig or error) if isinstance(error, StatementError) else None


def _ours(error: BaseException, place: str) -> BaseException:
    if isinstance(error, errors.DatabaseError):
        return error
    if is_from_postgresql(error):
        return of_postgresql(error, place)
    if not isinstance(error, sqlite3.Error):
        return errors.InvalidValue(f"A value cannot be stored in {place} ({error}): correct it and try again.")
    code = getattr(error, "sqlite_errorcode", 0)
    if code == sqlite3.SQLITE_CONSTRAINT_TRIGGER:
        return errors.Protected(f"The database {place} refused a change: {error}.")
    if isinstance(error, sqlite3.IntegrityError):
        return errors.Conflict(
            f"The database {place} refused a row ({error}): it disagrees with what is recorded, or is incomplete."
        )
    kind, sentence = _SENTENCES.get(
        code & 0xFF,
        (errors.StorageFailed, "The database {place} reported an error ({detail}): note it and report it."),
    )
    return kind(sentence.format(place=place, detail=error))
