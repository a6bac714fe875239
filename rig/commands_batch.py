"""Commands about batches: how one went, and what other limits would have made of it."""

from __future__ import annotations

import json
from pathlib import Path
from typing import TYPE_CHECKING

import click

from rig.command_options import PATH, WholeRange, json_option
from rig.counted import counted
from rig.marks import on_screen

if TYPE_CHECKING:
    from collections.abc import Sequence

plots_option = click.option(
    "--plots", type=PATH, help="Folder for plots (PNG and SVG); it is made where it is missing."
)
of_product_option = click.option("--product", help="Name of the product, where a batch code is on units of several.")


@click.command()
@click.option("--latest", type=WholeRange(1), help="Only so many, the latest.")
@json_option
def batches(latest: int | None, as_json: bool) -> None:
    """List the batches, the one visited last first."""
    from db.batches import batch_lines as batches_of
    from rig.opening import record_to_ask
    from rig.reports.batch import batches_document, batches_lines

    with record_to_ask() as database:
        with database.reading_connection() as connection:
            found = batches_of(connection, latest=latest)
        _print(batches_document(found, database.url_shown), batches_lines(found), database.url_shown, as_json=as_json)


@click.command()
@click.argument("code", help="Batch code.")
@of_product_option
@plots_option
@json_option
def batch(code: str, product: str | None, plots: Path | None, as_json: bool) -> None:
    """How a batch went: yields, retests, minutes, moves, failures by cause, capability, control charts that speak."""
    from db.batches import batch_record
    from rig.opening import record_to_ask

    with record_to_ask() as database:
        with database.reading_connection() as connection:
            record = batch_record(connection, code)
        shown = database.url_shown

    # a code that is not there is refused before a report's numerics are loaded
    from rig.batch import batch_reports
    from rig.reports.batch import batch_document, batch_lines

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


@click.command()
@click.argument("codes", nargs=-1, required=True, metavar="BATCH...", help="Batch codes, one or more.")
@click.option("--limits", type=PATH, help="Limits to judge by: a product file, or a small file. Default: each its own.")
@click.option("--curve", is_flag=True, help="Show yield against limit for each characteristic.")
@of_product_option
@plots_option
@json_option
def rejudge(
    codes: tuple[str, ...],
    limits: Path | None,
    curve: bool,
    product: str | None,
    plots: Path | None,
    as_json: bool,
) -> None:
    """What the yield would have been under other limits, from the stored sweeps; no verdict is touched."""
    from db.batches import units_of_characteristics
    from rig.limits_file import UNCHANGED, load_limits
    from rig.opening import record_to_ask
    from rig.production_parts import read_in_parts
    from rig.rejudge import rejudge as judged_again
    from rig.reports.rejudge import curve_document, curve_lines, plot_curves, rejudged_document, rejudged_lines
    from rig.yield_curve import yield_curves

    given = UNCHANGED if limits is None else load_limits(limits)
    place = "their own limits" if limits is None else str(limits)
    with record_to_ask() as database:
        production = read_in_parts(database, tuple(dict.fromkeys(codes)), given, place, product)
        with database.reading_connection() as connection:
            units = units_of_characteristics(connection, production.visits[-1].visit_id)
        shown = database.url_shown
    found = judged_again(production, given)
    curves = yield_curves(production, given, units) if curve or plots is not None else ()
    written = plot_curves(curves, found, plots) if plots is not None else ()
    document = rejudged_document(found, place, shown)
    document["curves"] = curve_document(curves)
    document["plots"] = [str(path) for path in written]
    lines = [*rejudged_lines(found, place), *(curve_lines(curves) if curve else []), ""]
    lines += [f"Plots: {len(written)} files in {plots}"] if written else []
    _print(document, lines, shown, as_json=as_json)


def tell(visits: int, into: str, seed: int, *, as_json: bool) -> None:
    """Fill a database with an invented history, and say what to look at in it."""
    from db.engine import open_database
    from db.location import VARIABLE
    from rig.invented.history import tell_history
    from rig.invented.place import own_place, url_of

    url = url_of(into) if into else own_place()

    def say(done: int) -> None:
        if not as_json and done % 50 == 0:
            click.echo(f"  {done} visits ...")

    with open_database(url) as database:
        told = tell_history(database, visits, seed=seed, say=say)
        shown = database.url_shown
    stories = [{"batch": each.code, "units": each.units, "story": each.story.value} for each in told.batches]
    if as_json:
        document = {"database": shown, "visits": told.visits, "units": told.units, "returns": told.returns}
        document["checks"] = told.checks
        click.echo(json.dumps({**document, "batches": stories}, indent=2))
        return
    lines = [
        f"{counted(told.visits, 'invented visit')} of {counted(told.units, 'unit')}, {told.returns} of which came "
        f"back, and {counted(told.checks, 'check')} of the benches are in {shown}.",
        "All of them are marked as a demonstration; nothing of it is in your own record. To look at them:",
        f"  export {VARIABLE}={shown}",
        "  rig batches",
    ]
    lines += [f"  rig batch {each.code:<12}  # {each.story.value}" for each in told.batches]
    lines += [f"  rig rejudge {told.batches[0].code} --curve", f"  rig history {told.example}"]
    lines += [f"  rig compare {told.example}", "  rig trims"] if told.returns else ["  rig trims"]
    click.echo(on_screen(lines))


def _print(document: dict[str, object], lines: Sequence[str], database: str, *, as_json: bool) -> None:
    if as_json:
        click.echo(json.dumps(document, indent=2))
        return
    click.echo(on_screen([*lines, f"Database: {database}"]))
