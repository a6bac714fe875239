"""What asking found out."""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum
from typing import Generic, TypeVar

from drivers.dialect import LinkDialect
from drivers.scpi import Identity

DialectT_co = TypeVar("DialectT_co", covariant=True)


class Evidence(StrEnum):
    """How it is known that a spelling is taken."""

    READ_BACK = "read back"
    """The setting came back when it was asked for."""
    ACCEPTED = "accepted"
    """The instrument reports errors, and reported none."""
    ANSWERED = "answered"
    """The question was answered."""
    IMPLIED = "implied"
    """It follows from another spelling, and was not tried."""
    NONE = "not found"
    """No spelling that was tried is taken."""


@dataclass(frozen=True, slots=True)
class Capability:
    """One thing that an instrument can do, or cannot.

    :param spelling: how it takes it; empty when it takes none that was tried.
    :param said: the instrument's own words about the first spelling that it refused.
    """

    name: str
    spelling: str
    evidence: Evidence
    said: str = ""

    @property
    def known(self) -> bool:
        """Whether the instrument can do it."""
        return bool(self.spelling)


@dataclass(frozen=True, slots=True)
class LinkFindings:
    """What every message rests on.

    :param termination: ends a message in both directions.
    :param patience_s: how long an answer to an ordinary question may be waited for.
    :param drops_rest: whether it forgets the rest of a message, answers included, at its first error.
    :param losses: what is not there, and what that costs, one sentence each.
    """

    identity: Identity
    dialect: LinkDialect
    termination: str
    patience_s: float
    drops_rest: bool
    capabilities: tuple[Capability, ...]
    losses: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class RoleFindings(Generic[DialectT_co]):
    """What an instrument can do in one role.

    :param missing: why it cannot fill the role, one sentence each; empty when it can.
    :param losses: what it cannot do that the role can live without, and what that costs, one sentence each.
    """

    role: str
    dialect: DialectT_co
    capabilities: tuple[Capability, ...]
    missing: tuple[str, ...]
    losses: tuple[str, ...]

    @property
    def fills(self) -> bool:
        """Whether the instrument can fill the role."""
        return not self.missing
