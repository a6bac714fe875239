"""Every message with its time: what is kept, for how long, and what is never shown."""

from __future__ import annotations

import json
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from drivers.errors import AnswerLate, LinkRefused
from drivers.exchange import Exchange
from drivers.secrets import escaped, without_secrets
from drivers.session import Session
from drivers.trace import NotATrace, Trace, read_trace
from drivers.virtual.clock import InstantClock
from drivers.virtual.links.sockets import SocketLink
from tests.drivers.instruments import EchoInstrument

STARTED = datetime(2026, 1, 5, 8, 0, tzinfo=UTC)


def exchange(sent="READ?", received="+1.0E+00", at_s=0.0, took_s=0.02, failure=""):
    return Exchange("meter", sent, received, at_s, at_s + took_s, failure)


def test_a_line_tells_when_what_and_how_long():
    clock = InstantClock(STARTED)
    trace = Trace(clock)
    clock.sleep(12.5)
    trace.observe(exchange(at_s=12.25, took_s=0.25))
    (line,) = trace.last_minute()
    assert line.at == STARTED + timedelta(seconds=12.25)
    assert line.took_s == pytest.approx(0.25)
    assert str(line) == "08:00:12.250    250.0 ms meter    -> READ?  <- +1.0E+00"


def test_the_last_minute_is_remembered_and_no_more():
    clock = InstantClock(STARTED)
    trace = Trace(clock)
    for second in range(200):
        clock.sleep(1.0)
        trace.observe(exchange(sent=f"ECHO? {second}", at_s=clock.now() - 0.02))
    lines = trace.last_minute()
    assert lines[-1].sent == "ECHO? 199"
    assert lines[0].sent == "ECHO? 139"


def test_the_last_minute_stays_within_bounds_however_much_is_said():
    trace = Trace(InstantClock(STARTED))
    for _ in range(30_000):
        trace.observe(exchange())
    assert len(trace.last_minute()) == 20_000


def test_everything_is_in_the_file_as_soon_as_it_was_said(tmp_path):
    path = tmp_path / "trace.jsonl"
    clock = InstantClock(STARTED)
    trace = Trace(clock, path)
    link = SocketLink(EchoInstrument())
    with Session.open(link.resource, role="meter", observer=trace.observe, clock=clock) as session:
        session.ask("ECHO? hello")
        # not closed: a program that is killed leaves the same
        lines = list(read_trace(path))
    link.close()
    assert [line.sent for line in lines][-1] == "*ESE 3;:ECHO? hello;*ESE?"
    assert lines[-1].received == "hello;3"
    assert lines[0].sent == "*ESE 1;*ESE?;*IDN?"


def test_an_answer_that_never_came_is_in_the_trace():
    clock = InstantClock(STARTED)
    trace = Trace(clock)
    link = SocketLink(EchoInstrument(), before_answer=lambda message: 0.4 if "slow" in message else 0.0)
    with Session.open(link.resource, role="meter", observer=trace.observe, timeout_s=0.2, clock=clock) as session:
        with pytest.raises(AnswerLate):
            session.ask("ECHO? slow")
        lines = trace.last_minute()
    link.close()
    (late,) = [line for line in lines if "ECHO? slow" in line.sent]
    assert "nothing came within 0.2 s" in late.failure
    assert "!! nothing came" in str(late)


def test_a_last_line_cut_short_by_a_kill_is_left_out(tmp_path):
    path = tmp_path / "trace.jsonl"
    with Trace(InstantClock(STARTED), path) as trace:
        trace.observe(exchange(sent="first"))
        trace.observe(exchange(sent="second"))
    path.write_bytes(path.read_bytes()[:-20])
    told = []
    assert [line.sent for line in read_trace(path, told.append)] == ["first"]
    assert told == [f"The last line of {path} is cut short: whoever wrote it was killed, or ran out of room."]


@pytest.mark.parametrize(
    ("contents", "what"),
    [
        (b"", "is not a trace"),
        (b"# a bench file\n", "is not a trace"),
        (b"\xff\xfe\x00" * 100, "is not a trace"),
        (b'{"format": "trimrig trace 1"}\n[1, 2]\n', "damaged at line 2"),
        (b'{"format": "trimrig trace 1"}\n{"at": 5}\n', "damaged at line 2"),
        (b'{"format": "trimrig trace 1"}\n' + b"[" * 5000 + b"\n", "damaged at line 2"),
        (b'{"format": "trimrig trace 1"}\n' + b"x" * 200_000 + b"\n", "damaged at line 2"),
    ],
)
def test_a_file_that_is_no_trace_is_told_by_its_line(tmp_path, contents, what):
    path = tmp_path / "trace.jsonl"
    path.write_bytes(contents)
    with pytest.raises(NotATrace, match=what):
        list(read_trace(path))


def test_control_bytes_are_escaped_and_can_do_nothing_to_a_terminal(tmp_path):
    path = tmp_path / "trace.jsonl"
    nasty = "\x1b[2J\x07+1.0\r\n\x00\x9b31m\xff\\"
    with Trace(InstantClock(STARTED), path) as trace:
        trace.observe(exchange(received=nasty))
        shown = str(trace.last_minute()[0])
    (line,) = read_trace(path)
    assert shown.isprintable()
    assert str(line) == shown
    assert r"\x1b[2J\x07+1.0\r\n\x00\x9b31m\xff\\" in shown


def test_a_trace_changed_by_hand_can_do_nothing_to_a_terminal_either(tmp_path):
    path = tmp_path / "trace.jsonl"
    with Trace(InstantClock(STARTED), path) as trace:
        trace.observe(exchange())
    lines = path.read_text().splitlines()
    document = json.loads(lines[1])
    document["received"] = "\x1b]0;owned\x07"
    path.write_text(f"{lines[0]}\n{json.dumps(document)}\n")
    assert str(next(read_trace(path))).isprintable()


@given(st.text())
def test_any_text_is_escaped_to_printable_ascii_and_can_be_read_back(text):
    shown = escaped(text)
    assert shown.isascii()
    assert shown.isprintable() or not shown
    assert shown.encode("ascii").decode("unicode_escape") == text


@pytest.mark.parametrize(
    ("text", "shown"),
    [
        ("TCPIP::maker:secret@gateway::5025::SOCKET", "***@gateway::5025::SOCKET"),
        ("tcp://maker:se:cr@et@gateway:5025", "***@gateway:5025"),
        ('SYST:PASS "secret"', "SYST:PASS ***"),
        ("syst:password:cenable 'se;cret';:OUTP ON", "syst:password:cenable ***;:OUTP ON"),
        # nothing secret in these
        ("TCPIP::192.0.2.1::5025::SOCKET", "TCPIP::192.0.2.1::5025::SOCKET"),
        ("SOUR:VOLT 1.5,(@2)", "SOUR:VOLT 1.5,(@2)"),
        ("MEAS:VOLT? (@101,102)", "MEAS:VOLT? (@101,102)"),
        ("MEAS:VOLT?(@1);:SYST:ERR?", "MEAS:VOLT?(@1);:SYST:ERR?"),
    ],
)
def test_secrets_are_hidden_and_channel_lists_are_not(text, shown):
    assert without_secrets(text) == shown


def test_an_error_about_an_address_hides_its_password():
    with pytest.raises(LinkRefused) as caught:
        Session.open("TCPIP::maker:secret@127.0.0.1::1::SOCKET", role="meter", timeout_s=0.2)
    assert "secret" not in str(caught.value)


def test_a_full_disk_ends_the_file_and_disturbs_nobody(tmp_path):
    full = Path("/dev/full")
    if not full.exists():
        pytest.skip("this system has no /dev/full")
    trace = Trace(InstantClock(STARTED), full)
    trace.observe(exchange(sent="still here"))
    trace.close()
    assert "ends early (No space left on device)" in trace.problem
    assert trace.last_minute()[0].sent == "still here"


def test_the_last_minute_is_kept_in_a_file_that_reads_the_same(tmp_path):
    clock = InstantClock(STARTED)
    trace = Trace(clock)
    for number in range(5):
        clock.sleep(1.0)
        trace.observe(exchange(sent=f"ECHO? {number}", at_s=clock.now() - 0.02))
    trace.keep(tmp_path / "kept.jsonl")
    assert [str(line) for line in read_trace(tmp_path / "kept.jsonl")] == [str(line) for line in trace.last_minute()]
