"""The uncertainty budget of every finding."""

import sqlalchemy as sa
from alembic import op

from db import column_types

revision = "r0004"
down_revision = "r0003"
branch_labels = None
depends_on = None


def upgrade() -> None:
    op.create_table(
        "finding_budgets",
        sa.Column("visit_id", column_types.Identifier(), nullable=False),
        sa.Column("phase", column_types.Words(), nullable=False),
        sa.Column("oscillator", column_types.Words(), nullable=False),
        sa.Column("version", column_types.Count(), nullable=False),
        sa.Column("document", column_types.Octets(), nullable=False),
        sa.CheckConstraint("phase IN ('as_found', 'as_left')", name=op.f("ck_finding_budgets_phase")),
        sa.CheckConstraint("version > 0", name=op.f("ck_finding_budgets_version")),
        sa.ForeignKeyConstraint(
            ["visit_id"],
            ["visit.id"],
            name=op.f("fk_finding_budgets_visit_id"),
            initially="DEFERRED",
            deferrable=True,
        ),
        sa.PrimaryKeyConstraint("visit_id", "phase", "oscillator", name=op.f("pk_finding_budgets")),
        sqlite_with_rowid=False,
        sqlite_strict=True,
    )
