"""However the work with a source ends, it ends at 0 V with the output off, or a person is told to do it."""

from __future__ import annotations

import signal
import threading
from collections.abc import Iterator
from contextlib import closing, contextmanager

import pytest

from drivers.errors import (
    AnswerLate,
    InstrumentError,
    OutsideLimits,
    SourceNotSafe,
)
from drivers.scpi import split_units
from drivers.session import Session
from drivers.source import Source, VoltageLimits
from drivers.virtual.clock import InstantClock
from drivers.virtual.links.direct import DirectLink
from drivers.virtual.links.serving import Link
from drivers.virtual.links.sockets import SocketLink
from tests.drivers.instruments import IDENTITY
from tests.drivers.unplugged import unplugged

LIMITS = VoltageLimits(-1.0, 8.5)


class PlainSource:
    """A source that keeps what it is told, begins at 5 V and on, and can be broken in several ways."""

    def __init__(self) -> None:
        self.voltage_v = 5.0
        self.output = "1"
        self.errors: list[str] = []
        self.highest_v = 5.0
        self.stuck = ""
        self.delay_s = 0.0
        self.late_answers = 1
        self.least_v = 0.0
        self._enable = "0"

    def execute(self, message: str) -> str | None:
        answers = [answer for unit in split_units(message) if (answer := self._unit(unit))]
        return ";".join(answers) or None

    def before_answer(self, message: str) -> float:
        if "MEAS" not in message or not self.late_answers:
            return 0.0
        self.late_answers -= 1
        return self.delay_s

    def _unit(self, unit: str) -> str:
        header, _, argument = unit.removeprefix(":").partition(" ")
        answers = {
            "*IDN?": IDENTITY,
            "*ESE?": self._enable,
            "SOUR:VOLT?": f"{self.voltage_v + self.least_v:+.4E}",
            "MEAS:VOLT?": f"{self.voltage_v:+.4E}",
            "OUTP?": self.output,
        }
        if header == "SYST:ERR?":
            return self.errors.pop(0) if self.errors else '0,"No error"'
        if header == "*ESE":
            self._enable = argument
        elif header == self.stuck:
            self.errors.append(f'-200,"Execution error;{header}"')
        elif header == "SOUR:VOLT":
            self.voltage_v = float(argument)
            self.highest_v = max(self.highest_v, abs(self.voltage_v))
        elif header == "OUTP":
            self.output = "1" if argument == "ON" else "0"
        return answers.get(header, "")

    @property
    def safe(self) -> bool:
        return self.voltage_v == 0 and self.output == "0"


@contextmanager
def served(link_class: type[Link], device: PlainSource) -> Iterator[Link]:
    with closing(link_class(device, before_answer=device.before_answer)) as link:
        yield link


@contextmanager
def inside(device: PlainSource) -> Iterator[DirectLink]:
    """Inside this process, where waiting for the output to follow costs no time."""
    with closing(DirectLink(device, before_answer=device.before_answer, clock=InstantClock())) as link:
        yield link


def opened(link: Link, timeout_s: float = 2.0) -> Source:
    clock = link.clock if isinstance(link, DirectLink) else None
    return Source(Session.open(link.resource, role="source", timeout_s=timeout_s, clock=clock), LIMITS)


def test_a_source_found_live_is_made_safe_before_anything_else(link_class: type[Link]):
    device = PlainSource()
    with served(link_class, device) as link, opened(link):
        assert device.safe


def test_a_source_whose_zero_is_one_of_its_coarse_steps_is_at_0_v(link_class: type[Link]):
    device = PlainSource()
    device.least_v = 0.0003
    with served(link_class, device) as link, opened(link):
        assert device.safe


@pytest.mark.parametrize("least_v", [0.02, -0.5, float("nan")])
def test_a_source_that_stays_away_from_0_v_is_to_be_switched_off_by_hand(least_v: float):
    device = PlainSource()
    device.least_v = least_v
    told = pytest.raises(SourceNotSafe, match="switch its output off by hand now")
    with inside(device) as link, told:
        opened(link)


def test_leaving_makes_the_source_safe(link_class: type[Link]):
    device = PlainSource()
    with served(link_class, device) as link:
        with opened(link) as source:
            source.set_voltage(5.0)
            source.output_on()
            assert not device.safe
        assert device.safe


@pytest.mark.parametrize("failure", [RuntimeError, KeyboardInterrupt, SystemExit, OutsideLimits])
def test_failing_makes_the_source_safe(failure: type[BaseException]):
    device = PlainSource()

    def work(source: Source) -> None:
        source.set_voltage(8.0)
        source.output_on()
        raise failure

    with served(SocketLink, device) as link:
        with pytest.raises(failure), opened(link) as source:
            work(source)
        assert device.safe


def test_ctrl_c_in_the_middle_of_a_question_makes_the_source_safe(link_class: type[Link]):
    device = PlainSource()
    main_thread = threading.main_thread().ident
    assert main_thread is not None
    ctrl_c = threading.Timer(0.1, signal.pthread_kill, (main_thread, signal.SIGINT))

    def work(source: Source) -> None:
        source.set_voltage(8.0)
        source.output_on()
        device.delay_s = 0.3
        ctrl_c.start()
        source.read_back()

    with served(link_class, device) as link:
        with pytest.raises(KeyboardInterrupt), opened(link) as source:
            work(source)
        assert device.safe
    ctrl_c.join()


def test_an_answer_that_is_late_twice_makes_the_source_safe_on_the_way_out(link_class: type[Link]):
    device = PlainSource()
    device.late_answers = 2

    def work(source: Source) -> None:
        source.set_voltage(8.0)
        source.output_on()
        device.delay_s = 0.6
        source.read_back()

    with served(link_class, device) as link:
        with pytest.raises(AnswerLate), opened(link, timeout_s=0.4) as source:
            work(source)
        assert device.safe


def test_nothing_outside_the_limits_ever_stands_at_the_output():
    device = PlainSource()
    with served(SocketLink, device) as link, opened(link) as source:
        source.output_on()
        for voltage_v in (8.5000001, 10.0, -1.0000001, -10.0, 1e9, float("nan"), float("inf")):
            with pytest.raises(OutsideLimits):
                source.set_voltage(voltage_v)
            assert device.voltage_v == 0.0
        source.set_voltage(8.5)
        assert device.highest_v == 8.5


def test_a_lost_link_is_opened_once_more_to_read_and_to_make_the_source_safe():
    device = PlainSource()
    with served(SocketLink, device) as link:
        with opened(link) as source:
            source.set_voltage(8.0)
            source.output_on()
            source.session._wire.abandon()
            assert source.read_back() == 8.0
            assert "its link was lost and opened anew" in source.session.mishaps[0]
            source.session._wire.abandon()
        assert device.safe


def test_a_source_that_is_gone_is_to_be_switched_off_by_hand(link_class: type[Link]):
    with served(link_class, PlainSource()) as link:
        source = opened(link, timeout_s=0.5)
        with unplugged(link):
            with pytest.raises(SourceNotSafe, match=r"Source at .*switch its output off by hand now"):
                source.close()
            source.close()


@pytest.mark.parametrize("stuck", ["OUTP", "SOUR:VOLT"])
def test_a_source_that_does_not_obey_is_to_be_switched_off_by_hand(stuck: str):
    device = PlainSource()
    device.stuck = stuck
    with (
        inside(device) as link,
        pytest.raises(SourceNotSafe, match=f"switch its output off by hand now.*-200 Execution error;{stuck}"),
    ):
        opened(link)


def test_a_complaint_about_something_else_does_not_hide_that_the_source_is_safe():
    device = PlainSource()
    with served(SocketLink, device) as link, opened(link) as source:
        source.set_voltage(3.0)
        device.errors.append('-310,"System error;fan"')
        source.make_safe()
        assert device.safe


def test_a_source_can_go_on_after_it_was_made_safe_and_after_a_refusal():
    device = PlainSource()
    with served(SocketLink, device) as link, opened(link) as source:
        source.set_voltage(3.0)
        source.make_safe()
        device.stuck = "SOUR:VOLT"
        with pytest.raises(InstrumentError, match="-200 Execution error"):
            source.set_voltage(4.0)
        device.stuck = ""
        source.set_voltage(2.0)
        assert source.read_back() == 2.0
