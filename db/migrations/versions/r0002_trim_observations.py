"""What visits learn of trims, for the units that follow."""

import sqlalchemy as sa
from alembic import op

from db import column_types

revision = "r0002"
down_revision = "r0001"
branch_labels = None
depends_on = None

STORAGE = {"sqlite_with_rowid": False, "sqlite_strict": True}


def upgrade() -> None:
    op.create_table(
        "trim_observation",
        sa.Column("id", column_types.Identifier(), nullable=False),
        sa.Column("visit_id", column_types.Identifier(), nullable=False),
        sa.Column("product_revision_id", column_types.Identifier(), nullable=False),
        sa.Column("batch_code", column_types.Words(), nullable=True),
        sa.Column("oscillator", column_types.Words(), nullable=False),
        sa.Column("trim", column_types.Words(), nullable=False),
        sa.Column("quantity", column_types.Words(), nullable=False),
        sa.Column("value", column_types.Real(), nullable=False),
        sa.Column("standard_uncertainty", column_types.Real(), nullable=False),
        sa.Column("taken_utc", column_types.UtcTime(), nullable=False),
        sa.CheckConstraint("quantity IN ('gain', 'pivot')", name=op.f("ck_trim_observation_quantity")),
        sa.CheckConstraint("standard_uncertainty > 0", name=op.f("ck_trim_observation_uncertainty")),
        _refers("fk_trim_observation_product_revision_id", ["product_revision_id"], ["product_revision.id"]),
        _refers("fk_trim_observation_visit_id", ["visit_id"], ["visit.id"]),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_trim_observation")),
        **STORAGE,
    )
    op.create_index(
        "ix_trim_observation_of_batch",
        "trim_observation",
        ["batch_code", "product_revision_id", "trim", "quantity", "taken_utc"],
    )
    op.create_index(
        "ix_trim_observation_of_trim",
        "trim_observation",
        ["product_revision_id", "trim", "quantity", "taken_utc"],
    )
    op.create_index("ix_trim_observation_visit_id", "trim_observation", ["visit_id"])


def _refers(name: str, columns: list[str], target: list[str]) -> sa.ForeignKeyConstraint:
    return sa.ForeignKeyConstraint(columns, target, name=name, initially="DEFERRED", deferrable=True)
