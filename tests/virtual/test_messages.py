"""Program messages: headers, data, errors.

Sources: IEEE 488.2-1992 chapter 7; SCPI-1999 volume 1, 6.2 (headers) and volume 2, 21.8 (error numbers, with
the examples that stand there). Clause numbers of IEEE 488.2 outside chapter 7 are from memory.
"""

from __future__ import annotations

import pytest

from drivers.virtual.meter import VirtualMeter
from drivers.virtual.source import VirtualSource
from tests.virtual.conftest import Rack, asked, errors_of, number


@pytest.mark.parametrize(
    "header",
    [
        "SOUR:VOLT",
        "SOURce:VOLTage",
        "source:voltage:level:immediate:amplitude",
        "SOUR:VOLT:LEV",
        "SOURCE1:VOLT:AMPL",
        ":SOUR01:VOLT:IMM",
        "VOLT",
        ":volt:Level:AMPLitude",
    ],
)
def test_a_header_may_be_short_or_long_and_leave_out_what_stands_in_brackets(source, header):
    # SCPI-1999 volume 1, 6.2.1 and 6.2.5.2 (numeric suffix, default 1)
    source.execute(f"{header} 1.25")
    assert errors_of(source) == []
    assert number(source, f"{header}?") == 1.25


@pytest.mark.parametrize("header", ["SOURC:VOLT", "SOU:VOLT", "VOLTA", "VOLTAGES", "SOUR:LEV", "LEV", "OUTPU"])
def test_anything_between_short_and_long_form_is_undefined(source, header):
    # SCPI-1999 volume 1, 6.2.1: only the exact short form and the exact long form
    source.execute(f"{header} 1")
    assert errors_of(source) == [-113]


def test_a_unit_after_a_semicolon_goes_on_from_the_node_of_the_one_before(rack: Rack):
    # SCPI-1999 volume 1, 6.2.4
    rack.meter.execute("SENS:VOLT:DC:NPLC 10;RANG 1")
    assert errors_of(rack.meter) == []
    assert asked(rack.meter, "SENS:VOLT:NPLC?;RANG?") == "+1.00000000E+01;+1.00000000E+00"


def test_a_common_command_leaves_the_header_path_alone(rack: Rack):
    # IEEE 488.2, appendix A.1.1; SCPI-1999 volume 1, 6.2.4
    rack.meter.execute("SENS:VOLT:DC:NPLC 2;*ESE 1;RANG 1")
    assert errors_of(rack.meter) == []


def test_a_leading_colon_goes_back_to_the_root(rack: Rack):
    rack.meter.execute("SENS:VOLT:DC:NPLC 2;SAMP:COUN 3")
    assert errors_of(rack.meter) == [-113]
    rack.meter.execute("SENS:VOLT:DC:NPLC 2;:SAMP:COUN 3")
    assert errors_of(rack.meter) == []


def test_every_message_begins_at_the_root(rack: Rack):
    rack.meter.execute("SENS:VOLT:DC:NPLC 2")
    rack.meter.execute("RANG 1")
    assert errors_of(rack.meter) == [-113]


def test_several_queries_in_a_message_give_one_response_with_semicolons(source):
    # IEEE 488.2, 8.4.1
    assert asked(source, "OUTP?;*ESE?;:SYST:VERS?") == "0;0;1999.0"


def test_the_error_check_of_a_setting_travels_in_its_own_message(source):
    assert asked(source, "OUTPP ON;:SYST:ERR?") == '-113,"Undefined header;OUTPP"'
    assert asked(source, "OUTP ON;:SYST:ERR?;*ESE 17;*ESE?") == '0,"No error";17'


@pytest.mark.parametrize(
    ("message", "code"),
    [
        # the examples of SCPI-1999 volume 2, 21.8, with *ESE where it has *EMC
        ("SETUP&", -101),
        ("*ESE 1:CH1:VOLTS 5", -103),
        ("*ESE 0,1", -108),
        ("*ESE", -109),
        ('*GMC"MACRO"', -111),
        ("THIRTEENCHARS 1", -112),
        ("*XYZ", -113),
        ("SOUR2:VOLT 1", -114),
        ("SOUR0:VOLT 1", -114),
        ("*ESE #Q9", -121),
        ("*ESE #H1G", -121),
        ("*ESE #B2", -121),
        ("VOLT 1E32001", -123),
        ("VOLT " + "1" * 256, -124),
        ("MEAS:VOLT? 1", -108),
        ("SENS:FUNC 1", -113),
        ("VOLT 1 A", -131),
        ("VOLT 1 XV", -131),
        ("*ESE 1 V", -138),
        ("VOLT 1 VVVVVVVVVVVVV", -134),
        ("VOLT HIGH", -141),
        ("VOLT THIRTEENCHARS", -144),
        ("VOLT? ALL", -141),
        ('VOLT "1"', -158),
        ('VOLT "1', -151),
        ("VOLT '1''", -151),
        ("VOLT #11", -161),
        ("VOLT #3ab", -161),
        ("VOLT #", -161),
        ("VOLT #212345678901 23", -168),
        ("VOLT #13abc", -168),
        ("VOLT (1", -171),
        ("VOLT (1+2)", -178),
        ("VOLT 10.001", -222),
        ("VOLT 1E400", -222),
        ("VOLT INF", -141),
        ("*ESE 256", -222),
        ("*ESE -1", -222),
        (";", -102),
        ("OUTP ON;", -102),
        ("?", -102),
        ("5", -102),
        ("*:ESE 1", -110),
        (":*ESE 1", -102),
        ("*ESE:A 1", -110),
        ("VOLT:", -111),
        ("VOLT 1,", -102),
        ("VOLT ,1", -102),
        ("VOLT +", -121),
        ("VOLT .", -121),
        ("VOLT \xb5", -101),
        ("VOLT 1\n2", -101),
        ("\x7f", -101),
    ],
)
def test_what_is_wrong_with_a_message_has_the_number_that_the_standard_gives_it(source, message, code):
    source.execute(message)
    assert errors_of(source)[:1] == [code]


def test_a_word_where_a_number_without_limit_words_belongs_is_no_legal_word(rack: Rack):
    rack.meter.execute("TRIG:SOUR 5")
    rack.meter.execute('SENS:FUNC "CURR"')
    rack.meter.execute("SENS:FUNC VOLT")
    # -128 numeric data not allowed, -224 not in the list, -148 character data not allowed
    assert errors_of(rack.meter) == [-128, -224, -148]


@pytest.mark.parametrize(
    ("text", "value"),
    [
        ("1", 1.0),
        ("+1", 1.0),
        ("-.5", -0.5),
        ("1.", 1.0),
        ("0125E-2", 1.25),
        ("1.25e0", 1.25),
        ("125 E -2", 1.25),
        ("#H0A", 10.0),
        ("#q7", 7.0),
        ("#B101", 5.0),
        ("1V", 1.0),
        ("1250 mV", 1.25),
        ("1250000UV", 1.25),
        ("0.001 kV", 1.0),
        ("MAX", 10.0),
        ("MINimum", -1.0),
        ("def", 0.0),
    ],
)
def test_a_number_may_be_written_in_every_form_of_ieee_488_2(source, text, value):
    # IEEE 488.2, 7.7.2 (flexible numeric), 7.7.3 (suffixes and multipliers), 7.7.4 (non-decimal)
    source.execute(f"VOLT {text}")
    assert errors_of(source) == []
    assert number(source, "VOLT?") == pytest.approx(value, abs=1e-9)


def test_m_is_milli_for_volts_and_mega_for_hertz_and_ohms(rack: Rack):
    # IEEE 488.2, 7.7.3.3 and table 7-2
    rack.counter.execute("INP:IMP 1 MOHM;:SENS:FREQ:APER 20 MS;:CONF:FREQ 1 MHZ")
    assert errors_of(rack.counter) == []
    assert number(rack.counter, "INP:IMP?") == 1e6


@pytest.mark.parametrize(("word", "state"), [("ON", "1"), ("1", "1"), ("2.7", "1"), ("OFF", "0"), ("0.4", "0")])
def test_a_switch_takes_on_off_or_a_number_that_is_rounded(source, word, state):
    # SCPI-1999 volume 1, 7.3
    source.execute(f"OUTP {word}")
    assert asked(source, "OUTPut:STATe?") == state


def test_a_query_tells_the_limits_of_its_setting(source):
    # SCPI-1999 volume 1, 7.2.1.2
    assert [number(source, f"VOLT? {word}") for word in ("MIN", "MAXimum", "DEF")] == [-1.0, 10.0, 0.0]


def test_white_space_is_every_control_character_but_the_line_feed(source):
    # IEEE 488.2, 7.4.1.2
    source.execute("\t\x00VOLT\x0b \x1f2 ;\x01*ESE\r3\r")
    assert errors_of(source) == []
    assert number(source, "VOLT?") == 2.0
    assert source.execute("   ") is None
    assert source.execute("") is None
    assert errors_of(source) == []


def test_a_wrong_unit_does_not_keep_the_others_from_being_obeyed(source):
    source.execute("VOLT 1;&;VOLT 99;:OUTP 'a;b';:OUTP ON")
    assert errors_of(source) == [-101, -222, -158]
    assert asked(source, "OUTP?") == "1"


def test_the_identity_has_four_fields_and_no_query_may_follow_it(source):
    # IEEE 488.2, 10.14.2 (four fields) and 10.14.3 (last query of its message; else -440)
    assert asked(source, "*IDN?").count(",") == 3
    assert asked(source, "*ESE?;*IDN?;*ESE?").count(";") == 1
    assert errors_of(source) == [-440]


@pytest.mark.parametrize("header", ["*RST", "*CLS", "*WAI", "*OPC"])
def test_the_common_commands_without_data_take_none(source, header):
    source.execute(header)
    assert errors_of(source) == []
    source.execute(f"{header} 1")
    assert errors_of(source) == [-108]


def test_the_mandatory_common_commands_of_ieee_488_2_are_there(rack: Rack):
    # IEEE 488.2, 10.1 and SCPI-1999 volume 1, 4.1.1
    for device in (rack.source, rack.meter, rack.counter):
        for message in ("*CLS", "*ESE 0", "*OPC", "*RST", "*SRE 0", "*WAI"):
            assert device.execute(message) is None
        for query in (
            "*ESE?",
            "*ESR?",
            "*IDN?",
            "*OPC?",
            "*SRE?",
            "*STB?",
            "*TST?",
            "SYST:VERS?",
            "SYST:ERR?",
        ):
            assert device.execute(query)
        assert errors_of(device) == []


def test_reset_brings_the_source_to_zero_volts_and_off(source: VirtualSource):
    source.execute("VOLT 3;:OUTP ON;*RST")
    assert asked(source, "VOLT?;:OUTP?") == "+0.00000E+00;0"


def test_reset_leaves_status_enables_and_errors_alone(source: VirtualSource):
    # IEEE 488.2, 10.32
    source.execute("*ESE 5;*SRE 32;FOO;*RST")
    assert asked(source, "*ESE?;*SRE?") == "5;32"
    assert errors_of(source) == [-113]


def test_answers_are_in_nr1_nr3_and_quoted_forms(rack: Rack):
    # IEEE 488.2, 8.7.2, 8.7.4, 8.7.8
    meter: VirtualMeter = rack.meter
    assert asked(meter, "SAMP:COUN?") == "1"
    assert asked(meter, "SENS:VOLT:DC:NPLC?") == "+1.00000000E+00"
    assert asked(meter, "SENS:FUNC?") == '"VOLT"'
