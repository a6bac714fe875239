"""Text as a font can set it: what it has no glyph for is shown by its number, right-to-left text in its order."""

from __future__ import annotations

import unicodedata
from functools import lru_cache
from html import escape
from pathlib import Path
from typing import TYPE_CHECKING

import matplotlib as mpl
from bidi import get_display
from reportlab.lib.utils import simpleSplit
from reportlab.pdfbase import pdfmetrics
from reportlab.pdfbase.ttfonts import TTFont

from rig.marks import marked

if TYPE_CHECKING:
    from collections.abc import Mapping

PLAIN, BOLD = "DejaVuSans", "DejaVuSans-Bold"
"""Free fonts that come with matplotlib, with Latin, Greek, Cyrillic, Hebrew and Arabic letters; they are embedded."""
WITHOUT_SIGN = frozenset("\ufe0e\ufe0f")
"""Variation selectors: they choose between two looks of the sign before them, and have none of their own."""
RIGHT_TO_LEFT = frozenset({"R", "AL"})
NOT_PRINTED = frozenset({"Cc", "Cf", "Cs", "Co", "Cn", "Zl", "Zp"})


@lru_cache(maxsize=2)
def _font(name: str) -> TTFont:
    return TTFont(name, str(Path(mpl.get_data_path()) / "fonts" / "ttf" / f"{name}.ttf"))


@lru_cache(maxsize=1)
def register_fonts() -> None:
    """Make the fonts known to reportlab; once is enough."""
    for name in (PLAIN, BOLD):
        pdfmetrics.registerFont(_font(name))


def settable(text: str, font: str = PLAIN) -> str:
    """Text in which every sign has a glyph: others, control characters among them, stand as [U+1F642]."""
    glyphs: Mapping[int, int] = _font(font).face.charToGlyph
    return "".join(
        each
        if each == "\n" or (ord(each) in glyphs and unicodedata.category(each) not in NOT_PRINTED)
        else " "
        if each in "\t\r"
        else marked(each)
        for each in text.replace("\r\n", "\n")
        if each not in WITHOUT_SIGN
    )


def runs_right_to_left(text: str) -> bool:
    """Whether anything in it is read from right to left."""
    return any(unicodedata.bidirectional(each) in RIGHT_TO_LEFT for each in text)


def lines_of(text: str, font: str, size: float, width: float) -> list[str]:
    """Text broken into lines, each in the order in which its signs are set from left to right."""
    register_fonts()
    lines: list[str] = []
    for paragraph in settable(text, font).split("\n"):
        broken = [
            piece
            for line in simpleSplit(paragraph, font, size, width) or [""]
            for piece in _pieces(line, font, size, width)
        ]
        lines += [in_order(line, first=paragraph) for line in broken]
    return lines


def _pieces(line: str, font: str, size: float, width: float) -> list[str]:
    """A line in pieces that fit: a word that is longer than a line is broken where it must be."""
    pieces = [""]
    for each in line:
        if pieces[-1] and pdfmetrics.stringWidth(pieces[-1] + each, font, size) > width:
            pieces.append("")
        pieces[-1] += each
    return pieces


def in_order(line: str, first: str = "") -> str:
    """Signs of a line from left to right (Unicode Standard Annex 9).

    :param first: the paragraph that the line is of: its first letter decides which way the whole runs.
    """
    if not runs_right_to_left(line):
        return line
    way = next((unicodedata.bidirectional(each) for each in first or line if each.isalpha()), "L")
    return str(get_display(line, base_dir="R" if way in RIGHT_TO_LEFT else "L"))


def markup(text: str, font: str, size: float, width: float) -> str:
    """Text for a paragraph of reportlab, nothing in it taken for markup.

    :param width: of the paragraph, in points; lines with right-to-left text are broken here, as the order within a
        line follows from where it is broken.
    """
    if runs_right_to_left(text):
        return "<br/>".join(escape(each, quote=False) for each in lines_of(text, font, size, width))
    return escape(settable(text, font), quote=False).replace("\n", "<br/>")
