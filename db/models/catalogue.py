"""What exists before a visit: products and benches with their revisions, instruments, units.

Their keys follow from their names (:mod:`db.keys`): two benches that never met enter the same unit under the same key.
"""

from datetime import datetime
from uuid import UUID

from sqlalchemy import CheckConstraint, UniqueConstraint
from sqlalchemy.orm import Mapped, mapped_column

from db import keys
from db.column_types import Identifier, UtcTime, Words
from db.models.base import STORAGE, Base, refers_to


class Product(Base, kw_only=True):
    """A kind of unit, by name."""

    __tablename__ = "product"
    __table_args__ = (STORAGE,)

    id: Mapped[UUID] = mapped_column(Identifier, primary_key=True, default=None)
    name: Mapped[str] = mapped_column(Words, unique=True)

    def __post_init__(self) -> None:
        """Give it its key."""
        self.id = self.id or keys.product_key(self.name)


class ProductRevision(Base, kw_only=True):
    """A product file as it was: its text, known by the SHA-256 of its UTF-8 bytes."""

    __tablename__ = "product_revision"
    __table_args__ = (
        UniqueConstraint("product_id", "content_sha256"),
        CheckConstraint("length(content_sha256) = 64", name="sha256"),
        STORAGE,
    )

    id: Mapped[UUID] = mapped_column(Identifier, primary_key=True, default=None)
    product_id: Mapped[UUID] = mapped_column(Identifier, refers_to("product.id"))
    content_sha256: Mapped[str] = mapped_column(Words)
    toml_text: Mapped[str] = mapped_column(Words)
    created_utc: Mapped[datetime] = mapped_column(UtcTime)

    def __post_init__(self) -> None:
        """Give it its key."""
        self.id = self.id or keys.product_revision_key(self.product_id, self.content_sha256)


class Bench(Base, kw_only=True):
    """A bench, by name."""

    __tablename__ = "bench"
    __table_args__ = (STORAGE,)

    id: Mapped[UUID] = mapped_column(Identifier, primary_key=True, default=None)
    name: Mapped[str] = mapped_column(Words, unique=True)

    def __post_init__(self) -> None:
        """Give it its key."""
        self.id = self.id or keys.bench_key(self.name)


class BenchRevision(Base, kw_only=True):
    """A bench file as it was: its text, known by the SHA-256 of its UTF-8 bytes."""

    __tablename__ = "bench_revision"
    __table_args__ = (
        UniqueConstraint("bench_id", "content_sha256"),
        CheckConstraint("length(content_sha256) = 64", name="sha256"),
        STORAGE,
    )

    id: Mapped[UUID] = mapped_column(Identifier, primary_key=True, default=None)
    bench_id: Mapped[UUID] = mapped_column(Identifier, refers_to("bench.id"))
    content_sha256: Mapped[str] = mapped_column(Words)
    toml_text: Mapped[str] = mapped_column(Words)
    created_utc: Mapped[datetime] = mapped_column(UtcTime)

    def __post_init__(self) -> None:
        """Give it its key."""
        self.id = self.id or keys.bench_revision_key(self.bench_id, self.content_sha256)


class Instrument(Base, kw_only=True):
    """An instrument as it identified itself; new firmware makes a new row."""

    __tablename__ = "instrument"
    __table_args__ = (UniqueConstraint("maker", "model", "serial", "firmware"), STORAGE)

    id: Mapped[UUID] = mapped_column(Identifier, primary_key=True, default=None)
    maker: Mapped[str] = mapped_column(Words)
    model: Mapped[str] = mapped_column(Words)
    serial: Mapped[str] = mapped_column(Words)
    firmware: Mapped[str] = mapped_column(Words)

    def __post_init__(self) -> None:
        """Give it its key."""
        self.id = self.id or keys.instrument_key(self.maker, self.model, self.serial, self.firmware)


class Unit(Base, kw_only=True):
    """One unit with its serial; the batch may be filled in once, nothing else changes."""

    __tablename__ = "unit"
    __table_args__ = (CheckConstraint("length(serial) > 0", name="serial"), STORAGE)

    id: Mapped[UUID] = mapped_column(Identifier, primary_key=True, default=None)
    serial: Mapped[str] = mapped_column(Words, unique=True)
    product_id: Mapped[UUID] = mapped_column(Identifier, refers_to("product.id"))
    batch_code: Mapped[str | None] = mapped_column(Words, index=True, default=None)

    def __post_init__(self) -> None:
        """Give it its key."""
        self.id = self.id or keys.unit_key(self.serial)
