"""Commands for units that come back: why, what has changed, what was done."""

from __future__ import annotations

import json
from typing import TYPE_CHECKING

import click

from rig.command_options import json_option, product_option, serial_argument
from rig.marks import as_marks, on_screen

if TYPE_CHECKING:
    from pathlib import Path

    from rig.operators.port import Story

who_option = click.option("--who", default="operator", show_default=True, help="Who enters it.")


def story_of(reason: str, complaint: str) -> Story | None:
    """Reason and complaint given on the command line; None for neither.

    :raises WrongInput: the reason is none of those that are kept.
    """
    from rig.errors import WrongInput
    from rig.operators.port import Story
    from rig.returns import Reason

    if not reason and not complaint:
        return None
    wanted = reason or Reason.OTHER.value
    reasons = [each.value for each in Reason]
    near = [each for each in reasons if each.startswith(wanted.lower())]
    if len(near) != 1:
        raise WrongInput(f"'{wanted}' is no reason for a return: give one of {'; '.join(reasons)}.")
    return Story(near[0], " ".join(complaint.split()))


@click.command()
@serial_argument
@click.option("--reason", required=True, help="Why: the first word is enough (out, drifts, noisy, dead).")
@click.option("--complaint", default="", help="What its owner says.")
@who_option
@product_option
def returned(serial: str, reason: str, complaint: str, who: str, product: Path | None) -> None:
    """Enter that a unit came back, before it goes to the bench."""
    from datetime import UTC, datetime

    from db import people, queries, returns
    from rig.errors import WrongInput
    from rig.opening import load_files, open_record
    from rig.scanned import clean_scan

    product_file = load_files(None, product)[1]
    scanned = clean_scan(serial)
    batch = product_file.contents.serial.batch_of(scanned)
    story = story_of(reason, complaint)
    if story is None or not who.strip():
        raise WrongInput("A return needs a reason and who enters it: give --reason and --who.")
    now = datetime.now(UTC)
    with open_record() as database, database.session() as session:
        people.require_operator(session, who.strip(), "--who")
        revision = queries.get_or_add_product_revision(
            session, product_name=product_file.contents.product.name, toml_text=product_file.text, at_utc=now
        )
        unit = queries.get_or_add_unit(session, serial=scanned, product_id=revision.product_id, batch_code=batch)
        returns.add_return(
            session, unit.id, reason=story.reason, complaint=story.complaint, who=who.strip(), received_utc=now
        )
    click.echo(as_marks(f"{scanned} is back: {story.reason}. Scan it at the bench; nobody is asked again."))


@click.command()
@serial_argument
@product_option
@json_option
def compare(serial: str, product: Path | None, as_json: bool) -> None:
    """How a unit was last found against how it left: changes, what they point to, repairs."""
    from db import queries, returned
    from db.questions import connection_of
    from rig import returns as compared
    from rig.opening import load_files, open_record
    from rig.reports.returned import came_and_went_document, came_and_went_lines, came_back_document, came_back_lines
    from rig.scanned import clean_scan

    contents = load_files(None, product)[1].contents
    scanned = clean_scan(serial)
    with open_record() as database, database.reading() as session:
        made = compared.compare(session, contents, scanned)
        unit = queries.unit_by_serial(session, scanned)
        connection = connection_of(session)
        back, repairs = returned.returns_of(connection, unit.id), returned.repairs_of(connection, unit.id)
    if as_json:
        click.echo(json.dumps(came_back_document(made) | came_and_went_document(back, repairs), indent=2))
        return
    click.echo(on_screen([*came_back_lines(made), *came_and_went_lines(back, repairs)]))


@click.command()
@serial_argument
@click.option("--part", multiple=True, help="A part that was replaced; may be repeated.")
@click.option("--note", default="", help="What was done.")
@who_option
def repair(serial: str, part: tuple[str, ...], note: str, who: str) -> None:
    """Enter what was done to a unit: parts and a note."""
    from datetime import UTC, datetime

    from db import people, queries, returns
    from rig.errors import WrongInput
    from rig.opening import open_record
    from rig.scanned import clean_scan

    parts = [each.strip() for each in part if each.strip()]
    if not (parts or note.strip()) or not who.strip():
        raise WrongInput("A repair needs a part or a note, and who did it: give --part or --note, and --who.")
    scanned = clean_scan(serial)
    with open_record() as database, database.session() as session:
        people.require_operator(session, who.strip(), "--who")
        unit = queries.unit_by_serial(session, scanned)
        returns.add_repair(
            session, unit.id, parts=parts, note=note.strip(), who=who.strip(), done_utc=datetime.now(UTC)
        )
    named = f"; parts: {', '.join(parts)}" if parts else ""
    click.echo(as_marks(f"Kept: {scanned}, {note.strip() or 'no note'}{named}."))
