"""Commands that put a visit on paper: its test record, its slip, its label."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

import click

from rig.command_options import NUMBER, PATH, CommandGroup, serial_argument

if TYPE_CHECKING:
    from rig.kept_visit import KeptVisit
    from rig.paper import LabelFormat, PrinterTable

visit_option = click.option(
    "--visit", default="", help="Which visit, as slips print it. Default: the latest with a verdict."
)
bench_option = click.option("--bench", type=PATH, help="Bench file whose [printer] table says where and how to print.")
to_option = click.option(
    "--to",
    default="",
    help="Printer: tcp://HOST[:PORT], serial:PORT[@BAUD], lp:QUEUE or lp: for the default.",
)

print_app = CommandGroup("print", help="Print the slip or the label of a visit, also once more.")


@click.command()
@serial_argument
@visit_option
@click.option("--pdf", type=PATH, help="File for the record as PDF.")
@click.option("--html", type=PATH, help="File for the record as one page of HTML.")
@click.option("--paper", default="a4", show_default=True, help="Size of the PDF's pages: a4 or letter.")
def record(serial: str, visit: str, pdf: Path | None, html: Path | None, paper: str) -> None:
    """Write the test record of a visit, from the database alone; without a file named, as PDF into your data folder."""
    from rig.errors import WrongInput
    from rig.reports.keep import place_for_record
    from rig.reports.record_html import record_html
    from rig.reports.record_pdf import Paper, record_pdf
    from rig.whole_file import write_whole

    sizes = {each.value: each for each in Paper}
    if paper.lower() not in sizes:
        raise WrongInput(f"{paper!a} is no size of paper known here: choose one of {', '.join(sizes)}.")
    kept = _kept(serial, visit)
    if pdf is None and html is None:
        pdf = place_for_record(kept)
    if pdf is not None:
        write_whole(pdf, record_pdf(kept, sizes[paper.lower()]))
        click.echo(f"Record: {pdf}")
    if html is not None:
        write_whole(html, record_html(kept).encode("utf-8"))
        click.echo(f"Record: {html}")


@print_app.command()
@serial_argument
@visit_option
@to_option
@click.option("--columns", type=int, help="Characters a line: 32, 40, 42 or 48.")
@click.option("--out", type=PATH, help="File to write in place of printing.")
@bench_option
def slip(serial: str, visit: str, to: str, columns: int | None, out: Path | None, bench: Path | None) -> None:
    """Print the slip of a visit; without a printer or a file, on the terminal."""
    from rig.paper import Printed
    from rig.printing import print_visit
    from rig.reports.slip import slip as slip_text
    from rig.whole_file import write_whole

    table = _table(bench, {"slip": to} if to else {}, {"columns": columns} if columns is not None else {})
    kept = _kept(serial, visit)
    if out is not None:
        write_whole(out, slip_text(kept, table.columns).encode("ascii"))
        click.echo(f"Slip: {out}")
    elif table.slip:
        click.echo(print_visit(kept, Printed.SLIP, table))
    else:
        click.echo(slip_text(kept, table.columns), nl=False)


@print_app.command()
@serial_argument
@visit_option
@to_option
@click.option("--out", type=PATH, help="File to write in place of printing: its name ends in .pdf or .png.")
@click.option("--width", type=NUMBER, help="Width in mm.")
@click.option("--height", type=NUMBER, help="Height in mm.")
@click.option("--dots", type=int, help="Dots per inch of the printer.")
@click.option("--codes", help="both, qr or code 128.")
@click.option("--as", "send_as", help="What the printer is sent: pdf or png.")
@bench_option
def label(
    serial: str,
    visit: str,
    to: str,
    out: Path | None,
    width: float | None,
    height: float | None,
    dots: int | None,
    codes: str | None,
    send_as: str | None,
    bench: Path | None,
) -> None:
    """Print the label of a visit: serial in QR and Code 128, product, date, verdict."""
    from rig.errors import WrongInput
    from rig.paper import Printed
    from rig.printing import print_visit, printed_bytes
    from rig.whole_file import write_whole

    if out is not None and out.suffix.lower() not in (".pdf", ".png"):
        raise WrongInput(f"The name of {out} does not say what it shall be: end it in .pdf or .png.")
    wanted = {"width_mm": width, "height_mm": height, "dots_per_inch": dots, "codes": codes}
    form = {name: value for name, value in wanted.items() if value is not None}
    more: dict[str, object] = {"label_format": form} if form else {}
    if out is not None:
        more["label_as"] = out.suffix.lower().removeprefix(".")
    elif send_as is not None:
        more["label_as"] = send_as
    table = _table(bench, {"label": to} if to else {}, more)
    kept = _kept(serial, visit)
    if out is not None:
        write_whole(out, printed_bytes(kept, Printed.LABEL, table))
        click.echo(f"Label: {out}")
    else:
        click.echo(print_visit(kept, Printed.LABEL, table))


def _kept(serial: str, visit: str) -> KeptVisit:
    from functools import partial

    from rig.handing_in import recorded_visit
    from rig.kept_visit import visit_id_of
    from rig.scanned import clean_scan

    return recorded_visit(clean_scan(serial), visit_id_of(visit), partial(click.echo, err=True))


def _table(bench: Path | None, address: dict[str, str], more: dict[str, object]) -> PrinterTable:
    """The printer's table of the bench file, with what was typed in its place."""
    from rig.bench import load_bench
    from rig.paper import PrinterTable
    from rig.tomlfile import check

    written = load_bench(bench).contents.printer if bench is not None else PrinterTable()
    raw: dict[str, object] = {**written.model_dump(mode="json"), "after_verdict": (), **address, **more}
    if "label_format" in more:
        form: LabelFormat = written.label_format
        typed = more["label_format"]
        raw["label_format"] = {**form.model_dump(mode="json"), **(typed if isinstance(typed, dict) else {})}
    return check(raw, PrinterTable, "choice of printer and paper")
