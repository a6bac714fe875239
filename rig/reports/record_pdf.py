"""The test record of a visit as PDF: the same bytes whenever it is printed from the same record."""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum
from io import BytesIO
from typing import TYPE_CHECKING, Any

from reportlab.lib import colors
from reportlab.lib.enums import TA_CENTER, TA_RIGHT
from reportlab.lib.pagesizes import A4, LETTER
from reportlab.lib.styles import ParagraphStyle
from reportlab.lib.units import inch, mm
from reportlab.platypus import (
    Flowable,
    Image,
    KeepTogether,
    Paragraph,
    SimpleDocTemplate,
    Spacer,
    Table,
    TableStyle,
)

from rig.reports.letters import BOLD, PLAIN, in_order, markup, register_fonts, runs_right_to_left, settable
from rig.reports.plot import PLOT_HEIGHT, tracking_png
from rig.reports.record_contents import (
    BUDGET_HEAD,
    INSTRUMENT_HEAD,
    INVENTED,
    NO_BUDGET,
    NO_PLOT,
    SIGN_HERE,
    record_contents,
    shortened,
)

if TYPE_CHECKING:
    from collections.abc import Sequence
    from datetime import datetime

    from reportlab.pdfgen.canvas import Canvas

    from rig.kept_visit import KeptVisit
    from rig.reports.record_contents import BudgetTable, RecordContents

MARGIN = 18 * mm
LONGEST_IN_HEAD = 64
FRAME_PADDING = 6.0
"""What a page template of reportlab leaves free within its margins, in points."""
GREY, LINE, PASSED, FAILED = (colors.HexColor(each) for each in ("#555555", "#bbbbbb", "#1d6b3a", "#a12a1c"))


class Paper(StrEnum):
    """Size of the page."""

    A4 = "a4"
    LETTER = "letter"


_SIZES = {Paper.A4: A4, Paper.LETTER: LETTER}


def _style(name: str, size: float, font: str = PLAIN, **more: Any) -> ParagraphStyle:
    return ParagraphStyle(name, fontName=font, fontSize=size, leading=1.3 * size, **more)


BODY = _style("body", 8.5)
SMALL = _style("small", 7)
CELL = _style("cell", 7)
CELL_RIGHT = _style("cell right", 7, alignment=TA_RIGHT)
HEAD = _style("head", 7, BOLD)
HEAD_RIGHT = _style("head right", 7, BOLD, alignment=TA_RIGHT)
HEAD_CENTRE = _style("head centre", 7, BOLD, alignment=TA_CENTER)
SECTION = _style("section", 10.5, BOLD, spaceBefore=9, spaceAfter=3, keepWithNext=1)
TITLE = _style("title", 17, BOLD, spaceAfter=4)


def record_pdf(kept: KeptVisit, paper: Paper = Paper.A4) -> bytes:
    """The record as PDF; its date and its title are those of the visit."""
    register_fonts()
    contents, width = record_contents(kept), _SIZES[paper][0] - 2 * MARGIN
    plots = _plots(kept, width)
    pages = _set(kept, contents, plots, paper, pages=0)[1]
    return _set(kept, contents, plots, paper, pages=pages)[0]


def _plots(kept: KeptVisit, width: float) -> list[tuple[str, bytes]]:
    """Oscillators with their plots."""
    product = kept.product
    if product is None:
        return []
    return [(each.oscillator, tracking_png(each, product, width / inch)) for each in kept.trackings()]


def _set(
    kept: KeptVisit, contents: RecordContents, plots: Sequence[tuple[str, bytes]], paper: Paper, *, pages: int
) -> tuple[bytes, int]:
    """Set the record once; the document and how many pages it has.

    :param pages: how many there are, by an earlier setting: each page says so.
    """
    size, made = _SIZES[paper], BytesIO()
    document = SimpleDocTemplate(
        made,
        pagesize=size,
        leftMargin=MARGIN - FRAME_PADDING,
        rightMargin=MARGIN - FRAME_PADDING,
        topMargin=MARGIN,
        bottomMargin=MARGIN,
        title=f"Test record {contents.serial}",
        author=kept.record.visit.operator,
        subject=f"Visit {contents.visit_id}: {contents.verdict}",
        creator=f"Trimrig {kept.record.visit.software_version}",
        invariant=1,
    )

    head = in_order(settable(shortened(" ".join(contents.serial.split()), LONGEST_IN_HEAD)))

    def mark(canvas: Canvas, _document: object) -> None:
        """Head and foot of a page."""
        canvas.setDateFormatter(DateOf(contents.at))
        width, height = size
        canvas.setFont(PLAIN, 7)
        canvas.setFillColor(GREY)
        canvas.drawString(MARGIN, height - 11 * mm, f"{contents.title} {head}")
        canvas.drawString(MARGIN, 9 * mm, f"visit {contents.visit_id}")
        canvas.drawRightString(width - MARGIN, 9 * mm, f"page {canvas.getPageNumber()} of {pages}")
        if contents.demonstration:
            canvas.setFillColor(FAILED)
            canvas.setFont(BOLD, 9)
            canvas.drawRightString(width - MARGIN, height - 11 * mm, INVENTED)

    document.build(_story(kept, contents, plots, size[0] - 2 * MARGIN), onFirstPage=mark, onLaterPages=mark)
    return made.getvalue(), document.page


@dataclass(frozen=True, slots=True)
class DateOf:
    """Writes one date as PDF has it (ISO 32000-1, 7.9.4), whatever date it is handed."""

    at: datetime

    def __call__(self, *_handed: int) -> str:
        """The date; what is handed is left aside."""
        return f"D:{self.at:%Y%m%d%H%M%S}+00'00'"


def _story(
    kept: KeptVisit, contents: RecordContents, plots: Sequence[tuple[str, bytes]], width: float
) -> list[Flowable]:
    story: list[Flowable] = [Paragraph(contents.title, TITLE), _identity(contents, width), Spacer(1, 6)]
    story += _verdict(contents, width)
    story += _findings(contents, width)
    for oscillator, plot in plots:
        of = f" of {oscillator}" if oscillator else ""
        picture = Image(BytesIO(plot), width, PLOT_HEIGHT * width)
        story.append(KeepTogether([_text(f"Tracking{of}", SECTION, width), picture]))
    if kept.product is None or kept.bench is None:
        story.append(_text(NO_PLOT, BODY, width))
    story += _budgets(contents, width)
    story += [_text("Instruments", SECTION, width), _instruments(contents, width)]
    story.append(_text("Decision rule", SECTION, width))
    for rule, meaning in contents.rules:
        story.append(_text(f"{rule}. {meaning}", BODY, width))
    story += [_text(each, BODY, width) for each in contents.meanings]
    if contents.cautions:
        story.append(_text("Cautions", SECTION, width))
        story += [_text(f"•  {each}", BODY, width) for each in contents.cautions]
    if contents.seal:
        story += [_text("Seal", SECTION, width), _text(contents.seal, BODY, width)]
    story.append(_signature(width))
    return story


def _text(text: str, style: ParagraphStyle, width: float) -> Paragraph:
    """A paragraph of plain text; nothing in it is markup."""
    made = style
    if style.alignment != TA_RIGHT and runs_right_to_left(text[:1]):
        made = ParagraphStyle(f"{style.name} from the right", parent=style, alignment=TA_RIGHT)
    # a hair less than the width: what fits one measure may not fit the other by rounding
    return Paragraph(markup(text, style.fontName, style.fontSize, width - 1.0), made)


def _table(rows: Sequence[Sequence[str]], widths: Sequence[float], right: Sequence[int] = (), head: int = 1) -> Table:
    """A table with a head that is repeated on each page; cells are plain text.

    :param right: columns of numbers.
    """
    cells = [
        [
            _text(
                text,
                _cell_style(place in right, line - head),
                widths[place] - 4.0,
            )
            for place, text in enumerate(row)
        ]
        for line, row in enumerate(rows)
    ]
    table = Table(cells, colWidths=list(widths), repeatRows=head)
    table.setStyle(
        TableStyle(
            [
                ("VALIGN", (0, 0), (-1, -1), "TOP"),
                ("LEFTPADDING", (0, 0), (-1, -1), 2),
                ("RIGHTPADDING", (0, 0), (-1, -1), 2),
                ("TOPPADDING", (0, 0), (-1, -1), 1.5),
                ("BOTTOMPADDING", (0, 0), (-1, -1), 1.5),
                ("LINEBELOW", (0, head - 1), (-1, head - 1), 0.8, GREY),
                ("LINEBELOW", (0, head), (-1, -1), 0.25, LINE),
            ]
        )
    )
    return table


def _cell_style(number: bool, below_head: int) -> ParagraphStyle:
    """Style of a cell: ``below_head`` is -1 in the last line of the head and -2 in one that spans columns."""
    if below_head == -2:
        return HEAD_CENTRE
    if below_head < 0:
        return HEAD_RIGHT if number else HEAD
    return CELL_RIGHT if number else CELL


def _identity(contents: RecordContents, width: float) -> Table:
    """Two columns of names and values."""
    half = (len(contents.identity) + 1) // 2
    rows = []
    for place in range(half):
        left = contents.identity[place]
        right = contents.identity[place + half] if place + half < len(contents.identity) else ("", "")
        rows.append((*left, *right))
    widths = (0.09 * width, 0.41 * width, 0.09 * width, 0.41 * width)
    cells = [
        [_text(text, HEAD if place % 2 == 0 else CELL, widths[place] - 4.0) for place, text in enumerate(row)]
        for row in rows
    ]
    table = Table(cells, colWidths=list(widths))
    table.setStyle(
        TableStyle(
            [
                ("VALIGN", (0, 0), (-1, -1), "TOP"),
                ("LEFTPADDING", (0, 0), (-1, -1), 2),
                ("RIGHTPADDING", (0, 0), (-1, -1), 2),
                ("TOPPADDING", (0, 0), (-1, -1), 1),
                ("BOTTOMPADDING", (0, 0), (-1, -1), 1),
            ]
        )
    )
    return table


def _verdict(contents: RecordContents, width: float) -> list[Flowable]:
    colour = PASSED if contents.passed else FAILED
    style = ParagraphStyle("verdict", parent=TITLE, fontSize=14, leading=18, textColor=colour, spaceAfter=2)
    story: list[Flowable] = [
        _text(f"Verdict: {contents.verdict}", style, width),
        _text(contents.reason, BODY, width),
        *(_text(f"Likely cause: {each}", BODY, width) for each in contents.causes),
    ]
    if contents.earlier:
        story.append(_text("This verdict took the place of an earlier one:", BODY, width))
        story += [_text(each, BODY, width) for each in contents.earlier]
    story.append(_text(f"Moves: {contents.turned}." if contents.turned else "Nothing was turned.", BODY, width))
    if contents.came_back:
        story.append(_text("Return and repair", SECTION, width))
        story += [_text(each, BODY, width) for each in contents.came_back]
    return story


def _findings(contents: RecordContents, width: float) -> list[Flowable]:
    if not contents.findings:
        return [_text("Findings", SECTION, width), _text("No finding was made.", BODY, width)]
    if contents.adjusted:
        shares = (0.235, 0.1, 0.12, 0.09, 0.075, 0.105, 0.09, 0.075, 0.11)
        rows: list[tuple[str, ...]] = [
            ("", "", "", "as found", "", "", "as left", "", ""),
            ("characteristic", "unit", "limits", "value", "U", "decision", "value", "U", "decision"),
            *((each.name, each.unit, each.limits, *each.found, *each.left) for each in contents.findings),
        ]
        table = _table(rows, [share * width for share in shares], right=(3, 4, 6, 7), head=2)
        table.setStyle(TableStyle([("SPAN", (3, 0), (5, 0)), ("SPAN", (6, 0), (8, 0))]))
    else:
        few = (0.34, 0.12, 0.18, 0.11, 0.09, 0.16)
        rows = [
            ("characteristic", "unit", "limits", "value", "U", "decision"),
            *((each.name, each.unit, each.limits, *each.left) for each in contents.findings),
        ]
        table = _table(rows, [share * width for share in few], right=(3, 4))
    heading = "Findings" if contents.adjusted else "Findings, as found; nothing was turned"
    notes = [_text(f"[{number}]  {each}", SMALL, width) for number, each in enumerate(contents.notes, 1)]
    return [_text(heading, SECTION, width), table, Spacer(1, 3), *notes]


def _budgets(contents: RecordContents, width: float) -> list[Flowable]:
    heading = _text("Uncertainty budget", SECTION, width)
    if not contents.budgets:
        return [heading, _text(f"{NO_BUDGET[0].upper()}{NO_BUDGET[1:]}.", BODY, width)]
    story: list[Flowable] = [heading]
    for each in contents.budgets:
        story += [*_budget(each, width), Spacer(1, 5)]
    return story


def _budget(budget: BudgetTable, width: float) -> list[Flowable]:
    shares = (0.34, 0.13, 0.11, 0.12, 0.08, 0.12, 0.10)
    table = _table([BUDGET_HEAD, *budget.rows], [share * width for share in shares], right=(2, 3, 4, 5, 6))
    title = ParagraphStyle("budget", parent=HEAD, fontSize=8, keepWithNext=1)
    lines = [_text(budget.result, SMALL, width), *([_text(budget.note, SMALL, width)] if budget.note else [])]
    return [_text(budget.title, title, width), table, *lines]


def _instruments(contents: RecordContents, width: float) -> Flowable:
    if not contents.instruments:
        return _text("None was recorded.", BODY, width)
    shares = (0.12, 0.56, 0.16, 0.16)
    return _table([INSTRUMENT_HEAD, *contents.instruments], [share * width for share in shares])


def _signature(width: float) -> Flowable:
    gap = 0.05 * width
    line = (width - 2.0 * gap) / 3.0
    table = Table(
        [[""] * 5, [SIGN_HERE[0], "", SIGN_HERE[1], "", SIGN_HERE[2]]],
        colWidths=[line, gap, line, gap, line],
        rowHeights=[34, 12],
    )
    lines = [("LINEABOVE", (place, 1), (place, 1), 0.6, colors.black) for place in (0, 2, 4)]
    table.setStyle(
        TableStyle(
            [
                ("FONT", (0, 0), (-1, -1), PLAIN, 7),
                ("TEXTCOLOR", (0, 0), (-1, -1), GREY),
                ("LEFTPADDING", (0, 0), (-1, -1), 2),
                *lines,
            ]
        )
    )
    return KeepTogether([table])
