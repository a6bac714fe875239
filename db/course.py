"""Rows of a visit's course, each committed as it happens."""

from functools import cache

from sqlalchemy import insert, inspect

from db.engine import Database
from db.models import Base
from db.protection import VISIT_OF_ROW


def add_to_course(database: Database, row: Base) -> None:
    """Commit one row that belongs to a visit that has not ended; the link of the visit's end covers it.

    A session would look through its objects before and after each row: a sweep waits for none of that.

    :raises ValueError: rows of this table belong to no visit's course, and need a link of their own.
    :raises Protected: the visit has ended.
    :raises DatabaseError: in place of any error of SQLAlchemy or the database.
    """
    if row.__tablename__ not in VISIT_OF_ROW:
        raise ValueError(f"Rows of {row.__tablename__} are not covered when a visit ends: add them in a session.")
    values = {column: getattr(row, attribute) for attribute, column in _columns(type(row)).items()}
    with database.writing_connection() as connection:
        connection.execute(insert(Base.metadata.tables[row.__tablename__]), values)


@cache
def _columns(model: type[Base]) -> dict[str, str]:
    """Name of the column behind each attribute."""
    return {each.key: each.columns[0].name for each in inspect(model).column_attrs}
