"""The label that goes on a unit: its serial in QR and Code 128 and for people, product, date and verdict.

Every module of a code is a whole number of the printer's dots wide, and the quiet zones are those of the standards:
four modules around a QR code (ISO/IEC 18004), ten beside a Code 128 (ISO/IEC 15417).
"""

from __future__ import annotations

from dataclasses import dataclass
from io import BytesIO
from itertools import groupby
from math import floor
from typing import TYPE_CHECKING

import pypdfium2
from reportlab.graphics.barcode.code128 import Code128
from reportlab.graphics.barcode.qrencoder import QRECI, QR8bitByte, QRCode, QRErrorCorrectLevel
from reportlab.lib.units import inch
from reportlab.pdfbase.pdfmetrics import stringWidth
from reportlab.pdfgen.canvas import Canvas

from rig.errors import WrongInput
from rig.paper import Codes
from rig.reports.letters import BOLD, PLAIN, lines_of, register_fonts
from rig.reports.record_contents import INVENTED
from rig.reports.record_pdf import DateOf

if TYPE_CHECKING:
    from rig.kept_visit import KeptVisit
    from rig.paper import LabelFormat

QUIET_QR, QUIET_CODE_128 = 4, 10
"""Modules that stay white around a code."""
LARGEST_MODULE_MM = 0.5
CODE_128_SHARE = 0.3
"""Of the height, for the bars."""
EDGE_MM = 1.0
LEADING = 1.2
SCALES = (1.0, 0.9, 0.8, 0.7, 0.6)
SERIAL_SIZE, TEXT_SIZE = 9.0, 6.5
"""Letters, in points, where there is room; all shrink together where there is not."""
PRODUCT_LINES = (2, 1, 0)
"""The product's name gives way where there is no room."""
HAIR = 0.02
ROUNDING = 1e-6
"""A page of whole dots must not be taken for one with a little more, which would be stretched by a dot."""
UTF8_ECI = 26


class LabelTooSmall(WrongInput):
    """What the label should bear does not fit on it."""


@dataclass(frozen=True, slots=True)
class Bars:
    """A Code 128: widths of bars and gaps in modules, a bar first."""

    widths: tuple[int, ...]

    @property
    def modules(self) -> int:
        """Width without quiet zones."""
        return sum(self.widths)


def label_pdf(kept: KeptVisit, form: LabelFormat) -> bytes:
    """The label as PDF of one page of its size; the same bytes whenever it is printed from the same record.

    :raises LabelTooSmall: the serial does not fit, as a code or as text.
    :raises WrongInput: Code 128 cannot hold the serial.
    """
    register_fonts()
    dot, record = form.dot, kept.record
    width, height, edge = form.dots(form.width_mm), form.dots(form.height_mm), form.dots(EDGE_MM)
    made = BytesIO()
    canvas = Canvas(made, pagesize=(width * dot, height * dot), invariant=1)
    canvas.setTitle(f"Label {record.serial}")
    canvas.setSubject(f"Visit {record.visit.visit_id}: {kept.decision}")
    canvas.setDateFormatter(DateOf(kept.at))
    left, bottom = edge, edge
    if form.codes in (Codes.BOTH, Codes.CODE_128):
        tall = floor(CODE_128_SHARE * height)
        _draw_bars(canvas, record.serial, form, width, bottom, tall)
        bottom += tall + edge
    if form.codes in (Codes.BOTH, Codes.QR):
        side = min(height - bottom, floor(0.45 * width))
        left = _draw_qr(canvas, record.serial, form, height, side)
    room = (left * dot, bottom * dot, (width - edge - left) * dot, (height - edge - bottom) * dot)
    _draw_text(canvas, kept, form, room)
    canvas.showPage()
    canvas.save()
    return made.getvalue()


def label_png(kept: KeptVisit, form: LabelFormat) -> bytes:
    """The label as PNG, one pixel a dot of the printer.

    :raises LabelTooSmall: the serial does not fit, as a code or as text.
    :raises WrongInput: Code 128 cannot hold the serial.
    """
    document = pypdfium2.PdfDocument(label_pdf(kept, form))
    try:
        picture = document[0].render(scale=(1.0 - ROUNDING) * form.dots_per_inch / inch, grayscale=True).to_pil()
    finally:
        document.close()
    made = BytesIO()
    picture.save(made, format="PNG", dpi=(form.dots_per_inch, form.dots_per_inch))
    return made.getvalue()


def bars_of(serial: str) -> Bars:
    """A serial in Code 128.

    :raises WrongInput: it has characters that Code 128 does not.
    """
    if not all(" " <= each <= "~" for each in serial):
        raise WrongInput(
            f"The serial {ascii(serial)[:60]} has characters that Code 128 does not hold: print a label with a QR code "
            "alone."
        )
    code = Code128(serial, quiet=0, barWidth=1.0, barHeight=1.0)
    code.validate()
    code.encode()
    code.decompose()
    # letters of the library: capitals are bars, small ones gaps, each as many modules wide as its place in the alphabet
    return Bars(tuple(ord(each.lower()) - ord("a") + 1 for each in str(code.decomposed)))


def qr_of(serial: str) -> list[list[bool]]:
    """A serial in QR at error correction level M: rows of modules, True where dark."""
    code = QRCode(None, QRErrorCorrectLevel.M)
    if serial.isascii():
        code.addData(serial)
    else:
        code.addData(QRECI(UTF8_ECI))
        code.addData(QR8bitByte(serial))
    code.make()
    size = code.getModuleCount()
    return [[bool(code.isDark(row, column)) for column in range(size)] for row in range(size)]


def _module(form: LabelFormat, room: int, modules: int, what: str, serial: str) -> int:
    """Dots of one module.

    :param room: dots for all of them, quiet zones included.
    :raises LabelTooSmall: there is no room for modules that a scanner reads.
    """
    module = min(room // modules, form.dots(LARGEST_MODULE_MM))
    if module < form.smallest_module:
        needed_mm, there_mm = form.millimetres(modules * form.smallest_module), form.millimetres(room)
        raise LabelTooSmall(
            f"The {what} of {ascii(serial)[:60]} needs {needed_mm:.0f} mm and has {there_mm:.0f} mm: choose a larger "
            "label, or other codes."
        )
    return module


def _draw_bars(canvas: Canvas, serial: str, form: LabelFormat, width: int, bottom: int, tall: int) -> None:
    bars = bars_of(serial)
    whole = bars.modules + 2 * QUIET_CODE_128
    module = _module(form, width, whole, "Code 128", serial)
    place = (width - bars.modules * module) // 2
    for number, modules in enumerate(bars.widths):
        if number % 2 == 0:
            _dark(canvas, form, place, bottom, modules * module, tall)
        place += modules * module


def _draw_qr(canvas: Canvas, serial: str, form: LabelFormat, height: int, side: int) -> int:
    """Draw the code in the upper left corner; where its quiet zone ends on the right, in dots."""
    rows = qr_of(serial)
    whole = len(rows) + 2 * QUIET_QR
    module = _module(form, side, whole, "QR code", serial)
    for number, row in enumerate(rows):
        place = QUIET_QR
        for dark, run in groupby(row):
            length = len(list(run))
            if dark:
                low = height - (QUIET_QR + number + 1) * module
                _dark(canvas, form, place * module, low, length * module, module)
            place += length
    return whole * module


def _dark(canvas: Canvas, form: LabelFormat, left: int, bottom: int, width: int, height: int) -> None:
    """Fill whole dots; drawn a hair smaller, so that no rounding on the way to the printer adds a dot."""
    dot = form.dot
    canvas.rect(
        (left + HAIR) * dot,
        (bottom + HAIR) * dot,
        (width - 2 * HAIR) * dot,
        (height - 2 * HAIR) * dot,
        stroke=0,
        fill=1,
    )


def _draw_text(canvas: Canvas, kept: KeptVisit, form: LabelFormat, room: tuple[float, float, float, float]) -> None:
    """Serial, product, date and verdict, as large as they fit."""
    left, bottom, width, height = room
    settings = (_lines(kept, scale, width, names) for names in PRODUCT_LINES for scale in SCALES)
    lines = next((each for each in settings if sum(LEADING * size for _, _, size in each) <= height), None)
    if lines is None:
        raise LabelTooSmall(
            f"The text of the label does not fit on {form.width_mm:g} x {form.height_mm:g} mm: choose a larger label."
        )
    top = bottom + height
    for text, font, size in lines:
        top -= LEADING * size
        canvas.setFont(font, size)
        canvas.drawString(left, top + 0.25 * size, text)


def _lines(kept: KeptVisit, scale: float, width: float, names: int) -> list[tuple[str, str, float]]:
    """Lines with font and size; the serial is never shortened.

    :param names: how many lines the product's name may have.
    """
    serial_size, size = SERIAL_SIZE * scale, TEXT_SIZE * scale
    lines = [(each, BOLD, serial_size) for each in lines_of(kept.record.serial, BOLD, serial_size, width)]
    product = lines_of(kept.record.product, PLAIN, size, width)
    if len(product) > names > 0:
        rest = " ".join(product[names - 1 :])
        product = [*product[: names - 1], _one_line(rest, PLAIN, size, width)]
    lines += [(each, PLAIN, size) for each in product[:names]]
    when = f"{kept.at:%Y-%m-%d}"
    verdict = kept.decision.upper()
    together = f"{when}  {verdict}"
    shown = [together] if stringWidth(together, BOLD, size) <= width else [when, verdict]
    lines += [(_one_line(each, BOLD, size, width), BOLD, size) for each in shown]
    if kept.record.visit.demonstration:
        fits = stringWidth(INVENTED, PLAIN, size) <= width
        lines.append((INVENTED if fits else INVENTED.partition(":")[0], PLAIN, size))
    return lines


def _one_line(text: str, font: str, size: float, width: float) -> str:
    """Text on one line; what does not fit is shown by dots."""
    line = lines_of(text, font, size, 1e6)[0]
    while stringWidth(line, font, size) > width and len(line) > 1:
        line = f"{line.rstrip('.')[:-1].rstrip()}..." if len(line) > 4 else line[:-1]
    return line
