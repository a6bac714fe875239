"""Commands that take data out for other tools, and take lists of serials in."""

from __future__ import annotations

import sys
from enum import StrEnum
from pathlib import Path
from typing import Annotated, TypeVar

import typer

from rig.counted import counted

ChoiceT = TypeVar("ChoiceT", bound=StrEnum)
TERMINAL = "-"


def add_data_commands(app: typer.Typer) -> None:
    """Add the commands of this module."""
    app.command()(export)
    app.command("import-serials")(import_serials)


def export(
    what: Annotated[
        str, typer.Option("--what", help="visits, findings, points, moves, causes, returns or repairs.")
    ] = "visits",
    form: Annotated[str, typer.Option("--format", help="csv, jsonl or parquet.")] = "csv",
    to: Annotated[str, typer.Option("--to", help="File to write; - writes to the terminal.")] = "",
    batch: Annotated[str | None, typer.Option("--batch", help="Only this batch.")] = None,
    since: Annotated[
        str,
        typer.Option(
            "--since", help="Only visits begun, and returns and repairs entered, since a day or a moment (UTC)."
        ),
    ] = "",
    product: Annotated[str | None, typer.Option("--product", help="Only this product, by its name.")] = None,
    mark: Annotated[
        bool, typer.Option("--mark", help="Begin a CSV file with a byte order mark, for spreadsheets that need it.")
    ] = False,
    views: Annotated[bool, typer.Option("--views", help="Tell the SQL views and their columns, and stop.")] = False,
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
        typer.echo("\n".join(views_lines()))
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
    typer.echo(f"{counted(count, chosen.value.removesuffix('s'))}: {to}")


def import_serials(
    file: Annotated[Path, typer.Argument(help="List of serials (CSV), with a header or one serial a line.")],
    product: Annotated[
        Path | None, typer.Option("--product", help="Product file (TOML). Default: the demonstration product.")
    ] = None,
    batch: Annotated[
        str | None, typer.Option("--batch", help="Batch of all of them. Default: the list's own, else the serials'.")
    ] = None,
    try_only: Annotated[bool, typer.Option("--check", help="Look through the list and register nothing.")] = False,
) -> None:
    """Register the units of a list before they come to the bench: all of them, or, if anything is wrong, none."""
    from rig.opening import load_files, open_record
    from rig.serial_lists import read_list, register

    product_file = load_files(None, product)[1]
    listed = read_list(file, product_file.contents, batch)
    with open_record() as database:
        outcome = register(database, product_file, file, listed, keep=not try_only)
    typer.echo(outcome.sentence(file))


def _one_of(kind: type[ChoiceT], text: str, option: str) -> ChoiceT:
    from rig.errors import WrongInput

    for each in kind:
        if each.value == text.strip().lower():
            return each
    raise WrongInput(
        f"{option} {ascii(text)[:40]} is not known: choose one of {', '.join(each.value for each in kind)}."
    )
