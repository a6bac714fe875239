"""What an instrument means by an error, as far as it tells which spelling it takes."""

from __future__ import annotations

from enum import Enum, auto

from drivers.errors import ErrorEntry

# SCPI-1999 volume 2, 21.8.9: headers that are not there, or not with this number
_HEADER = frozenset({-100, -101, -102, -103, -110, -111, -112, -113, -114})
# the same volume, 21.8.10: while the front panel has the instrument, or something is locked
_LOCAL = frozenset({-201, -203})
# the same clause: too many parameters, too few, of another kind
_PARAMETER = frozenset(
    {-104, -105, -108, -109, -120, -121, -128, -130, -131, -138, -140, -141, -144, -148, -150, -151, -158, -160, -168}
    | {-170, -171, -178}
)
# SCPI-1999 volume 2, 21.8.10: the header is there, the value is not one that it takes
_VALUE = frozenset({-123, -124, -220, -222, -223, -224})


class Refusal(Enum):
    """Why an instrument did not take a spelling."""

    LOCAL = auto()
    """It takes no setting while its front panel has it."""
    HEADER = auto()
    """It does not know the header."""
    PARAMETER = auto()
    """It knows the header, with other parameters."""
    VALUE = auto()
    """It knows header and parameters, and does not take this value."""
    OTHER = auto()
    """It knows what is meant, and cannot do it now, or complains about something else."""


def refusal_of(entries: tuple[ErrorEntry, ...]) -> Refusal:
    """Return what a whole error queue means for the spelling that filled it.

    What speaks of the header counts more than what follows from it, such as a query that then has no answer (-420).
    Numbers of a maker's own, above 0, are told by their text.
    """
    kinds = [_refusal(entry) for entry in entries]
    for kind in (Refusal.LOCAL, Refusal.HEADER, Refusal.PARAMETER, Refusal.VALUE):
        if kind in kinds:
            return kind
    return Refusal.OTHER


def _refusal(entry: ErrorEntry) -> Refusal:
    if entry.code in _LOCAL:
        return Refusal.LOCAL
    if entry.code in _HEADER:
        return Refusal.HEADER
    if entry.code in _PARAMETER:
        return Refusal.PARAMETER
    if entry.code in _VALUE or entry.code == -200:
        return Refusal.VALUE
    if entry.code > 0:
        return _by_text(f"{entry.text} {entry.detail}".lower())
    return Refusal.OTHER


def _by_text(text: str) -> Refusal:
    if any(word in text for word in ("in local", "local mode", "remote")):
        return Refusal.LOCAL
    if any(word in text for word in ("range", "value", "limit")):
        return Refusal.VALUE
    if "parameter" in text or "argument" in text:
        return Refusal.PARAMETER
    if any(word in text for word in ("command", "header", "syntax", "undefined", "unknown", "invalid")):
        return Refusal.HEADER
    return Refusal.OTHER
