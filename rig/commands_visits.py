"""Commands about visits that were begun and never ended: which there are, and closing one with a reason."""

from __future__ import annotations

import json
from dataclasses import asdict
from typing import TYPE_CHECKING

import click

from rig.command_options import json_option, serial_argument
from rig.counted import counted
from rig.marks import as_marks

if TYPE_CHECKING:
    from db.history import UnfinishedVisit


@click.command()
@json_option
def visits(as_json: bool) -> None:
    """List the visits that were begun and have not ended; what was measured in them is kept."""
    from db.history import unfinished_visits
    from rig.bench_lock import runs_now
    from rig.commands_safety import all_safe_first
    from rig.opening import open_bench_record

    all_safe_first()
    with open_bench_record() as database, database.reading_connection() as connection:
        found = unfinished_visits(connection)
    running = {each.visit_id: runs_now(each.visit_id) for each in found}
    if as_json:
        shown = [
            {
                **asdict(each),
                "visit_id": str(each.visit_id),
                "started_utc": each.started_utc.isoformat(),
                "on_the_bench_now": running[each.visit_id] or None,
            }
            for each in found
        ]
        click.echo(json.dumps({"unfinished": shown}, indent=2))
        return
    for each in found:
        click.echo(as_marks(_line(each, running[each.visit_id])))
    if not all(running.values()):
        click.echo("Scan such a unit in rig work (or rig check) to go on with it, or close it: rig close SERIAL")
    elif not found:
        click.echo("No visit lies open.")


@click.command()
@serial_argument
@click.option("--reason", required=True, help="Why it does not go on; kept with the visit.")
@click.option("--operator", default="operator", show_default=True, help="Who closes it.")
def close(serial: str, reason: str, operator: str) -> None:
    """Close the visits of a unit that were begun and never ended, and keep why; no verdict is given."""
    from datetime import UTC, datetime

    from db.history import unfinished_visits
    from db.queries import close_visit
    from db.questions import connection_of
    from rig.bench_lock import runs_now
    from rig.commands_safety import all_safe_first
    from rig.errors import BenchBusy, WrongInput
    from rig.opening import open_bench_record
    from rig.scanned import clean_scan

    scanned, why = clean_scan(serial), " ".join(reason.split())
    if not why:
        raise WrongInput("A visit is closed with a reason: give one after --reason.")
    all_safe_first()
    with open_bench_record() as database:
        with database.session() as session:
            lying = [each for each in unfinished_visits(connection_of(session)) if each.serial == scanned]
            for each in lying:
                holder = runs_now(each.visit_id)
                if holder:
                    raise BenchBusy(
                        f"The visit of {scanned} is on the bench now, in {holder}: end it there; nothing was closed."
                    )
            for each in lying:
                close_visit(session, each.visit_id, reason=why, closed_by=operator, closed_utc=datetime.now(UTC))
        if not lying:
            raise WrongInput(f"No visit of {scanned} lies open: rig visits lists those that do.")
        for each in lying:
            click.echo(as_marks(f"Closed without a verdict: {_line(each)}"))


def _line(visit: UnfinishedVisit, holder: str = "") -> str:
    started = visit.started_utc.astimezone()
    begun = f"{visit.serial}  begun {started:%Y-%m-%d %H:%M} by {visit.operator} to {visit.purpose} on {visit.bench}: "
    if holder:
        return f"{begun}on the bench now, in {holder}."
    return f"{begun}{counted(visit.points, 'point')} and {counted(visit.moves, 'move')} are kept."
