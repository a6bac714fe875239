"""Which spelling an instrument takes is found on the instrument itself, over a real link, and works afterwards."""

from __future__ import annotations

import pytest

from drivers.asking.counter import ask_counter
from drivers.asking.findings import Evidence, RoleFindings
from drivers.asking.meter import ask_meter
from drivers.asking.other_roles import could_also_be
from drivers.asking.refusals import Refusal, refusal_of
from drivers.asking.source import ask_source
from drivers.counter import Counter
from drivers.dialect import ErrorForm, MeterDialect, SourceDialect
from drivers.errors import ErrorEntry, InstrumentError, NoSignal, Overload, ReadBackDiffers
from drivers.meter import Meter
from drivers.source import Source, VoltageLimits
from drivers.virtual.configuration import CounterConfiguration, MeterConfiguration, SourceConfiguration
from drivers.virtual.device import Device
from drivers.virtual.links.direct import DirectLink
from drivers.virtual.links.sockets import SocketLink
from drivers.virtual.links.terminals import TerminalLink
from drivers.virtual.personality import COUNTERS, METERS, SOURCES
from drivers.virtual.unit import load_unit
from tests.drivers.conversations import Conversation, reached
from tests.virtual.conftest import UNITS, Rack

LIMITS = VoltageLimits(-1.0, 8.5)
NAMED = {"list": 2, "suffix": 2, "select": 2, "mute select": 2}
"""Personalities with two channels; the bench is wired to the second."""


def source_rack(personality: str) -> Rack:
    return Rack(source=SourceConfiguration(personality=personality))


class Energised:
    """Everything that the source's wires were ever driven to."""

    def __init__(self, rack: Rack) -> None:
        self.driven_v: list[float] = []
        drive = rack.wiring.drive

        def recorded(target_v: float) -> None:
            self.driven_v.append(target_v)
            drive(target_v)

        rack.wiring.drive = recorded


def ask_the_source(conversation: Conversation, personality: str) -> RoleFindings[SourceDialect]:
    with conversation.asking() as session:
        return ask_source(session, NAMED.get(personality), current_limit_a=0.02)


@pytest.mark.parametrize("personality", [name for name in SOURCES if name != "blind"])
def test_any_source_is_driven_in_the_spelling_that_it_was_found_to_take(personality):
    rack = source_rack(personality)
    energised = Energised(rack)
    with reached(rack.source, rack.clock, "source") as conversation:
        found = ask_the_source(conversation, personality)
        assert found.fills, found.missing
        # asking never puts out more than 0 V, or a hundredth of a volt without a switch; 5 mV are the offset
        assert max(map(abs, energised.driven_v), default=0.0) < (0.016 if "no switch" in personality else 0.006)
        assert (rack.source.on, rack.source.programmed_v) == (False, 0.0)
        with Source(conversation.working(), LIMITS, found.dialect) as source:
            source.confine(0.02)
            source.set_voltage(1.25)
            source.output_on()
            rack.clock.sleep(1.0)
            assert source.programmed() == pytest.approx(1.25)
            assert source.read_back() == pytest.approx(1.25, abs=2e-3)
            assert rack.wiring.jack_v(rack.clock.now()) == pytest.approx(1.25, abs=0.01)
        rack.clock.sleep(1.0)
        assert rack.wiring.jack_v(rack.clock.now()) == pytest.approx(0.0, abs=0.01)


@pytest.mark.parametrize("personality", ["standard", "select", "register", "mute"])
def test_the_output_goes_on_only_after_level_and_limits_were_set_and_confirmed(personality):
    rack = source_rack(personality)
    with reached(rack.source, rack.clock, "source") as conversation:
        ask_the_source(conversation, personality)
        on = next(index for index, sent in enumerate(conversation.sent) if "OUTP ON" in sent)
        before = conversation.sent[:on]
        for setting in ("OUTP OFF", "VOLT 0.0", "CURR 0.02", "VOLT:PROT ", "VOLT:RANG "):
            assert any(setting in sent for sent in before), setting
        assert any("CURR?" in sent for sent in before)


@pytest.mark.parametrize("personality", ["standard", "list", "select", "mute"])
def test_an_output_that_was_left_on_is_off_before_anything_else_is_set(personality):
    rack = source_rack(personality)
    wired = rack.source.wired
    rack.source._program(wired, 5.0)
    rack.source._switch(wired, True)
    energised = Energised(rack)
    with reached(rack.source, rack.clock, "source") as conversation:
        ask_the_source(conversation, personality)
    assert energised.driven_v[0] == 0.0
    assert max(map(abs, energised.driven_v)) < 0.006


def test_an_output_stays_off_when_its_current_limit_cannot_be_confirmed():
    rack = source_rack("standard")
    with reached(rack.source, rack.clock, "source") as conversation, conversation.asking() as session:
        found = ask_source(session, None, current_limit_a=50.0)
        assert found.missing == (
            "Its current cannot be limited to 50 A (it says: -222 Data out of range;50.0): take current_limit_a out, "
            "or use another source.",
        )
        on = next(each for each in found.capabilities if each.name == "output on")
        assert on.evidence is Evidence.IMPLIED
        assert "current limit" in on.said
        assert not any("OUTP ON" in sent for sent in conversation.sent)


def test_a_source_that_cannot_say_where_it_stands_fills_no_role():
    rack = source_rack("blind")
    with reached(rack.source, rack.clock, "source") as conversation:
        found = ask_the_source(conversation, "blind")
        assert not found.fills
        assert "can never be known to be at 0 V" in found.missing[0]
        assert not any("OUTP ON" in sent for sent in conversation.sent)


@pytest.mark.parametrize(
    ("personality", "spelling"),
    [
        ("standard", "SOUR:VOLT {voltage}"),
        ("plain", "VOLT {voltage}"),
        ("list", "SOUR:VOLT {voltage},(@2)"),
        ("suffix", "SOUR2:VOLT {voltage}"),
        ("select", "INST:NSEL 2;:SOUR:VOLT {voltage}"),
        ("mute select", "INST:NSEL 2;:SOUR:VOLT {voltage}"),
    ],
)
def test_a_channel_is_named_as_the_instrument_wants_it(personality, spelling):
    rack = source_rack(personality)
    with reached(rack.source, rack.clock, "source") as conversation:
        assert ask_the_source(conversation, personality).dialect.set_voltage == spelling


@pytest.mark.parametrize("personality", ["list", "suffix", "select", "mute select"])
def test_of_several_channels_the_first_is_named_where_none_is_wanted(personality):
    rack = source_rack(personality)
    with reached(rack.source, rack.clock, "source") as conversation, conversation.asking() as session:
        found = ask_source(session)
        assert any("several channels" in loss for loss in found.losses)
        assert "1" in found.dialect.set_voltage


def test_a_switch_that_takes_numbers_only_gets_numbers():
    rack = source_rack("plain")
    with reached(rack.source, rack.clock, "source") as conversation:
        found = ask_the_source(conversation, "plain")
        assert (found.dialect.off, found.dialect.on) == ("OUTP 0", "OUTP 1")


@pytest.mark.parametrize(
    ("personality", "query", "form", "joins"),
    [
        ("standard", "SYST:ERR?", ErrorForm.QUOTED, True),
        ("single", "SYST:ERR?", ErrorForm.UNQUOTED, False),
        ("numbers", "SYST:ERR?", ErrorForm.NUMBER, True),
        ("register", "*ESR?", ErrorForm.REGISTER, True),
        ("empty queue", "*ESR?", ErrorForm.REGISTER, True),
        ("unanswered queue", "*ESR?", ErrorForm.REGISTER, True),
        ("mute", "", ErrorForm.QUOTED, False),
    ],
)
@pytest.mark.parametrize("link", [TerminalLink, DirectLink], ids=["serial", "direct"])
def test_how_an_instrument_reports_errors_is_found_by_saying_nonsense(link, personality, query, form, joins):
    rack = Rack(meter=MeterConfiguration(personality=personality))
    with reached(rack.meter, rack.clock, "meter", link) as conversation:
        found = conversation.link.dialect
        assert (found.error_query, found.error_form, found.joins) == (query, form, joins)
        with conversation.working() as session:
            assert session.reports_errors is bool(query)
            if query:
                with pytest.raises(InstrumentError):
                    session.command("SENS:VOLT:DC:NPLC 1000")


@pytest.mark.parametrize("termination", ["\n", "\r\n", "\r"], ids=["LF", "CR LF", "CR"])
@pytest.mark.parametrize("link", [SocketLink, TerminalLink], ids=["socket", "serial"])
def test_the_line_end_is_found(link, termination):
    rack = Rack()
    line = link(rack.meter, termination=termination)
    try:
        conversation = Conversation(line.resource, "meter", rack.clock)
        # line feed or carriage return and line feed: an instrument that ends with either takes both
        assert conversation.link.termination[-1] == termination[-1]
        with conversation.working() as session:
            assert session.ask("*OPC?") == "1"
    finally:
        line.close()


@pytest.mark.parametrize("personality", ["standard", "strict"])
def test_asking_comes_to_the_same_over_any_link(link_class, personality):
    rack = Rack(meter=MeterConfiguration(personality=personality))
    found = []
    for kind in (SocketLink, link_class):
        with reached(rack.meter, rack.clock, "meter", kind) as conversation, conversation.asking() as session:
            found.append((conversation.link.dialect, ask_meter(session).dialect))
    assert found[0] == found[1]


@pytest.mark.parametrize("personality", list(METERS))
def test_any_meter_reads_volts_in_the_spelling_that_it_was_found_to_take(personality):
    rack = Rack(meter=MeterConfiguration(personality=personality))
    rack.wiring.drive(1.25)
    rack.clock.sleep(1.0)
    with reached(rack.meter, rack.clock, "meter") as conversation:
        with conversation.asking() as session:
            found = ask_meter(session)
        assert found.fills, found.missing
        with Meter(conversation.working(), found.dialect) as meter:
            meter.configure_dc(10.0, 1.0)
            assert meter.read_voltage() == pytest.approx(1.25, abs=1e-3)
            assert meter.read_voltages(3) == pytest.approx([1.25] * 3, abs=1e-3)


@pytest.mark.parametrize("personality", list(COUNTERS))
def test_any_counter_reads_hertz_in_the_spelling_that_it_was_found_to_take(personality):
    rack = Rack(counter=CounterConfiguration(personality=personality))
    rack.insert(load_unit(UNITS / "healthy.toml"))
    rack.wiring.drive(2.0)
    rack.clock.sleep(10.0)
    true_hz = rack.wiring.frequency_hz(rack.clock.now())
    with reached(rack.counter, rack.clock, "counter") as conversation:
        with conversation.asking() as session:
            found = ask_counter(session, rack.clock)
        assert found.fills, found.missing
        with Counter(conversation.working(), found.dialect) as counter:
            counter.configure()
            counter.set_gate(0.2)
            assert counter.read_frequency() == pytest.approx(true_hz, rel=1e-3)
            counter.start(0.1)
            assert counter.fetch() == pytest.approx(true_hz, rel=1e-3)
            assert counter.read_frequency() == pytest.approx(true_hz, rel=1e-3)


@pytest.mark.parametrize("personality", ["standard", "measure only", "impatient fetch", "units"])
def test_a_counter_is_asked_without_a_signal_as_well(personality):
    rack = Rack(counter=CounterConfiguration(personality=personality))
    with reached(rack.counter, rack.clock, "counter") as conversation:
        with conversation.asking() as session:
            found = ask_counter(session, rack.clock)
        assert found.fills, found.missing
        with Counter(conversation.working(), found.dialect) as counter, pytest.raises((NoSignal, Overload)):
            counter.read_frequency()


def test_what_is_lost_is_said():
    rack = Rack(
        meter=MeterConfiguration(personality="measure only"), counter=CounterConfiguration(personality="measure only")
    )
    with reached(rack.meter, rack.clock, "meter") as conversation, conversation.asking() as session:
        assert "noise cannot be traded for time" in " ".join(ask_meter(session).losses)
    with reached(rack.counter, rack.clock, "counter") as conversation, conversation.asking() as session:
        losses = " ".join(ask_counter(session, rack.clock).losses)
        assert "no gate control" in losses
        assert "while its gate is open" in losses


def test_a_fetch_that_does_not_wait_is_made_to():
    rack = Rack(counter=CounterConfiguration(personality="impatient fetch"))
    rack.insert(load_unit(UNITS / "healthy.toml"))
    with reached(rack.counter, rack.clock, "counter") as conversation, conversation.asking() as session:
        found = ask_counter(session, rack.clock)
    assert (found.dialect.start, found.dialect.fetch) == ("INIT", "*WAI;:FETC?")


def test_a_slow_instrument_is_given_the_time_that_it_takes():
    rack = Rack()
    line = SocketLink(rack.meter, before_answer=lambda _message: 0.05)
    try:
        conversation = Conversation(line.resource, "meter", rack.clock)
        with conversation.asking() as session:
            assert ask_meter(session).dialect == MeterDialect(
                auto_zero="SENS:VOLT:DC:ZERO:AUTO ON", trigger="TRIG:SOUR IMM"
            )
        assert not any(exchange.failure for exchange in conversation.exchanges)
    finally:
        line.close()


def test_an_instrument_that_takes_several_functions_is_found_out():
    rack = Rack()
    both = _Both(rack.meter, rack.counter)
    line = SocketLink(both)
    try:
        conversation = Conversation(line.resource, "meter", rack.clock)
        with conversation.asking() as session:
            assert could_also_be(session, "meter") == ("counter",)
    finally:
        line.close()


class _Both:
    """A voltmeter that counts as well: what its volts side does not know goes to its other side."""

    def __init__(self, first: Device, second: Device) -> None:
        self._first, self._second = first, second

    def execute(self, message: str) -> str | None:
        return self._second.execute(message) if "FREQ" in message else self._first.execute(message)


@pytest.mark.parametrize(
    ("entries", "refusal"),
    [
        # SCPI-1999 volume 2, 21.8.9 and 21.8.10
        ([(-113, "Undefined header", "OUTPP")], Refusal.HEADER),
        ([(-114, "Header suffix out of range", "SOUR2")], Refusal.HEADER),
        ([(-420, "Query UNTERMINATED", ""), (-113, "Undefined header", "")], Refusal.HEADER),
        ([(-108, "Parameter not allowed", "(@2)")], Refusal.PARAMETER),
        ([(-109, "Missing parameter", "")], Refusal.PARAMETER),
        ([(-178, "Expression data not allowed", "")], Refusal.PARAMETER),
        ([(-222, "Data out of range", "VOLT 50")], Refusal.VALUE),
        ([(-224, "Illegal parameter value", "")], Refusal.VALUE),
        ([(-221, "Settings conflict", "")], Refusal.OTHER),
        ([(-410, "Query INTERRUPTED", "")], Refusal.OTHER),
        # numbers of a maker's own
        ([(501, "Command not recognised: unknown header", "")], Refusal.HEADER),
        ([(620, "Value above limit", "")], Refusal.VALUE),
        ([(1, "Command error", "")], Refusal.HEADER),
        ([(170, "Fan blocked", "")], Refusal.OTHER),
    ],
)
def test_what_an_error_says_about_a_spelling(entries, refusal):
    assert refusal_of(tuple(ErrorEntry(*entry) for entry in entries)) is refusal


def test_without_an_error_queue_a_setting_that_is_not_taken_is_noticed():
    rack = source_rack("mute")
    with reached(rack.source, rack.clock, "source") as conversation:
        found = ask_the_source(conversation, "mute")
        with Source(conversation.working(), LIMITS, found.dialect) as source:
            # the instrument's own range is in the way, and it cannot say so
            source.session.command("SOUR:VOLT:RANG 1")
            with pytest.raises(ReadBackDiffers, match=r"was told 5.0000 V and says that it stands at 0.0000 V"):
                source.set_voltage(5.0)
