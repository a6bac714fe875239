"""Why the record can be believed: chains of hashes, people and what they answer for, claims on units, changes."""

from collections.abc import Mapping
from datetime import datetime
from uuid import UUID

from sqlalchemy import CheckConstraint, Index
from sqlalchemy.orm import Mapped, mapped_column

from db.column_types import Count, Document, Identifier, JsonValue, UtcTime, Words
from db.models.base import STORAGE, Base, new_key, refers_to


class RecordChain(Base, kw_only=True):
    """A chain of links, written at one place with one key. ``key_id`` tells keys apart and gives none away."""

    __tablename__ = "record_chain"
    __table_args__ = (CheckConstraint("length(because) > 0", name="says_why"), STORAGE)

    id: Mapped[UUID] = mapped_column(Identifier, primary_key=True, default_factory=new_key)
    place: Mapped[str] = mapped_column(Words)
    key_id: Mapped[str] = mapped_column(Words)
    because: Mapped[str] = mapped_column(Words)
    began_utc: Mapped[datetime] = mapped_column(UtcTime)


class RecordLink(Base, kw_only=True):
    """One link: keyed hash over what it covers and over the link before it.

    ``subject`` 'visit' and 'adopted' cover every row of a visit, table by table; 'rows' covers single rows: what
    belongs to no visit, and what was added to one after its end.
    """

    __tablename__ = "record_link"
    __table_args__ = (
        Index("ix_record_link_visit_id", "visit_id"),
        CheckConstraint("subject IN ('visit', 'adopted', 'rows')", name="subject"),
        CheckConstraint("(subject = 'rows') = (visit_id IS NULL)", name="of_visit"),
        CheckConstraint("length(link) = 64", name="link"),
        STORAGE,
    )

    chain_id: Mapped[UUID] = mapped_column(Identifier, refers_to("record_chain.id"), primary_key=True)
    sequence: Mapped[int] = mapped_column(Count, primary_key=True, autoincrement=False)
    subject: Mapped[str] = mapped_column(Words)
    visit_id: Mapped[UUID | None] = mapped_column(Identifier, refers_to("visit.id"))
    digests: Mapped[Mapping[str, JsonValue]] = mapped_column(Document)
    link: Mapped[str] = mapped_column(Words)
    made_utc: Mapped[datetime] = mapped_column(UtcTime)


class Person(Base, kw_only=True):
    """Somebody who works here, in one role from one moment on; the latest row of a name counts.

    An engineer has a public key (Ed25519, as OpenSSH writes it). ``signature`` is that of the engineer who entered the
    row, over its text.
    """

    __tablename__ = "person"
    __table_args__ = (
        Index("ix_person_name", "name", "entered_utc"),
        CheckConstraint("role IN ('operator', 'engineer', 'left')", name="role"),
        CheckConstraint("length(name) > 0 AND length(entered_by) > 0 AND length(reason) > 0", name="says_why"),
        CheckConstraint("(role = 'engineer') = (public_key IS NOT NULL)", name="engineer_has_key"),
        STORAGE,
    )

    id: Mapped[UUID] = mapped_column(Identifier, primary_key=True, default_factory=new_key)
    name: Mapped[str] = mapped_column(Words)
    role: Mapped[str] = mapped_column(Words)
    public_key: Mapped[str | None] = mapped_column(Words, default=None)
    entered_by: Mapped[str] = mapped_column(Words)
    reason: Mapped[str] = mapped_column(Words)
    entered_utc: Mapped[datetime] = mapped_column(UtcTime)
    signature: Mapped[str | None] = mapped_column(Words, default=None)


class ProductSignature(Base, kw_only=True):
    """An engineer answers for a product revision: its limits and everything else in its file."""

    __tablename__ = "product_signature"
    __table_args__ = (
        Index("ix_product_signature_product_revision_id", "product_revision_id"),
        CheckConstraint("length(engineer) > 0 AND length(reason) > 0", name="says_why"),
        STORAGE,
    )

    id: Mapped[UUID] = mapped_column(Identifier, primary_key=True, default_factory=new_key)
    product_revision_id: Mapped[UUID] = mapped_column(Identifier, refers_to("product_revision.id"))
    engineer: Mapped[str] = mapped_column(Words)
    reason: Mapped[str] = mapped_column(Words)
    signed_utc: Mapped[datetime] = mapped_column(UtcTime)
    signature: Mapped[str] = mapped_column(Words)


class VisitAuthority(Base, kw_only=True):
    """On whose authority a visit judged: an engineer's signature, none in force here, or a demonstration."""

    __tablename__ = "visit_authority"
    __table_args__ = (
        CheckConstraint("authority IN ('signed', 'unsigned', 'no roles', 'demonstration')", name="authority"),
        CheckConstraint("(authority = 'signed') = (product_signature_id IS NOT NULL)", name="signature"),
        STORAGE,
    )

    visit_id: Mapped[UUID] = mapped_column(Identifier, refers_to("visit.id"), primary_key=True)
    authority: Mapped[str] = mapped_column(Words)
    product_signature_id: Mapped[UUID | None] = mapped_column(
        Identifier, refers_to("product_signature.id"), default=None
    )


class UnitClaim(Base, kw_only=True):
    """A bench has a unit until a moment of the server's clock; the latest row of a serial counts.

    A claim is renewed and ended by further rows of the same ``run``.
    """

    __tablename__ = "unit_claim"
    __table_args__ = (
        Index("ix_unit_claim_serial", "serial", "made_utc"),
        CheckConstraint("expires_utc >= made_utc", name="order"),
        STORAGE,
    )

    id: Mapped[UUID] = mapped_column(Identifier, primary_key=True, default_factory=new_key)
    run: Mapped[UUID] = mapped_column(Identifier)
    serial: Mapped[str] = mapped_column(Words)
    bench: Mapped[str] = mapped_column(Words)
    operator: Mapped[str] = mapped_column(Words)
    made_utc: Mapped[datetime] = mapped_column(UtcTime)
    expires_utc: Mapped[datetime] = mapped_column(UtcTime)


class RecordChange(Base, kw_only=True):
    """Something was done to the record as a whole: restored, moved, adopted. Who, when and why."""

    __tablename__ = "record_change"
    __table_args__ = (
        CheckConstraint("length(what) > 0 AND length(who) > 0 AND length(reason) > 0", name="says_why"),
        STORAGE,
    )

    id: Mapped[UUID] = mapped_column(Identifier, primary_key=True, default_factory=new_key)
    what: Mapped[str] = mapped_column(Words)
    who: Mapped[str] = mapped_column(Words)
    reason: Mapped[str] = mapped_column(Words)
    made_utc: Mapped[datetime] = mapped_column(UtcTime)
