"""Turns what PostgreSQL's driver raises into the errors of this package, by SQLSTATE.

Codes: PostgreSQL documentation, appendix A. The driver itself is not imported: it may not be installed.
"""

from db import errors
from db.protection_postgresql import REFUSED

_AWAY = (
    errors.Unreachable,
    "The server of the database {place} does not answer ({detail}): check that it runs and can be reached.",
)
_REFUSED = (
    errors.Unreachable,
    "The server of the database {place} refused the name or the password ({detail}): correct the address, or the "
    "password file ~/.pgpass.",
)
_BUSY = (
    errors.Locked,
    "The database {place} is held by another program: wait until that has finished, or close it, and try again.",
)
_FULL = (
    errors.DiskFull,
    "No room is left for the database {place}: free some space on the server; all that was recorded before is kept.",
)
_READ_ONLY = (
    errors.ReadOnly,
    "The database {place} can be read but not written ({detail}): have its owner grant the right to write, or name "
    "another database in RIG_DATABASE_URL.",
)
_NO_RIGHT = (
    errors.ReadOnly,
    "The database {place} refuses its user what was asked for ({detail}): have its owner grant the right to read and "
    "the right to write, or name another database in RIG_DATABASE_URL.",
)
_DAMAGED = (
    errors.Damaged,
    "The database {place} is damaged ({detail}): keep it as it is, and restore the last backup into another one.",
)
_ANY = (errors.StorageFailed, "The database {place} reported an error ({detail}): note it and report it.")

_BY_CODE: dict[str, tuple[type[errors.DatabaseError], str]] = {
    "3D000": (
        errors.Unreachable,
        "There is no database {place} on that server ({detail}): have it made, or correct RIG_DATABASE_URL.",
    ),
    "25006": _READ_ONLY,
    "42501": _NO_RIGHT,
    "55P03": _BUSY,
    "40001": _BUSY,
    "40P01": _BUSY,
}
_BY_CLASS: dict[str, tuple[type[errors.DatabaseError], str]] = {
    "08": _AWAY,
    "28": _REFUSED,
    "53": _FULL,
    "57": _AWAY,
    "58": _DAMAGED,
    "XX": _DAMAGED,
}
_REFUSALS = ("authentication failed", "no password supplied", "no pg_hba.conf entry", "role ")


def is_from_postgresql(error: BaseException) -> bool:
    """Whether the driver of PostgreSQL raised it."""
    return type(error).__module__.partition(".")[0] == "psycopg"


def of_postgresql(error: BaseException, place: str) -> errors.DatabaseError:
    """The error of ours that says the same.

    :param place: the database, as it may be shown.
    """
    code = getattr(error, "sqlstate", None) or ""
    detail = _one_line(str(error))
    if code == REFUSED:
        return errors.Protected(f"The database {place} refused a change: {detail}.")
    if code.startswith("23"):
        return errors.Conflict(
            f"The database {place} refused a row ({detail}): it disagrees with what is recorded, or is incomplete."
        )
    if code.startswith("22"):
        return errors.InvalidValue(f"A value cannot be stored in {place} ({detail}): correct it and try again.")
    kind, sentence = _BY_CODE.get(code) or _BY_CLASS.get(code[:2]) or (_unnamed(detail) if not code else _ANY)
    return kind(sentence.format(place=place, detail=detail))


def _unnamed(detail: str) -> tuple[type[errors.DatabaseError], str]:
    """Without a code the client library speaks, while it connects or when the link broke."""
    if "does not exist" in detail and "database" in detail:
        return _BY_CODE["3D000"]
    return _REFUSED if any(each in detail for each in _REFUSALS) else _AWAY


def _one_line(text: str) -> str:
    lines = [line.strip() for line in text.splitlines() if line.strip() and not line.startswith(("CONTEXT", "LINE"))]
    first = lines[0] if lines else "no reason given"
    return first.removeprefix("connection failed: ").rstrip(".")
