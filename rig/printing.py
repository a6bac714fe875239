"""Slips and labels sent to a printer. A printer that fails takes nothing away: the verdict stands in the database."""

from __future__ import annotations

from typing import TYPE_CHECKING

from drivers.errors import PrinterFault
from drivers.printer import printer_at
from rig.errors import WrongInput
from rig.paper import Printed
from rig.reports.label import label_pdf, label_png
from rig.reports.slip import slip

if TYPE_CHECKING:
    from collections.abc import Iterator

    from drivers.printer import Printer
    from rig.kept_visit import KeptVisit
    from rig.paper import PrinterTable

LINE_END = "\r\n"
"""Common practice: receipt printers take it whether they need the carriage return or not."""


def printed_bytes(kept: KeptVisit, what: Printed, table: PrinterTable) -> bytes:
    """What a printer gets: a slip as ASCII text with its lines and some empty ones to tear it off, a label as a file.

    :raises WrongInput: the serial does not fit on the label.
    """
    if what is Printed.LABEL:
        made = label_png if table.label_as == "png" else label_pdf
        return made(kept, table.label_format)
    text = slip(kept, table.columns) + "\n" * table.feed_lines
    return text.replace("\n", LINE_END).encode("ascii")


def print_visit(kept: KeptVisit, what: Printed, table: PrinterTable) -> str:
    """Print a slip or a label; one sentence on what became of it.

    :raises WrongInput: no printer is given for it, or the serial does not fit on the label.
    :raises PrinterFault: the printer did not take it; the sentence says how it is printed later.
    """
    return send(_printer(what, table), printed_bytes(kept, what, table), kept, what)


def send(printer: Printer, data: bytes, kept: KeptVisit, what: Printed) -> str:
    """Send what is to be printed.

    :raises PrinterFault: the printer did not take it; the sentence says how it is printed later.
    """
    serial = kept.record.serial
    title = f"the {what.value} of {''.join(each if ' ' <= each <= '~' else '?' for each in serial)}"
    try:
        return printer.print_bytes(data, title)
    except PrinterFault as fault:
        raise PrinterFault(f"{fault}. The verdict stands; 'rig print {what.value} {serial}' prints it again.") from None


def after_verdict(kept: KeptVisit, table: PrinterTable) -> Iterator[str]:
    """Print what the bench file wants printed after each verdict; one sentence each, also where it failed."""
    for what in table.after_verdict:
        try:
            yield print_visit(kept, what, table)
        except (PrinterFault, WrongInput) as fault:
            yield str(fault)


def table_for_work(table: PrinterTable, *, wanted: bool | None) -> PrinterTable:
    """The table by which a shift prints.

    :param wanted: None for what the table itself says; False for nothing; True for everything that has a printer.
    :raises WrongInput: printing is wanted and no printer is given.
    """
    if wanted is None or (wanted and table.after_verdict):
        return table
    printed = tuple(each for each in Printed if table.address(each)) if wanted else ()
    if wanted and not printed:
        raise WrongInput("No printer is given: name one in [printer] of the bench file, or leave --print out.")
    return table.model_copy(update={"after_verdict": printed})


def _printer(what: Printed, table: PrinterTable) -> Printer:
    address = table.address(what)
    if not address:
        raise WrongInput(
            f"No printer is given for the {what.value}: name one with --to, or in the bench file's [printer]."
        )
    try:
        return printer_at(address)
    except ValueError as error:
        raise WrongInput(f"{error}.") from None
