"""What all tables share: the metadata, names of constraints, keys made on the bench."""

from uuid import UUID

from sqlalchemy import ForeignKey, MetaData
from sqlalchemy.orm import DeclarativeBase, MappedAsDataclass
from uuid_utils.compat import uuid7

NAMES = {
    "ix": "ix_%(table_name)s_%(column_0_N_name)s",
    "uq": "uq_%(table_name)s_%(column_0_N_name)s",
    "ck": "ck_%(table_name)s_%(constraint_name)s",
    "fk": "fk_%(table_name)s_%(column_0_N_name)s",
    "pk": "pk_%(table_name)s",
}

# Keyed storage leaves no hidden row number through which a row could be replaced; strict storage keeps types.
# An index of only some rows says so to SQLite alone, though the migrations make it so on PostgreSQL as well: naming
# that dialect in a model would load it whole at every start, for a tenth of the time that a command takes to begin.
STORAGE = {"sqlite_with_rowid": False, "sqlite_strict": True}


class Base(MappedAsDataclass, DeclarativeBase, kw_only=True, eq=False):
    """Root of the models: keyword-only dataclasses whose keys exist as soon as the object does."""

    metadata = MetaData(naming_convention=NAMES)


def new_key() -> UUID:
    """Make a key on the bench: UUID version 7 (RFC 9562), so that keys sort by time."""
    return uuid7()


def refers_to(column: str) -> ForeignKey:
    """Foreign key that is checked at commit, so that rows of one transaction may be added in any order."""
    return ForeignKey(column, deferrable=True, initially="DEFERRED")
