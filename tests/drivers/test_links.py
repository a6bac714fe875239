"""The links themselves: any number of callers, no rest after closing, no fall over what a stranger sends."""

from __future__ import annotations

import gc
import os
import socket
import struct
import threading
from contextlib import closing
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from drivers.session import Session
from drivers.virtual.links.hislip import HislipLink
from drivers.virtual.links.serving import Lines, Link
from drivers.virtual.links.sockets import SocketLink
from drivers.virtual.links.terminals import TerminalLink
from drivers.virtual.links.vxi11 import Vxi11Link
from tests.drivers.instruments import IDENTITY, EchoInstrument

DESCRIPTORS = Path("/proc/self/fd")
NETWORK = [SocketLink, HislipLink, Vxi11Link]


def port_of(link: Link) -> int:
    """The port number inside a resource string of a link over TCP."""
    return int(next(part for part in link.resource.replace(",", "::").split("::") if part.isdigit()))


@pytest.mark.skipif(not Path("/proc/self/fd").is_dir(), reason="counts open descriptors where the system lists them")
def test_a_closed_link_leaves_no_thread_and_no_descriptor(link_class: type[Link]):
    with closing(SocketLink(EchoInstrument())) as other:
        Session.open(other.resource, role="meter").close()
    gc.collect()  # what tests before left to be collected is not this link's
    threads, descriptors = threading.active_count(), len(list(DESCRIPTORS.iterdir()))
    with closing(link_class(EchoInstrument())) as link:
        for _ in range(3):
            with Session.open(link.resource, role="meter") as session:
                assert session.ask("ECHO? first") == "first"
                session.reopen()
        forgotten = Session.open(link.resource, role="meter")
    link.close()
    forgotten.close()
    assert threading.active_count() == threads
    assert len(list(DESCRIPTORS.iterdir())) <= descriptors


def test_a_link_that_is_opened_anew_again_and_again_holds_no_more_memory():
    with closing(SocketLink(EchoInstrument())) as link, Session.open(link.resource, role="meter") as session:
        for _ in range(10):
            session.reopen()
        gc.collect()
        held = len(gc.get_objects())
        for _ in range(30):
            session.reopen()
        gc.collect()
        # a link's session in the library beneath is some 30 objects
        assert len(gc.get_objects()) < held + 30


@pytest.mark.parametrize("link_class", NETWORK)
def test_several_callers_are_served_side_by_side(link_class: type[Link]):
    with (
        closing(link_class(EchoInstrument())) as link,
        Session.open(link.resource, role="meter") as one,
        Session.open(link.resource, role="counter") as other,
    ):
        for number in range(5):
            assert one.ask(f"ECHO? one{number}") == f"one{number}"
            assert other.ask(f"ECHO? other{number}") == f"other{number}"


@pytest.mark.parametrize("termination", ["\n", "\r\n"])
def test_a_line_may_end_in_carriage_return_and_line_feed(line_link_class: type[Link], termination: str):
    with (
        closing(line_link_class(EchoInstrument(), termination=termination)) as link,
        Session.open(link.resource, role="meter", termination=termination) as session,
    ):
        session.command("SET 1")
        assert session.ask("ECHO? first") == "first"


def test_an_answer_longer_than_any_buffer_comes_whole(link_class: type[Link]):
    long = "x" * 50_000

    def lengthened(_message: str, response: str) -> str:
        return response.replace("long", long)

    with (
        closing(link_class(EchoInstrument(lengthened))) as link,
        Session.open(link.resource, role="meter", timeout_s=20.0) as session,
    ):
        assert session.ask("ECHO? long") == long
        assert session.ask("ECHO? next") == "next"


def test_a_message_in_pieces_is_one_message():
    lines = Lines()
    assert lines.feed(b"ECHO? o") == []
    assert lines.feed(b"ne\r\nECHO? two\nEC") == ["ECHO? one", "ECHO? two"]
    assert lines.feed(b"HO? three\n") == ["ECHO? three"]


def test_a_message_without_end_is_not_collected_for_ever():
    def shout(stranger: socket.socket) -> None:
        for _ in range(100):
            stranger.sendall(b"x" * 100_000)

    with closing(SocketLink(EchoInstrument())) as link:
        with socket.create_connection(("127.0.0.1", link.port)) as stranger, pytest.raises(ConnectionError):
            shout(stranger)
        with Session.open(link.resource, role="meter") as session:
            assert session.ask("ECHO? first") == "first"


@pytest.mark.parametrize("link_class", NETWORK)
@settings(max_examples=30, deadline=None)
@given(data=st.binary(max_size=200) | st.binary(max_size=60).map(lambda rest: b"HS" + rest))
def test_what_a_stranger_sends_does_not_stop_the_service(link_class: type[Link], data: bytes):
    with closing(link_class(EchoInstrument())) as link:
        with socket.create_connection(("127.0.0.1", port_of(link))) as stranger:
            stranger.sendall(data)
        with Session.open(link.resource, role="meter") as session:
            assert session.ask("ECHO? first") == "first"


def test_hislip_answers_what_it_does_not_know_with_an_error_message():
    # IVI-6.1: message type 3, Error, code 1, Unrecognized Message Type
    with (
        closing(HislipLink(EchoInstrument())) as link,
        socket.create_connection(("127.0.0.1", port_of(link))) as caller,
    ):
        caller.sendall(struct.pack("!2sBBIQ", b"HS", 99, 0, 0, 0))
        prologue, kind, code = struct.unpack_from("!2sBB", caller.recv(100))
    assert (prologue, kind, code) == (b"HS", 3, 1)


def test_vxi_11_refuses_procedures_and_programs_that_it_does_not_offer():
    def call(program: int, procedure: int) -> bytes:
        body = struct.pack("!10I", 7, 0, 2, program, 1, procedure, 0, 0, 0, 0)
        with socket.create_connection(("127.0.0.1", port_of(link))) as caller:
            caller.sendall(struct.pack("!I", 0x8000_0000 | len(body)) + body)
            return caller.recv(200)

    with closing(Vxi11Link(EchoInstrument())) as link:
        # RFC 5531: transaction, reply, accepted, no verifier, then the verdict; VXI-11 table B.2: error 8
        unavailable = struct.pack("!6I", 7, 1, 0, 0, 0, 1)
        not_supported = struct.pack("!7I", 7, 1, 0, 0, 0, 0, 8)
        assert call(0x0607B0, 10)[4:] == unavailable
        assert call(0x0607AF, 22)[4:] == not_supported


def test_a_serial_line_outlives_its_callers():
    with closing(TerminalLink(EchoInstrument())) as link:
        for text in ("first", "second"):
            with Session.open(link.resource, role="meter") as session:
                assert session.ask(f"ECHO? {text}") == text


def test_what_a_killed_program_left_on_a_serial_line_is_not_taken_for_an_identity():
    with closing(TerminalLink(EchoInstrument())) as link:
        line = os.open(link.resource.removeprefix("ASRL").removesuffix("::INSTR"), os.O_RDWR | os.O_NOCTTY)
        os.write(line, b"*IDN?\nECHO? left over\n*ESE 77;:ECHO? left over;*ESE?\nECHO? ha")
        with Session.open(link.resource, role="meter", timeout_s=1.5) as session:
            assert session.identity.maker == IDENTITY.partition(",")[0]
            assert session.ask("ECHO? first") == "first"
        os.close(line)
