"""Backups: one portable SQLite file whichever the database is, with its SHA-256 beside it, and the way back.

A backup is written beside its place and moved there when it is whole. A restore works on a copy, looks at all of it,
and puts it in place in one step; the database that was there is kept beside it.
"""

import hashlib
import os
import shutil
import sqlite3
from collections.abc import Collection, Iterator
from contextlib import closing, contextmanager
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path

from sqlalchemy import URL

from db.chain import begin_after_restore
from db.checking import check
from db.engine import Database, address_of, open_as_it_is, open_database
from db.errors import Conflict, Damaged, DatabaseError, KeyProblem, Locked, NotFound, StorageFailed, Unreachable
from db.findings import Findings
from db.location import Location
from db.models import Person, RecordChange
from db.moving import move, table_sums
from db.people import Signer, people, require_engineer
from db.record_key import key_file, read_key
from db.revision import APPLICATION_ID

PIECE = 1 << 20


@dataclass(frozen=True, slots=True)
class Restored:
    """What a restore did: where the database that was there is kept now, and sentences on what was not verified."""

    kept: Path | None
    unverified: tuple[str, ...]


def backup(database: Database, file: Path, *, who: str, why: str) -> int:
    """Write the whole record to a file; others may go on recording meanwhile.

    :return: how many rows it holds.
    :raises Conflict: there is a file of that name.
    :raises Unreachable: its folder is not there.
    :raises Damaged: what was written cannot be read back as it was.
    """
    if file.exists():
        raise Conflict(f"The file {file} is there already and is not overwritten: name another one.")
    if not file.parent.is_dir():
        raise Unreachable(f"The folder {file.parent} for the backup does not exist: make it, or name another one.")
    with _working_file(file) as written:
        if database.is_server:
            with open_database(_address(written)) as copy:
                move(database, copy, who=who, why=why)
        else:
            database.copy_file(written)
        with open_database(_address(written)) as copy, copy.reading_connection() as connection:
            _require_whole_file(written, file)
            rows = sum(each.count for each in table_sums(connection).values())
        _as_one_file(written)
        checksum = _sha256(written)
        try:
            _checksum_file(file).write_text(f"{checksum}  {file.name}\n", encoding="utf-8")
            written.replace(file)
        except OSError:
            _checksum_file(file).unlink(missing_ok=True)
            raise
    return rows


def restore(
    file: Path,
    location: Location,
    *,
    who: str,
    why: str,
    keys: Collection[Path] = (),
    without_key: bool = False,
    signer: Signer | None = None,
) -> Restored:
    """Put a backup in the place of the database, after all of it was looked at.

    :param keys: key files of other benches whose records lie in it, beside this computer's own.
    :param without_key: also where some of its links cannot be verified, since their key is not here.
    :param signer: the engineer who does it, where roles are in use.
    :raises NotAuthorised: roles are in use, and no engineer does it; the database is untouched.
    :raises NotFound: there is no such file.
    :raises Damaged: it is truncated or altered; the database is untouched.
    :raises KeyProblem: some of its links cannot be verified; the database is untouched.
    :raises NewerSchema: a later version wrote it.
    :raises Locked: another program has the database open.
    :raises NotEmpty: on a server: the database there holds records.
    """
    address = address_of(location)
    if not file.is_file():
        raise NotFound(f"There is no backup {file}: check its name.")
    on_server = address.get_backend_name() != "sqlite"
    beside = file if on_server or address.database is None else Path(address.database)
    if location.own_folder is not None:
        Path(location.own_folder).mkdir(parents=True, exist_ok=True)
    with _working_file(beside) as copied:
        _copy_checked(file, copied)
        unverified = _require_sound(file, copied, keys, without_key=without_key)
        require_engineer(_people(location, copied), who, signer, at=datetime.now(UTC))
        if on_server:
            kept = None
            with open_database(_address(copied)) as source, open_database(location.url) as target:
                move(source, target, who=who, why=why)
        else:
            kept = _kept_aside(beside)
            copied.replace(beside)
            _sync_folder(beside.parent)
    with open_database(location.url) as database:
        _declare(database, file, who=who, why=why, verified=not unverified)
    return Restored(kept, unverified)


def _people(location: Location, copied: Path) -> dict[str, Person]:
    """Who works here: by the database that is there, or by the backup where that one knows of no engineer."""
    address = address_of(location)
    there = address.get_backend_name() == "sqlite" and address.database is not None and Path(address.database).exists()
    # a server's database is empty, or nothing is restored into it
    for place in (*([location] if there else []), Location(_address(copied), "the backup", None)):
        try:
            with open_as_it_is(place) as database, database.reading() as session:
                known = people(session)
                session.expunge_all()
        except DatabaseError:
            # it is past reading, or of a schema without people: that is what a restore is for
            continue
        if any(each.role == "engineer" for each in known.values()):
            return known
    return {}


def _declare(database: Database, file: Path, *, who: str, why: str, verified: bool) -> None:
    """Begin a chain that says so, with its first link in the same transaction: without one it would say nothing."""
    what = f"restored from {file.name}{'' if verified else ', not verified for want of a key'}"
    with database.session() as session:
        begin_after_restore(database.keeper, session.connection(), who=who, why=why)
        session.add(RecordChange(what=what, who=who, reason=why, made_utc=datetime.now(UTC)))


def _copy_checked(file: Path, copied: Path) -> None:
    """Copy a backup, and hold it against the checksum that lies beside it, where one does."""
    try:
        shutil.copyfile(file, copied)
        beside = _checksum_file(file)
        expected = beside.read_text(encoding="utf-8").split()[:1] if beside.is_file() else None
    except OSError as error:
        raise StorageFailed(
            f"The backup {file} cannot be copied ({error.strerror}): check its rights, and the room on both disks."
        ) from None
    if expected is not None and expected != [_sha256(copied)]:
        raise Damaged(
            f"The backup {file} is not as it was written (its SHA-256 differs from the one in {beside.name}), and the "
            "database is untouched: take another backup."
        )


def _require_sound(file: Path, copied: Path, key_files: Collection[Path], *, without_key: bool) -> tuple[str, ...]:
    """See that it is a whole record of ours, bring it to this schema, and hold every row against its chain.

    :return: what was not verified, in sentences.
    """
    _require_whole_file(copied, file)
    own = [key_file()] if key_file().exists() else []
    try:
        keys = [read_key(path) for path in (*own, *key_files)]
        with open_database(_address(copied)) as opened, opened.reading_connection() as connection:
            found = check(connection, keys, own, older=True)
    except DatabaseError as error:
        said = str(error).replace(str(copied), file.name)
        raise type(error)(f"The backup {file} was not restored, and the database is untouched. {said}") from None
    if not found.unaltered:
        raise Damaged(
            f"The backup {file} was altered after it was recorded ({_first(found)}), and the database is untouched: "
            "take another backup."
        )
    unverified = (*(each.sentence for each in found.unverified), *found.unchecked)
    if unverified and not without_key:
        raise KeyProblem(
            f"The backup {file} was not restored, and the database is untouched: {found.rows_unverified} of its rows "
            f"could not be verified ({unverified[0].rstrip('.')}); name the key's file with --key or "
            "RIG_RECORD_KEY_FILE, or, where it is lost, restore with --without-key."
        )
    _as_one_file(copied)
    return unverified


def _first(found: Findings) -> str:
    return next(each.sentence.rstrip(".") for each in found.flaws if not each.uncovered)


def _require_whole_file(path: Path, shown: Path) -> None:
    """Every page of the file and every reference in it."""
    try:
        with closing(sqlite3.connect(f"{path.resolve().as_uri()}?mode=ro", uri=True)) as connection:
            wrong = connection.execute("PRAGMA integrity_check(1)").fetchone()[0]
            pages = connection.execute("PRAGMA page_count").fetchone()[0]
            owner = connection.execute("PRAGMA application_id").fetchone()[0]
            size = connection.execute("PRAGMA page_size").fetchone()[0]
    except sqlite3.Error as error:
        wrong, pages, size, owner = str(error), 0, 0, 0
    if wrong == "ok" and path.stat().st_size < pages * size:
        wrong = "it is shorter than it says"
    if wrong == "ok" and owner != APPLICATION_ID:
        wrong = "there is no record in it"
    if wrong != "ok":
        raise Damaged(
            f"The backup {shown} is truncated or damaged ({' '.join(str(wrong).split())}), and the database is "
            "untouched: take another backup."
        )


def _kept_aside(file: Path) -> Path | None:
    """Keep the database that is there under another name, once nobody has it open; it stays in place as well."""
    if not file.exists():
        return None
    _require_alone(file)
    kept = file.with_name(f"{file.name}.before-restore-{datetime.now(UTC):%Y%m%dT%H%M%S%f}Z")
    try:
        os.link(file, kept)
    except OSError:
        # some file systems know no second name
        shutil.copyfile(file, kept)
    for ending in ("-wal", "-shm"):
        left = file.with_name(file.name + ending)
        if left.exists():
            left.replace(kept.with_name(kept.name + ending))
    return kept


def _require_alone(file: Path) -> None:
    """Bring the write-ahead log into the file, which only works where no other program has it open."""
    try:
        with closing(sqlite3.connect(file, timeout=1.0)) as connection:
            connection.execute("PRAGMA wal_checkpoint(TRUNCATE)")
            connection.execute("PRAGMA journal_mode = DELETE").fetchone()
    except sqlite3.OperationalError as error:
        if getattr(error, "sqlite_errorcode", 0) & 0xFF in (sqlite3.SQLITE_BUSY, sqlite3.SQLITE_LOCKED):
            raise Locked(
                f"The database {file} is open in another program: close that first, and restore again."
            ) from None
    except sqlite3.DatabaseError:
        # it is so damaged that it cannot be opened: that is what a restore is for
        return


def _as_one_file(path: Path) -> None:
    """Without a write-ahead log beside it, so that the one file is all of it, on the disk."""
    with closing(sqlite3.connect(path)) as connection:
        connection.execute("PRAGMA journal_mode = DELETE").fetchone()
    with path.open("rb+") as file:
        os.fsync(file.fileno())


@contextmanager
def _working_file(beside: Path) -> Iterator[Path]:
    """A file to work on beside another one, gone at the end with whatever SQLite put beside it."""
    path = beside.with_name(f"{beside.name}.{os.getpid()}.new")
    try:
        yield path
    finally:
        for ending in ("", "-wal", "-shm", "-journal"):
            path.with_name(path.name + ending).unlink(missing_ok=True)


def _address(path: Path) -> str:
    return URL.create("sqlite", database=str(path.resolve())).render_as_string()


def _checksum_file(file: Path) -> Path:
    return file.with_name(f"{file.name}.sha256")


def _sha256(path: Path) -> str:
    with path.open("rb") as file:
        return hashlib.file_digest(file, "sha256").hexdigest()


def _sync_folder(folder: Path) -> None:
    if os.name != "posix":
        return
    handle = os.open(folder, os.O_RDONLY)
    try:
        os.fsync(handle)
    finally:
        os.close(handle)
