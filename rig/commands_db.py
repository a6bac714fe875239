"""Commands that look after the record as a whole: backup, restore, check, move, hand in, adopt."""

from __future__ import annotations

import getpass
import json
from pathlib import Path
from typing import TYPE_CHECKING

import click

from rig.command_options import PATH, CommandGroup, json_option, why_option
from rig.counted import counted
from rig.marks import on_screen

if TYPE_CHECKING:
    from db.findings import Findings
    from db.location import Location

db_app = CommandGroup(
    "db",
    help="The record as a whole: backup, restore, check, move between SQLite and PostgreSQL, hand in to the server.",
)

who_option = click.option("--who", default="", help="Who does it. Default: the name you are logged in with.")
own_option = click.option(
    "--own", is_flag=True, help="Where RIG_DATABASE_URL names a server: this bench's own record instead."
)
record_key_option = click.option(
    "--key",
    "keys",
    type=PATH,
    multiple=True,
    help="Key file of another bench whose records lie in it; repeatable.",
)
engineer_key_option = click.option(
    "--engineer-key", type=PATH, help="Where roles are in use: private key of the engineer who does it."
)
FLAWS_SHOWN = 40


@db_app.command()
@click.argument("file", type=PATH, help="File to write; an SQLite database whichever the record is in.")
@who_option
@click.option("--why", default="backup", show_default=True, help="Why; it is kept in the record.")
@own_option
def backup(file: Path, who: str, why: str, own: bool) -> None:
    """Write the whole record to one file, with its SHA-256 beside it; others may go on recording meanwhile."""
    from db.backup import backup as write_backup
    from db.engine import open_at

    with open_at(_location(own=own)) as database:
        rows = write_backup(database, file, who=_who(who), why=why)
        click.echo(
            f"{file}: {counted(rows, 'row')} of {database.url_shown}. Keep it, and {file.name}.sha256, on another disk."
        )


@db_app.command()
@click.argument("file", type=PATH, help="Backup to put in the place of the record.")
@why_option
@who_option
@own_option
@record_key_option
@click.option("--without-key", is_flag=True, help="Also where a key is lost, so that not all of it can be verified.")
@engineer_key_option
def restore(
    file: Path,
    why: str,
    who: str,
    own: bool,
    keys: tuple[Path, ...],
    without_key: bool,
    engineer_key: Path | None,
) -> None:
    """Put a backup in place, once all of it was looked at; the database that was there is kept beside it."""
    from db.backup import restore as put_back
    from db.engine import address_of, url_shown
    from rig.commands_people import signer_of

    location = _location(own=own)
    done = put_back(
        file,
        location,
        who=_who(who),
        why=_said(why),
        keys=keys,
        without_key=without_key,
        signer=signer_of(_who(who), engineer_key),
    )
    click.echo(f"{url_shown(address_of(location))} is now as in {file}.")
    if done.kept is not None:
        click.echo(f"The database that was there is kept as {done.kept}.")
    for each in done.unverified:
        click.echo(each)
    if done.unverified:
        click.echo("That part was restored as it stands: nobody can say from here whether it is as it was recorded.")


@db_app.command()
@record_key_option
@own_option
@json_option
def check(keys: tuple[Path, ...], own: bool, as_json: bool) -> None:
    """Hold every row against the chain; names what was altered, added or removed behind the program's back.

    Ends with 3 where something is wrong, and with 4 where nothing is but not all could be verified, for want of a key.
    """
    from db.checking import check as look
    from db.engine import open_for_checking
    from db.record_key import key_file, read_key
    from rig.endings import BENCH_FAULT, NO_DECISION

    paths = [*([key_file()] if key_file().exists() else []), *keys]
    database, unprotected = open_for_checking(_location(own=own))
    with database, database.reading_connection() as connection:
        found = look(connection, [read_key(path) for path in paths], paths)
        shown = database.url_shown
    click.echo(
        json.dumps(_document(found, unprotected, shown), indent=2)
        if as_json
        else on_screen([*_lines(found, unprotected), f"Database: {shown}"])
    )
    if unprotected or found.flaws_count:
        raise click.exceptions.Exit(BENCH_FAULT)
    if not found.sound:
        raise click.exceptions.Exit(NO_DECISION)


@db_app.command()
@click.argument("url", help="Address of an empty database, SQLite or PostgreSQL.")
@why_option
@who_option
@own_option
def move(url: str, why: str, who: str, own: bool) -> None:
    """Copy the whole record into an empty database, counted and hashed on both sides; this one stays as it is."""
    from db.engine import open_at
    from db.location import Location
    from db.moving import move as carry

    with (
        open_at(_location(own=own)) as source,
        open_at(Location(url, "the command line", None)) as target,
    ):
        sums = carry(source, target, who=_who(who), why=_said(why))
        for name, each in sums.items():
            click.echo(f"{name:<24}{each.count:>10} row{' ' if each.count == 1 else 's'}  {each.shown[:16]}")
        click.echo(
            f"All of it is in {target.url_shown}, counted and hashed on both sides. Set RIG_DATABASE_URL to it; "
            f"{source.url_shown} is as it was: record on one of them only."
        )


@db_app.command("hand-in")
def hand_in() -> None:
    """Hand in to the server what this bench recorded while the server was away; every visit once."""
    from rig.handing_in import handed_in
    from rig.opening import open_bench_record

    with open_bench_record() as database:
        done, left = handed_in(database)
    for note in done.notes:
        click.echo(note)
    click.echo(f"{counted(len(done.visits), 'visit')} handed in; {left or 'nothing'} waiting.")


@db_app.command()
@why_option
@who_option
@own_option
@engineer_key_option
def adopt(why: str, who: str, own: bool, engineer_key: Path | None) -> None:
    """Take into the chain, as they stand, visits that were recorded without it; the record says so."""
    from db.adopting import adopt as cover
    from db.engine import open_at
    from rig.commands_people import signer_of

    signer = signer_of(_who(who), engineer_key)
    with open_at(_location(own=own)) as database, database.session() as session:
        done = cover(session, who=_who(who), why=_said(why), signer=signer)
    beside = f" and {counted(done.rows, 'row')} beside visits" if done.rows else ""
    click.echo(f"{counted(done.visits, 'visit')}{beside} adopted as they stand.")


def _location(*, own: bool) -> Location:
    from db.engine import address_of, url_shown
    from db.location import database_location, spool_location

    location = database_location()
    address = address_of(location)
    if own and address.get_backend_name() != "sqlite":
        return spool_location(url_shown(address))
    return location


def _who(name: str) -> str:
    return name.strip() or getpass.getuser()


def _said(why: str) -> str:
    from rig.errors import WrongInput

    if not why.strip():
        raise WrongInput("The reason is empty: say after --why why it is done; it is kept in the record.")
    return why.strip()


def _lines(found: Findings, unprotected: str) -> list[str]:
    lines = [f"{counted(found.visits, 'visit')} ({found.open_visits} not ended), {counted(found.links, 'link')}."]
    lines += [unprotected] if unprotected else []
    lines += [each.sentence for each in found.flaws[:FLAWS_SHOWN]]
    if found.flaws_count > FLAWS_SHOWN:
        lines.append(f"... and {found.flaws_count - FLAWS_SHOWN} more.")
    lines += [*found.notes, *(each.sentence for each in found.unverified), *found.unchecked]
    lines += [f"Chain {each.chain_id}: {_seal(each.sequence, each.link)}" for each in found.heads if each.sequence >= 0]
    if found.flaws_count and found.unaltered:
        lines.append(
            "Nothing that the chain covers was altered. Where you know why it covers not all of it (an older database, "
            "visits that were loaded), rig db adopt takes the rest in."
        )
    elif found.flaws_count:
        lines.append("Keep this database as it is, find out what happened, and restore the last backup elsewhere.")
    if found.unverified:
        lines.append(
            f"{found.rows_verified} rows are verified; {found.rows_unverified} rows are not, since they rest on links "
            "of a key that is not here: bring that bench's key (--key, or RIG_RECORD_KEY_FILE), or run rig db check "
            "where it is."
        )
    if found.sound:
        lines.append("Every row is as it was recorded. The last links are those that the latest slips show.")
    return lines


def _seal(sequence: int, link: str) -> str:
    from db.chain import Seal

    return f"last link {sequence}  {Seal(sequence, link).short}"


def _document(found: Findings, unprotected: str, shown: str) -> dict[str, object]:
    return {
        "database": shown,
        "sound": found.sound and not unprotected,
        "visits": found.visits,
        "open_visits": found.open_visits,
        "links": found.links,
        "protection": unprotected,
        "flaws": [
            {
                "table": each.table,
                "visit": None if each.visit_id is None else str(each.visit_id),
                "serial": each.serial or None,
                "what": each.what,
            }
            for each in found.flaws
        ],
        "flaws_count": found.flaws_count,
        "rows_verified": found.rows_verified,
        "rows_unverified": found.rows_unverified,
        "unverified": [
            {"chain": str(each.chain_id), "place": each.place, "key": each.key_id, "links": each.links}
            for each in found.unverified
        ],
        "unchecked": found.unchecked,
        "notes": found.notes,
        "chains": [
            {"chain": str(each.chain_id), "links": each.sequence + 1, "last": each.link} for each in found.heads
        ],
    }
