"""Commands that tell what is kept: the history of a unit, what was learned of trims, and where all of it lies."""

from __future__ import annotations

import json
from pathlib import Path

import click

from rig.command_options import json_option, serial_argument
from rig.marks import on_screen


@click.command()
@serial_argument
@json_option
@click.option("--budget", is_flag=True, help="Print the budgets of the last verdict's findings.")
def history(serial: str, as_json: bool, budget: bool) -> None:
    """Visits of a unit: as found against as left, and verdicts."""
    from db import history as asked
    from db.returned import repairs_of, returns_of
    from rig.opening import record_to_ask
    from rig.reports.history import history_document, history_lines
    from rig.reports.returned import came_and_went_document, came_and_went_lines
    from rig.scanned import clean_scan

    with record_to_ask() as database:
        with database.reading_connection() as connection:
            found = asked.history(connection, clean_scan(serial))
            back, repairs = returns_of(connection, found.unit_id), repairs_of(connection, found.unit_id)
        budgets = _budgets_of(found.serial) if budget else []
        if as_json:
            document = history_document(found, database.url_shown) | came_and_went_document(back, repairs)
            click.echo(json.dumps(document, indent=2))
            return
        click.echo(on_screen([*history_lines(found), *came_and_went_lines(back, repairs), *budgets]))
        click.echo(f"Database: {database.url_shown}")


def _budgets_of(serial: str) -> list[str]:
    from rig.commands_budget import recorded_lines
    from rig.opening import open_record

    with open_record() as database, database.reading() as session:
        return recorded_lines(session, serial)


@click.command()
@click.argument(
    "product",
    default="",
    help="Product file (TOML), or name or code of a product in the record. Default: the invented demonstration "
    "product.",
)
@click.option("--batch", help="Batch whose next unit is meant.")
@json_option
def trims(product: str, batch: str | None, as_json: bool) -> None:
    """What has been learned of a product's trims: effect of a turn, pivot, batch by batch."""
    from rig.knowledge import learned_trims, recorded_product
    from rig.opening import load_files, open_record
    from rig.reports.trims import trims_document, trims_lines

    file = Path(product) if product else None
    from_file = file is None or file.is_file() or file.suffix == ".toml"
    product_file = load_files(None, file)[1] if from_file else None
    with open_record() as database:
        with database.reading() as session:
            product_file = product_file or recorded_product(session, product)
            contents = product_file.contents
            known = learned_trims(session, product_file, batch, demonstration=contents.product.demonstration)
        if as_json:
            click.echo(json.dumps(trims_document(contents, batch, known, database.url_shown), indent=2))
            return
        click.echo(on_screen(trims_lines(contents, batch, known)))
        click.echo(f"Database: {database.url_shown}")


@click.command()
def where() -> None:
    """Say where results are kept, and what decided it."""
    from db.engine import address_of, url_shown
    from db.location import database_location, spool_location

    location = database_location()
    address = address_of(location)
    click.echo(f"Database: {url_shown(address)} (decided by {location.decided_by})")
    if address.get_backend_name() != "sqlite":
        own = spool_location(url_shown(address))
        click.echo(f"This bench's own record, handed in from there: {own.url} (decided by {own.decided_by})")
