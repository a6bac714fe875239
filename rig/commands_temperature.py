"""The command that says what the room's temperature does to a unit."""

from __future__ import annotations

import json
from dataclasses import asdict

import click

from rig.command_options import json_option, serial_argument


@click.command()
@serial_argument
@json_option
def temperature(serial: str, as_json: bool) -> None:
    """Temperature coefficient of a unit, from its visits in rooms that differ; nothing is measured."""
    from db.settings_history import fitted_sweeps
    from rig.opening import open_record
    from rig.scanned import clean_scan
    from rig.unit_temperature import temperature_of_unit

    scanned = clean_scan(serial)
    with open_record() as database:
        with database.reading() as session:
            sweeps = fitted_sweeps(session, scanned)
        found = temperature_of_unit(scanned, sweeps)
        if as_json:
            document = {"database": database.url_shown, "coefficients": [asdict(each) for each in found]}
            click.echo(json.dumps(document, indent=2))
            return
        for each in found:
            click.echo(each.sentence)
        click.echo(f"Database: {database.url_shown}")
