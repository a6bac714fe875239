"""The views of the database, told for people who ask it with a tool of their own."""

from __future__ import annotations

from db.views import VIEWS, Kind


def views_lines() -> list[str]:
    """Every view with its purpose and its columns."""
    lines = [
        "Views for any SQL tool, the same on SQLite and PostgreSQL. They stay as they are; columns may be added.",
        "Open an SQLite file read-only: sqlite3 'file:trimrig.sqlite?mode=ro'.",
    ]
    for view in VIEWS:
        width = max(len(each.name) for each in view.columns)
        lines += ["", f"{view.name}: {view.purpose}"]
        lines += [f"  {each.name:<{width}}  {_kind(each.kind)}{each.meaning}" for each in view.columns]
    return lines


def _kind(kind: Kind) -> str:
    return "" if kind in (Kind.TEXT, Kind.TIME, Kind.MICROSECONDS) else f"({kind.value}) "
