"""A late, doubled, half or garbled answer is never taken for that to another question, on any kind of link.

The instrument repeats the text of each question, so that an answer tells which question it belongs to.
"""

from __future__ import annotations

import signal
import socket
import threading
import time
from collections.abc import Iterator
from contextlib import closing, contextmanager

import pytest
import pyvisa
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from drivers.clock import Clock
from drivers.dialect import LinkDialect
from drivers.errors import (
    AnswerLate,
    DriverError,
    InstrumentError,
    LinkLost,
    LinkRefused,
    Unreadable,
    WrongIdentity,
)
from drivers.session import Session
from drivers.virtual.clock import InstantClock
from drivers.virtual.links.direct import DirectLink
from drivers.virtual.links.serving import Link
from drivers.virtual.links.sockets import SocketLink
from tests.drivers.instruments import HANG_UP, EchoInstrument, ScriptedInstrument, on_the_wire
from tests.drivers.unplugged import unplugged

TIMEOUT_S = 0.4
LATE_S = 0.6
TOKENLESS = LinkDialect(error_query="", token_write="", token_read="")


class Delays:
    """Holds back the answers to messages that contain a text, each by its time, once."""

    def __init__(self, **seconds: float) -> None:
        self.seconds = seconds

    def __call__(self, message: str) -> float:
        for text in self.seconds:
            if text in message:
                return self.seconds.pop(text)
        return 0.0


def waiting(link_class: type[Link]) -> dict[str, Clock]:
    """How answers are waited for: inside this process by a clock that costs no time."""
    return {"clock": InstantClock()} if link_class is DirectLink else {}


@contextmanager
def conversation(
    link_class: type[Link], instrument: EchoInstrument, dialect: LinkDialect | None = None, **seconds: float
) -> Iterator[Session]:
    with (
        closing(link_class(instrument, before_answer=Delays(**seconds), **waiting(link_class))) as link,
        Session.open(link.resource, role="meter", timeout_s=TIMEOUT_S, link=dialect) as session,
    ):
        yield session


def test_bare_pyvisa_takes_a_late_answer_for_the_next_one():
    # What the session cures; were it cured below, this test would tell.
    with closing(SocketLink(EchoInstrument(), before_answer=Delays(first=LATE_S))) as link:
        bare = pyvisa.ResourceManager("@py").open_resource(
            link.resource, read_termination="\n", write_termination="\n", timeout=1000 * TIMEOUT_S
        )
        assert isinstance(bare, pyvisa.resources.MessageBasedResource)
        with closing(bare):
            with pytest.raises(pyvisa.VisaIOError):
                bare.query("ECHO? first")
            assert bare.query("ECHO? second") == "first"
            bare.clear()
            assert bare.query("ECHO? third") == "third"


def test_a_late_answer_is_never_taken_for_the_next(link_class: type[Link]):
    with conversation(link_class, EchoInstrument(), first=LATE_S) as session:
        with pytest.raises(AnswerLate, match=r"Meter at .* did not answer 'ECHO\? first' within 0.4 s"):
            session.ask("ECHO? first")
        for text in ("second", "third", "fourth"):
            assert session.ask(f"ECHO? {text}") == text
        assert session.resynchronisations == 1


def test_without_a_token_a_late_answer_is_still_never_taken_for_the_next(link_class: type[Link]):
    with conversation(link_class, EchoInstrument(), TOKENLESS, first=LATE_S) as session:
        with pytest.raises(AnswerLate):
            session.ask("ECHO? first")
        for text in ("second", "third"):
            assert session.ask(f"ECHO? {text}") == text


def test_a_late_acknowledgement_is_never_taken_for_that_of_the_next_setting(link_class: type[Link]):
    with conversation(link_class, EchoInstrument(), SET=LATE_S) as session:
        with pytest.raises(AnswerLate):
            session.command("SET 1")
        with pytest.raises(InstrumentError, match="-113 Undefined header;WRONG"):
            session.command("WRONG 2")
        session.command("SET 3")


def test_a_question_dropped_without_an_answer_is_reported_in_the_instruments_words(link_class: type[Link]):
    with conversation(link_class, EchoInstrument(drops_rejected=True)) as session:
        with pytest.raises(InstrumentError, match=r"refused 'WRONG\?'.*-113 Undefined header;WRONG"):
            session.ask("WRONG?")
        assert session.ask("ECHO? next") == "next"


def test_a_question_answered_by_nothing_but_the_token_is_no_value(link_class: type[Link]):
    with conversation(link_class, EchoInstrument()) as session:
        with pytest.raises(InstrumentError, match="-113 Undefined header;WRONG"):
            session.ask("WRONG?")
        with pytest.raises(Unreadable, match="one answer a question"):
            session.ask("ECHO?")
        assert session.ask("ECHO? next") == "next"


def test_a_doubled_answer_is_never_taken_for_the_next(link_class: type[Link]):
    def twice(message: str, response: str) -> str:
        return f"{response}\n{response}" if "first" in message else response

    with conversation(link_class, EchoInstrument(twice)) as session:
        believed = answers(session, "first", "second", "third")
    # where lines make messages the surplus is one of its own, elsewhere it spoils the one that it came in
    assert believed[1:] == ["second", "third"]
    assert believed[0] in {"first", "Unreadable"}


def test_a_doubled_answer_whose_copy_comes_while_the_next_question_is_out_is_found_by_its_token(
    line_link_class: type[Link],
):
    def one_behind(message: str, response: str) -> str:
        return f"stale;200\n{response}" if "second" in message else response

    with conversation(line_link_class, EchoInstrument(one_behind)) as session:
        assert answers(session, "first", "second", "third") == ["first", "Unreadable", "third"]


def test_half_an_answer_is_no_answer_and_its_other_half_no_answer_to_the_next(line_link_class: type[Link]):
    owed: list[str] = []

    def torn(message: str, response: str) -> str:
        rest = owed.pop() if owed else ""
        if "first" in message:
            owed.append(response[2:] + "\n")
            return response[:2]
        return rest + response + "\n"

    with (
        closing(line_link_class(EchoInstrument(torn), termination="", **waiting(line_link_class))) as link,
        Session.open(link.resource, role="meter", timeout_s=TIMEOUT_S) as session,
    ):
        assert answers(session, "zeroth", "first", "second") == ["zeroth", "AnswerLate", "second"]


@pytest.mark.parametrize("garbage", ["\xff\xfe\x00", ";", "1.5", "\x1b[0m", "1.5;1.5", '0,"No error"', "\r", '"'])
def test_garbage_is_never_a_value(link_class: type[Link], garbage: str):
    def garbled(message: str, response: str) -> str:
        return garbage if "first" in message else response

    with conversation(link_class, EchoInstrument(garbled)) as session:
        assert answers(session, "first", "second", "third") == ["Unreadable", "second", "third"]


def test_an_instrument_that_never_answers_again_ends_in_a_lost_link(link_class: type[Link]):
    def silent_from_now_on(_message: str) -> float:
        return 0.0 if alive.is_set() else 3600.0

    alive = threading.Event()
    alive.set()
    with (
        closing(link_class(EchoInstrument(), before_answer=silent_from_now_on, **waiting(link_class))) as link,
        Session.open(link.resource, role="meter", timeout_s=0.1) as session,
    ):
        assert session.ask("ECHO? first") == "first"
        alive.clear()
        with pytest.raises(LinkLost, match="check its cable and power"):
            session.ask("ECHO? second")
        with pytest.raises(LinkLost, match="open it again"):
            session.ask("ECHO? third")


def test_a_closed_link_is_told_from_a_slow_one(link_class: type[Link]):
    with (
        closing(link_class(EchoInstrument())) as link,
        Session.open(link.resource, role="meter", timeout_s=30.0) as session,
    ):
        assert session.ask("ECHO? first") == "first"
        with unplugged(link):
            with pytest.raises(LinkLost):
                session.ask("ECHO? second")
            with pytest.raises(LinkRefused, match=r"Meter at .* cannot be opened"):
                session.reopen()
            with pytest.raises(LinkLost):
                session.command("SET 1")


def test_a_peer_that_hangs_up_instead_of_answering_is_lost_at_once():
    pairs = [("*ESE 3;:ECHO? first;*ESE?", HANG_UP)]
    with (
        on_the_wire(pairs) as resource,
        Session.open(resource, role="meter", timeout_s=30.0) as session,
        pytest.raises(LinkLost, match="the other end has closed the link"),
    ):
        session.ask("ECHO? first")


def test_a_link_can_be_opened_again_to_the_same_instrument(link_class: type[Link]):
    with conversation(link_class, EchoInstrument()) as session:
        session.reopen()
        assert session.ask("ECHO? first") == "first"


def test_another_instrument_at_the_same_address_is_not_believed(link_class: type[Link]):
    instrument = EchoInstrument()
    with conversation(link_class, instrument, first=LATE_S) as session:
        instrument.identity = "Invented Instruments,Echo,0002,1.0"
        with pytest.raises(WrongIdentity, match=r"0002,1.0, and was .*0001,1.0: check what has this address"):
            session.ask("ECHO? first")
        with pytest.raises(LinkLost, match="another instrument answers"):
            session.ask("ECHO? second")


def test_an_interrupted_question_leaves_no_answer_to_the_next(link_class: type[Link]):
    main_thread = threading.main_thread().ident
    assert main_thread is not None
    with (
        closing(link_class(EchoInstrument(), before_answer=Delays(first=0.2))) as link,
        Session.open(link.resource, role="meter", timeout_s=TIMEOUT_S) as session,
    ):
        ctrl_c = threading.Timer(0.05, signal.pthread_kill, (main_thread, signal.SIGINT))
        ctrl_c.start()
        with pytest.raises(KeyboardInterrupt):
            session.ask("ECHO? first")
        ctrl_c.join()
        assert answers(session, "second", "third") == ["second", "third"]


def test_a_port_where_nobody_listens_is_refused():
    with socket.create_server(("127.0.0.1", 0)) as freed:
        port = freed.getsockname()[1]
    for resource in (
        f"TCPIP::127.0.0.1::{port}::SOCKET",
        f"TCPIP::127.0.0.1::hislip0,{port}::INSTR",
        f"TCPIP::127.0.0.1,{port}::inst0::INSTR",
        "ASRL/dev/no-such-line::INSTR",
    ):
        with pytest.raises(LinkRefused, match=r"Counter at .* cannot be opened .*address in the bench file"):
            Session.open(resource, role="counter")


@pytest.mark.parametrize(
    "resource", ["", "nonsense", "TCPIP::::SOCKET", "TCPIP::127.0.0.1::port::SOCKET", "FOO::1::INSTR"]
)
def test_a_resource_string_that_is_none_is_refused(resource: str):
    with pytest.raises(LinkRefused, match=r"Counter at .* cannot be opened"):
        Session.open(resource, role="counter")


@pytest.mark.parametrize(
    ("spoken", "told"),
    [
        (None, r"nobody answers \*IDN\? there"),
        (HANG_UP, r"hangs up when it is asked \*IDN\? \(the other end has closed the link\)"),
        ("7;what?", r"answers \*IDN\? with '7;what\?', which is no identity"),
    ],
    ids=["silent", "hangs up", "garbage"],
)
def test_a_port_where_nobody_answers_the_identity_is_refused_for_what_it_does(spoken: str | bytes | None, told: str):
    tokens = (1,) if spoken == HANG_UP else (1, 2)
    instrument = ScriptedInstrument([(f"*ESE {token};*ESE?;*IDN?", spoken) for token in tokens])
    with pytest.raises(LinkRefused, match=told):
        Session.open(instrument.resource, role="counter", timeout_s=0.2)
    instrument.close()


def test_what_answers_without_an_identity_is_no_instrument():
    instrument = ScriptedInstrument([("*ESE 1;*ESE?;*IDN?", "1;HTTP/1.0 400 Bad Request")])
    with pytest.raises(Unreadable, match="not the four fields of an identity"):
        Session.open(instrument.resource, role="counter")
    instrument.close()


@settings(max_examples=25, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(
    st.lists(
        st.sampled_from(["well", "late", "twice", "half", "garbage", "never", "before"]),
        min_size=1,
        max_size=6,
    )
)
def test_whatever_an_instrument_does_an_answer_that_is_believed_is_its_own(
    line_link_class: type[Link], deeds: list[str]
):
    instrument = EchoInstrument(misbehave)
    with (
        closing(
            line_link_class(instrument, termination="", before_answer=lateness, **waiting(line_link_class))
        ) as link,
        Session.open(link.resource, role="meter", timeout_s=0.05) as session,
    ):
        for number, deed in enumerate([*deeds, "well", "well"]):
            text = f"{deed}{number}"
            assert answers(session, text)[0] in {text, *TYPED}


TYPED = {"AnswerLate", "Unreadable", "LinkLost", "InstrumentError", "LinkRefused"}


def lateness(message: str) -> float:
    return 0.08 if "late" in message else 0.0


def misbehave(message: str, response: str) -> str:
    if "twice" in message:
        return f"{response}\n{response}\n"
    if "half" in message:
        return response[: len(response) // 2]
    if "garbage" in message:
        return "\xff;\x00" + response + "\n"
    if "never" in message:
        return ""
    if "before" in message:
        return f"{response[:-1]}0\n{response}\n"
    return response + "\n"


def answers(session: Session, *texts: str) -> list[str]:
    """Ask for each text and return what is believed, or the kind of error; a lost link is opened again."""
    believed = []
    for text in texts:
        try:
            believed.append(session.ask(f"ECHO? {text}"))
        except DriverError as error:
            believed.append(type(error).__name__)
            if isinstance(error, LinkLost):
                time.sleep(0.1)
                session.reopen()
    return believed
