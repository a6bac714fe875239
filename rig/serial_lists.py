"""Lists of serials taken in before the units come to the bench: every line right, or nothing is registered."""

from __future__ import annotations

import csv
from dataclasses import dataclass
from datetime import UTC, datetime
from typing import TYPE_CHECKING

from db import queries
from db.registration import add_units, recorded_units
from rig.errors import FileProblem, SerialProblem
from rig.scanned import clean_scan

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence
    from pathlib import Path

    from sqlalchemy.orm import Session

    from db.engine import Database
    from rig.product import Product
    from rig.tomlfile import Loaded

LARGEST_LIST_BYTES = 20_000_000
DELIMITERS = ",;\t|"
SERIAL, BATCH, PRODUCT = "serial", "batch", "product"
HEADERS = {
    "serial": SERIAL,
    "serial number": SERIAL,
    "serial no": SERIAL,
    "serialnumber": SERIAL,
    "serial_number": SERIAL,
    "s/n": SERIAL,
    "sn": SERIAL,
    "batch": BATCH,
    "lot": BATCH,
    "batch code": BATCH,
    "batch_code": BATCH,
    "product": PRODUCT,
    "product code": PRODUCT,
    "product_code": PRODUCT,
}
"""What a column may be called, small letters."""
MOST_SHOWN = 20
BYTE_ORDER_MARKS = {b"\xef\xbb\xbf": "utf-8-sig", b"\xff\xfe": "utf-16", b"\xfe\xff": "utf-16"}


@dataclass(frozen=True, slots=True)
class Entry:
    """One unit of a list, and the line that it stands on."""

    line: int
    serial: str
    batch: str


@dataclass(frozen=True, slots=True)
class Wrong:
    """One line that cannot be taken, and why."""

    line: int
    why: str


@dataclass(frozen=True, slots=True)
class SerialList:
    """A list as read: what can be taken and what is wrong."""

    entries: tuple[Entry, ...]
    wrong: tuple[Wrong, ...]


@dataclass(frozen=True, slots=True)
class Registered:
    """What came of a list."""

    count: int
    batches: tuple[str, ...]
    kept: bool

    def sentence(self, file: Path) -> str:
        """For people."""
        units = f"{self.count} unit{'' if self.count == 1 else 's'}"
        batches = f"batch{'' if len(self.batches) == 1 else 'es'} {', '.join(self.batches)}"
        if not self.kept:
            return f"{file}: {units} of {batches} could be registered; nothing was."
        return f"{file}: {units} registered, {batches}."


def read_list(file: Path, product: Product, batch: str | None = None) -> SerialList:
    """Read a list and check each line by itself: format, check character, batch, product, lines that say the same.

    Commas, semicolons and tabs part columns; a byte order mark and a first line 'sep=;', as spreadsheets write them,
    are passed over. With a header the columns serial, batch and product count; without one the first column does.

    :param batch: what the batch of every unit has to be; None for what its serial says.
    :raises FileProblem: it cannot be read as a list at all.
    """
    entries: list[Entry] = []
    wrong: list[Wrong] = []
    first_seen: dict[str, int] = {}
    for line, cells in _rows(file, product):
        try:
            serial = clean_scan(cells.get(SERIAL, ""))
            own = product.serial.batch_of(serial)
        except SerialProblem as problem:
            wrong.append(Wrong(line, str(problem)))
            continue
        if serial in first_seen:
            wrong.append(Wrong(line, f"{serial} stands on line {first_seen[serial]} already."))
            continue
        first_seen[serial] = line
        why = _disagreement(serial, own, cells, product, batch)
        if why:
            wrong.append(Wrong(line, why))
        else:
            entries.append(Entry(line, serial, own))
    if not entries and not wrong:
        raise FileProblem(f"The list {file} has no serial in it: give one a line, or a column named serial.")
    return SerialList(tuple(entries), tuple(wrong))


def register(
    database: Database, product: Loaded[Product], file: Path, listed: SerialList, *, keep: bool = True
) -> Registered:
    """Register all units of a list, or none.

    :param keep: False looks and keeps nothing.
    :raises FileProblem: a line is wrong, or a serial is recorded already; its notes name the lines.
    """
    if keep and not listed.wrong:
        with database.session() as session:
            found = _known(session, listed)
            _require_none(file, found, listed)
            revision = queries.get_or_add_product_revision(
                session,
                product_name=product.contents.product.name,
                toml_text=product.text,
                at_utc=datetime.now(UTC),
            )
            add_units(session, revision.product_id, [(each.serial, each.batch) for each in listed.entries])
    else:
        with database.reading() as session:
            found = _known(session, listed)
        _require_none(file, [*listed.wrong, *found], listed)
    return Registered(len(listed.entries), tuple(sorted({each.batch for each in listed.entries})), keep)


def _disagreement(serial: str, own: str, cells: dict[str, str], product: Product, batch: str | None) -> str:
    """Why a line contradicts itself or what was asked for; empty where it does not."""
    named = cells.get(PRODUCT, "").strip()
    if named and named not in (product.product.code, product.product.name):
        return f"{serial} is listed as a {named!a}, and this is a list of {product.product.code}."
    for stated, where in ((cells.get(BATCH, "").strip(), "the list"), (batch, "--batch")):
        if stated and stated != own:
            return f"{serial} is of batch {own} by its own digits, and {where} says {stated!a}."
    return ""


def _known(session: Session, listed: SerialList) -> list[Wrong]:
    """Lines whose serial is recorded already."""
    recorded = recorded_units(session, [each.serial for each in listed.entries])
    return [
        Wrong(each.line, f"{each.serial} is recorded already, as a {recorded[each.serial]}.")
        for each in listed.entries
        if each.serial in recorded
    ]


def _require_none(file: Path, wrong: Sequence[Wrong], listed: SerialList) -> None:
    if not wrong:
        return
    total = len(listed.entries) + len(listed.wrong)
    count = len(wrong)
    problem = FileProblem(
        f"The list {file} was not taken, and nothing of it was registered: {count} of its {total} lines "
        f"{'is' if count == 1 else 'are'} wrong."
    )
    for each in sorted(wrong, key=lambda each: each.line)[:MOST_SHOWN]:
        problem.add_note(f"line {each.line}: {each.why}")
    if count > MOST_SHOWN:
        problem.add_note(f"and {count - MOST_SHOWN} more")
    raise problem


def _rows(file: Path, product: Product) -> Iterator[tuple[int, dict[str, str]]]:
    """Lines that are not empty, each with its number and its cells by the name of their column."""
    text = _text(file)
    skipped, delimiter = 0, _delimiter(text)
    first, _, rest = text.partition("\n")
    if first.strip().lower() in {f"sep={each}" for each in DELIMITERS}:
        skipped, delimiter, text = 1, first.strip()[-1], rest
    reader = csv.reader(text.splitlines(keepends=True), delimiter=delimiter)
    names: list[str] | None = None
    try:
        for cells in reader:
            line = reader.line_num + skipped
            if not any(cell.strip() for cell in cells):
                continue
            if names is None:
                names = _header(cells)
                if names:
                    continue
                names = _without_header(file, cells, product)
            yield line, dict(zip(names, cells, strict=False))
    except csv.Error as error:
        raise FileProblem(
            f"The list {file} cannot be read on line {reader.line_num + skipped} ({error}): mend that line."
        ) from None


def _header(cells: Sequence[str]) -> list[str]:
    """Names of the columns, where the first line has them; else an empty list."""
    names = [HEADERS.get(cell.strip().lower(), cell.strip().lower()) for cell in cells]
    return names if SERIAL in names else []


def _without_header(file: Path, cells: Sequence[str], product: Product) -> list[str]:
    """Columns of a list without a header: its first line has to begin with something like a serial."""
    if len(cells) > 1 and not any(character.isdigit() for character in cells[0]):
        raise FileProblem(
            f"The list {file} has no column named serial (its first line is {ascii(', '.join(cells))[:80]}): name it, "
            f"or begin each line with a serial like {product.serial.example}."
        )
    return [SERIAL]


def _delimiter(text: str) -> str:
    """What parts the columns: whichever stands most often on the first line that is not empty; else a comma."""
    line = next((each for each in text.splitlines() if each.strip()), "")
    return max(DELIMITERS, key=lambda each: (line.count(each), -DELIMITERS.index(each)))


def _text(file: Path) -> str:
    try:
        data = file.read_bytes()
    except FileNotFoundError:
        raise FileProblem(f"There is no list {file}: check its name.") from None
    except OSError as error:
        raise FileProblem(f"The list {file} cannot be read ({error.strerror}): check its rights.") from None
    if len(data) > LARGEST_LIST_BYTES:
        raise FileProblem(
            f"The list {file} has {len(data)} bytes, more than any list of serials: is it the right file?"
        )
    encoding = next((name for mark, name in BYTE_ORDER_MARKS.items() if data.startswith(mark)), "utf-8")
    try:
        return data.decode(encoding)
    except UnicodeDecodeError as error:
        raise FileProblem(f"The list {file} is not UTF-8 text (byte {error.start}): save it as CSV in UTF-8.") from None
