"""Scans: what is one serial, and what reaches the rig of bursts, double scans, slow fingers and unplugged scanners."""

from __future__ import annotations

import os
import subprocess
import sys
import time
from collections.abc import Iterator

import pytest
from hypothesis import given
from hypothesis import strategies as st

from fixtures import demonstration_product
from rig.errors import SerialProblem
from rig.operators.desk import Burst, Press
from rig.operators.keys import Key
from rig.product import SerialFormat, load_product
from rig.scan import ScanLine, one_serial
from tests.terminal.terminal import ROOT, Terminal

FORMAT = load_product(demonstration_product()).contents.serial
ONE, OTHER = "DM26010001G", "DM26010002E"
BODIES = st.from_regex(r"DM[0-9]{8}", fullmatch=True).map(FORMAT.with_check_character)
POSIX = pytest.mark.skipif(sys.platform == "win32", reason="pseudo-terminals are POSIX")


@given(BODIES)
def test_a_serial_is_taken_as_it_is_in_small_letters_and_twice_without_an_end(serial):
    assert one_serial(serial, FORMAT) == serial
    assert one_serial(f"  {serial.lower()}\t", FORMAT) == serial
    assert one_serial(serial + serial, FORMAT) == serial


@given(BODIES, BODIES)
def test_two_serials_glued_together_are_refused_by_name(one, other):
    if one != other:
        with pytest.raises(SerialProblem, match=f"{one} and {other}: scan one unit at a time"):
            one_serial(one + other, FORMAT)


@given(BODIES, BODIES, st.randoms(use_true_random=False))
def test_interleaved_scans_are_never_a_serial(one, other, random):
    # two scanners at once: each keeps its own order, but their characters mix
    sources = [list(one), list(other)]
    mixed = ""
    while any(sources):
        mixed += random.choice([source for source in sources if source]).pop(0)
    taken = serial_or_sentence(mixed)
    if mixed not in (one + other, other + one):
        assert taken == one == other or taken.startswith("refused: ")
        assert "\n" not in taken


def serial_or_sentence(scanned):
    try:
        return one_serial(scanned, FORMAT)
    except SerialProblem as problem:
        return f"refused: {problem}"


def test_small_letters_stay_small_where_they_belong_to_the_format():
    small = SerialFormat(pattern="u(?P<batch>[0-9]{2})[a-z]", example="u26a")
    assert one_serial("u26b", small) == "u26b"
    with pytest.raises(SerialProblem):
        one_serial("U26B", small)


def test_a_line_is_scanned_typed_or_both():
    line = ScanLine()
    assert line.take(Burst(ONE, 0.0, ended=True)) == ONE
    for character in "DM":
        assert line.take(Press(character, 0.0)) is None
    assert line.take(Press("x", 0.0)) is None
    assert line.take(Press(Key.BACKSPACE, 0.0)) is None
    # a fast typist's last characters look like a scanner's
    assert line.take(Burst("26010001G", 0.0, ended=True)) == ONE
    assert line.take(Press(Key.ENTER, 0.0)) is None


@POSIX
def test_scans_with_any_end_are_taken_once_and_a_double_scan_counts_once():
    with Terminal.start("scans") as terminal:
        terminal.until("Scan the next unit")
        for end, serial in (("\r", ONE), ("\r\n", OTHER), ("\t", "DM26010003C")):
            terminal.scan(serial, end)
            terminal.until(f"taken: {serial}")
            terminal.scan(serial, end)
        # no end at all: taken after a pause
        terminal.scan("DM26010004A", "")
        terminal.until("taken: DM26010004A")
        terminal.scan("STOP")
        assert terminal.end() == 0
        assert terminal.said.count("taken:") == 4
        assert "refused" not in terminal.said
        assert "terminal: as before" in terminal.said


@POSIX
def test_the_same_unit_may_be_scanned_again_later():
    with Terminal.start("scans") as terminal:
        terminal.until("Scan the next unit")
        terminal.scan(ONE)
        terminal.until(f"taken: {ONE}")
        terminal.watch(2.1)
        terminal.scan(ONE)
        terminal.until(lambda it: it.said.count("taken:") == 2)
        terminal.press("a", "\r")
        terminal.until(lambda it: it.said.count("taken:") == 3)
        terminal.press("s", "\r")
        assert terminal.end() == 0


@POSIX
def test_what_is_not_one_serial_is_refused_in_one_sentence_and_the_next_scan_counts():
    with Terminal.start("scans", columns=200) as terminal:
        terminal.until("Scan the next unit")
        terminal.scan(ONE + OTHER)
        terminal.until("refused: Two serials came as one scan")
        terminal.scan("DDMM2266001100000012GE")
        terminal.until("is not a serial of this product")
        # a burst that stops halfway, and another on top of it
        terminal.scan("DM2601", "")
        terminal.watch(0.3)
        terminal.scan(OTHER)
        terminal.until(lambda it: it.said.count("refused:") == 3)
        terminal.scan(ONE)
        terminal.until(f"taken: {ONE}")
        assert terminal.said.count("taken:") == 1


@pytest.mark.parametrize(
    ("scanned", "around"),
    [
        # symbology identifiers of ISO/IEC 15424 that some scanners send along
        (f"]C0{ONE}", "']C0' before it"),
        (f"]Q1{ONE}", "']Q1' before it"),
        (f"SN:{ONE}", "'SN:' before it"),
        (f"{ONE};", "';' after it"),
    ],
)
def test_what_a_scanner_adds_around_a_serial_is_named(scanned, around):
    with pytest.raises(SerialProblem, match="switch off what the scanner adds") as refused:
        one_serial(scanned, FORMAT)
    assert f"is {ONE} with {around}" in str(refused.value)


@pytest.fixture
def between_units() -> Iterator[tuple[Terminal, int]]:
    """A desk that waits for the next unit, and where its serial scanner sends from."""
    ours, theirs = os.openpty()
    with Terminal.start("scans", os.ttyname(theirs), columns=200) as terminal:
        terminal.until("Scan the next unit")
        time.sleep(0.15)
        yield terminal, ours
    os.close(theirs)
    os.close(ours)


@POSIX
def test_of_lines_that_come_together_a_refused_one_takes_no_other_with_it(between_units: tuple[Terminal, int]):
    terminal, ours = between_units
    os.write(ours, f"DM2601\r0001G\r{ONE}\r".encode())
    terminal.until(f"taken: {ONE}")
    assert terminal.said.count("refused:") == 2
    assert "finish this unit first" not in terminal.said


@POSIX
def test_a_scanner_at_another_speed_ends_nothing_and_is_told_once(between_units: tuple[Terminal, int]):
    terminal, ours = between_units
    # of bytes that come at a wrong speed some happen to be a key between two line ends
    os.write(ours, b"\xe6\x9e\x80\rS\r\xff\xfe\x98\n\r\xf8s\r")
    terminal.until("sent what is no text")
    terminal.watch(0.5)
    os.write(ours, f"{ONE}\r".encode())
    terminal.until(f"taken: {ONE}")
    assert terminal.said.count("sent what is no text") == 1
    assert "another speed than 9600 baud" in terminal.said
    assert "refused:" not in terminal.said


@POSIX
def test_a_slow_typist_gets_there_with_mistakes():
    with Terminal.start("scans") as terminal:
        terminal.until("Scan the next unit")
        terminal.press(*"dm260", "9", "\x7f", *"10001")
        terminal.until("> dm26010001")
        terminal.press("g", "\r")
        terminal.until(f"taken: {ONE}")


@POSIX
def test_a_dumb_terminal_shows_what_is_typed():
    with Terminal.start("scans", TERM="dumb") as terminal:
        terminal.until("Scan the next unit")
        terminal.press("d", "m")
        terminal.until(lambda it: it.said.endswith("dm"))
        terminal.child.send("\x03")
        assert terminal.end() == 130


def test_scans_come_from_a_file_as_well():
    outcome = subprocess.run(
        [sys.executable, "-m", "tests.terminal.programs", "scans"],
        cwd=ROOT, capture_output=True, text=True, input=f"{ONE}\nnonsense\n{OTHER}\n", timeout=30, check=True,
    )  # fmt: skip
    assert [line for line in outcome.stdout.splitlines() if line.startswith("taken")] == [
        f"taken: {ONE}", f"taken: {OTHER}",
    ]  # fmt: skip
    assert "refused: 'nonsense' is not a serial" in outcome.stdout
    assert outcome.stdout.rstrip().endswith("no more")


@POSIX
def test_a_serial_scanner_goes_the_same_way_and_the_keyboard_goes_on_when_it_is_unplugged():
    ours, theirs = os.openpty()
    port = os.ttyname(theirs)
    with Terminal.start("scans", port, columns=200) as terminal:
        terminal.until("Scan the next unit")
        time.sleep(0.15)
        os.write(ours, f"{ONE}\r\n".encode())
        terminal.until(f"taken: {ONE}")
        os.write(ours, f"{ONE + OTHER}\r\n".encode())
        terminal.until("refused: Two serials came as one scan")
        os.close(theirs)
        os.close(ours)
        terminal.until(f"The scanner at {port} is gone")
        terminal.scan(OTHER)
        terminal.until(f"taken: {OTHER}")
        terminal.watch(1.1)
        assert terminal.said.count("The scanner at") == 1
        terminal.scan("STOP")
        assert terminal.end() == 0
