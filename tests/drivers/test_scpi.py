"""The text side of SCPI, against the examples and rules of IEEE 488.2-1992 and SCPI-1999."""

from __future__ import annotations

import math

import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st

from drivers.errors import DriverError, NotANumber, Overload, Unreadable
from drivers.scpi import (
    ErrorEntry,
    Identity,
    count_queries,
    format_number,
    parse_block,
    parse_boolean,
    parse_error_entry,
    parse_identity,
    parse_nonnegative_integer,
    parse_number,
    parse_numbers,
    parse_string,
    split_units,
)


# IEEE 488.2-1992, 8.7.2 to 8.7.4: NR1 is an integer, NR2 has a point, NR3 has an exponent
@pytest.mark.parametrize(
    ("text", "value"),
    [
        ("0", 0.0),
        ("+123", 123.0),
        ("-7", -7.0),
        ("12.5", 12.5),
        ("-0.001", -0.001),
        ("+1.25E+00", 1.25),
        ("-1.0E-3", -0.001),
        ("3.2704000000000E+01", 32.704),
        (" 1.5", 1.5),
        ("1.5\r", 1.5),
        ("1.5 \t", 1.5),
    ],
)
def test_a_number_is_read_in_all_three_forms_of_ieee_488_2(text, value):
    assert parse_number(text) == value


# multipliers of IEEE 488.2-1992 table 7-2; MHZ and MOHM are mega, by the exception beside it
@pytest.mark.parametrize(
    ("text", "value"),
    [
        ("12.5 mV", 0.0125),
        ("1V", 1.0),
        ("440.0 HZ", 440.0),
        ("1.2 kHz", 1200.0),
        ("2 MHZ", 2e6),
        ("3 US", 3e-6),
        ("1 MOHM", 1e6),
        ("1MAV", 1e6),
    ],
)
def test_a_trailing_unit_scales_the_number(text, value):
    assert parse_number(text) == pytest.approx(value, rel=1e-15)


@pytest.mark.parametrize(
    ("text", "unit"), [("1.5 V", "HZ"), ("440 HZ", "V"), ("1 VOLT", "V"), ("2 mHz", "HZ"), ("3 XV", "V")]
)
def test_a_unit_of_something_else_is_no_value(text, unit):
    with pytest.raises(Unreadable):
        parse_number(text, unit)


# SCPI-1999 volume 1, 7.2.1.4 and 7.2.1.5: infinity 9.9E37, not a number 9.91E37
@pytest.mark.parametrize("text", ["9.9E37", "+9.9E+37", "-9.90000000E+37", "9.900000E37 V"])
def test_scpi_infinity_is_an_overload_and_no_voltage(text):
    with pytest.raises(Overload):
        parse_number(text)


@pytest.mark.parametrize("text", ["9.91E37", "+9.91000000E+37", "9.91E+37 HZ"])
def test_scpi_not_a_number_is_no_reading(text):
    with pytest.raises(NotANumber):
        parse_number(text)


@pytest.mark.parametrize(
    "text",
    ["", " ", "nan", "NAN", "inf", "INF", "-inf", "1_000", "1,5", "٣", "1.5\n2.5", "1 2", "0x10", "1e", "e5",
     ".", "+", "--1", "1.5;2", "1.5\x00", "\xff1.5", "1.5E+", "1e999", '"1.5"', "1.5 ²", "#H10", "ON",
     "1.5\x0b"],
)  # fmt: skip
def test_nothing_else_is_a_number(text):
    with pytest.raises(Unreadable):
        parse_number(text)


def test_a_list_is_read_item_by_item_and_one_bad_item_spoils_it():
    assert parse_numbers("+1.0E0, 2.0,3") == (1.0, 2.0, 3.0)
    with pytest.raises(Overload):
        parse_numbers("1.0,9.9E37")
    with pytest.raises(Unreadable):
        parse_numbers("1.0,,2.0")


# IEEE 488.2-1992, 8.7.5 to 8.7.7: hexadecimal, octal and binary responses
@pytest.mark.parametrize(
    ("text", "value"),
    [("255", 255), ("+1", 1), ("#HFF", 255), ("#hff", 255), ("#Q377", 255), ("#B11111111", 255)],
)
def test_a_register_is_read_in_every_base_of_ieee_488_2(text, value):
    assert parse_nonnegative_integer(text) == value


@pytest.mark.parametrize("text", ["", "-1", "1.0", "#H", "#HG", "#Q8", "#B2", "#X1", "0xFF", "1_0", "#H 1", "٣"])
def test_nothing_else_is_a_register(text):
    with pytest.raises(Unreadable):
        parse_nonnegative_integer(text)


def test_a_doubled_quote_in_a_string_stands_for_one():
    # IEEE 488.2-1992, 7.7.5 and 8.7.8
    assert parse_string('"He said ""hello"""') == 'He said "hello"'
    assert parse_string("'it''s'") == "it's"
    assert parse_string('""') == ""


@pytest.mark.parametrize("text", ["", '"', '"open', 'open"', '"a"b"', "\"a'", "bare"])
def test_a_string_needs_both_its_quotes(text):
    with pytest.raises(Unreadable):
        parse_string(text)


# IEEE 488.2-1992, 8.7.9
@pytest.mark.parametrize(
    ("data", "content"),
    [(b"#15HELLO", b"HELLO"), (b"#3005HELLO\n", b"HELLO"), (b"#10", b""), (b"#12\n;\r\n", b"\n;")],
)
def test_a_block_is_as_long_as_it_says(data, content):
    assert parse_block(data) == content


@pytest.mark.parametrize(
    "data", [b"", b"#", b"#0HELLO\n", b"#16HELLO", b"#14HELLO", b"#A5HELLO", b"#25", b"HELLO", b"#2 5HELLO"]
)
def test_a_block_of_another_length_is_refused(data):
    with pytest.raises(Unreadable):
        parse_block(data)


@pytest.mark.parametrize(("text", "value"), [("1", True), ("0", False), ("+1", True), ("ON", True), ("off\r", False)])
def test_a_boolean_is_a_one_or_a_zero(text, value):
    assert parse_boolean(text) is value


@pytest.mark.parametrize("text", ["", "2", "yes", "0.0", "-1"])
def test_nothing_else_is_a_boolean(text):
    with pytest.raises(Unreadable):
        parse_boolean(text)


# texts and numbers: SCPI-1999 volume 2, 21.8
@pytest.mark.parametrize(
    ("text", "entry"),
    [
        ('0,"No error"', ErrorEntry(0, "No error")),
        ('+0,"No error"', ErrorEntry(0, "No error")),
        ('-113,"Undefined header;OUTPP"', ErrorEntry(-113, "Undefined header", "OUTPP")),
        ('-222, "Data out of range"', ErrorEntry(-222, "Data out of range")),
        ('-350,"Queue overflow"', ErrorEntry(-350, "Queue overflow")),
        ('101,"Fan; ""rear"" stopped"', ErrorEntry(101, "Fan", ' "rear" stopped')),
    ],
)
def test_an_error_entry_is_a_number_a_text_and_perhaps_a_detail(text, entry):
    assert parse_error_entry(text) == entry


@pytest.mark.parametrize("text", ["", "0", "No error", '"No error"', "0,No error", '1.5,"x"', '-113;"x"', "1.500E+00"])
def test_nothing_else_is_an_error_entry(text):
    with pytest.raises(Unreadable):
        parse_error_entry(text)


def test_an_identity_has_four_fields_and_the_last_may_hold_commas():
    # IEEE 488.2-1992, 10.14
    assert parse_identity("Invented, Source 1 ,0,a,b\r") == Identity("Invented", "Source 1", "0", "a,b")


@pytest.mark.parametrize("text", ["", "a,b,c", "1.500E+00", "a,b,c,\x07", "ä,b,c,d"])
def test_nothing_else_is_an_identity(text):
    with pytest.raises(Unreadable):
        parse_identity(text)


def test_a_semicolon_in_quotes_separates_nothing():
    assert split_units('-113,"Undefined header;OUTPP";17') == ['-113,"Undefined header;OUTPP"', "17"]
    assert split_units("1;2;") == ["1", "2", ""]


def test_only_headers_with_a_question_mark_ask():
    assert count_queries('INST:NSEL 2;:VOLT?;NAME "why?";*ESE 3;*ESE?;') == 2


@pytest.mark.parametrize("value", [math.nan, math.inf, -math.inf])
def test_what_is_no_number_is_not_sent(value):
    with pytest.raises(ValueError, match="finite number is needed"):
        format_number(value)


@given(st.floats(allow_nan=False, allow_infinity=False, min_value=-9.8e37, max_value=9.8e37))
@example(-0.0)
@example(5e-324)
def test_a_number_comes_back_to_the_last_digit(value):
    text = format_number(value)
    assert parse_number(text) == value
    assert not text.startswith("-0.0") or value != 0


@settings(max_examples=50)
@given(st.text() | st.text(alphabet="0123456789+-.eE#HQB,;\"' VHZm\r\n"))
@pytest.mark.parametrize(
    "parse",
    [
        parse_number,
        parse_numbers,
        parse_nonnegative_integer,
        parse_boolean,
        parse_string,
        parse_error_entry,
        parse_identity,
    ],
)
def test_any_text_is_a_value_or_a_typed_error_with_a_sentence(parse, text):
    outcome: object
    try:
        outcome = parse(text)
    except DriverError as error:
        outcome = str(error)
    # an empty quoted string is a value
    assert outcome is not None
    assert outcome or parse is parse_string or outcome in (0, False)


@given(st.text(alphabet="0123456789+-.eE VHZmkuM"))
def test_a_number_that_is_read_is_finite_and_no_special_code(text):
    try:
        value = parse_number(text)
    except DriverError:
        return
    assert math.isfinite(value)
    assert text.isascii()


@given(st.binary(), st.sampled_from([b"", b"\n", b"\r\n"]))
def test_any_bytes_travel_in_a_block(content, end):
    length = str(len(content)).encode()
    assert parse_block(b"#" + str(len(length)).encode() + length + content + end) == content


@given(st.binary(max_size=40) | st.binary(max_size=20).map(lambda rest: b"#2" + rest))
def test_any_bytes_are_a_block_or_a_typed_error(data):
    try:
        content = parse_block(data)
    except Unreadable:
        return
    assert content in data


@given(st.text())
def test_any_text_travels_in_quotes(text):
    assert parse_string('"' + text.replace('"', '""') + '"') == text


@given(st.lists(st.text(alphabet='ab;"', max_size=5).map(lambda text: '"' + text.replace('"', '""') + '"'), min_size=1))
def test_quoted_answers_are_split_as_they_were_joined(strings):
    assert split_units(";".join(strings)) == strings


@pytest.mark.parametrize("text", ["#B" + "1" * 5000, "#HF" + "0" * 5000, "#Q" + "7" * 5000, "9" * 5000])
def test_a_whole_number_without_end_is_not_read(text):
    with pytest.raises(Unreadable, match="is not a whole number"):
        parse_nonnegative_integer(text)


def test_a_garbled_number_of_very_many_digits_is_refused_at_once():
    # tried in one way only: in every way it would take longer than anybody waits
    with pytest.raises(Unreadable, match="is not a number"):
        parse_number("1" * 100_000 + "." + "1" * 100_000 + "!")


@pytest.mark.parametrize("shown", ["OL", "-OL", "O.L", "Ovld", "OVERLOAD"])
def test_what_a_display_shows_of_too_much_is_an_overload(shown):
    # common practice: hand-held and cheap meters answer what their display shows
    with pytest.raises(Overload, match="beyond the range"):
        parse_number(shown, "V")


@pytest.mark.parametrize("shown", ["----", "-----.--", "- - -", "--"])
def test_the_dashes_of_a_display_are_no_result(shown):
    # common practice: a counter without a signal
    with pytest.raises(NotANumber, match="no result"):
        parse_number(shown, "HZ")


@pytest.mark.parametrize("text", ["-", "", "OLD", "-5-", "..."])
def test_what_only_looks_like_a_display_is_not_a_number(text):
    with pytest.raises(Unreadable):
        parse_number(text)


def test_volts_that_say_of_which_kind_they_are_are_volts():
    assert parse_number("+1.25000E+00VDC", "V") == 1.25
    assert parse_number("12.5 mVDC", "V") == pytest.approx(0.0125)
