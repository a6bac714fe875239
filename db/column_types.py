"""Column types: one Python type each, stored compactly on SQLite and natively on PostgreSQL.

On SQLite all tables are STRICT, so every type here comes down to INTEGER, REAL, TEXT or BLOB. A value that
would be stored as something else than it is (not a number, a time without zone, half a character) is refused.
"""

import json
import math
import operator
from collections.abc import Mapping, Sequence
from datetime import UTC, date, datetime
from typing import Any
from uuid import UUID

from sqlalchemy import REAL, Boolean, Date, DateTime, Dialect, Double, Integer, LargeBinary, Text, Uuid
from sqlalchemy.types import TypeDecorator, TypeEngine

from db import stored_values
from db.errors import InvalidValue

JsonValue = Mapping[str, "JsonValue"] | Sequence["JsonValue"] | str | int | float | bool | None


class Identifier(TypeDecorator[UUID]):
    """UUID: 16 bytes on SQLite, native elsewhere. Version 7 keys sort by the time they were made."""

    impl = Uuid
    cache_ok = True

    def load_dialect_impl(self, dialect: Dialect) -> TypeEngine[Any]:
        """BLOB on SQLite."""
        return LargeBinary() if dialect.name == "sqlite" else self.impl_instance

    def process_bind_param(self, value: UUID | None, dialect: Dialect) -> UUID | bytes | None:
        """UUID to its bytes on SQLite."""
        if value is None or dialect.name != "sqlite":
            return value
        return value.bytes

    def process_result_value(self, value: Any, dialect: Dialect) -> UUID | None:
        """Bytes to UUID on SQLite."""
        return stored_values.perhaps_identifier(value)


class UtcTime(TypeDecorator[datetime]):
    """Moment in time, aware both ways: microseconds since 1970-01-01 UTC on SQLite, timestamptz elsewhere."""

    impl = DateTime(timezone=True)
    cache_ok = True

    def load_dialect_impl(self, dialect: Dialect) -> TypeEngine[Any]:
        """INTEGER on SQLite."""
        return Integer() if dialect.name == "sqlite" else self.impl_instance

    def process_bind_param(self, value: datetime | None, dialect: Dialect) -> datetime | int | None:
        """Aware time to UTC.

        :raises InvalidValue: the time has no zone.
        """
        if value is None:
            return None
        if dialect.name == "sqlite":
            return stored_values.microseconds(value)
        return stored_values.require_zone(value).astimezone(UTC)

    def process_result_value(self, value: Any, dialect: Dialect) -> datetime | None:
        """Stored moment to an aware time in UTC."""
        return stored_values.perhaps_moment(value)


class Day(TypeDecorator[date]):
    """Calendar day: ISO 8601 text on SQLite, date elsewhere."""

    impl = Date
    cache_ok = True

    def load_dialect_impl(self, dialect: Dialect) -> TypeEngine[Any]:
        """TEXT on SQLite."""
        return Text() if dialect.name == "sqlite" else self.impl_instance

    def process_bind_param(self, value: date | None, dialect: Dialect) -> date | str | None:
        """Day to ISO 8601 text on SQLite."""
        if value is None or dialect.name != "sqlite":
            return value
        return date(value.year, value.month, value.day).isoformat()

    def process_result_value(self, value: Any, dialect: Dialect) -> date | None:
        """ISO 8601 text to day on SQLite."""
        return None if value is None else stored_values.day(value)


class Real(TypeDecorator[float]):
    """Finite double; SQLite would turn not-a-number into NULL without a word."""

    impl = Double
    cache_ok = True

    def load_dialect_impl(self, dialect: Dialect) -> TypeEngine[Any]:
        """REAL on SQLite, where it is a double."""
        return REAL() if dialect.name == "sqlite" else self.impl_instance

    def process_bind_param(self, value: float | None, dialect: Dialect) -> float | None:
        """Any real number to a float.

        :raises InvalidValue: not finite.
        """
        if value is None:
            return None
        number = float(value)
        if not math.isfinite(number):
            raise InvalidValue(f"The number {number} cannot be stored: only finite numbers are kept.")
        return number


class Count(TypeDecorator[int]):
    """Whole number, up to 32 bits."""

    impl = Integer
    cache_ok = True

    def process_bind_param(self, value: int | None, dialect: Dialect) -> int | None:
        """Any integral number to an int.

        :raises InvalidValue: it does not fit 32 bits.
        """
        if value is None:
            return None
        number = operator.index(value)
        if not -(2**31) <= number < 2**31:
            raise InvalidValue(f"The whole number {number} cannot be stored: it needs more than 32 bits.")
        return number


class Flag(TypeDecorator[bool]):
    """Truth value: 0 or 1 on SQLite."""

    impl = Boolean
    cache_ok = True

    def load_dialect_impl(self, dialect: Dialect) -> TypeEngine[Any]:
        """INTEGER on SQLite."""
        return Integer() if dialect.name == "sqlite" else self.impl_instance

    def process_bind_param(self, value: bool | None, dialect: Dialect) -> bool | None:
        """Truth value, as it is."""
        return None if value is None else bool(value)

    def process_result_value(self, value: Any, dialect: Dialect) -> bool | None:
        """0 or 1 to a truth value."""
        return None if value is None else bool(value)


class Words(TypeDecorator[str]):
    """Text that both databases keep as it is: no NUL, no half of a surrogate pair."""

    impl = Text
    cache_ok = True

    def process_bind_param(self, value: str | None, dialect: Dialect) -> str | None:
        """Text, as it is.

        :raises InvalidValue: it holds a NUL or a lone surrogate.
        """
        return None if value is None else stored_values.require_text(value)


class Octets(TypeDecorator[bytes]):
    """Bytes, as they are: BLOB on SQLite, bytea on PostgreSQL."""

    impl = LargeBinary
    cache_ok = True

    def process_result_value(self, value: Any, dialect: Dialect) -> bytes | None:
        """Bytes, whatever the driver hands out."""
        return None if value is None else bytes(value)


class Document(TypeDecorator[Any]):
    """JSON value kept as canonical text: sorted keys, no blanks, no NaN; tuples come back as lists."""

    impl = Text
    cache_ok = True

    def process_bind_param(self, value: Any, dialect: Dialect) -> str | None:
        """JSON value to text.

        :raises InvalidValue: something in it is no JSON, or a number is not finite.
        """
        if value is None:
            return None
        try:
            text = json.dumps(value, sort_keys=True, separators=(",", ":"), ensure_ascii=True, allow_nan=False)
        except (TypeError, ValueError) as error:
            raise InvalidValue(
                f"A document cannot be stored as JSON ({error}): give finite numbers and text."
            ) from None
        return text

    def process_result_value(self, value: Any, dialect: Dialect) -> Any:
        """Text to JSON value."""
        return None if value is None else stored_values.document(value)
