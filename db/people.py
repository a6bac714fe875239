"""Who works here and in which role, and which product revisions an engineer has signed. Rows are added, never changed.

Roles are in use from the moment at which the first engineer is entered: nobody vouches for that one, and whoever opens
the record can see so. From then on an engineer signs for everybody who is entered, and for every product revision.
What somebody signed who has left counts no more: another engineer looks at it and signs again.

Where nobody is entered nothing is verified, and the library for it is not loaded: opening a bench must be quick.
"""

from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from typing import TYPE_CHECKING, Literal
from uuid import UUID

from sqlalchemy import select
from sqlalchemy.orm import Session

from db.errors import NotAuthorised
from db.models import Person, ProductRevision, ProductSignature
from db.queries import content_sha256

if TYPE_CHECKING:
    from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PrivateKey

Role = Literal["operator", "engineer", "left"]
Authority = Literal["signed", "unsigned", "no roles", "demonstration"]

_EPOCH = datetime(1970, 1, 1, tzinfo=UTC)


@dataclass(frozen=True, slots=True)
class Signer:
    """An engineer with the private key at hand."""

    name: str
    key: "Ed25519PrivateKey"


@dataclass(frozen=True, slots=True)
class Standing:
    """On whose authority a product revision is used; ``engineer`` and ``reason`` where one signed it."""

    authority: Authority
    signature_id: UUID | None = None
    engineer: str = ""
    reason: str = ""


def people(session: Session) -> dict[str, Person]:
    """Everybody who was ever entered, each as the latest row that counts has it.

    A row counts when an engineer who counted before it signed it; the first engineer's signs itself.
    """
    standing: dict[str, Person] = {}
    for row in session.scalars(select(Person).order_by(Person.entered_utc, Person.id)):
        if _counts(row, standing):
            standing[row.name] = row
    return standing


def _counts(row: Person, standing: dict[str, Person]) -> bool:
    engineers = {name: each.public_key for name, each in standing.items() if each.role == "engineer"}
    if not engineers:
        by = row.public_key
        if row.role != "engineer":
            return True
    else:
        by = engineers.get(row.entered_by)
    return by is not None and row.signature is not None and _is_signed_by(by, row.signature, _entry(row))


def roles_in_use(session: Session) -> bool:
    """Whether there is an engineer: then product revisions are signed."""
    return any(each.role == "engineer" for each in people(session).values())


def enter(
    session: Session,
    *,
    name: str,
    role: Role,
    public_key: str | None,
    by: str,
    signer: Signer | None,
    why: str,
) -> Person:
    """Enter a person, another role of a person, or that somebody has left.

    :param signer: an engineer; the first one enters himself; None while there is none.
    :raises NotAuthorised: there are engineers, and none of them signs.
    """
    known = people(session)
    row = Person(
        name=name,
        role=role,
        public_key=public_key,
        entered_by=by,
        reason=why,
        entered_utc=datetime.now(UTC),
    )
    if signer is not None:
        row.signature = _sign(signer.key, _entry(row))
    if not _counts(row, known):
        engineers = sorted(each.name for each in known.values() if each.role == "engineer")
        who = f"one of the engineers ({', '.join(engineers)})" if engineers else "the first engineer, with the own key,"
        raise NotAuthorised(f"{name} was not entered as {role}: {who} has to sign that; give --by and --key.")
    session.add(row)
    session.flush()
    return row


def require_operator(session: Session, name: str, option: str = "--operator") -> None:
    """See that somebody may run units, take them in and repair them.

    :param option: where the name was given, for the sentence.
    :raises NotAuthorised: roles are in use, and nobody of this name works here.
    """
    known = people(session)
    if not any(each.role == "engineer" for each in known.values()):
        return
    person = known.get(name)
    if person is None or person.role == "left":
        raise NotAuthorised(
            f"Nobody called {name} is entered here as operator or engineer: give your name with {option}, or have an "
            "engineer enter you with rig people add."
        )


def require_engineer(known: dict[str, Person], name: str, signer: Signer | None, *, at: datetime) -> None:
    """See that an engineer does it, who proves it with the private key.

    :param known: as :func:`people` gives them.
    :raises NotAuthorised: roles are in use, and it is none, or the key is not the engineer's.
    """
    engineers = sorted(each.name for each in known.values() if each.role == "engineer")
    if not engineers:
        return
    public = known[name].public_key if name in engineers else None
    message = _message("record", name, at)
    if public is None or signer is None or not _is_signed_by(public, _sign(signer.key, message), message):
        raise NotAuthorised(
            f"That is for an engineer ({', '.join(engineers)}), who proves it with the own key: give --who and "
            "--engineer-key."
        )


def sign_revision(session: Session, revision: ProductRevision, signer: Signer, why: str) -> ProductSignature:
    """Have an engineer answer for a product revision.

    :raises NotAuthorised: the signer is no engineer here, or the key is not the engineer's.
    """
    row = ProductSignature(
        product_revision_id=revision.id,
        engineer=signer.name,
        reason=why,
        signed_utc=datetime.now(UTC),
        signature="",
    )
    row.signature = _sign(signer.key, _answer(row, revision))
    if not _answers(row, revision, people(session)):
        raise NotAuthorised(
            f"{signer.name} is not entered here as an engineer with that key: have it entered with rig people add, or "
            "name the right key."
        )
    session.add(row)
    session.flush()
    return row


def standing_of(session: Session, revision: ProductRevision, *, demonstration: bool) -> Standing:
    """On whose authority a product revision is used."""
    if demonstration:
        return Standing("demonstration")
    known = people(session)
    if not any(each.role == "engineer" for each in known.values()):
        return Standing("no roles")
    rows = session.scalars(
        select(ProductSignature)
        .where(ProductSignature.product_revision_id == revision.id)
        .order_by(ProductSignature.signed_utc.desc())
    )
    for row in rows:
        if _answers(row, revision, known):
            return Standing("signed", row.id, row.engineer, row.reason)
    return Standing("unsigned")


def _answers(row: ProductSignature, revision: ProductRevision, known: dict[str, Person]) -> bool:
    """Whether the signature is that of an engineer, over exactly this text."""
    person = known.get(row.engineer)
    return (
        person is not None
        and person.role == "engineer"
        and person.public_key is not None
        and content_sha256(revision.toml_text) == revision.content_sha256
        and _is_signed_by(person.public_key, row.signature, _answer(row, revision))
    )


def _entry(row: Person) -> bytes:
    return _message("person", row.name, row.role, row.public_key or "", row.entered_by, row.reason, row.entered_utc)


def _answer(row: ProductSignature, revision: ProductRevision) -> bytes:
    return _message(
        "product revision",
        str(revision.product_id),
        revision.content_sha256,
        row.engineer,
        row.reason,
        row.signed_utc,
    )


def _message(*parts: str | datetime) -> bytes:
    texts = [part if isinstance(part, str) else str((part - _EPOCH) // timedelta(microseconds=1)) for part in parts]
    return "\n".join(f"{len(text)}:{text}" for text in ("trimrig", *texts)).encode()


def _sign(key: "Ed25519PrivateKey", message: bytes) -> str:
    from db import signatures

    return signatures.sign(key, message)


def _is_signed_by(public: str, signature: str, message: bytes) -> bool:
    from db import signatures

    return signatures.is_signed_by(public, signature, message)
