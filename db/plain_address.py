"""Database addresses in their common forms, read without SQLAlchemy; whatever is written otherwise is left to it."""

from __future__ import annotations

import re
from dataclasses import dataclass
from urllib.parse import parse_qsl, quote, quote_plus, unquote

from db.stored_values import is_text

SECRET_PARAMETERS = frozenset({"password", "passwd", "pwd", "sslpassword"})

_FILE = re.compile(r"sqlite:///(?P<file>[^?%]+)")
_SERVER = re.compile(
    r"postgresql(?:\+psycopg)?://(?:(?P<user>[^:/@?%]+)(?::(?P<password>[^@/?]+))?@)?"
    r"(?P<host>[^:/@?%\[\],]+)?(?::(?P<port>[1-9][0-9]{0,4}))?/(?P<database>[^/?%@]+)(?:\?(?P<query>[^@]*))?"
)
"""With an at sign after the host, what looks like host and port may be a name and a password with a slash in it."""


@dataclass(frozen=True, slots=True)
class FileAddress:
    """An SQLite file; ``shown`` is the address as it may be shown."""

    file: str
    shown: str


@dataclass(frozen=True, slots=True)
class ServerAddress:
    """A database on a PostgreSQL server: parameters by the client library's names, and the address as it may be shown.

    ``named`` are the parameters that stand in the query of the address.
    """

    parameters: dict[str, str]
    named: frozenset[str]
    shown: str


def plain_address(url: str) -> FileAddress | ServerAddress | None:
    """Where a database is; None for an address that is not in one of the common forms, right or wrong."""
    if not is_text(url):
        return None
    file = _FILE.fullmatch(url)
    if file is not None:
        return _file(file["file"])
    server = _SERVER.fullmatch(url)
    return None if server is None else _server(server)


def _file(file: str) -> FileAddress | None:
    if file == ":memory:" or file.startswith("file:"):
        return None
    return FileAddress(file, f"sqlite:///{quote(file, safe=' +/')}")


def _server(found: re.Match[str]) -> ServerAddress | None:
    named = parse_qsl(found["query"] or "")
    query = dict(named)
    several = "," in query.get("host", "") or ":" in query.get("host", "")
    if len(query) < len(named) or several or not query.get("port", "0").isdecimal():
        return None
    password = unquote(found["password"] or "")
    given = {
        "user": found["user"],
        "password": password,
        "host": found["host"],
        "port": found["port"],
        "dbname": found["database"],
    }
    user = f"{quote(found['user'], safe=' +')}{':***' if password else ''}@" if found["user"] else ""
    port = f":{int(found['port'])}" if found["port"] else ""
    shown = f"postgresql+psycopg://{user}{found['host'] or ''}{port}/{quote(found['database'], safe=' +/')}"
    if query:
        shown += "?" + "&".join(f"{quote_plus(key)}={quote_plus(_shown(key, query[key]))}" for key in sorted(query))
    return ServerAddress({key: value for key, value in given.items() if value} | query, frozenset(query), shown)


def _shown(key: str, value: str) -> str:
    return "***" if key.lower() in SECRET_PARAMETERS else value
