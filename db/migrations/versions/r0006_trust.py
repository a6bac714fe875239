"""Who changed what, when and why; the chain of hashes over finished records; claims on units.

Products, benches, instruments and units get keys that follow from their names, so that several benches enter the same
thing under the same key.
"""

from collections.abc import Callable
from uuid import UUID

import sqlalchemy as sa
from alembic import op

from db import column_types, keys

revision = "r0006"
down_revision = "r0005"
branch_labels = None
depends_on = None

STORAGE = {"sqlite_with_rowid": False, "sqlite_strict": True}


def upgrade() -> None:
    _key_by_name()
    op.create_table(
        "record_chain",
        sa.Column("id", column_types.Identifier(), nullable=False),
        sa.Column("place", column_types.Words(), nullable=False),
        sa.Column("key_id", column_types.Words(), nullable=False),
        sa.Column("because", column_types.Words(), nullable=False),
        sa.Column("began_utc", column_types.UtcTime(), nullable=False),
        sa.CheckConstraint("length(because) > 0", name=op.f("ck_record_chain_says_why")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_record_chain")),
        **STORAGE,
    )
    op.create_table(
        "record_link",
        sa.Column("chain_id", column_types.Identifier(), nullable=False),
        sa.Column("sequence", column_types.Count(), autoincrement=False, nullable=False),
        sa.Column("subject", column_types.Words(), nullable=False),
        sa.Column("visit_id", column_types.Identifier(), nullable=True),
        sa.Column("digests", column_types.Document(), nullable=False),
        sa.Column("link", column_types.Words(), nullable=False),
        sa.Column("made_utc", column_types.UtcTime(), nullable=False),
        sa.CheckConstraint("subject IN ('visit', 'adopted', 'rows')", name=op.f("ck_record_link_subject")),
        sa.CheckConstraint("(subject = 'rows') = (visit_id IS NULL)", name=op.f("ck_record_link_of_visit")),
        sa.CheckConstraint("length(link) = 64", name=op.f("ck_record_link_link")),
        _refers("fk_record_link_chain_id", ["chain_id"], ["record_chain.id"]),
        _refers("fk_record_link_visit_id", ["visit_id"], ["visit.id"]),
        sa.PrimaryKeyConstraint("chain_id", "sequence", name=op.f("pk_record_link")),
        **STORAGE,
    )
    op.create_index("ix_record_link_visit_id", "record_link", ["visit_id"])
    _people()
    op.create_table(
        "unit_claim",
        sa.Column("id", column_types.Identifier(), nullable=False),
        sa.Column("run", column_types.Identifier(), nullable=False),
        sa.Column("serial", column_types.Words(), nullable=False),
        sa.Column("bench", column_types.Words(), nullable=False),
        sa.Column("operator", column_types.Words(), nullable=False),
        sa.Column("made_utc", column_types.UtcTime(), nullable=False),
        sa.Column("expires_utc", column_types.UtcTime(), nullable=False),
        sa.CheckConstraint("expires_utc >= made_utc", name=op.f("ck_unit_claim_order")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_unit_claim")),
        **STORAGE,
    )
    op.create_index("ix_unit_claim_serial", "unit_claim", ["serial", "made_utc"])
    op.create_table(
        "record_change",
        sa.Column("id", column_types.Identifier(), nullable=False),
        sa.Column("what", column_types.Words(), nullable=False),
        sa.Column("who", column_types.Words(), nullable=False),
        sa.Column("reason", column_types.Words(), nullable=False),
        sa.Column("made_utc", column_types.UtcTime(), nullable=False),
        sa.CheckConstraint(
            "length(what) > 0 AND length(who) > 0 AND length(reason) > 0", name=op.f("ck_record_change_says_why")
        ),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_record_change")),
        **STORAGE,
    )
    op.create_index("ix_bench_study_reading_visit_id", "bench_study_reading", ["visit_id"])


def _people() -> None:
    op.create_table(
        "person",
        sa.Column("id", column_types.Identifier(), nullable=False),
        sa.Column("name", column_types.Words(), nullable=False),
        sa.Column("role", column_types.Words(), nullable=False),
        sa.Column("public_key", column_types.Words(), nullable=True),
        sa.Column("entered_by", column_types.Words(), nullable=False),
        sa.Column("reason", column_types.Words(), nullable=False),
        sa.Column("entered_utc", column_types.UtcTime(), nullable=False),
        sa.Column("signature", column_types.Words(), nullable=True),
        sa.CheckConstraint("role IN ('operator', 'engineer', 'left')", name=op.f("ck_person_role")),
        sa.CheckConstraint(
            "length(name) > 0 AND length(entered_by) > 0 AND length(reason) > 0", name=op.f("ck_person_says_why")
        ),
        sa.CheckConstraint("(role = 'engineer') = (public_key IS NOT NULL)", name=op.f("ck_person_engineer_has_key")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_person")),
        **STORAGE,
    )
    op.create_index("ix_person_name", "person", ["name", "entered_utc"])
    op.create_table(
        "product_signature",
        sa.Column("id", column_types.Identifier(), nullable=False),
        sa.Column("product_revision_id", column_types.Identifier(), nullable=False),
        sa.Column("engineer", column_types.Words(), nullable=False),
        sa.Column("reason", column_types.Words(), nullable=False),
        sa.Column("signed_utc", column_types.UtcTime(), nullable=False),
        sa.Column("signature", column_types.Words(), nullable=False),
        sa.CheckConstraint("length(engineer) > 0 AND length(reason) > 0", name=op.f("ck_product_signature_says_why")),
        _refers("fk_product_signature_product_revision_id", ["product_revision_id"], ["product_revision.id"]),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_product_signature")),
        **STORAGE,
    )
    op.create_index("ix_product_signature_product_revision_id", "product_signature", ["product_revision_id"])
    op.create_table(
        "visit_authority",
        sa.Column("visit_id", column_types.Identifier(), nullable=False),
        sa.Column("authority", column_types.Words(), nullable=False),
        sa.Column("product_signature_id", column_types.Identifier(), nullable=True),
        sa.CheckConstraint(
            "authority IN ('signed', 'unsigned', 'no roles', 'demonstration')",
            name=op.f("ck_visit_authority_authority"),
        ),
        sa.CheckConstraint(
            "(authority = 'signed') = (product_signature_id IS NOT NULL)", name=op.f("ck_visit_authority_signature")
        ),
        _refers("fk_visit_authority_product_signature_id", ["product_signature_id"], ["product_signature.id"]),
        _refers("fk_visit_authority_visit_id", ["visit_id"], ["visit.id"]),
        sa.PrimaryKeyConstraint("visit_id", name=op.f("pk_visit_authority")),
        **STORAGE,
    )


def _key_by_name() -> None:
    """Parents before their children: a revision's key follows from its product's or bench's."""
    _give_keys("product", ["name"], keys.product_key)
    _give_keys("bench", ["name"], keys.bench_key)
    _give_keys("product_revision", ["product_id", "content_sha256"], keys.product_revision_key)
    _give_keys("bench_revision", ["bench_id", "content_sha256"], keys.bench_revision_key)
    _give_keys("instrument", ["maker", "model", "serial", "firmware"], keys.instrument_key)
    _give_keys("unit", ["serial"], keys.unit_key)


def _give_keys(table: str, named: list[str], key: Callable[..., UUID]) -> None:
    identifiers = {"id", "product_id", "bench_id"}
    kinds = {name: column_types.Identifier() if name in identifiers else column_types.Words() for name in named}
    rows = sa.table(table, sa.column("id", column_types.Identifier()), *(sa.column(n, k) for n, k in kinds.items()))
    bind = op.get_bind()
    changed = [
        {"old": row[0], "new": new}
        for row in bind.execute(sa.select(*rows.columns)).all()
        if (new := key(*row[1:])) != row[0]
    ]
    if not changed:
        return
    for referring, column in (*_referring(bind, table), (table, "id")):
        at = sa.column(column, column_types.Identifier())
        bind.execute(
            sa.update(sa.table(referring, at)).where(at == sa.bindparam("old")).values({at: sa.bindparam("new")}),
            changed,
        )


def _referring(bind: sa.Connection, table: str) -> list[tuple[str, str]]:
    inspector = sa.inspect(bind)
    return [
        (each, key["constrained_columns"][key["referred_columns"].index("id")])
        for each in inspector.get_table_names()
        for key in inspector.get_foreign_keys(each)
        if key["referred_table"] == table
    ]


def _refers(name: str, columns: list[str], target: list[str]) -> sa.ForeignKeyConstraint:
    return sa.ForeignKeyConstraint(columns, target, name=name, initially="DEFERRED", deferrable=True)
