"""Commands that tell what is kept: the history of a unit, what was learned of trims, and where all of it lies."""

from __future__ import annotations

import json
from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING

import click

from rig.command_options import json_option, serial_argument
from rig.marks import on_screen

if TYPE_CHECKING:
    from db.history import UnitHistory
    from db.questions import Asked
    from db.returned import RepairRow, ReturnRow


@click.command()
@serial_argument
@json_option
@click.option("--budget", is_flag=True, help="Print the budgets of the last verdict's findings.")
def history(serial: str, as_json: bool, budget: bool) -> None:
    """Visits of a unit: as found against as left, and verdicts."""
    from rig.reports.history import history_document, history_lines
    from rig.reports.returned import came_and_went_document, came_and_went_lines
    from rig.scanned import clean_scan

    kept = (_with_budgets if budget else _without_budgets)(clean_scan(serial))
    if as_json:
        document = history_document(kept.history, kept.shown) | came_and_went_document(kept.returns, kept.repairs)
        click.echo(json.dumps(document, indent=2))
        return
    lines = [*history_lines(kept.history), *came_and_went_lines(kept.returns, kept.repairs), *kept.budgets]
    click.echo(on_screen(lines))
    click.echo(f"Database: {kept.shown}")


@dataclass(frozen=True, slots=True)
class _Kept:
    """What is kept of a unit, in one state of the record; ``shown`` is the database, as it may be shown."""

    history: UnitHistory
    returns: tuple[ReturnRow, ...]
    repairs: tuple[RepairRow, ...]
    shown: str
    budgets: tuple[str, ...] = ()


def _without_budgets(serial: str) -> _Kept:
    from rig.opening import record_to_ask

    with record_to_ask() as database, database.reading_connection() as connection:
        return _kept(connection, serial, database.url_shown)


def _with_budgets(serial: str) -> _Kept:
    from db.questions import connection_of
    from rig.commands_budget import recorded_lines
    from rig.opening import open_record

    with open_record() as database, database.reading() as session:
        kept = _kept(connection_of(session), serial, database.url_shown)
        return replace(kept, budgets=tuple(recorded_lines(session, serial)))


def _kept(connection: Asked, serial: str, shown: str) -> _Kept:
    from db import history as asked
    from db.returned import repairs_of, returns_of

    found = asked.history(connection, serial)
    return _Kept(found, returns_of(connection, found.unit_id), repairs_of(connection, found.unit_id), shown)


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
