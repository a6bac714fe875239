"""The virtual bench has the trouble that it is told to have, when it is told to, and no other."""

from __future__ import annotations

import time
from contextlib import contextmanager

import pytest

from drivers.counter import Counter
from drivers.errors import LinkRefused, NoSignal, Overload, SettingsLost
from drivers.meter import Meter
from drivers.session import Session
from drivers.source import Source, VoltageLimits
from drivers.virtual.bench import parse, start
from drivers.virtual.errors import WrongDescription
from drivers.virtual.trouble import COMPUTER, OF_LINKS, Kind, Trouble, kinds_of
from fixtures import FOLDER

MENDED_BY_ASKING_AGAIN = sorted(OF_LINKS - {Kind.TWICE})
FAST = ("closed", "closed and refused", "two answers", "garbage", "characters")


def table(link="direct", **more):
    return {"unit": "units/healthy.toml", "link": link, "seed": 3, **more}


@contextmanager
def bench(link="direct", *troubles, **more):
    with start(parse(table(link, trouble=[dict(each) for each in troubles], **more), FOLDER)) as running:
        running.hands.insert("A")
        running.hands.power(True)
        yield running


@contextmanager
def metered(link, *troubles, timeout_s=3.0):
    with bench(link, *troubles) as running:
        session = Session.open(running.resources["meter"], role="meter", timeout_s=timeout_s, clock=running.clock)
        with Meter(session) as meter:
            meter.configure_dc(10.0, 1.0)
            running.hands.connect_meter("rail")
            yield running, meter


def at(message, kind, role="meter", **more):
    return {"role": role, "kind": kind, "message": message, **more}


@pytest.mark.parametrize("kind", MENDED_BY_ASKING_AGAIN)
def test_one_message_gone_wrong_is_asked_again_and_told(kind):
    # messages of the meter: identity, *CLS, configuration, samples, and then the reading
    with metered("direct", at(5, kind)) as (running, meter):
        assert meter.read_voltage() == pytest.approx(running.truth_rail_v(), abs=2e-3)
        assert len(meter.session.mishaps) == 1
        assert meter.session.mishaps[0].startswith("Meter at DIRECT::")


@pytest.mark.parametrize("kind", [Kind.CLOSED, Kind.REFUSED, Kind.TWICE, Kind.GARBAGE, Kind.STRANGE])
def test_over_a_socket_as_well(kind):
    with metered("socket", at(5, kind), timeout_s=1.0) as (running, meter):
        assert meter.read_voltage() == pytest.approx(running.truth_rail_v(), abs=2e-3)
        assert meter.read_voltage() == pytest.approx(running.truth_rail_v(), abs=2e-3)
        assert meter.session.mishaps


@pytest.mark.parametrize("kind", [Kind.SILENCE, Kind.HALF, Kind.HALF_OPEN, Kind.LATE])
def test_over_a_socket_and_a_serial_line_silence_is_waited_out(kind):
    for link in ("socket", "serial"):
        if link == "serial" and kind is Kind.HALF_OPEN:
            continue
        with metered(link, at(5, kind, **({"amount": 0.3} if kind is Kind.LATE else {})), timeout_s=0.2) as (
            running,
            meter,
        ):
            assert meter.read_voltage() == pytest.approx(running.truth_rail_v(), abs=2e-3)


def test_an_instrument_that_is_silent_for_good_costs_time_of_the_bench_and_none_of_ours():
    with metered("direct", at(5, Kind.SILENCE, messages=10**6)) as (running, meter):
        before_s, began_s = running.clock.now(), time.process_time()
        with pytest.raises(LinkRefused):
            meter.read_voltage()
        assert running.clock.now() - before_s > 3.0
        assert time.process_time() - began_s < 3.0


def test_an_answer_given_twice_is_taken_once():
    with metered("direct", at(5, Kind.TWICE)) as (running, meter):
        assert meter.read_voltage() == pytest.approx(running.truth_rail_v(), abs=2e-3)
        running.hands.connect_meter("source")
        assert meter.read_voltage() == pytest.approx(0.0, abs=0.01)
        assert "what nobody had asked for" in meter.session.mishaps[0]


def test_an_instrument_that_was_switched_off_and_on_is_found_out_when_a_question_is_repeated():
    with metered("direct", at(5, Kind.POWER_CYCLED), at(5, Kind.CLOSED)) as (_, meter), pytest.raises(SettingsLost):
        meter.read_voltage()


def test_a_link_that_takes_no_callers_for_a_while_is_tried_again():
    with metered("direct", at(5, Kind.REFUSED, messages=4)) as (running, meter):
        assert meter.read_voltage() == pytest.approx(running.truth_rail_v(), abs=2e-3)
    with metered("direct", at(5, Kind.REFUSED, messages=10**6)) as (_, meter), pytest.raises(LinkRefused):
        meter.read_voltage()


def test_a_reading_of_the_setting_before_an_overload_and_a_lead_off():
    with metered("direct", at(6, Kind.STALE), at(7, Kind.OVERLOAD), at(8, Kind.LEAD_OFF)) as (running, meter):
        rail_v = meter.read_voltage()
        running.hands.connect_meter("source")
        assert meter.read_voltage() == rail_v
        with pytest.raises(Overload):
            meter.read_voltage()
        running.hands.connect_meter("rail")
        assert meter.read_voltage() == pytest.approx(0.0, abs=1e-3)
        assert meter.read_voltage() == pytest.approx(rail_v, abs=2e-3)


def test_what_ails_a_counter_and_for_how_long():
    ails = [
        at(5, Kind.MULTIPLE, "counter", amount=3.0),
        at(6, Kind.HUM, "counter"),
        at(7, Kind.NO_SIGNAL, "counter"),
        at(8, Kind.TIME_BASE, "counter", amount=100.0),
    ]
    with bench("direct", *ails) as running:
        session = Session.open(running.resources["counter"], role="counter", clock=running.clock)
        with Counter(session) as counter:
            counter.set_gate(0.2)
            # identity, *CLS, gate, samples, and then readings
            tripled_hz, hum_hz = counter.read_frequency(), counter.read_frequency()
            with pytest.raises(NoSignal):
                counter.read_frequency()
            off_hz, true_hz = counter.read_frequency(), counter.read_frequency()
    assert tripled_hz == pytest.approx(3.0 * true_hz, rel=1e-3)
    assert hum_hz == pytest.approx(50.0, rel=1e-3)
    assert off_hz / true_hz - 1.0 == pytest.approx(100e-6, abs=60e-6)


@pytest.mark.parametrize("kind", [Kind.STUCK, Kind.STUCK_UNSEEN])
def test_a_source_that_is_stuck_says_so_or_does_not(kind):
    with bench("direct") as running:
        session = Session.open(running.resources["source"], role="source", clock=running.clock)
        with Source(session, VoltageLimits(-0.5, 8.5)) as source:
            source.set_voltage(2.0)
            source.output_on()
            running.troubles.add(Trouble(role="source", kind=kind, message=1))
            source.set_voltage(5.0)
            running.clock.sleep(0.2)
            assert running.wiring.driven_v() == pytest.approx(2.0, abs=0.01)
            assert source.read_back() == pytest.approx(2.0 if kind is Kind.STUCK else 5.0, abs=0.01)
            source.set_voltage(6.0)
            running.clock.sleep(0.2)
            assert source.read_back() == pytest.approx(6.0, abs=0.01)
        assert not running.source.on


def test_a_flooded_error_queue_is_emptied_and_the_setting_sent_again():
    with bench("direct") as running:
        session = Session.open(running.resources["source"], role="source", clock=running.clock)
        with Source(session, VoltageLimits(-0.5, 8.5)) as source:
            running.troubles.add(Trouble(role="source", kind=Kind.FLOODED, message=1))
            source.set_voltage(5.0)
            assert source.programmed() == 5.0
            assert "Input buffer overrun" in session.mishaps[0]


def test_trouble_begins_at_a_time_too_and_the_date_may_jump():
    jump = {"role": COMPUTER, "kind": Kind.CLOCK_JUMP, "at_s": 1.0, "amount": 86400.0}
    with metered("direct", jump) as (running, meter):
        meter.read_voltage()
        day, now_s = running.clock.utc(), running.clock.now()
        running.clock.sleep(1.0)
        meter.read_voltage()
        assert (running.clock.utc() - day).total_seconds() == pytest.approx(86401.0, abs=0.5)
        assert running.clock.now() - now_s < 2.0


@pytest.mark.parametrize(
    ("entry", "said"),
    [
        ({"role": "meter", "kind": "hum", "message": 1}, "kind"),
        ({"role": "meter", "kind": Kind.HUM, "message": 1}, "a meter cannot have"),
        ({"role": "meter", "kind": Kind.SILENCE}, "either message or at_s"),
        ({"role": "meter", "kind": Kind.SILENCE, "message": 0}, "message"),
    ],
)
def test_a_schedule_that_cannot_be_is_refused_in_a_sentence(entry, said):
    with pytest.raises(WrongDescription, match=said):
        parse(table(trouble=[entry]), FOLDER)


def test_every_kind_can_happen_to_something():
    assert {kind for role in ("source", "meter", "counter", COMPUTER) for kind in kinds_of(role)} == set(Kind)
