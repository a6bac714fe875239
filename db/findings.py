"""What a check of the record found: flaws, and what could not be verified for want of a key."""

from dataclasses import dataclass, field
from uuid import UUID

from db.chain import Head

FLAWS_KEPT = 1000
"""Flaws past this number are counted and not kept: where so much is wrong, a backup is wanted and not a list."""
NOTES_KEPT = 40


@dataclass(frozen=True, slots=True)
class Flaw:
    """Something that the program did not do: in which table, of which visit and unit, and what it is."""

    table: str
    visit_id: UUID | None
    serial: str
    what: str
    uncovered: bool = False

    @property
    def sentence(self) -> str:
        """For people."""
        whose = f" of visit {self.visit_id} (unit {self.serial})" if self.visit_id is not None else ""
        return f"{self.table}{whose}: {self.what}."


@dataclass(frozen=True, slots=True)
class UnverifiedChain:
    """A chain whose key is not at hand: anybody may have written it."""

    chain_id: UUID
    place: str
    key_id: str
    links: int

    @property
    def sentence(self) -> str:
        """For people."""
        plural = "" if self.links == 1 else "s"
        return (
            f"Chain {self.chain_id} of {shown(self.place)} names the key {shown(self.key_id)}, which is not here: its "
            f"{self.links} link{plural} could not be verified."
        )


def shown(text: str) -> str:
    """A text that somebody else may have written, so that it does nothing to a terminal and stays on its line."""
    return "".join(sign if sign.isprintable() else "?" for sign in text[:200])


@dataclass(slots=True)
class Findings:
    """What a check found. ``notes`` are no flaws; ``unchecked`` says what could not be looked at, and why."""

    visits: int = 0
    open_visits: int = 0
    links: int = 0
    rows_verified: int = 0
    rows_unverified: int = 0
    heads: list[Head] = field(default_factory=list)
    flaws: list[Flaw] = field(default_factory=list)
    flaws_count: int = 0
    uncovered_count: int = 0
    unverified: list[UnverifiedChain] = field(default_factory=list)
    unchecked: list[str] = field(default_factory=list)
    notes: list[str] = field(default_factory=list)

    @property
    def sound(self) -> bool:
        """Whether nothing is wrong, and all of it was verified."""
        return self.flaws_count == 0 and not self.unverified and not self.unchecked

    @property
    def unaltered(self) -> bool:
        """Whether nothing that a link covers is wrong; there may be records that none covers."""
        return self.flaws_count == self.uncovered_count

    def flaw(self, table: str, what: str, visit_id: UUID | None = None, serial: str = "") -> None:
        """Add one."""
        self._add(Flaw(table, visit_id, serial, what))

    def uncovered(self, table: str, what: str, visit_id: UUID | None = None, serial: str = "") -> None:
        """Add something that no link covers."""
        self.uncovered_count += 1
        self._add(Flaw(table, visit_id, serial, f"no link covers {what}, it was recorded past the chain", True))

    def count(self, rows: int, *, verified: bool) -> None:
        """Add rows that are as their links have them."""
        if verified:
            self.rows_verified += rows
        else:
            self.rows_unverified += rows

    def doubtful(self, table: str, key: str, visit_id: UUID, serial: str) -> None:
        """Say that a row was added to a verified visit by a link that could not be verified."""
        if len(self.notes) < NOTES_KEPT:
            row = Flaw(table, visit_id, serial, f"the row {key} rests on a link that could not be verified")
            self.notes.append(row.sentence)

    def _add(self, flaw: Flaw) -> None:
        self.flaws_count += 1
        if len(self.flaws) < FLAWS_KEPT:
            self.flaws.append(flaw)
