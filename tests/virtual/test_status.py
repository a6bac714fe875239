"""Status registers and the error queue.

Sources: IEEE 488.2-1992, chapter 11; SCPI-1999 volume 1, chapter 9, volume 2, chapters 20 and 21.8.
"""

from __future__ import annotations

import pytest

from drivers.virtual.source import VirtualSource
from drivers.virtual.status import QUEUE_CAPACITY, Entry, ErrorQueue, EventRegister, event_of
from drivers.virtual.unit import load_unit
from tests.virtual.conftest import UNITS, Rack, asked, errors_of


@pytest.mark.parametrize(
    ("code", "bit"),
    [
        (-100, 5),
        (-113, 5),
        (-199, 5),
        (-200, 4),
        (-222, 4),
        (-299, 4),
        (-310, 3),
        (-350, 3),
        (7, 3),
        (-410, 2),
        (-440, 2),
    ],
)
def test_each_class_of_errors_sets_its_bit_of_the_standard_event_register(code, bit):
    # SCPI-1999 volume 2, 21.8: -1xx command (5), -2xx execution (4), -3xx and positive device (3), -4xx query
    assert event_of(code) == 1 << bit


def test_power_on_is_the_first_event(source):
    # IEEE 488.2, 11.5.1.1.1: bit 7
    assert asked(source, "*ESR?") == "128"
    assert asked(source, "*ESR?") == "0"


def test_reading_the_event_register_clears_it(source):
    source.execute("*CLS;FOO;VOLT 99")
    assert asked(source, "*ESR?") == str(32 + 16)
    assert asked(source, "*ESR?") == "0"


def test_the_error_queue_is_first_in_first_out_and_says_when_it_is_empty(source):
    source.execute("FOO;VOLT 99;VOLT")
    assert asked(source, "SYST:ERR:COUN?") == "3"
    assert asked(source, "SYSTem:ERRor:NEXT?") == '-113,"Undefined header;FOO"'
    assert asked(source, "SYST:ERR?") == '-222,"Data out of range;99"'
    assert asked(source, "STAT:QUE?") == '-109,"Missing parameter"'
    assert asked(source, "SYST:ERR?") == '0,"No error"'


def test_an_overflowing_queue_keeps_the_oldest_and_says_so_in_its_last_place(source):
    # SCPI-1999 volume 2, 21.8: the last entry is replaced by -350, later errors are lost
    for _ in range(QUEUE_CAPACITY + 5):
        source.execute("FOO")
    codes = errors_of(source)
    assert codes == [-113] * (QUEUE_CAPACITY - 1) + [-350]
    source.execute("VOLT")
    assert errors_of(source) == [-109]


def test_an_overflow_is_a_device_dependent_error(source):
    source.execute("*CLS")
    for _ in range(QUEUE_CAPACITY + 1):
        source.execute("FOO")
    assert asked(source, "*ESR?") == str(32 + 8)


def test_what_was_wrong_stands_behind_a_semicolon_inside_the_quotes(source):
    # SCPI-1999 volume 2, 21.8: device-dependent text after a semicolon; IEEE 488.2, 8.7.8: quotes are doubled
    source.execute("VOLT 1;SENS:FUNC 'x'")
    assert asked(source, "SYST:ERR?") == '-113,"Undefined header;SENS:FUNC"'
    rack = Rack()
    rack.meter.execute("""SENS:FUNC 'a"b'""")
    assert asked(rack.meter, "SYST:ERR?") == '-224,"Illegal parameter value;a""b"'


def test_an_entry_never_exceeds_255_characters():
    assert len(str(Entry(-113, "X" * 400))) <= 255 + len('-113,""')


def test_clear_empties_queue_and_events_and_keeps_the_enables(source):
    # IEEE 488.2, 10.3
    source.execute("*ESE 60;*SRE 36;STAT:OPER:ENAB 2;FOO;*CLS")
    assert asked(source, "*ESE?;*SRE?;:STAT:OPER:ENAB?;*ESR?;:SYST:ERR:COUN?") == "60;36;2;0;0"


def test_the_status_byte_sums_up(source):
    # IEEE 488.2, 11.2.2 and 11.3; SCPI-1999 volume 1, 9.2: error queue bit 2, MAV 4, ESB 5, MSS 6
    source.execute("*CLS")
    assert asked(source, "*STB?") == "0"
    assert asked(source, "*ESE?;*STB?") == "0;16"
    source.execute("*ESE 32;FOO")
    assert asked(source, "*STB?") == str(4 + 32)
    source.execute("*SRE 32")
    assert asked(source, "*STB?") == str(4 + 32 + 64)


def test_the_service_request_enable_ignores_its_own_summary_bit(source):
    # IEEE 488.2, 11.3.2.3: bit 6 is not used
    source.execute("*SRE 255")
    assert asked(source, "*SRE?") == "191"


def test_a_settling_source_says_so_in_its_operation_register(source: VirtualSource, rack: Rack):
    # SCPI-1999 volume 2, 20.1: bit 1 is SETTling; summary in bit 7 of the status byte
    source.execute("*CLS;STAT:OPER:ENAB 2;:OUTP ON;:VOLT 5")
    assert asked(source, "STAT:OPER:COND?;*STB?") == "2;144"
    rack.clock.sleep(1.0)
    assert asked(source, "STAT:OPER:COND?;EVEN?;EVEN?") == "0;2;0"


def test_a_measuring_counter_says_so_until_its_gate_is_over(rack: Rack):
    # SCPI-1999 volume 2, 20.1: bit 4 is MEASuring
    rack.insert(load_unit(UNITS / "healthy.toml"))
    rack.counter.execute("SENS:FREQ:APER 1;:INIT")
    assert asked(rack.counter, "STAT:OPER:COND?") == "16"
    rack.counter.execute("*OPC")
    assert int(asked(rack.counter, "*ESR?")) & 1 == 0
    assert asked(rack.counter, "*OPC?") == "1"
    assert asked(rack.counter, "STAT:OPER:COND?") == "0"
    assert int(asked(rack.counter, "*ESR?")) & 1 == 1


def test_a_filter_decides_whether_the_rise_or_the_fall_is_an_event():
    # SCPI-1999 volume 1, 9.1
    register = EventRegister(positive_transition=0, negative_transition=16)
    register.update(16)
    assert register.take_event() == 0
    register.update(0)
    assert register.take_event() == 16


def test_preset_enables_nothing_and_latches_what_rises(source):
    # SCPI-1999 volume 2, 20.2
    source.execute("STAT:OPER:ENAB 65535;PTR 0;NTR 3;:STAT:PRES")
    assert asked(source, "STAT:OPER:ENAB?;PTR?;NTR?") == "0;32767;0"


def test_bit_15_of_the_scpi_registers_is_always_zero(source):
    # SCPI-1999 volume 1, 9.3
    source.execute("STAT:QUES:ENAB 65535")
    assert asked(source, "STAT:QUES:ENAB?") == "32767"


def test_an_empty_queue_gives_no_error_for_ever():
    queue = ErrorQueue()
    assert str(queue.take()) == '0,"No error"'
    assert [str(entry) for entry in queue.take_all()] == ['0,"No error"']


def test_a_breach_of_the_message_exchange_sets_the_query_error_bit(source):
    # IEEE 488.2, 6.5.7 and 11.5.1.1.7: bit 2
    source.execute("*CLS")
    source.query_error(-420)
    assert asked(source, "*ESR?") == "4"
    assert asked(source, "SYST:ERR?") == '-420,"Query UNTERMINATED"'
