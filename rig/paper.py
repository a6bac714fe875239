"""What printers a bench has and what comes out of them: the ``[printer]`` table of a bench file."""

from __future__ import annotations

from enum import StrEnum
from math import floor
from typing import Annotated, Literal, Self

from pydantic import Field, field_validator, model_validator

from drivers.printer import printer_at
from rig.tomlfile import Checked

MM_PER_INCH = 25.4
POINTS_PER_INCH = 72.0
SMALLEST_MODULE_MM = 0.19
"""Common practice: 7.5 thousandths of an inch, under which hand-held scanners begin to fail."""


class Printed(StrEnum):
    """What can be printed of a visit."""

    SLIP = "slip"
    LABEL = "label"


class Codes(StrEnum):
    """Which codes a label bears."""

    BOTH = "both"
    QR = "qr"
    CODE_128 = "code 128"


class LabelFormat(Checked):
    """Size of a label, resolution of its printer, and what codes it bears."""

    width_mm: Annotated[float, Field(ge=15.0, le=300.0)] = 50.0
    height_mm: Annotated[float, Field(ge=8.0, le=300.0)] = 25.0
    dots_per_inch: Annotated[int, Field(ge=100, le=1200)] = 300
    codes: Codes = Codes.BOTH

    def dots(self, length_mm: float) -> int:
        """Whole dots in a length."""
        return floor(length_mm / MM_PER_INCH * self.dots_per_inch + 1e-6)

    def millimetres(self, dots: int) -> float:
        """Length of so many dots."""
        return dots * MM_PER_INCH / self.dots_per_inch

    @property
    def smallest_module(self) -> int:
        """Dots of the narrowest bar that scanners read."""
        return max(1, -floor(-SMALLEST_MODULE_MM / MM_PER_INCH * self.dots_per_inch))

    @property
    def dot(self) -> float:
        """A dot in points."""
        return POINTS_PER_INCH / self.dots_per_inch


class PrinterTable(Checked):
    """Where slips and labels of a bench are printed, how wide the paper is, and what is printed after each verdict.

    ``slip`` and ``label`` are addresses: tcp://HOST[:PORT], serial:PORT[@BAUD], lp:QUEUE, or lp: for the default queue.
    """

    slip: str = ""
    label: str = ""
    after_verdict: tuple[Printed, ...] = ()
    columns: Literal[32, 40, 42, 48] = 40
    feed_lines: Annotated[int, Field(ge=0, le=20)] = 4
    label_as: Literal["pdf", "png"] = "pdf"
    label_format: LabelFormat = LabelFormat()

    @field_validator("slip", "label")
    @classmethod
    def _is_an_address(cls, address: str) -> str:
        if address:
            printer_at(address)
        return address

    @model_validator(mode="after")
    def _has_what_it_needs(self) -> Self:
        for each in self.after_verdict:
            if not self.address(each):
                raise ValueError(f"after_verdict names the {each.value}, and no printer is given for it")
        return self

    def address(self, what: Printed) -> str:
        """Where it is printed; empty where no printer is given."""
        return self.slip if what is Printed.SLIP else self.label
