"""What is owed to safety: a small note, written before a source may put anything out, gone when it is safe again.

A program that is killed leaves the source as it was. The note stands beside the bench file (in the user's state folder
where nobody may write beside it) and holds all that is needed to bring that source to 0 V with its output off, even
when the bench file was changed since. Whatever uses the bench next does that first.
"""

from __future__ import annotations

import hashlib
import json
import os
from contextlib import suppress
from dataclasses import asdict, dataclass
from pathlib import Path

from pydantic import TypeAdapter, ValidationError

from drivers.dialect import LinkDialect, SourceDialect, require_whole
from drivers.errors import DriverError
from drivers.link import SerialOptions
from drivers.scpi import Identity
from drivers.secrets import without_secrets
from drivers.session import Session
from drivers.source import Source, VoltageLimits
from rig.bench_lock import Holder, benches_held, locked, state_folder
from rig.errors import BenchProblem, StillOwed


@dataclass(frozen=True, slots=True)
class Debt:
    """A source, and how it is brought to 0 V with its output off.

    :param identity: who answered there; ``None`` when whoever answers is meant.
    :param channel_never_asked: the output that is wired, where nobody knows how it is named; ``None`` else.
    """

    resource: str
    termination: str
    timeout_s: float
    serial: SerialOptions
    link: LinkDialect
    dialect: SourceDialect
    identity: Identity | None
    channel_never_asked: int | None = None


@dataclass(frozen=True, slots=True)
class Note:
    """A debt as it is written down, and whose it is."""

    debt: Debt
    by: Holder


_NOTE = TypeAdapter(Note)


def places(bench: Path) -> tuple[Path, Path]:
    """Where the note of a bench file may stand: beside it, or in the user's state folder."""
    key = hashlib.sha256(os.fsencode(bench.resolve())).hexdigest()[:24]
    return bench.with_name(f"{bench.stem}.owed.json"), state_folder() / "owed" / f"{key}.json"


class SafetyNote:
    """The promise of one program to leave one source safe (:class:`drivers.source.Promise`)."""

    def __init__(self, bench: Path, debt: Debt) -> None:
        self._bench = bench
        self._note = Note(debt, Holder.here(bench))
        self._written = False

    def give(self) -> None:
        """Write the note, where it does not stand yet; on return it would outlive a power cut.

        :raises BenchProblem: it can be written nowhere.
        """
        if self._written:
            return
        reasons = []
        for place in places(self._bench):
            try:
                _write(place, json.dumps(asdict(self._note), indent=1))
            except OSError as error:
                reasons.append(f"{place}: {error.strerror}")
                continue
            self._written = True
            return
        raise BenchProblem(
            "The source stays off: what is owed to safety if this program is killed can be noted nowhere "
            f"({'; '.join(reasons)}). Make room, or make one of the two writable."
        )

    @property
    def debt(self) -> Debt:
        """What is promised."""
        return self._note.debt

    @property
    def given(self) -> bool:
        """Whether the note stands."""
        return self._written

    def now(self, debt: Debt) -> None:
        """Promise this from here on, now that more is known of the source; a note that stands is written anew.

        :raises BenchProblem: it can be written nowhere.
        """
        self._note = Note(debt, self._note.by)
        if self._written:
            self._written = False
            self.give()

    def keep(self) -> None:
        """Take the note away: the source is safe. One that cannot be taken away costs a moment at the next start."""
        self._written = not forget(self._bench)


def forget(bench: Path) -> bool:
    """Take the note of a bench away; false where it still stands."""
    for place in places(bench):
        with suppress(OSError):
            place.unlink(missing_ok=True)
    return not is_owed(bench)


def forget_by_hand(bench: Path) -> bool:
    """Take the note of a bench away, because somebody has switched its source off.

    :return: whether there was one.
    :raises BenchBusy: the program that wrote it is still there.
    :raises BenchProblem: it cannot be taken away.
    """
    if not is_owed(bench):
        return False
    with locked(bench, _addresses_noted(bench)):
        if not forget(bench):
            raise BenchProblem(
                f"The note {' or '.join(map(str, places(bench)))} cannot be taken away: make its folder writable."
            )
    return True


def _addresses_noted(bench: Path) -> list[str]:
    found = []
    for place in places(bench):
        with suppress(StillOwed):
            found += [_read(place, bench).debt.resource] if place.exists() else []
    return found


def is_owed(bench: Path) -> bool:
    """Whether a note stands for a bench file."""
    return any(place.exists() for place in places(bench))


def owed_benches() -> tuple[Path, ...]:
    """Bench files of this user for which a note stands, as far as it is known which there are."""
    elsewhere = []
    with suppress(OSError):
        for place in sorted((state_folder() / "owed").glob("*.json")):
            with suppress(StillOwed):
                elsewhere.append(Path(_read(place, place).by.bench))
    return tuple(bench for bench in dict.fromkeys((*benches_held(), *elsewhere)) if is_owed(bench))


def do_what_is_owed(bench: Path) -> str:
    """Bring the source that a killed program left on to 0 V with its output off, before anything else.

    :return: what was done, in a sentence; empty when nothing was owed.
    :raises BenchBusy: the program that owes it is still there.
    :raises StillOwed: it could not be done; somebody has to switch the source off by hand.
    """
    if not is_owed(bench):
        return ""
    notes = [_read(place, bench) for place in places(bench) if place.exists()]
    with locked(bench, [note.debt.resource for note in notes]):
        return done_while_locked(bench)


def done_while_locked(bench: Path) -> str:
    """The same for whoever holds the bench already."""
    said = []
    for place in places(bench):
        if place.exists():
            note = _read(place, bench)
            make_safe(note.debt, bench, note.by)
            with suppress(OSError):
                place.unlink(missing_ok=True)
            said.append(
                f"{note.by} left the source at {_shown(note.debt)} on and ended without leave: it is at 0 V with its "
                "output off now."
            )
    return " ".join(said)


def make_safe(debt: Debt, bench: Path, by: Holder | None = None) -> None:
    """Bring a source to 0 V with its output off, and have it confirm both.

    :param by: who left it on.
    :raises StillOwed: it could not be confirmed.
    """
    if debt.channel_never_asked is not None:
        reason = f"the source's channel {debt.channel_never_asked} was never asked: rig bench check {bench}"
        raise _still(debt, bench, by, reason)
    try:
        with Session.open(
            debt.resource,
            role="source",
            timeout_s=debt.timeout_s,
            termination=debt.termination,
            link=debt.link,
            serial=debt.serial,
        ) as session:
            if debt.identity is not None and session.identity != debt.identity:
                raise _still(debt, bench, by, f"{session.identity} answers there, and it was {debt.identity}")
            Source(session, VoltageLimits(0.0, 0.0), debt.dialect)
    except DriverError as error:
        raise _still(debt, bench, by, str(error)) from error


def _still(debt: Debt, bench: Path, by: Holder | None, reason: str) -> StillOwed:
    left = f", left on by {by}," if by is not None else ""
    return StillOwed(
        f"The source at {_shown(debt)}{left} could not be brought to 0 V with its output off: switch its output off by "
        f"hand now, before you touch the unit, then type rig bench safe {bench} --by-hand ({reason})"
    )


def _shown(debt: Debt) -> str:
    return without_secrets(debt.resource)


def _write(place: Path, text: str) -> None:
    """Write a file that is whole or not there, and on the disk when this returns.

    :raises OSError: it cannot be written.
    """
    place.parent.mkdir(parents=True, exist_ok=True)
    draft = place.with_name(f"{place.name}.part")
    with draft.open("w", encoding="utf-8") as file:
        file.write(text)
        file.flush()
        os.fsync(file.fileno())
    draft.replace(place)
    if os.name == "posix":
        # the name is on the disk when the folder is; Windows cannot, and need not (from memory)
        folder = os.open(place.parent, os.O_RDONLY)
        try:
            os.fsync(folder)
        finally:
            os.close(folder)


def _read(place: Path, bench: Path) -> Note:
    """Read a note.

    :raises StillOwed: it stands there, and cannot be read.
    """
    try:
        note = _NOTE.validate_json(place.read_bytes())
        require_whole(note.debt.dialect)
        require_whole(note.debt.link)
        return note
    except (OSError, ValueError) as error:
        reason = (
            f"{error.error_count()} fields are wrong"
            if isinstance(error, ValidationError)
            else error.strerror
            if isinstance(error, OSError)
            else str(error)
        )
        raise StillOwed(
            f"A program that was killed may have left the source of {bench} on, and its note {place} cannot be read "
            f"({reason}): switch the source's output off by hand now, then type rig bench safe {bench} --by-hand"
        ) from None
