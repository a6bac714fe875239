"""Commands about who works here, and which product files an engineer answers for."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

import click

from rig.command_options import PATH, CommandGroup, why_option
from rig.marks import as_marks

if TYPE_CHECKING:
    from db.people import Role, Signer

people_app = CommandGroup(
    "people",
    help=(
        "Who works here. Roles are in use as soon as the first engineer is entered: then an engineer signs product "
        "files, and only who is entered runs units. A one-person workshop enters nobody, and the record says so."
    ),
)
product_app = CommandGroup("product", help="Product files: signed by an engineer, and by whom.")


@people_app.command("key")
@click.argument("file", type=PATH, help="New file for the private key; it stays with its owner.")
@click.option("--unlocked", is_flag=True, help="No passphrase: only the file's rights protect it.")
def make_key(file: Path, unlocked: bool) -> None:
    """Make a key pair for an engineer and print the public key."""
    from db import signatures

    word = "" if unlocked else click.prompt("Passphrase", hide_input=True, confirmation_prompt=True, err=True)
    click.echo(signatures.make_key(file, word))


@people_app.command()
@click.argument("name", help="Name, as it is given with --operator.")
@click.option(
    "--role", required=True, type=click.Choice(["operator", "engineer", "left"]), help="operator, engineer, or left."
)
@why_option
@click.option("--public-key", "public", default="", help="An engineer's public key: one line, or its file.")
@click.option("--by", default="", help="The engineer who signs.")
@click.option("--key", type=PATH, help="Private key of the engineer who signs.")
def add(name: str, role: Role, why: str, public: str, by: str, key: Path | None) -> None:
    """Enter somebody, another role of somebody, or that somebody has left."""
    from db import people, signatures
    from db.engine import open_database
    from rig.errors import WrongInput

    public_key = None
    if role == "engineer":
        if not public:
            raise WrongInput(f"{name} needs a public key to be an engineer: make one with rig people key.")
        line = Path(public).read_text(encoding="utf-8") if Path(public).is_file() else public
        public_key = signatures.public_key(line)
    by = by.strip() or name
    with open_database() as database, database.session() as session:
        row = people.enter(
            session,
            name=_not_empty(name, "name"),
            role=role,
            public_key=public_key,
            by=by,
            signer=signer_of(by, key),
            why=_not_empty(why, "reason"),
        )
    shown = f", key {signatures.fingerprint(row.public_key)}" if row.public_key else ""
    click.echo(as_marks(f"{name}: {role}{shown}."))


@people_app.command("list")
def list_people() -> None:
    """Everybody who was entered, with who entered them and why."""
    from db import people, signatures
    from db.engine import open_database

    with open_database() as database, database.reading() as session:
        known = people.people(session)
        in_use = people.roles_in_use(session)
    for row in known.values():
        shown = f"  {signatures.fingerprint(row.public_key)}" if row.public_key else ""
        click.echo(
            as_marks(
                f"{row.name:<20}{row.role:<10}since {row.entered_utc:%Y-%m-%d %H:%M} UTC, by {row.entered_by}: "
                f"{row.reason}{shown}"
            )
        )
    click.echo("Roles are in use." if in_use else "Roles are not in use: no engineer is entered.")


@product_app.command("sign")
@click.argument("file", type=PATH, help="Product file to answer for.")
@click.option("--who", required=True, help="The engineer who signs.")
@why_option
@click.option("--key", required=True, type=PATH, help="The engineer's private key.")
def sign_product(file: Path, who: str, why: str, key: Path) -> None:
    """Sign a product file: from now on benches judge by its limits."""
    from datetime import UTC, datetime

    from db import people, queries
    from db.engine import open_database
    from rig.product import load_product

    product = load_product(file)
    signer = signer_of(who, key)
    assert signer is not None
    with open_database() as database, database.session() as session:
        revision = queries.get_or_add_product_revision(
            session, product_name=product.contents.product.name, toml_text=product.text, at_utc=datetime.now(UTC)
        )
        people.sign_revision(session, revision, signer, _not_empty(why, "reason"))
    click.echo(as_marks(f"{product.contents.product.name}, {product.content_hash[:12]}: signed by {who}."))


def signer_of(name: str, key: Path | None) -> Signer | None:
    """An engineer with the private key of a file, whose passphrase is asked for; None for no file."""
    from db import signatures
    from db.people import Signer

    if key is None:
        return None
    word = click.prompt(f"Passphrase of {key}", hide_input=True, err=True) if signatures.is_locked(key) else ""
    return Signer(name, signatures.read_private_key(key, word))


def _not_empty(text: str, what: str) -> str:
    from rig.errors import WrongInput

    if not text.strip():
        raise WrongInput(f"The {what} is empty: give one; it is kept in the record.")
    return text.strip()
