"""What people typed is shown line for line and in its order, and the record keeps it sign for sign."""

from __future__ import annotations

import io

import pytest
from click.testing import CliRunner
from rich.console import Console

from db.engine import open_database
from db.queries import unit_by_serial
from db.questions import connection_of
from db.returned import repairs_of, returns_of
from rig.cli import app
from rig.marks import as_marks, on_screen
from rig.operators.screen import Screen
from rig.reports.letters import settable

SERIAL = "DM26010001G"
TURNED = "sharp \u202e.PASS :tcidreV"
TWO_LINES = "cleaned\nVerdict: PASS. Every finding holds.\x1b[2J"


@pytest.mark.parametrize(
    ("typed", "shown"),
    [
        ("sharp on top", "sharp on top"),
        ("a\nb", "a[U+000A]b"),
        ("a\r\nb\tc", "a[U+000D][U+000A]b[U+0009]c"),
        ("\x1b[2J", "[U+001B][2J"),
        ("\x9b2J", "[U+009B]2J"),
        ("\u202eabc\u202c", "[U+202E]abc[U+202C]"),
        ("\u2067abc\u2069", "[U+2067]abc[U+2069]"),
        ("\u200eabc\u061c", "[U+200E]abc[U+061C]"),
        ("one\u2028two\u2029", "one[U+2028]two[U+2029]"),
        ("half \ud83d", "half [U+D83D]"),
        # letters of every script stay as they are, with what joins them
        ("\u05e9\u05dc\u05d5\u05dd Prüfung 🎹", "\u05e9\u05dc\u05d5\u05dd Prüfung 🎹"),
        ("\u0645\u06cc\u200c\u062e\u0648\u0627\u0647\u0645", "\u0645\u06cc\u200c\u062e\u0648\u0627\u0647\u0645"),
    ],
)
def test_signs_that_steer_a_screen_are_shown_by_their_number(typed: str, shown: str):
    assert as_marks(typed) == shown


def test_paper_and_screen_show_the_same_marks():
    assert settable(TURNED) == as_marks(TURNED)


def test_lines_stay_lines():
    assert on_screen(["one", "two\nthree"]) == "one\ntwo[U+000A]three"


def test_the_operators_screen_shows_a_complaint_in_its_order():
    written = io.StringIO()

    def lost():
        raise AssertionError

    Screen(Console(file=written, force_terminal=False, width=100), lost).line(f"It came back because: {TURNED}.")
    assert written.getvalue() == "It came back because: sharp [U+202E].PASS :tcidreV.\n"


def test_a_history_shows_complaint_and_repair_as_one_line_each_and_the_record_keeps_them(tmp_path, monkeypatch):
    url = f"sqlite:///{tmp_path}/record.sqlite"
    monkeypatch.setenv("RIG_DATABASE_URL", url)

    def typed(*words: str) -> str:
        outcome = CliRunner().invoke(app, words, catch_exceptions=False)
        assert outcome.exit_code == 0, outcome.output
        return outcome.output

    typed("returned", SERIAL, "--reason", "out of tune", "--complaint", TURNED, "--who", "Eve\u202e")
    kept = typed("repair", SERIAL, "--note", TWO_LINES, "--part", "C\r7", "--who", "bench 2")
    assert kept.count("\n") == 1
    lines = typed("history", SERIAL).splitlines()
    assert any(line.endswith("(sharp [U+202E].PASS :tcidreV), entered by Eve[U+202E]") for line in lines)
    assert any(
        "cleaned[U+000A]Verdict: PASS. Every finding holds.[U+001B][2J; parts: C[U+000D]7" in line for line in lines
    )
    assert not any(line.startswith("Verdict") for line in lines)
    with open_database(url) as database, database.reading() as session:
        unit = unit_by_serial(session, SERIAL)
        assert [each.complaint for each in returns_of(connection_of(session), unit.id)] == [TURNED]
        assert [each.note for each in repairs_of(connection_of(session), unit.id)] == [TWO_LINES]
