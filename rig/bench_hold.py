"""Holding a bench: nobody else drives it, what an earlier program owed is done, and what this one owes is noted."""

from __future__ import annotations

from contextlib import contextmanager
from typing import TYPE_CHECKING

from drivers.dialect import LinkDialect, SourceDialect
from rig.bench_lock import Locks
from rig.bench_profile import LINE_ENDS
from rig.bench_roles import instrument_of
from rig.owed import Debt, SafetyNote, done_while_locked

if TYPE_CHECKING:
    from collections.abc import Iterator, Mapping

    from drivers.scpi import Identity
    from drivers.session import Session
    from rig.bench import BenchFile, Provider
    from rig.bench_profile import BenchProfile
    from rig.tomlfile import Loaded


class Hold:
    """A held bench. Instruments that die with this program need no lock, and owe nothing.

    ``done`` says what was owed by a program that was killed, and has been done; empty when nothing was.
    """

    def __init__(self, loaded: Loaded[BenchFile], provider: Provider, locks: Locks) -> None:
        self.done = ""
        self._loaded = loaded
        self._provider = provider
        self._locks = locks

    @property
    def remark(self) -> str:
        """Whom the hold does not keep out, as a sentence; empty where it keeps everybody out."""
        return self._locks.remark

    def instrument(self, identity: Identity) -> None:
        """Hold an instrument that has said who it is, whatever its address.

        :raises BenchBusy: another program drives it, from another bench file or under another address.
        """
        if self._provider.names_differ:
            self._locks.take_instrument(identity)

    def promise(self, session: Session, profile: BenchProfile) -> SafetyNote | None:
        """The promise of this program to leave its source safe; none where the source dies with it.

        :param session: the source's, open.
        """
        if not self._provider.outlives_program:
            return None
        return SafetyNote(self._loaded.path, debt_of(session.resource, self._loaded, profile, session.identity))


@contextmanager
def held(loaded: Loaded[BenchFile], provider: Provider) -> Iterator[Hold]:
    """Hold the bench of a bench file while in the block.

    :raises BenchBusy: another program drives it, or an instrument on it.
    :raises StillOwed: a program that was killed left the source on, and it cannot be made safe.
    :raises BenchProblem: no lock can be kept.
    """
    with Locks(loaded.path) as locks:
        hold = Hold(loaded, provider, locks)
        if provider.outlives_program:
            locks.take_bench(addresses(loaded.contents, provider.resources))
            hold.done = done_while_locked(loaded.path)
        yield hold


def debt_of(resource: str, loaded: Loaded[BenchFile], profile: BenchProfile, identity: Identity | None) -> Debt:
    """How the source of a bench file is made safe.

    :param resource: its address, without names in braces.
    :raises BenchProblem: the profile is not that of the source as the bench file has it now.
    """
    file = loaded.contents
    asked, place, channel = profile.source, instrument_of(file.roles, "source"), file.source.channel
    if asked is not None:
        asked.require_place("source", place.resource, channel, loaded.path)
        if not (asked.dialect.set_voltage and asked.dialect.programmed):
            asked.require("source", place.resource, channel, loaded.path)
    return Debt(
        resource=resource,
        termination=LINE_ENDS[place.line_end if asked is None else asked.line_end],
        timeout_s=file.source.timeout_s,
        serial=place.serial.options(),
        link=asked.link if asked else LinkDialect(),
        dialect=asked.dialect if asked else SourceDialect(),
        identity=identity,
        channel_never_asked=channel if asked is None else None,
    )


def addresses(file: BenchFile, provided: Mapping[str, str]) -> tuple[str, ...]:
    """Addresses of all instruments of a bench file; one that uses an unknown name is left out, and refused later."""
    found = []
    for role in file.roles.values():
        try:
            found += [role.resource.format_map(dict(provided))] if role.resource else []
        except (KeyError, ValueError, IndexError):
            continue
    return tuple(found)
