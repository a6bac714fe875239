"""Commands for units that come back: why, what has changed, what was done."""

from __future__ import annotations

import json
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from rig.marks import as_marks, on_screen

if TYPE_CHECKING:
    from rig.operators.port import Story

SerialArgument = Annotated[str, typer.Argument(help="Serial of the unit, as scanned.")]
ProductOption = Annotated[
    Path | None, typer.Option("--product", help="Product file (TOML). Default: the invented demonstration product.")
]
WhoOption = Annotated[str, typer.Option("--who", help="Who enters it.")]
JsonOption = Annotated[bool, typer.Option("--json", help="Print one JSON document instead of text.")]


def add_to(app: typer.Typer) -> None:
    """Add the commands of this module."""
    app.command(name="returned")(returned)
    app.command(name="compare")(compare)
    app.command(name="repair")(repair)


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


def returned(
    serial: SerialArgument,
    reason: Annotated[str, typer.Option("--reason", help="Why: the first word is enough (out, drifts, noisy, dead).")],
    complaint: Annotated[str, typer.Option("--complaint", help="What its owner says.")] = "",
    who: WhoOption = "operator",
    product: ProductOption = None,
) -> None:
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
    typer.echo(as_marks(f"{scanned} is back: {story.reason}. Scan it at the bench; nobody is asked again."))


def compare(serial: SerialArgument, product: ProductOption = None, as_json: JsonOption = False) -> None:
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
        typer.echo(json.dumps(came_back_document(made) | came_and_went_document(back, repairs), indent=2))
        return
    typer.echo(on_screen([*came_back_lines(made), *came_and_went_lines(back, repairs)]))


def repair(
    serial: SerialArgument,
    part: Annotated[list[str] | None, typer.Option("--part", help="A part that was replaced; may be repeated.")] = None,
    note: Annotated[str, typer.Option("--note", help="What was done.")] = "",
    who: WhoOption = "operator",
) -> None:
    """Enter what was done to a unit: parts and a note."""
    from datetime import UTC, datetime

    from db import people, queries, returns
    from rig.errors import WrongInput
    from rig.opening import open_record
    from rig.scanned import clean_scan

    parts = [each.strip() for each in part or () if each.strip()]
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
    typer.echo(as_marks(f"Kept: {scanned}, {note.strip() or 'no note'}{named}."))
