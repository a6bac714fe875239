"""Why a visit that was interrupted was closed, by whom and when."""

import sqlalchemy as sa
from alembic import op

from db import column_types

revision = "r0010"
down_revision = "r0008"
branch_labels = None
depends_on = None

STORAGE = {"sqlite_with_rowid": False, "sqlite_strict": True}


def upgrade() -> None:
    op.create_table(
        "visit_closing",
        sa.Column("visit_id", column_types.Identifier(), nullable=False),
        sa.Column("reason", column_types.Words(), nullable=False),
        sa.Column("closed_by", column_types.Words(), nullable=False),
        sa.Column("closed_utc", column_types.UtcTime(), nullable=False),
        sa.CheckConstraint("reason <> ''", name=op.f("ck_visit_closing_reason")),
        sa.ForeignKeyConstraint(
            ["visit_id"],
            ["visit.id"],
            name="fk_visit_closing_visit_id",
            initially="DEFERRED",
            deferrable=True,
        ),
        sa.PrimaryKeyConstraint("visit_id", name=op.f("pk_visit_closing")),
        **STORAGE,
    )
