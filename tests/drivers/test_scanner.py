"""A barcode scanner on a serial line, which a pseudo-terminal stands for."""

from __future__ import annotations

import os
import sys
from collections.abc import Iterator
from pathlib import Path

import pytest

if sys.platform == "win32":
    pytest.skip("serial lines on pseudo-terminals are POSIX", allow_module_level=True)

import termios

from drivers.errors import LinkLost, LinkRefused
from drivers.link import SerialOptions
from drivers.scanner import LONGEST_LINE, Scanner

SOON_S = 2.0
NOTHING_S = 0.2


class SerialLine:
    """Both ends of a serial line."""

    def __init__(self) -> None:
        self.ours, self.theirs = os.openpty()
        self.port = os.ttyname(self.theirs)
        self._open = True

    def send(self, data: bytes) -> None:
        os.write(self.ours, data)

    def unplug(self) -> None:
        if self._open:
            self._open = False
            os.close(self.ours)
            os.close(self.theirs)


@pytest.fixture
def line() -> Iterator[SerialLine]:
    made = SerialLine()
    yield made
    made.unplug()


@pytest.mark.parametrize("end", [b"\r", b"\n", b"\r\n", b"\t"])
def test_a_scan_ends_as_scanners_end_it(line: SerialLine, end: bytes):
    # common practice: the suffixes that scanners can be set to
    with Scanner.open(line.port) as scanner:
        line.send(b"DM26010001G" + end + b"DM26010002E" + end)
        assert scanner.read_line(SOON_S) == "DM26010001G"
        assert scanner.read_line(SOON_S) == "DM26010002E"
        assert scanner.read_line(NOTHING_S) is None


def test_a_scan_without_an_end_is_over_after_a_pause(line: SerialLine):
    with Scanner.open(line.port) as scanner:
        line.send(b"DM26010001G")
        assert scanner.read_line(SOON_S) == "DM26010001G"


def test_a_scan_that_comes_in_pieces_is_put_together(line: SerialLine):
    with Scanner.open(line.port) as scanner:
        line.send(b"DM2601")
        assert scanner.read_line(0.0) is None
        line.send(b"0001G\r\n")
        assert scanner.read_line(SOON_S) == "DM26010001G"


def test_a_byte_that_is_not_ascii_spoils_the_line_and_not_the_next(line: SerialLine):
    with Scanner.open(line.port) as scanner:
        line.send(b"DM2601\xff001G\rDM26010002E\r")
        assert scanner.read_line(SOON_S) == "DM2601\ufffd001G"
        assert scanner.read_line(SOON_S) == "DM26010002E"


def test_a_line_that_never_ends_does_not_grow_for_ever(line: SerialLine):
    with Scanner.open(line.port) as scanner:
        line.send(b"x" * (LONGEST_LINE + 1))
        taken = scanner.read_line(SOON_S)
        assert taken is not None
        assert len(taken) <= 2 * LONGEST_LINE


@pytest.mark.parametrize(("baud", "flag"), [(9600, termios.B9600), (38400, termios.B38400)])
def test_the_line_is_set_as_the_scanner_is(line: SerialLine, baud: int, flag: int):
    with Scanner.open(line.port, SerialOptions(baud_rate=baud, stop_bits=2)):
        settings = termios.tcgetattr(line.theirs)
        assert settings[4] == settings[5] == flag
        assert settings[2] & termios.CSTOPB


def test_an_unplugged_scanner_is_told_in_one_sentence(line: SerialLine):
    with Scanner.open(line.port) as scanner:
        line.unplug()
        with pytest.raises(LinkLost, match="plug it in again, or go on with the keyboard") as lost:
            scanner.read_line(SOON_S)
        assert line.port in str(lost.value)
        assert "\n" not in str(lost.value)


def test_a_port_that_is_not_there_or_in_use_is_refused(line: SerialLine, tmp_path: Path):
    with pytest.raises(LinkRefused, match="check its plug"):
        Scanner.open(str(tmp_path / "no-scanner"))
    with Scanner.open(line.port), pytest.raises(LinkRefused, match="cannot be opened"):
        Scanner.open(line.port)
