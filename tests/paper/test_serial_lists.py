"""Lists of serials: every line is looked at, and all of them are registered or none."""

from __future__ import annotations

from typing import TYPE_CHECKING

import pytest
from sqlalchemy import select

from db.engine import open_database
from db.models import Product, Unit
from fixtures import FOLDER, demonstration_product
from rig.errors import FileProblem
from rig.product import load_product
from rig.serial_lists import read_list, register

if TYPE_CHECKING:
    from pathlib import Path

PRODUCT = load_product(demonstration_product())


def serial(number: int, batch: str = "2601") -> str:
    return PRODUCT.contents.serial.with_check_character(f"DM{batch}{number:04d}")


@pytest.fixture(scope="module")
def database(tmp_path_factory):
    with open_database(f"sqlite:///{tmp_path_factory.mktemp('lists')}/record.sqlite") as opened:
        yield opened


def take(database, folder: Path, text: str | bytes, *, batch: str | None = None, keep: bool = True):
    file = folder / "list.csv"
    file.write_bytes(text if isinstance(text, bytes) else text.encode())
    return register(database, PRODUCT, file, read_list(file, PRODUCT.contents, batch), keep=keep)


def units(database) -> dict[str, str | None]:
    with database.reading() as session:
        return {each.serial: each.batch_code for each in session.scalars(select(Unit)).all()}


def refused(database, folder: Path, text: str | bytes, *, batch: str | None = None) -> list[str]:
    before = units(database)
    with pytest.raises(FileProblem) as problem:
        take(database, folder, text, batch=batch)
    assert units(database) == before
    assert "\n" not in str(problem.value)
    assert str(folder / "list.csv") in str(problem.value)
    return [str(problem.value), *getattr(problem.value, "__notes__", [])]


@pytest.mark.parametrize(
    ("make", "numbers"),
    [
        (lambda one, two: f"{one}\n{two}\n", (1, 2)),
        (lambda one, two: f"serial\r\n{one}\r\n\r\n{two}", (3, 4)),
        # as spreadsheets write them: byte order mark, semicolons, 'sep=;', quotes, blanks
        (lambda one, two: f'\ufeffsep=;\r\nLot;Serial Number;note\r\n2601;{one};"a; b"\r\n2601; {two} ;\r\n', (5, 6)),
        (lambda one, two: f"\ufeffserial,product\n{one},DEMO\n{two},Demonstration oscillator (invented)\n", (7, 8)),
        (lambda one, two: f"serial\tbatch\n{one}\t2601\n{two}\t\n".encode("utf-16"), (9, 10)),
    ],
    ids=["bare", "header", "spreadsheet", "product", "utf-16"],
)
def test_lists_of_every_make_are_taken(database, tmp_path, make, numbers):
    one, two = (serial(number) for number in numbers)
    outcome = take(database, tmp_path, make(one, two), batch="2601")
    assert outcome.sentence(tmp_path) == f"{tmp_path}: 2 units registered, batch 2601."
    assert units(database)[one] == units(database)[two] == "2601"


def test_everything_that_is_wrong_is_told_with_its_line_and_nothing_is_registered(database, tmp_path):
    good, other = serial(100), serial(101, "2602")
    take(database, tmp_path, serial(102))
    swapped = good.replace("0100", "1000")
    lines = refused(
        database,
        tmp_path,
        "serial,batch,product\n"
        f"{good},2601,DEMO\n"
        f"{swapped},,\n"
        f"{good},,\n"
        f'"two\nlines",,\n'
        f"{other},2601,\n"
        f"{serial(103)},,OTHER\n"
        f"{serial(102)},,\n"
        "=cmd|' /C calc'!A0,,\n"
        ",2601,\n",
    )
    assert "8 of its 9 lines are wrong" in lines[0]
    # two neighbours changed places, which the check character of ISO/IEC 7064 is made to find
    assert lines[1].startswith("line 3: The check character")
    assert lines[2] == f"line 4: {good} stands on line 2 already."
    assert lines[3].startswith("line 6: The scan 'two\\nlines' has control characters")
    assert lines[4] == f"line 7: {other} is of batch 2602 by its own digits, and the list says '2601'."
    assert "line 8" in lines[5]
    assert "listed as a 'OTHER'" in lines[5]
    assert lines[6] == f"line 9: {serial(102)} is recorded already, as a Demonstration oscillator (invented)."
    assert lines[7].startswith("line 10:")
    assert lines[8].startswith("line 11: The scan is empty")


def test_a_serial_of_another_product_is_told_with_its_product(database, tmp_path):
    with database.session() as session:
        other = Product(name="Another thing (invented)")
        session.add_all([other, Unit(serial=serial(200), product_id=other.id)])
    assert "as a Another thing" in refused(database, tmp_path, serial(200))[1]


def test_many_wrong_lines_are_counted_and_not_all_shown(database, tmp_path):
    lines = refused(database, tmp_path, "\n".join(f"X{number}" for number in range(50)))
    assert len(lines) == 22
    assert lines[-1] == "and 30 more"


@pytest.mark.parametrize(
    ("data", "said"),
    [
        (b"", "no serial in it"),
        (b"\n\n ,, \n", "no serial in it"),
        (b"name,colour\nx,red\n", "no column named serial"),
        (b"serial\n\xff\xfe\xe9\n", "not UTF-8"),
        (b"serial\nA\0B\n", "line 2"),
        (b'serial\n"' + b"x" * 200_000 + b'"\n', "line 2"),
    ],
    ids=["empty", "blank", "no serials", "latin", "nul", "endless cell"],
)
def test_what_is_no_list_is_one_sentence(database, tmp_path, data, said):
    assert said in " ".join(refused(database, tmp_path, data))


def test_a_list_can_be_looked_through_without_registering_anything(database, tmp_path):
    before = units(database)
    outcome = take(database, tmp_path, f"{serial(300)}\n", keep=False)
    assert "1 unit of batch 2601 could be registered; nothing was." in outcome.sentence(tmp_path)
    assert units(database) == before


def test_units_of_a_product_without_check_characters(database, tmp_path):
    product = load_product(FOLDER / "products" / "two_trims.toml")
    file = tmp_path / "list.csv"
    file.write_text(product.contents.serial.example, encoding="utf-8")
    assert register(database, product, file, read_list(file, product.contents)).count == 1
    with pytest.raises(FileProblem, match="There is no list"):
        read_list(tmp_path / "gone.csv", product.contents)
