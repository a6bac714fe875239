"""Whatever arrives, a device lives on and says what was wrong."""

from __future__ import annotations

import string

from hypothesis import given, settings
from hypothesis import strategies as st

from drivers.virtual.clock import InstantClock
from drivers.virtual.configuration import SourceConfiguration
from drivers.virtual.device import Device
from drivers.virtual.source import VirtualSource
from drivers.virtual.wiring import SourceTerminals, Wiring
from tests.virtual.conftest import Rack, asked, errors_of

LATIN = st.characters(max_codepoint=255)
PIECES = st.sampled_from(
    ["SOUR", "VOLT", "OUTP", "*ESE", "*IDN?", "SYST:ERR?", "?", ":", ";", ",", " ", "1.5", "-", "E", "MAX",
     '"', "'", "#H", "#2", "(", ")", "V", "MV", "\x00", "\xff", "\n", "\r", "*", "_",
     "MEAS:VOLT?", "*RST", "9" * 300]
)  # fmt: skip


def a_source() -> VirtualSource:
    """A source on wires of its own, without the meter and the counter of a rack."""
    clock, configuration = InstantClock(), SourceConfiguration()
    terminals = SourceTerminals(configuration.output_resistance_ohm, configuration.settling_time_constant_s)
    return VirtualSource(clock, Wiring(clock, terminals), configuration, latency_s=0.0, seed=1)


def lives(device: Device) -> bool:
    device.execute("*CLS")
    return asked(device, "*ESE 37;*ESE?") == "37"


@given(st.text(LATIN, max_size=200))
@settings(max_examples=150)
def test_no_message_stops_a_device(message):
    rack = Rack()
    for device in (rack.source, rack.meter, rack.counter):
        answer = device.execute(message)
        assert answer is None or isinstance(answer, str)
        assert lives(device)


@given(st.lists(PIECES, max_size=30).map("".join))
@settings(max_examples=250)
def test_no_heap_of_scpi_pieces_stops_a_device(message):
    device = a_source()
    device.execute(message)
    assert lives(device)


@given(st.text(LATIN, min_size=1, max_size=60))
@settings(max_examples=150)
def test_what_cannot_begin_a_message_always_leaves_an_error(text):
    # IEEE 488.2, 7.3: a unit begins with a letter, a colon or an asterisk; white space does not count
    begin = text.lstrip("".join(map(chr, [*range(10), *range(11, 33)])))
    if not begin or begin[0] in string.ascii_letters + ":*":
        return
    device = a_source()
    device.execute(text)
    assert errors_of(device)


@given(
    st.text(string.ascii_letters, min_size=1, max_size=12).filter(
        lambda word: not word.upper().startswith(("ABOR", "INIT"))
    )
)
@settings(max_examples=100)
def test_a_word_that_no_instrument_knows_is_an_undefined_header(word):
    device = a_source()
    device.execute(f"{word}QQ"[-12:])
    assert errors_of(device) == [-113]


@given(st.floats(-0.999, 9.999), st.sampled_from(["{:f}", "{:.6E}", "{:.6e} V", "+{:.5f}V"]))
@settings(max_examples=100)
def test_a_voltage_survives_the_way_in_and_out(voltage_v, form):
    device = a_source()
    device.execute(f"VOLT {form.format(voltage_v)}".replace("+-", "-"))
    assert errors_of(device) == []
    assert abs(float(asked(device, "VOLT?")) - voltage_v) <= 0.5e-4 + 1e-5


def test_every_entry_of_the_error_queue_can_be_read_as_a_number_and_a_quoted_string():
    device = a_source()
    for message in ('"', "VOLT \xff;'", "&", "VOLT #9", "A" * 500, 'VOLT (@1"'):
        device.execute(message)
        entry = asked(device, "SYST:ERR?")
        code, _, text = entry.partition(",")
        assert -500 < int(code) < 0
        assert text[0] == text[-1] == '"'
        assert text.isascii()
        assert text.isprintable()
        assert '"' not in text[1:-1].replace('""', "")
