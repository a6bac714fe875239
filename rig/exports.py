"""The record written for other tools: CSV, JSON lines, Parquet; columns are those of the views (``db/views.py``).

CSV is that of RFC 4180 in UTF-8 without a byte order mark, as tools read it; a spreadsheet that needs the mark gets it
on request. A text that a spreadsheet would run as a formula gets an apostrophe in front, and so does what follows a
sign at which spreadsheets may split: some split at semicolons or tabs whatever stands in quotes.
"""

from __future__ import annotations

import csv
import json
import re
from contextlib import contextmanager
from dataclasses import dataclass
from datetime import UTC, datetime
from enum import StrEnum
from io import TextIOWrapper
from typing import IO, TYPE_CHECKING, Protocol

from db import exports
from db.views import CAUSES, FINDINGS, MOVES, POINTS, REPAIRS, RETURNS, VISITS, Kind
from rig.errors import WrongInput

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence
    from typing import Any

    from db.engine import Database
    from db.exports import Choice
    from db.views import View, ViewColumn

BYTE_ORDER_MARK = "\ufeff"
RUN_AS_FORMULA = frozenset("=+-@\t\r\n＝＋－＠")
"""First signs of a cell that spreadsheets run (OWASP, CSV Injection), also in the width of East Asian type."""
A_NUMBER = re.compile(r"[+-]?(\d+(\.\d*)?|\.\d+)([eE][+-]?\d+)?")
NEEDS_QUOTES = re.compile(r"[,\"\r\n]")
AFTER_A_SPLIT = re.compile(
    r"(?:^\s+|[;,\t\r\n][\s\"]*)(?=[=+\-@＝＋－＠])"
    rf"(?!{A_NUMBER.pattern}[\s\"\]}}]*(?:[;,\t\r\n]|$))"
)
"""What stands before a formula sign inside a text: a sign at which spreadsheets split, and blanks or quotes after it.

A number that fills its part of the text stays one.
"""
ROWS_A_GROUP = 65_536
MICROSECONDS = "_unix_us"


class What(StrEnum):
    """What can be written out."""

    VISITS = "visits"
    FINDINGS = "findings"
    POINTS = "points"
    MOVES = "moves"
    CAUSES = "causes"
    RETURNS = "returns"
    REPAIRS = "repairs"


class Form(StrEnum):
    """How it is written."""

    CSV = "csv"
    JSON_LINES = "jsonl"
    PARQUET = "parquet"


_VIEWS: dict[What, tuple[View, tuple[str, ...]]] = {
    What.VISITS: (VISITS, ()),
    What.FINDINGS: (FINDINGS, ("phase", "created_unix_us", "characteristic")),
    What.POINTS: (POINTS, ("sweep", "point")),
    What.MOVES: (MOVES, ("sequence",)),
    What.CAUSES: (CAUSES, ("place",)),
    What.RETURNS: (RETURNS, ()),
    What.REPAIRS: (REPAIRS, ()),
}


class Writer(Protocol):
    """Writes rows as they come."""

    def write(self, rows: Sequence[Sequence[Any]]) -> None:
        """Write rows of a view, all of its columns in its order."""

    def close(self) -> None:
        """Write what is still to be written."""


def export(database: Database, what: What, form: Form, choice: Choice, file: IO[bytes], *, mark: bool = False) -> int:
    """Write rows to a file; how many there were.

    :param mark: begin a CSV file with a byte order mark.
    :raises WrongInput: Parquet is wanted and its library is not installed.
    """
    view, order = _VIEWS[what]
    count = 0
    with _writer(view, form, file, mark=mark) as writer, database.reading() as session:
        for rows in exports.portions(session, view, order, choice):
            writer.write(rows)
            count += len(rows)
    return count


@contextmanager
def _writer(view: View, form: Form, file: IO[bytes], *, mark: bool) -> Iterator[Writer]:
    if form is Form.PARQUET:
        parquet = ParquetWriter.open(view, file)
        yield parquet
        parquet.close()
        return
    text = TextIOWrapper(file, encoding="utf-8", newline="", write_through=True)
    try:
        lines = CsvWriter.open(view, text, mark=mark) if form is Form.CSV else JsonLinesWriter(view, text)
        yield lines
        lines.close()
    finally:
        # the file stays with whoever opened it
        text.detach()


@dataclass(frozen=True, slots=True)
class _Shown:
    """A column that is written: its place in the view's rows."""

    place: int
    column: ViewColumn


def _shown(view: View) -> list[_Shown]:
    """Columns without the database's own key, and with each time once."""
    return [
        _Shown(place, column)
        for place, column in enumerate(view.columns)
        if column.kind not in (Kind.KEY, Kind.MICROSECONDS)
    ]


@dataclass(slots=True)
class CsvWriter:
    """Comma-separated values (RFC 4180): CR LF, a header, quotes where needed and around what was made harmless."""

    columns: list[_Shown]
    text: TextIOWrapper
    rows: Any

    @classmethod
    def open(cls, view: View, text: TextIOWrapper, *, mark: bool) -> CsvWriter:
        """Write the header."""
        if mark:
            text.write(BYTE_ORDER_MARK)
        made = cls(_shown(view), text, csv.writer(text, lineterminator="\r\n"))
        made.rows.writerow([each.column.name for each in made.columns])
        return made

    def write(self, rows: Sequence[Sequence[Any]]) -> None:
        """Write rows."""
        for row in rows:
            values = [row[each.place] for each in self.columns]
            cells = [harmless(value) for value in values]
            if cells == values:
                self.rows.writerow(cells)
            else:
                self.text.write(",".join(map(_cell, cells, values)) + "\r\n")

    def close(self) -> None:
        """Everything is written."""


def _cell(cell: object, value: object) -> str:
    """One cell as it is written, in quotes where it differs from the value or holds a sign that RFC 4180 names."""
    if cell is None:
        return ""
    text = str(cell)
    if cell == value and not NEEDS_QUOTES.search(text):
        return text
    doubled = text.replace('"', '""')
    return f'"{doubled}"'


def harmless(value: object) -> object:
    """A cell that no spreadsheet runs, nor any part of it where it splits: apostrophes stand in front; numbers stay."""
    if not isinstance(value, str) or not value or A_NUMBER.fullmatch(value) is not None:
        return value
    made = AFTER_A_SPLIT.sub(lambda found: f"{found.group()}'", value)
    return f"'{made}" if made[:1] in RUN_AS_FORMULA else made


@dataclass(slots=True)
class JsonLinesWriter:
    """One JSON object a line, in UTF-8."""

    view: View
    text: TextIOWrapper

    def write(self, rows: Sequence[Sequence[Any]]) -> None:
        """Write rows."""
        columns = _shown(self.view)
        for row in rows:
            made = {each.column.name: _plain(row[each.place], each.column.kind) for each in columns}
            self.text.write(json.dumps(made, ensure_ascii=False, allow_nan=False))
            self.text.write("\n")

    def close(self) -> None:
        """Everything is written."""


def _plain(value: Any, kind: Kind) -> object:
    if value is None:
        return None
    if kind is Kind.JSON:
        return json.loads(value)
    return bool(value) if kind is Kind.FLAG else value


@dataclass(slots=True)
class ParquetWriter:
    """Apache Parquet with types: times are timestamps in UTC to the microsecond, flags are truth values."""

    view: View
    arrow: Any
    file: Any
    schema: Any
    waiting: list[Sequence[Any]]

    @classmethod
    def open(cls, view: View, file: IO[bytes]) -> ParquetWriter:
        """Begin a file.

        :raises WrongInput: the library is not installed.
        """
        try:
            import pyarrow as pa
            from pyarrow import parquet
        except ImportError:
            raise WrongInput(
                "Parquet needs the library pyarrow, which is not installed: pip install 'trimrig[parquet]', or choose "
                "--format csv."
            ) from None
        types = {
            Kind.TEXT: pa.string(),
            Kind.JSON: pa.string(),
            Kind.NUMBER: pa.float64(),
            Kind.WHOLE: pa.int64(),
            Kind.FLAG: pa.bool_(),
            Kind.TIME: pa.timestamp("us", tz="UTC"),
        }
        schema = pa.schema([(each.column.name, types[each.column.kind]) for each in _shown(view)])
        return cls(view, pa, parquet.ParquetWriter(file, schema), schema, [])

    def write(self, rows: Sequence[Sequence[Any]]) -> None:
        """Write rows, as soon as there are enough of them for a group."""
        self.waiting.extend(rows)
        if len(self.waiting) >= ROWS_A_GROUP:
            self._flush()

    def close(self) -> None:
        """Write what is waiting, and the end of the file."""
        if self.waiting:
            self._flush()
        self.file.close()

    def _flush(self) -> None:
        places = {column.name: place for place, column in enumerate(self.view.columns)}
        arrays = []
        for each in _shown(self.view):
            name, kind, place = each.column.name, each.column.kind, each.place
            if kind is Kind.TIME:
                place = places[f"{name.removesuffix('_utc')}{MICROSECONDS}"]
            values = [row[place] for row in self.waiting]
            if kind is Kind.FLAG:
                values = [None if value is None else bool(value) for value in values]
            arrays.append(self.arrow.array(values, type=self.schema.field(name).type))
        self.file.write_batch(self.arrow.record_batch(arrays, schema=self.schema))
        self.waiting = []


def moment_of(text: str) -> datetime:
    """A day or a moment as somebody typed it, in UTC where no zone is named.

    :raises WrongInput: it is neither.
    """
    try:
        moment = datetime.fromisoformat(text.strip())
    except ValueError:
        raise WrongInput(
            f"{ascii(text)[:60]} is no day and no time: write 2026-03-02, or 2026-03-02T08:00 in UTC."
        ) from None
    return moment if moment.tzinfo is not None else moment.replace(tzinfo=UTC)
