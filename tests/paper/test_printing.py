"""Printers of every kind, and what becomes of a verdict when one of them is off, refuses or hangs."""

from __future__ import annotations

import os
import socket
import sys
import threading
from contextlib import closing, contextmanager
from pathlib import Path

import pytest
from click.testing import CliRunner

from drivers import printer as ways
from drivers.errors import PrinterFault
from drivers.printer import NetworkPrinter, QueuePrinter, SerialPrinter, printer_at
from fixtures import demonstration_bench
from rig.cli import app
from rig.errors import WrongInput
from rig.paper import Codes, LabelFormat, Printed, PrinterTable
from rig.printing import after_verdict, print_visit, table_for_work
from rig.reports.label import label_pdf, label_png
from rig.reports.slip import slip

TITLE = "the slip of X"


@contextmanager
def network_printer(*, hangs_up: bool = True):
    """A printer on the loopback: its address, and what it has received once it is closed."""
    received: list[bytes] = []
    with closing(socket.create_server(("127.0.0.1", 0))) as server:
        gone = threading.Event()

        def take() -> None:
            line, _ = server.accept()
            with line:
                while data := line.recv(4096):
                    received.append(data)
                if not hangs_up:
                    gone.wait(30.0)

        thread = threading.Thread(target=take)
        thread.start()
        try:
            yield f"tcp://127.0.0.1:{server.getsockname()[1]}", received
        finally:
            gone.set()
            thread.join(30.0)


def closed_port() -> int:
    with closing(socket.create_server(("127.0.0.1", 0))) as server:
        return int(server.getsockname()[1])


@pytest.mark.parametrize(
    ("address", "printer"),
    [
        ("tcp://192.0.2.7", NetworkPrinter("192.0.2.7", 9100)),
        ("TCP://printer.example:515/", NetworkPrinter("printer.example", 515)),
        ("tcp://[2001:db8::7]:9101", NetworkPrinter("2001:db8::7", 9101)),
        ("serial:/dev/ttyUSB1", SerialPrinter("/dev/ttyUSB1", 9600)),
        ("serial:COM3@19200", SerialPrinter("COM3", 19200)),
        ("lp:labels", QueuePrinter("labels")),
        ("lp:", QueuePrinter("")),
    ],
)
def test_addresses(address, printer):
    assert printer_at(address) == printer


@pytest.mark.parametrize(
    "address",
    ["", "tcp://", "tcp://a b", "tcp://x:0", "tcp://x:99999", "serial:", "serial:x@fast", "lp:-o raw", "lp:a;b"],
)
def test_what_is_no_address_of_a_printer_is_told_what_one_looks_like(address):
    with pytest.raises(ValueError, match="tcp://HOST"):
        printer_at(address)


def test_a_network_printer_gets_the_slip_with_room_to_tear_it_off(kept):
    with network_printer() as (address, received):
        said = print_visit(kept.plain, Printed.SLIP, PrinterTable(slip=address, columns=32, feed_lines=3))
    assert said == f"Sent the slip of {kept.plain.record.serial} to {address}."
    text = b"".join(received).decode("ascii")
    assert text == slip(kept.plain, 32).replace("\n", "\r\n") + "\r\n" * 3


def test_a_label_goes_as_the_file_that_the_printer_takes(kept):
    for kind, begins in (("pdf", b"%PDF-"), ("png", b"\x89PNG")):
        with network_printer() as (address, received):
            print_visit(kept.plain, Printed.LABEL, PrinterTable(label=address, label_as=kind))
        assert b"".join(received).startswith(begins)


def test_a_printer_that_does_not_hang_up_has_not_confirmed(monkeypatch):
    monkeypatch.setattr(ways, "HANG_UP_S", 0.1)
    with network_printer(hangs_up=False) as (address, received):
        assert "see whether it came out" in printer_at(address).print_bytes(b"x", TITLE)
    assert received == [b"x"]


def test_a_printer_that_is_off_leaves_the_verdict_and_says_how_to_print_later(kept):
    address = f"tcp://127.0.0.1:{closed_port()}"
    with pytest.raises(PrinterFault) as off:
        print_visit(kept.plain, Printed.LABEL, PrinterTable(label=address))
    said = str(off.value)
    assert address in said
    assert f"'rig print label {kept.plain.record.serial}' prints it again." in said
    assert "\n" not in said


def test_a_printer_that_hangs_is_not_waited_for_for_ever(monkeypatch):
    monkeypatch.setattr(ways, "SEND_S", 0.2)
    with closing(socket.create_server(("127.0.0.1", 0))) as server:
        # nobody takes the call: what the kernel holds for it fills up
        address = f"tcp://127.0.0.1:{server.getsockname()[1]}"
        with pytest.raises(PrinterFault, match="has paper"):
            printer_at(address).print_bytes(b"x" * 50_000_000, TITLE)


@pytest.mark.skipif(sys.platform == "win32", reason="pseudo-terminals are POSIX")
def test_a_serial_printer_gets_every_byte(kept):
    ours, theirs = os.openpty()
    received = bytearray()
    wanted = slip(kept.plain).replace("\n", "\r\n").encode() + b"\r\n" * 4

    def take() -> None:
        while len(received) < len(wanted):
            received.extend(os.read(ours, 4096))

    thread = threading.Thread(target=take)
    thread.start()
    try:
        print_visit(kept.plain, Printed.SLIP, PrinterTable(slip=f"serial:{os.ttyname(theirs)}@19200"))
        thread.join(30.0)
    finally:
        os.close(theirs)
        os.close(ours)
    assert bytes(received) == wanted


@pytest.mark.skipif(sys.platform == "win32", reason="pseudo-terminals are POSIX")
def test_a_serial_printer_that_holds_the_line_or_is_not_there(monkeypatch):
    monkeypatch.setattr(ways, "SEND_S", 0.2)
    ours, theirs = os.openpty()
    try:
        with pytest.raises(PrinterFault, match="has paper"):
            printer_at(f"serial:{os.ttyname(theirs)}").print_bytes(b"x" * 1_000_000, TITLE)
    finally:
        os.close(theirs)
        os.close(ours)
    with pytest.raises(PrinterFault, match="check its plug"):
        printer_at("serial:/dev/no-such-port").print_bytes(b"x", TITLE)


@pytest.fixture
def command(tmp_path: Path, monkeypatch):
    """A print command on the path that keeps what it is given, or says no to the queue 'broken'."""
    script = tmp_path / "lp"
    script.write_text(
        f"#!/bin/sh\necho \"$@\" > '{tmp_path}/arguments'\ncat > '{tmp_path}/printed'\n"
        'if [ "$2" = broken ]; then echo "lp: no such destination" >&2; exit 1; fi\n',
        encoding="utf-8",
    )
    script.chmod(0o755)
    monkeypatch.setenv("PATH", f"{tmp_path}:/usr/bin:/bin")
    return tmp_path


@pytest.mark.skipif(sys.platform == "win32", reason="the print command is that of POSIX")
def test_the_systems_print_command_gets_the_file_and_the_queue(kept, command):
    print_visit(kept.plain, Printed.LABEL, PrinterTable(label="lp:labels"))
    assert (command / "printed").read_bytes().startswith(b"%PDF-")
    assert (command / "arguments").read_text().startswith("-d labels -t the label of DM2607")
    with pytest.raises(PrinterFault, match="no such destination"):
        print_visit(kept.plain, Printed.LABEL, PrinterTable(label="lp:broken"))


def test_a_system_without_a_print_command_says_so(kept, monkeypatch, tmp_path):
    monkeypatch.setenv("PATH", str(tmp_path))
    with pytest.raises(PrinterFault, match="has no print command"):
        print_visit(kept.plain, Printed.SLIP, PrinterTable(slip="lp:"))


def test_after_a_verdict_each_thing_is_printed_or_told_and_nothing_is_raised(kept):
    with network_printer() as (address, received):
        table = PrinterTable(
            slip=f"tcp://127.0.0.1:{closed_port()}", label=address, after_verdict=(Printed.SLIP, Printed.LABEL)
        )
        off, sent = after_verdict(kept.plain, table)
    assert "The verdict stands" in off
    assert sent.startswith("Sent the label")
    assert received


def test_printing_is_as_the_bench_file_says_unless_somebody_says_otherwise():
    table = PrinterTable(slip="lp:", label="lp:labels", after_verdict=(Printed.LABEL,))
    assert table_for_work(table, wanted=None) == table == table_for_work(table, wanted=True)
    assert table_for_work(table, wanted=False).after_verdict == ()
    assert table_for_work(PrinterTable(slip="lp:"), wanted=True).after_verdict == (Printed.SLIP,)
    with pytest.raises(WrongInput, match="No printer is given"):
        table_for_work(PrinterTable(), wanted=True)
    with pytest.raises(WrongInput, match="No printer is given for the slip"):
        print_visit(None, Printed.SLIP, PrinterTable())


def test_the_commands_print_again_whatever_printer_paper_or_file_is_named(kept, monkeypatch, tmp_path):
    monkeypatch.setenv("RIG_DATABASE_URL", kept.url)
    serial, visit = kept.plain.record.serial, str(kept.live.visit_id)

    def printed(what, *options):
        words = ["print", what, serial, *map(str, options)]
        return CliRunner().invoke(app, words, catch_exceptions=False).stdout

    assert printed("slip", "--visit", visit, "--columns", 48) == slip(kept.plain, 48)
    with network_printer() as (address, received):
        printed("slip", "--to", address, "--columns", 42)
    assert slip(kept.plain, 42).replace("\n", "\r\n").encode() in b"".join(received)
    printed("slip", "--out", tmp_path / "slip.txt")
    assert (tmp_path / "slip.txt").read_text(encoding="ascii") == slip(kept.plain)
    paper = ("--width", 60.0, "--height", 30.0, "--dots", 203, "--codes", "qr")
    for name in ("label.pdf", "label.PNG"):
        printed("label", "--out", tmp_path / name, *paper)
    form = LabelFormat(width_mm=60.0, height_mm=30.0, dots_per_inch=203, codes=Codes.QR)
    assert (tmp_path / "label.pdf").read_bytes() == label_pdf(kept.plain, form)
    assert (tmp_path / "label.PNG").read_bytes() == label_png(kept.plain, form)
    bench = tmp_path / "bench.toml"
    text = demonstration_bench().read_text(encoding="utf-8").split("[virtual]")[0]
    with network_printer() as (address, received):
        bench.write_text(f'{text}\n[printer]\nlabel = "{address}"\nlabel_format.width_mm = 70.0\n', encoding="utf-8")
        printed("label", "--bench", bench, "--height", 35.0)
    assert b"".join(received) == label_pdf(kept.plain, LabelFormat(width_mm=70.0, height_mm=35.0))
    wrong = (["--codes", "morse"], ["--width", 1.0], ["--out", tmp_path / "label.gif"], ["--to", "the blue one"], [])
    for options in wrong:
        with pytest.raises(WrongInput):
            printed("label", *options)
