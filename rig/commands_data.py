"""Commands that take data out for other tools, and take lists of serials in."""

from __future__ import annotations

import sys
from enum import StrEnum
from pathlib import Path
from typing import TypeVar

import click

from rig.command_options import PATH
from rig.counted import counted

ChoiceT = TypeVar("ChoiceT", bound=StrEnum)
TERMINAL = "-"


@click.command()
@click.option(
    "--what",
    default="visits",
    show_default=True,
    help="visits, findings, points, moves, causes, returns or repairs.",
)
@click.option("--format", "form", default="csv", show_default=True, help="csv, jsonl or parquet.")
@click.option("--to", default="", help="File to write; - writes to the terminal.")
@click.option("--batch", help="Only this batch.")
@click.option(
    "--since", default="", help="Only visits begun, and returns and repairs entered, since a day or a moment (UTC)."
)
@click.option("--product", help="Only this product, by its name.")
@click.option("--mark", is_flag=True, help="Begin a CSV file with a byte order mark, for spreadsheets that need it.")
@click.option("--views", is_flag=True, help="Tell the SQL views and their columns, and stop.")
def export(
    what: str,
    form: str,
    to: str,
    batch: str | None,
    since: str,
    product: str | None,
    mark: bool,
    views: bool,
) -> None:
    """Write visits and what belongs to them, returns or repairs for other tools; or tell which SQL views there are."""
    from db.exports import Choice
    from rig.errors import WrongInput
    from rig.exports import Form, What, moment_of
    from rig.exports import export as written
    from rig.opening import open_record
    from rig.reports.views import views_lines
    from rig.whole_file import whole_file

    if views:
        click.echo("\n".join(views_lines()))
        return
    chosen, shape = _one_of(What, what, "--what"), _one_of(Form, form, "--format")
    choice = Choice(batch, moment_of(since) if since else None, product)
    if not to:
        raise WrongInput(
            f"Where the {chosen.value} shall go is not said: name a file with --to, or - for the terminal."
        )
    if to == TERMINAL and shape is Form.PARQUET:
        raise WrongInput("Parquet is nothing for a terminal: name a file with --to.")
    with open_record() as database:
        if to == TERMINAL:
            written(database, chosen, shape, choice, sys.stdout.buffer, mark=mark)
            return
        with whole_file(Path(to)) as file:
            count = written(database, chosen, shape, choice, file, mark=mark)
    click.echo(f"{counted(count, chosen.value.removesuffix('s'))}: {to}")


@click.command()
@click.argument("file", type=PATH, help="List of serials (CSV), with a header or one serial a line.")
@click.option("--product", type=PATH, help="Product file (TOML). Default: the demonstration product.")
@click.option("--batch", help="Batch of all of them. Default: the list's own, else the serials'.")
@click.option("--check", "try_only", is_flag=True, help="Look through the list and register nothing.")
def import_serials(file: Path, product: Path | None, batch: str | None, try_only: bool) -> None:
    """Register the units of a list before they come to the bench: all of them, or, if anything is wrong, none."""
    from rig.opening import load_files, open_record
    from rig.serial_lists import read_list, register

    product_file = load_files(None, product)[1]
    listed = read_list(file, product_file.contents, batch)
    with open_record() as database:
        outcome = register(database, product_file, file, listed, keep=not try_only)
    click.echo(outcome.sentence(file))


def _one_of(kind: type[ChoiceT], text: str, option: str) -> ChoiceT:
    from rig.errors import WrongInput

    for each in kind:
        if each.value == text.strip().lower():
            return each
    raise WrongInput(
        f"{option} {ascii(text)[:40]} is not known: choose one of {', '.join(each.value for each in kind)}."
    )
