"""Commands about batches: how one went, and what other limits would have made of it."""

from __future__ import annotations

import json
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

if TYPE_CHECKING:
    from collections.abc import Sequence

JsonOption = Annotated[bool, typer.Option("--json", help="Print one JSON document instead of text.")]
PlotsOption = Annotated[
    Path | None, typer.Option("--plots", help="Folder for plots (PNG and SVG); it is made where it is missing.")
]
OfProductOption = Annotated[
    str | None, typer.Option("--product", help="Name of the product, where a batch code is on units of several.")
]


def add_to(app: typer.Typer) -> None:
    """Add the commands of this module."""
    app.command()(batches)
    app.command()(batch)


def batches(
    latest: Annotated[int | None, typer.Option("--latest", min=1, help="Only so many, the latest.")] = None,
    as_json: JsonOption = False,
) -> None:
    """List the batches, the one visited last first."""
    from db.batches import batch_lines as batches_of
    from rig.opening import open_record
    from rig.reports.batch import batches_document, batches_lines

    with open_record() as database:
        with database.reading() as session:
            found = batches_of(session, latest=latest)
        _print(batches_document(found, database.url_shown), batches_lines(found), database.url_shown, as_json=as_json)


def batch(
    code: Annotated[str, typer.Argument(help="Batch code.")],
    product: OfProductOption = None,
    plots: PlotsOption = None,
    as_json: JsonOption = False,
) -> None:
    """How a batch went: yields, retests, minutes, moves, failures by cause, capability, control charts that speak."""
    from db.batches import batch_record
    from rig.batch import batch_reports
    from rig.opening import open_record
    from rig.reports.batch import batch_document, batch_lines

    with open_record() as database:
        with database.reading() as session:
            record = batch_record(session, code)
        shown = database.url_shown
    reports = batch_reports(record, product)
    written: list[Path] = []
    if plots is not None:
        from rig.reports.batch_plots import plot_batch

        written = [path for report in reports for path in plot_batch(report, plots)]
    lines: list[str] = []
    for report in reports:
        lines += [*batch_lines(report), ""]
    lines += [f"Plots: {len(written)} files in {plots}"] if written else []
    document: dict[str, object] = {
        "batch": code,
        "database": shown,
        "products": [batch_document(report) for report in reports],
        "plots": [str(path) for path in written],
    }
    _print(document, lines, shown, as_json=as_json)


def _print(document: dict[str, object], lines: Sequence[str], database: str, *, as_json: bool) -> None:
    if as_json:
        typer.echo(json.dumps(document, indent=2))
        return
    typer.echo("\n".join([*lines, f"Database: {database}"]))
