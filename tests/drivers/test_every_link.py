"""Every kind of link that a bench file can name: reached where it can be served here, told in a sentence where not."""

from __future__ import annotations

import os
import sys
from contextlib import closing

import pytest
from pyvisa import rname
from pyvisa.constants import InterfaceType

from drivers.enumeration import blind_spots
from drivers.errors import LinkRefused
from drivers.link import LinkKind, SerialOptions
from drivers.scanner import Scanner
from drivers.session import Session
from drivers.virtual.links.terminals import TerminalLink
from tests.drivers.instruments import EchoInstrument

if sys.platform == "win32":
    pytest.skip("serial lines on pseudo-terminals are POSIX", allow_module_level=True)

import termios

KINDS = {
    "SocketLink": LinkKind.SOCKET,
    "TerminalLink": LinkKind.SERIAL,
    "HislipLink": LinkKind.HISLIP,
    "Vxi11Link": LinkKind.VXI11,
    "DirectLink": LinkKind.DIRECT,
}
CONTROL, INPUT, SPEED = 2, 0, 4
"""Places in what tcgetattr gives (POSIX termios)."""


def test_each_link_is_taken_for_what_it_is(link_class):
    with closing(link_class(EchoInstrument())) as link, Session.open(link.resource, role="meter") as session:
        assert session._wire._link.kind is KINDS[link_class.__name__]
        assert session.ask("ECHO? there") == "there"


def settings_of(link):
    descriptor = os.open(link.resource.removeprefix("ASRL").removesuffix("::INSTR"), os.O_RDWR | os.O_NOCTTY)
    try:
        return termios.tcgetattr(descriptor)
    finally:
        os.close(descriptor)


@pytest.mark.parametrize(
    ("options", "speed", "control", "stops_by_character"),
    [
        (SerialOptions(9600), termios.B9600, 0, False),
        (SerialOptions(19200, stop_bits=2), termios.B19200, termios.CSTOPB, False),
        (SerialOptions(115200, flow_control="xon_xoff"), termios.B115200, 0, True),
        (SerialOptions(38400, flow_control="rts_cts"), termios.B38400, termios.CRTSCTS, False),
        (SerialOptions(4800, flow_control="dtr_dsr"), termios.B4800, 0, False),
    ],
)
def test_a_serial_line_is_set_as_the_bench_file_says(options, speed, control, stops_by_character):
    with (
        closing(TerminalLink(EchoInstrument())) as link,
        Session.open(link.resource, role="meter", serial=options) as session,
    ):
        assert session.ask("ECHO? there") == "there"
        found = settings_of(link)
        assert found[SPEED] == speed
        assert found[CONTROL] & (termios.CSTOPB | termios.CRTSCTS | termios.PARENB) == control
        assert bool(found[INPUT] & termios.IXON) is stops_by_character
        assert session._wire._link._session.interface.dsrdtr is (options.flow_control == "dtr_dsr")


def talked_or_told(link, options):
    try:
        with Session.open(link.resource, role="meter", serial=options) as session:
            return session.ask("ECHO? there")
    except LinkRefused as refused:
        return "told" if "the serial line does not take these settings: see to baud_rate" in str(refused) else ""


@pytest.mark.parametrize(
    ("options", "asked"),
    [
        (SerialOptions(data_bits=7), termios.CS7),
        (SerialOptions(parity="even"), termios.PARENB | termios.CS8),
        (SerialOptions(parity="odd"), termios.PARENB | termios.PARODD | termios.CS8),
    ],
)
def test_parity_and_data_bits_are_asked_of_the_line_and_a_line_without_says_so(options, asked, monkeypatch):
    # Linux, drivers/tty/pty.c (from memory): a pseudo-terminal has 8 bits and no parity, and refuses others
    requests = []
    really = termios.tcsetattr
    monkeypatch.setattr(
        termios, "tcsetattr", lambda line, when, to: (requests.append(to[CONTROL]), really(line, when, to))[1]
    )
    with closing(TerminalLink(EchoInstrument())) as link:
        assert talked_or_told(link, options) in {"there", "told"}
    mask = termios.PARENB | termios.PARODD | termios.CSIZE
    assert asked in {each & mask for each in requests}


@pytest.mark.parametrize("termination", ["\n", "\r\n", "\r"])
def test_a_serial_instrument_may_end_its_lines_in_any_usual_way(termination):
    with (
        closing(TerminalLink(EchoInstrument(), termination=termination)) as link,
        Session.open(link.resource, role="meter", termination=termination) as session,
    ):
        session.command("SET 1")
        assert [session.ask(f"ECHO? {each}") for each in ("one", "two")] == ["one", "two"]


@pytest.mark.parametrize(
    ("resource", "interface", "what"),
    [
        ("USB0::0x1234::0x5678::INVENTED1::INSTR", InterfaceType.usb, "USB"),
        ("USB::0x1234::0x5678::INVENTED1::0::INSTR", InterfaceType.usb, "USB"),
        ("GPIB0::22::INSTR", InterfaceType.gpib, "gpib"),
        ("GPIB::9::2::INSTR", InterfaceType.gpib, "gpib"),
    ],
)
def test_usb_and_gpib_are_named_as_visa_names_them_and_what_is_missing_is_said(resource, interface, what):
    # VPP-4.3, table of resource strings, as the library has it
    assert rname.ResourceName.from_string(resource).interface_type_const is interface
    with pytest.raises(LinkRefused) as refused:
        Session.open(resource, role="meter", timeout_s=0.3)
    said = str(refused.value)
    assert said.startswith(f"Meter at {resource} cannot be opened (")
    assert "\n" not in said
    assert what.lower() in said.lower() or "check that the instrument is on and connected" in said


def test_what_cannot_be_looked_for_is_said_in_one_line_each():
    assert all("\n" not in each for each in blind_spots())


def test_a_scanner_reads_beside_instruments_on_serial_lines():
    ours, theirs = os.openpty()
    with (
        closing(TerminalLink(EchoInstrument())) as link,
        Session.open(link.resource, role="meter") as session,
        Scanner.open(os.ttyname(theirs)) as scanner,
    ):
        for number in range(3):
            os.write(ours, f"DM2601000{number}\r".encode())
            assert session.ask(f"ECHO? {number}") == str(number)
            assert scanner.read_line(2.0) == f"DM2601000{number}"
    os.close(ours)
    os.close(theirs)
