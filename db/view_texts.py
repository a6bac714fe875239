"""Whether the views show what their migrations made them show: a view that was made anew tells lies about sound rows.

SQLite keeps the text of a view. PostgreSQL keeps what it understood of it and tells that in words of its own, so that
each view is made once more beside the one that is there, compared, and taken back.
"""

from collections.abc import Iterator, Mapping
from contextlib import contextmanager

from sqlalchemy import Connection
from sqlalchemy.exc import DBAPIError

from db.findings import Findings

_BESIDE = "checked_"


def check_views(connection: Connection, found: Findings) -> None:
    """Compare every view with what its migration makes."""
    if connection.dialect.name == "sqlite":
        present, expected = _on_sqlite(connection), _texts("sqlite")
    else:
        present = _on_server(connection, "current_schema()::regnamespace")
        try:
            with _making(connection) as making:
                expected = _made_beside(making)
        except DBAPIError as error:
            said = " ".join(str(error.orig).split())
            found.unchecked.append(f"The views could not be compared, since none can be made beside them ({said}).")
            return
    for name, text in expected.items():
        if name not in present:
            found.flaw(name, "the view is gone")
        elif present[name] != text:
            found.flaw(name, "the view was altered, and does not show what stands in the tables")


def _texts(dialect: str) -> Mapping[str, str]:
    """Each view as the latest migration that touches it makes it."""
    # migrations need Alembic, which nothing else that opens a database loads
    from db.migrations.versions import r0008_views, r0011_views_of_returns, r0012_moves_made

    selects = {
        **r0008_views.statements(dialect),
        **r0011_views_of_returns.statements(dialect),
        **r0012_moves_made.statements(dialect),
    }
    return {name: f"CREATE VIEW {name} AS {' '.join(select.split())}" for name, select in selects.items()}


def _on_sqlite(connection: Connection) -> dict[str, str]:
    rows = connection.exec_driver_sql("SELECT name, sql FROM sqlite_master WHERE type = 'view'").all()
    return {row.name: row.sql for row in rows}


def _on_server(connection: Connection, schema: str, beginning: str = "") -> dict[str, str]:
    rows = connection.exec_driver_sql(
        "SELECT relname, pg_get_viewdef(oid) FROM pg_class "
        f"WHERE relkind = 'v' AND relnamespace = {schema} AND starts_with(relname, '{beginning}')"
    ).all()
    return {name.removeprefix(beginning): text for name, text in rows}


def _made_beside(making: Connection) -> dict[str, str]:
    for text in _texts("postgresql").values():
        making.exec_driver_sql(text.replace("CREATE VIEW ", f"CREATE TEMPORARY VIEW {_BESIDE}", 1))
    return _on_server(making, "pg_my_temp_schema()", _BESIDE)


@contextmanager
def _making(connection: Connection) -> Iterator[Connection]:
    """A connection that views can be made on; nothing that is made on it stays."""
    if connection.exec_driver_sql("SHOW transaction_read_only").scalar_one() == "off":
        step = connection.begin_nested()
        try:
            yield connection
        finally:
            step.rollback()
        return
    with connection.engine.connect() as making:
        yield making.execution_options(isolation_level="READ COMMITTED", postgresql_readonly=False)
        making.rollback()
