"""What a scanner may send, and what of it is a serial."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from fixtures import demonstration_product
from rig.errors import SerialProblem
from rig.product import SerialFormat, load_product
from rig.scanned import clean_scan

FORMAT = load_product(demonstration_product()).contents.serial
BODIES = st.from_regex(r"DM[0-9]{8}", fullmatch=True)


def test_the_check_character_is_that_of_the_standard():
    # ISO 7064 MOD 37,36 as used by the Global Release Identifier, whose published example is A1-2425G-ABC1234002-M
    plain = SerialFormat(
        pattern="A1(?P<batch>[0-9A-Z]{5})[0-9A-Z]{10}[0-9A-Z]",
        example="A12425GABC1234002M",
        check="iso 7064 mod 37,36",
    )
    assert plain.with_check_character("A12425GABC1234002") == "A12425GABC1234002M"


@given(BODIES)
def test_a_serial_with_its_check_character_gives_its_batch(body):
    assert FORMAT.batch_of(FORMAT.with_check_character(body)) == body[2:6]


@given(BODIES, st.integers(2, 10), st.sampled_from("0123456789ABCDEFGHIJKLMNOPQRSTUVWXYZ"))
def test_any_single_misread_character_is_caught(body, place, wrong):
    # ISO/IEC 7064: the hybrid systems detect all single substitution errors
    serial = FORMAT.with_check_character(body)
    misread = serial[:place] + wrong + serial[place + 1 :]
    if misread != serial:
        with pytest.raises(SerialProblem):
            FORMAT.batch_of(misread)


@given(st.text(max_size=200))
def test_any_scan_is_a_serial_or_one_sentence(scanned):
    said = ""
    try:
        FORMAT.batch_of(clean_scan(scanned))
    except SerialProblem as problem:
        said = str(problem)
    assert "\n" not in said
    assert said.isprintable()


@given(BODIES, st.sampled_from(["\r\n", "\n", "\r", "\t", "  ", ""]), st.sampled_from(["", " ", "\t"]))
def test_what_a_scanner_adds_around_a_serial_does_not_matter(body, after, before):
    serial = FORMAT.with_check_character(body)
    assert clean_scan(before + serial + after) == serial


@pytest.mark.parametrize("scan", ["DM26\x0026010001G", "DM2601\x1b[31m0001", "DM\u202e26010001G", "DM2601\n0001G"])
def test_control_characters_inside_a_scan_are_refused_and_shown_harmlessly(scan):
    with pytest.raises(SerialProblem) as problem:
        clean_scan(scan)
    assert str(problem.value).isascii()
