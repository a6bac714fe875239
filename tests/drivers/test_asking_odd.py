"""What is said of an instrument with odd habits is true of it, and nothing more is said than was found out."""

from __future__ import annotations

import re
import time
from contextlib import closing, contextmanager

import pytest
from pyvisa.constants import InterfaceType

from drivers import enumeration
from drivers.asking.meter import ask_meter
from drivers.asking.source import ask_source
from drivers.clock import RealClock
from drivers.dialect import LinkDialect
from drivers.errors import LinkRefused, NotConfined
from drivers.scpi import Identity, split_units
from drivers.session import Session
from drivers.source import Source, VoltageLimits
from drivers.virtual.clock import InstantClock
from drivers.virtual.links.direct import DirectLink
from drivers.virtual.links.sockets import SocketLink
from tests.drivers.conversations import Conversation
from tests.drivers.odd_source import OddSource
from tests.drivers.one_caller import OneCaller


@contextmanager
def linked(*habits):
    """A source inside this process, where silence is waited for on its own clock."""
    clock = InstantClock()
    link = DirectLink(OddSource(frozenset(habits), clock=clock), clock=clock)
    try:
        yield link
    finally:
        link.close()


@contextmanager
def spoken_to(*habits):
    with linked(*habits) as link:
        yield Conversation(link.resource, "source", link.clock)


def losses(*habits):
    with spoken_to(*habits) as conversation:
        return " ".join(conversation.link.losses)


@pytest.mark.parametrize(
    ("habit", "said"),
    [
        ("no current limit", ""),
        ("fixed current limit", " (it says: CURR {current} was taken without an error, and changed nothing)"),
    ],
)
def test_a_source_whose_current_cannot_be_limited_as_is_wanted_fills_no_role(habit, said):
    with spoken_to(habit) as conversation:
        with conversation.asking() as session:
            found = ask_source(session, None, current_limit_a=0.02)
        assert found.missing == (
            f"Its current cannot be limited to 0.02 A{said}: take current_limit_a out, or use another source.",
        )
        assert found.losses == ()


def test_a_current_that_cannot_be_limited_is_only_lost_where_no_limit_is_wanted():
    with spoken_to("no current limit") as conversation:
        with conversation.asking() as session:
            found = ask_source(session)
        assert found.fills
        assert any("Its current cannot be limited" in each for each in found.losses)
        limits = VoltageLimits(-1.0, 1.0)
        told = pytest.raises(NotConfined, match="no way to limit its current is known")
        with Source(conversation.working(), limits, found.dialect) as source, told:
            source.confine(0.02)


def test_a_level_that_stands_at_0_v_and_follows_nothing_is_said_to_follow_nothing():
    with spoken_to("stands") as conversation, conversation.asking() as session:
        found = ask_source(session)
    assert found.missing[0].startswith(
        "It says by SOUR:VOLT? that it stands at 0 V, and its level does not follow what it is told"
    )
    assert found.losses == ()


def test_of_a_slow_instrument_only_that_is_said_and_what_to_set():
    with closing(SocketLink(OddSource(seconds=0.15))) as link, pytest.raises(LinkRefused) as caught:
        Conversation(link.resource, "source", RealClock(), timeout_s=0.25)
    told = re.search(
        r"takes 0\.[3-9] s for a setting and a question after it, and may take 0.25 s: set timeout_s = ([\d.]+) for it",
        str(caught.value),
    )
    assert told
    assert float(told[1]) >= 0.6
    with closing(SocketLink(OddSource(seconds=0.15))) as link:
        assert Conversation(link.resource, "source", RealClock(), timeout_s=float(told[1])).link.dialect.joins


def test_an_instrument_that_repeats_what_it_is_told_is_refused_for_that():
    told = pytest.raises(LinkRefused, match="repeats what it is told: switch its echo off")
    with closing(SocketLink(OddSource(frozenset({"echoes"})))) as link, told:
        Conversation(link.resource, "source", RealClock(), timeout_s=2.0)


def test_an_error_queue_that_is_there_is_not_said_to_be_missing():
    assert "Its error queue never empties: " in losses("restless queue")
    said = losses("queue in words")
    assert "Its error queue gives answers of no known form ('ERROR 0: No error'): " in said
    assert "no error queue" not in losses("restless queue") + said
    assert "It reports no errors: " in losses("no queue")


def test_that_messages_cannot_be_joined_is_said_only_where_it_was_tried():
    mute = ("no queue", "no token")
    assert "one command a message" not in losses(*mute)
    assert "It takes one command a message: " in losses("single", *mute)
    unknown = losses("no completion", *mute)
    assert "Whether it takes several commands a message could not be found out: " in unknown
    assert "It takes one command a message" not in unknown


def test_an_identity_that_nobody_can_read_is_cut_where_it_is_shown():
    # IEEE 488.2-1992, 10.14.3: 72 characters at most (from memory)
    assert str(Identity("Maker", "m" * 5000, "1", "2")) == f"Maker,{'m' * 72}...,1,2"
    assert str(Identity("Maker", "model", "1", "2")) == "Maker,model,1,2"


def test_a_bus_whose_interface_cannot_be_used_is_said_not_to_be_looked_for(monkeypatch):
    issues = [
        ((InterfaceType.gpib, "INTFC"), "Please install a driver"),
        ((InterfaceType.usb, "INSTR"), "Please\ninstall another"),
        ((InterfaceType.usb, "RAW"), "Please install another"),
        ((InterfaceType.vicp, "INSTR"), "not for us"),
    ]
    monkeypatch.setattr(enumeration.PyvisaSession, "iter_session_classes_issues", lambda: iter(issues))
    assert enumeration.blind_spots() == ("GPIB: Please install a driver", "USB: Please install another")


def test_an_instrument_that_serves_one_caller_at_a_time_is_asked_by_one_at_a_time():
    link = OneCaller(OddSource(), seen_gone_s=0.1)
    try:
        conversation = Conversation(link.resource, "source", RealClock())
        with conversation.asking() as session:
            found = ask_source(session)
        said = " ".join(conversation.link.losses)
    finally:
        link.close()
    assert conversation.link.dialect == LinkDialect()
    assert said == ""
    assert found.missing == ()


@pytest.mark.parametrize("habit", ["local", "silent in local"])
def test_a_source_that_its_front_panel_has_is_put_under_remote_control_over_every_link(habit):
    device = OddSource(frozenset({habit}))
    link = SocketLink(device)
    try:
        conversation = Conversation(link.resource, "source", RealClock())
        with conversation.asking() as session:
            found = ask_source(session)
            spoken = session.link_dialect
        # many fall back to their front panel when the link closes
        device.remote = False
        with Session.open(link.resource, role="source", timeout_s=1.0, link=spoken) as session:
            Source(session, VoltageLimits(0.0, 5.0), found.dialect).set_voltage(1.5)
            assert device.outputs[1].volts == 1.5
    finally:
        link.close()
    assert found.missing == ()
    assert spoken.remote == "SYST:REM"


def test_no_instrument_is_put_under_remote_control_that_does_as_it_is_told():
    with spoken_to() as conversation:
        with conversation.asking() as session:
            ask_source(session)
            assert session.link_dialect.remote == ""
        assert not any("REM" in sent for sent in conversation.sent)


def test_a_source_that_answers_questions_with_a_list_and_obeys_none_has_one_output():
    with spoken_to("answers lists", "no queue", "no token", "single") as conversation:
        with conversation.asking() as session:
            found = ask_source(session)
        assert found.missing == ()
        assert (found.dialect.on, found.dialect.off) == ("OUTP ON", "OUTP OFF")


@pytest.mark.parametrize("habits", [("slow",), ("slow", "no queue", "no token")])
def test_an_output_that_takes_a_moment_to_go_on_and_off_is_waited_for(habits):
    with linked(*habits) as link:
        link._device.outputs[1].on = True
        conversation = Conversation(link.resource, "source", link.clock)
        with conversation.asking() as session:
            found = ask_source(session)
        assert found.missing == ()
        assert found.dialect.off == "OUTP OFF"
        with conversation.working() as session, Source(session, VoltageLimits(0.0, 5.0), found.dialect) as source:
            source.output_on()
        assert not link._device.outputs[1].on


def test_of_an_output_whose_protection_trips_that_is_said():
    with spoken_to("trips") as conversation:
        with conversation.asking() as session:
            found = ask_source(session)
        assert found.missing == (
            "Its output does not go on by 'OUTP ON' (its voltage protection trips at 0 V: take off what is connected "
            "to it, and ask it again).",
        )


class LongMeter:
    """A meter that only reads, a tenth of a second each, as many readings as it is told."""

    def __init__(self) -> None:
        self.enabled, self.count = "0", 1

    def execute(self, message: str) -> str | None:
        answers = [self._unit(*unit.removeprefix(":").partition(" ")[::2]) for unit in split_units(message)]
        return ";".join(each for each in answers if each is not None) or None

    def _unit(self, header: str, argument: str) -> str | None:
        match header:
            case "*ESE":
                self.enabled = argument
            case "SAMP:COUN":
                self.count = int(argument)
            case "READ?":
                time.sleep(0.1 * self.count)
                return ",".join(["+1.0E+00"] * self.count)
        answers = {"*IDN?": "Invented Instruments,long meter,20,0.4", "*ESE?": self.enabled, "*OPC?": "1"}
        return {**answers, "SAMP:COUN?": str(self.count)}.get(header)


def test_a_meter_that_integrates_long_is_given_the_time_of_several_readings():
    link = SocketLink(LongMeter())
    try:
        conversation = Conversation(link.resource, "meter", RealClock())
        with conversation.asking() as session:
            found = ask_meter(session)
    finally:
        link.close()
    assert found.dialect.samples == "SAMP:COUN {count}"


@pytest.mark.parametrize(
    ("habit", "told"),
    [
        ("prompts", "writes the prompt '>>' before its answers, as for a person at a terminal: switch its prompt off"),
        ("confirms", "answers settings as well ('OK'), so that its answers cannot be told apart: switch that off"),
    ],
)
def test_an_instrument_that_says_more_than_answers_is_refused_for_that(habit, told):
    refused = pytest.raises(LinkRefused, match=re.escape(told))
    with closing(SocketLink(OddSource(frozenset({habit})))) as link, refused:
        # nothing is waited for here in vain: a busy computer may take its time
        Conversation(link.resource, "source", RealClock(), timeout_s=2.0)


def test_a_confirmation_that_comes_before_the_next_question_is_heard_all_the_same():
    # inside the process nothing takes time: it lies there already when the next question is asked
    with linked("confirms") as link, pytest.raises(LinkRefused, match=re.escape("answers settings as well ('OK')")):
        Conversation(link.resource, "source", link.clock)


def test_an_instrument_that_answers_what_it_does_not_take_can_be_asked():
    with spoken_to("complains aloud") as conversation, conversation.asking() as session:
        assert ask_source(session).missing == ()
