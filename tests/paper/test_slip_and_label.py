"""Slip and label: what they say, and that decoders of others read the codes."""

from __future__ import annotations

from dataclasses import replace
from io import BytesIO
from itertools import groupby

import pypdfium2
import pytest
import zxingcpp
from hypothesis import given, settings
from hypothesis import strategies as st
from PIL import Image
from stdnum.iso7064 import mod_37_36

from db.engine import open_database
from rig.errors import FileProblem, WrongInput
from rig.kept_visit import read_visit
from rig.paper import Codes, LabelFormat, Printed, PrinterTable
from rig.reports.label import LabelTooSmall, bars_of, label_pdf, label_png, qr_of
from rig.reports.slip import WIDTHS, slip
from rig.tomlfile import check
from tests.paper.conftest import AWKWARD_SERIAL

QR_CODE, CODE_128 = zxingcpp.BarcodeFormat.QRCode, zxingcpp.BarcodeFormat.Code128


def read(picture: Image.Image) -> dict[zxingcpp.BarcodeFormat, str]:
    """Codes in a picture, by an independent decoder."""
    return {each.format: each.text for each in zxingcpp.read_barcodes(picture)}


def opened(png: bytes) -> Image.Image:
    return Image.open(BytesIO(png))


def rendered(pdf: bytes, dots_per_inch: float) -> Image.Image:
    document = pypdfium2.PdfDocument(pdf)
    try:
        assert len(document) == 1
        return document[0].render(scale=dots_per_inch / 72.0).to_pil()
    finally:
        document.close()


@pytest.mark.parametrize("dots_per_inch", [203, 300])
def test_both_codes_are_read_back_from_the_picture_and_from_the_document(kept, dots_per_inch):
    form = LabelFormat(dots_per_inch=dots_per_inch)
    serial = kept.plain.record.serial
    picture = opened(label_png(kept.plain, form))
    assert picture.size == (form.dots(50.0), form.dots(25.0))
    assert picture.info["dpi"] == pytest.approx((dots_per_inch, dots_per_inch), rel=1e-3)
    assert read(picture) == {QR_CODE: serial, CODE_128: serial}
    assert read(rendered(label_pdf(kept.plain, form), 450.0)) == {QR_CODE: serial, CODE_128: serial}


@pytest.mark.parametrize(
    ("width", "height", "codes"), [(40, 16, Codes.CODE_128), (30, 12, Codes.QR), (90, 60, Codes.BOTH)]
)
def test_other_sizes_and_codes(kept, width, height, codes):
    form = LabelFormat(width_mm=width, height_mm=height, codes=codes)
    wanted = {Codes.BOTH: {QR_CODE, CODE_128}, Codes.QR: {QR_CODE}, Codes.CODE_128: {CODE_128}}[codes]
    assert set(read(opened(label_png(kept.plain, form)))) == wanted


def test_quiet_zones_are_those_of_the_standards_and_modules_whole_dots(kept):
    form = LabelFormat(dots_per_inch=203)
    picture = opened(label_png(kept.plain, form)).convert("L")
    width, height = picture.size
    # ISO/IEC 15417: ten modules of light on either side of a Code 128
    row = [picture.getpixel((x, height - form.dots(4.0))) < 128 for x in range(width)]
    runs = [(dark, len(list(run))) for dark, run in groupby(row)]
    widths = bars_of(kept.plain.record.serial).widths
    module = runs[1][1] // widths[0]
    assert [length for _, length in runs[1:-1]] == [module * each for each in widths]
    assert runs[0][1] >= 10 * module <= runs[-1][1]
    # ISO/IEC 18004: four modules of light around a QR code
    top = next(y for y in range(height) if any(picture.getpixel((x, y)) < 128 for x in range(form.dots(15.0))))
    left = next(x for x in range(width) if picture.getpixel((x, top + 1)) < 128)
    finder = next(x for x in range(left, width) if picture.getpixel((x, top)) >= 128) - left
    assert finder % 7 == 0
    assert left == top == 4 * (finder // 7)


@given(st.text(st.characters(min_codepoint=32, max_codepoint=126), min_size=1, max_size=24))
@settings(max_examples=15, deadline=None)
def test_whatever_can_be_typed_is_read_back_from_its_codes(serial: str):
    bars, rows = bars_of(serial), qr_of(serial)
    picture = Image.new("L", ((bars.modules + 40) * 2, 260), 255)
    place = 40
    for number, modules in enumerate(bars.widths):
        if number % 2 == 0:
            picture.paste(0, (place, 10, place + 2 * modules, 70))
        place += 2 * modules
    for y, line in enumerate(rows):
        for x, dark in enumerate(line):
            if dark:
                picture.paste(0, (40 + 3 * x, 100 + 3 * y, 43 + 3 * x, 103 + 3 * y))
    assert read(picture) == {QR_CODE: serial, CODE_128: serial}


def test_a_serial_that_code_128_does_not_hold_goes_into_a_qr_code_alone(kept):
    with pytest.raises(WrongInput, match="QR code alone"):
        label_png(kept.awkward, LabelFormat())
    picture = opened(label_png(kept.awkward, LabelFormat(width_mm=60.0, codes=Codes.QR)))
    assert read(picture) == {QR_CODE: AWKWARD_SERIAL}


def test_what_does_not_fit_is_refused_and_the_size_that_it_needs_is_said(kept):
    long = replace(kept.plain, record=replace(kept.plain.record, serial="L0NG" * 16))
    with pytest.raises(LabelTooSmall, match=r"needs \d+ mm and has 50 mm"):
        label_pdf(long, LabelFormat())
    with pytest.raises(LabelTooSmall, match="text"):
        label_pdf(kept.plain, LabelFormat(width_mm=40.0, height_mm=10.0, codes=Codes.CODE_128))
    with pytest.raises(FileProblem, match="width_mm"):
        check({"label_format": {"width_mm": 3.0}}, PrinterTable, "bench file")


def test_a_label_is_the_same_to_the_byte_whenever_it_is_printed(kept):
    with open_database(kept.url) as database:
        again = read_visit(database, kept.plain.record.serial, kept.live.visit_id)
    assert label_pdf(again, LabelFormat()) == label_pdf(kept.plain, LabelFormat())
    assert label_png(again, LabelFormat()) == label_png(kept.plain, LabelFormat())


@pytest.mark.parametrize("columns", WIDTHS)
def test_a_slip_is_as_wide_as_its_paper_and_says_the_same_on_each(kept, columns):
    for visit in (kept.plain, kept.awkward):
        text = slip(visit, columns)
        assert all(len(line) <= columns for line in text.splitlines())
        assert all(" " <= each <= "~" or each == "\n" for each in text)
        words = " ".join(text.split())
        assert f"VERDICT: {visit.decision.upper()}" in words
        assert "DEMONSTRATION: invented" in words
        assert str(visit.record.visit.visit_id) in words.replace(" ", "")
    plain = slip(kept.plain, columns)
    assert kept.plain.record.serial in plain
    scale = next(each for each in kept.plain.record.visit.as_left if each.characteristic == "scale_error")
    assert f"{scale.value:+.2f}" in plain
    assert "Octave 3 c" in plain
    assert "SCALE 1" in plain
    assert "Sealed 0123abcd" in slip(replace(kept.plain, chain_head="0123abcd"), columns)


@pytest.mark.parametrize("columns", WIDTHS)
def test_the_slip_of_a_unit_with_two_oscillators_names_each_above_its_findings_and_cuts_no_unit(kept, columns):
    visit = kept.plain.record.visit
    names = ("drift_low", "knob_centre")

    def of_both(findings):
        like = findings[0]
        return tuple(replace(like, characteristic=f"{which}.{name}") for which in ("left", "right") for name in names)

    changed = replace(visit, as_found=of_both(visit.as_found), as_left=of_both(visit.as_left))
    lines = slip(replace(kept.plain, record=replace(kept.plain.record, visit=changed)), columns).splitlines()
    places = [lines.index("Oscillator left"), lines.index("Oscillator right")]
    assert places[0] < places[1]
    for which in places:
        below = lines[which + 1 : which + 5]
        assert below[0].startswith("Drift low c/min")
        assert any(line.startswith("Knob centre c") for line in below)
    assert not any(line.startswith(("lef", "rig")) for line in lines)
    assert not any(line.startswith("Oscillator") for line in slip(kept.plain, columns).splitlines())


def test_a_slip_on_narrower_paper_than_any_is_refused(kept):
    with pytest.raises(ValueError, match="32 columns"):
        slip(kept.plain, 20)


def test_what_is_printed_after_a_verdict_has_a_printer():
    with pytest.raises(FileProblem, match="no printer is given"):
        check({"after_verdict": ["label"], "slip": "lp:"}, PrinterTable, "bench file")
    with pytest.raises(FileProblem, match="no address of a printer"):
        check({"slip": "the blue one"}, PrinterTable, "bench file")
    table = check({"after_verdict": ["slip"], "slip": "lp:"}, PrinterTable, "bench file")
    assert table.address(Printed.SLIP) == "lp:"


@pytest.mark.parametrize(
    ("body", "character"),
    # python-stdnum's documentation of MOD 37,36, after ISO/IEC 7064:2003: A12425GABC1234002 has the check character M
    [("A12425GABC1234002", "M")],
)
def test_check_characters_are_those_of_iso_7064(body, character):
    assert mod_37_36.calc_check_digit(body) == character
    assert mod_37_36.is_valid(body + character)
    assert not mod_37_36.is_valid(body[::-1] + character)
