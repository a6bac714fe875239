"""Values as the tables keep them, and back: natively on PostgreSQL, compactly on SQLite.

SQLite has integers, doubles, text and bytes. A UUID is its 16 bytes there, a moment the microseconds since 1970-01-01
UTC, a calendar day ISO 8601 text, a truth value 0 or 1; a JSON value is canonical text on both.
"""

import json
from datetime import UTC, date, datetime, timedelta
from typing import Any
from uuid import UUID

from db.errors import InvalidValue

_EPOCH = datetime(1970, 1, 1, tzinfo=UTC)
_MICROSECOND = timedelta(microseconds=1)


def identifier(value: UUID | bytes) -> UUID:
    """UUID, from either."""
    return value if isinstance(value, UUID) else UUID(bytes=value)


def perhaps_identifier(value: UUID | bytes | None) -> UUID | None:
    """UUID, from either; None as it is."""
    return None if value is None else identifier(value)


def moment(value: datetime | int) -> datetime:
    """Aware time in UTC, from either."""
    return value.astimezone(UTC) if isinstance(value, datetime) else _EPOCH + value * _MICROSECOND


def perhaps_moment(value: datetime | int | None) -> datetime | None:
    """Aware time in UTC, from either; None as it is."""
    return None if value is None else moment(value)


def microseconds(value: datetime) -> int:
    """Microseconds since 1970-01-01 UTC of an aware time, as SQLite keeps it.

    :raises InvalidValue: the time has no zone.
    """
    return (require_zone(value) - _EPOCH) // _MICROSECOND


def require_zone(value: datetime) -> datetime:
    """The same time.

    :raises InvalidValue: it has no zone.
    """
    if value.utcoffset() is None:
        raise InvalidValue(f"The time {value.isoformat()} has no time zone: store times in UTC.")
    return value


def day(value: date | str) -> date:
    """Calendar day, from either."""
    return date.fromisoformat(value) if isinstance(value, str) else value


def is_text(value: str) -> bool:
    """Whether it holds neither a NUL nor a lone surrogate, which not every database keeps as it is."""
    return "\0" not in value and not any("\ud800" <= character <= "\udfff" for character in value)


def require_text(value: str) -> str:
    """The same text.

    :raises InvalidValue: it holds a NUL or a lone surrogate.
    """
    if not is_text(value):
        raise InvalidValue(f"The text {value!a} cannot be stored: remove the bytes that are no text.")
    return value


def document(value: str) -> Any:
    """JSON value, from its text."""
    return json.loads(value)
