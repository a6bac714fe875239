"""Two programs never drive one bench: locks of the operating system, and beside each a note of who holds it.

A lock lies beside the bench file, so that everybody who uses that file meets it; one for each address and one for each
instrument that says who it is lie in the user's state folder, so that two bench files cannot drive one instrument.
The operating system lets go of a lock when its holder ends, however it ends: a lock is never stale, and a holder's note
that nobody's lock stands behind tells that the holder was killed.
"""

from __future__ import annotations

import getpass
import hashlib
import json
import os
import socket
import sys
from contextlib import ExitStack, contextmanager, suppress
from dataclasses import asdict, dataclass, fields
from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING, Self

import platformdirs
from filelock import FileLock, Timeout
from pyvisa import rname

from rig.errors import BenchBusy, BenchProblem

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator
    from uuid import UUID

    from drivers.scpi import Identity

_WORDS_OF_A_COMMAND = 2
_NOTE = ".holder.json"
_NO_SERIAL = frozenset({"", "0", "-", "N/A", "NONE"})
"""What instruments without a serial number say in its place (common practice; IEEE 488.2-1992, 10.14, has 0)."""


@dataclass(frozen=True, slots=True)
class Holder:
    """Who drives a bench, or drove it: a person, the command, where, and since when (UTC, ISO 8601)."""

    who: str
    program: str
    host: str
    process_id: int
    since: str
    bench: str

    @classmethod
    def here(cls, bench: Path) -> Self:
        """This program."""
        return cls(
            _user(), _command(), socket.gethostname(), os.getpid(), datetime.now(UTC).isoformat(), str(bench.resolve())
        )

    def __str__(self) -> str:
        """The holder as part of a sentence."""
        since = self.since
        # a note may have been changed since it was written, or belong to another version
        with suppress(ValueError, TypeError, OverflowError):
            since = f"{datetime.fromisoformat(self.since).astimezone():%Y-%m-%d %H:%M}"
        return f"{self.program} of {self.who} on {self.host} (process {self.process_id}, since {since})"


def state_folder() -> Path:
    """Where locks and notes of this user lie."""
    return platformdirs.user_state_path("trimrig", appauthor=False)


def lock_beside(bench: Path) -> Path:
    """The lock of a bench file."""
    return bench.with_name(f"{bench.stem}.lock")


def lock_of_address(resource: str) -> Path:
    """The lock of whatever is at an address, however that is spelled."""
    try:
        canonical = rname.to_canonical_name(resource)
    except (rname.InvalidResourceName, ValueError):
        canonical = resource
    return _lock_of("address", canonical.upper())


def lock_of_instrument(identity: Identity) -> Path | None:
    """The lock of an instrument, whatever its address; None for one that has no serial number."""
    if identity.serial.strip().upper() in _NO_SERIAL:
        return None
    return _lock_of("instrument", f"{identity.maker},{identity.model},{identity.serial}".upper())


def lock_of_visit(visit_id: UUID) -> Path:
    """The lock of a visit, which is there while it runs."""
    return state_folder() / "visits" / f"{visit_id}.lock"


def _lock_of(kind: str, name: str) -> Path:
    return state_folder() / "locks" / f"{kind}-{hashlib.sha256(name.encode()).hexdigest()[:24]}.lock"


def holder_of(lock: Path) -> Holder | None:
    """Who is noted beside a lock, whether or not the lock is held; None where nobody is."""
    try:
        said = json.loads(_note_of(lock).read_bytes())
        return Holder(**{each.name: said[each.name] for each in fields(Holder)})
    except (OSError, ValueError, LookupError, TypeError):
        return None


def in_use(resource: str) -> str:
    """Who drives the instrument at an address now, as part of a sentence; empty when nobody does."""
    return _held_by(lock_of_address(resource))


def runs_now(visit_id: UUID) -> str:
    """Who runs a visit now, on this computer, as part of a sentence; empty when nobody does."""
    return _held_by(lock_of_visit(visit_id))


def benches_held() -> tuple[Path, ...]:
    """Bench files that a program of this user holds, or held when it was killed."""
    found = []
    with suppress(OSError):
        for note in sorted((state_folder() / "locks").glob(f"*{_NOTE}")):
            holder = holder_of(note.with_name(f"{note.name.removesuffix(_NOTE)}.lock"))
            found += [Path(holder.bench)] if holder is not None else []
    return tuple(dict.fromkeys(found))


def _held_by(path: Path) -> str:
    if not path.exists():
        return ""
    try:
        with FileLock(path, timeout=0):
            return ""
    except Timeout:
        holder = holder_of(path)
        return str(holder) if holder is not None else "another program"
    except NotImplementedError:
        # a file system without locks: nobody holds one there
        return ""
    except OSError as error:
        return f"another program, perhaps: its lock {path} cannot be looked at ({error.strerror})"


class Locks:
    """Locks held by this program, until the ``with`` block ends.

    :param bench: bench file that is driven.
    """

    def __init__(self, bench: Path) -> None:
        self.former: dict[int, Holder] = {}
        """Holders that went without leave, by their process."""
        self.remark = ""
        """What the locks that are held do not keep out, as a sentence; empty where they keep everybody out."""
        self._bench = bench
        self._me = Holder.here(bench)
        self._held: set[Path] = set()
        self._stack = ExitStack()

    def take_bench(self, resources: Iterable[str]) -> None:
        """Take the lock of the bench file and that of every address on it.

        :raises BenchBusy: another program holds one.
        :raises BenchProblem: no lock can be kept anywhere.
        """
        beside = self._take(lock_beside(self._bench), f"The bench {self._bench}")
        addresses = [self._take(lock_of_address(each), f"The instrument at {each}") for each in sorted(set(resources))]
        if not beside and not (addresses and all(addresses)):
            raise BenchProblem(
                f"Neither beside {self._bench} nor in {state_folder()} can a lock be kept, and without one two "
                "programs could drive one bench: make one of the two writable, or free some space there."
            )
        if not all(addresses):
            self.remark = (
                f"No lock can be kept in {state_folder()}: another bench file with the same instruments would not be "
                "noticed. Make the folder writable, or free some space there."
            )
        elif not beside:
            self.remark = (
                f"No lock can be kept beside {self._bench}: another user who drives this bench would not be noticed. "
                "Make its folder writable, or free some space there."
            )

    def take_instrument(self, identity: Identity) -> None:
        """Take the lock of an instrument that has said who it is.

        :raises BenchBusy: another program holds it.
        """
        path = lock_of_instrument(identity)
        if path is not None:
            self._take(path, f"The instrument {identity}")

    def take_visit(self, visit_id: UUID, serial: str) -> None:
        """Take the lock of a visit while it runs, where one can be kept; it is gone afterwards.

        :raises BenchBusy: another program runs it.
        """
        path = lock_of_visit(visit_id)
        if self._take(path, f"The visit of {serial}"):
            # a visit is held once or a few times, an instrument for years
            self._stack.callback(_remove, path)

    def _take(self, path: Path, what: str) -> bool:
        """Take a lock; false where none can be kept."""
        if path in self._held:
            return True
        try:
            path.parent.mkdir(parents=True, exist_ok=True)
            lock = FileLock(path, timeout=0)
            self._stack.enter_context(lock)
        except Timeout:
            holder = holder_of(path)
            raise BenchBusy(
                f"{what} is in use by {holder or 'another program, which could not leave its name'}: let it finish or "
                "end it there, and try again."
            ) from None
        except (OSError, NotImplementedError):
            return False
        self._held.add(path)
        left = holder_of(path)
        if left is not None:
            self.former[left.process_id] = left
        self._stack.callback(_forget, path)
        with suppress(OSError):
            _note_of(path).write_text(json.dumps(asdict(self._me)), encoding="utf-8")
        return True

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *_exception: object) -> None:
        self._stack.close()


@contextmanager
def locked(bench: Path, resources: Iterable[str]) -> Iterator[Locks]:
    """Hold a bench; see :meth:`Locks.take_bench`."""
    with Locks(bench) as locks:
        locks.take_bench(resources)
        yield locks


def _note_of(lock: Path) -> Path:
    return lock.with_suffix(_NOTE)


def _remove(path: Path) -> None:
    with suppress(OSError):
        path.unlink(missing_ok=True)


def _forget(lock: Path) -> None:
    with suppress(OSError):
        _note_of(lock).unlink(missing_ok=True)


def _user() -> str:
    try:
        return getpass.getuser()
    except (OSError, KeyError, ImportError):
        return "somebody"


def _command() -> str:
    """The command as it was typed, without its arguments."""
    program = Path(sys.argv[0]).stem if sys.argv else ""
    words = []
    for word in sys.argv[1 : 1 + _WORDS_OF_A_COMMAND]:
        if not word.isalpha():
            break
        words.append(word)
    return " ".join(["rig" if program in {"", "-c", "cli"} else program, *words])
