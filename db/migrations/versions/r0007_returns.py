"""Units that came back: complaint, diagnosis, repair."""

import sqlalchemy as sa
from alembic import op

from db import column_types

revision = "r0007"
down_revision = "r0006"
branch_labels = None
depends_on = None

STORAGE = {"sqlite_with_rowid": False, "sqlite_strict": True}


def upgrade() -> None:
    op.create_table(
        "unit_return",
        sa.Column("id", column_types.Identifier(), nullable=False),
        sa.Column("unit_id", column_types.Identifier(), nullable=False),
        sa.Column("reason", column_types.Words(), nullable=False),
        sa.Column("complaint", column_types.Words(), nullable=False),
        sa.Column("who", column_types.Words(), nullable=False),
        sa.Column("received_utc", column_types.UtcTime(), nullable=False),
        sa.CheckConstraint("length(reason) > 0", name=op.f("ck_unit_return_reason")),
        sa.CheckConstraint("length(who) > 0", name=op.f("ck_unit_return_who")),
        _refers("fk_unit_return_unit_id", "unit_id", "unit.id"),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_unit_return")),
        **STORAGE,
    )
    op.create_index("ix_unit_return_unit_id_received_utc", "unit_return", ["unit_id", "received_utc"])
    op.create_table(
        "suspicion",
        sa.Column("visit_id", column_types.Identifier(), nullable=False),
        sa.Column("oscillator", column_types.Words(), nullable=False),
        sa.Column("rank", column_types.Count(), nullable=False, autoincrement=False),
        sa.Column("shipped_visit_id", column_types.Identifier(), nullable=False),
        sa.Column("suspect", column_types.Words(), nullable=False),
        sa.Column("probability", column_types.Real(), nullable=False),
        sa.Column("sentence", column_types.Words(), nullable=False),
        sa.CheckConstraint("probability >= 0 AND probability <= 1", name=op.f("ck_suspicion_probability")),
        _refers("fk_suspicion_visit_id", "visit_id", "visit.id"),
        _refers("fk_suspicion_shipped_visit_id", "shipped_visit_id", "visit.id"),
        sa.PrimaryKeyConstraint("visit_id", "oscillator", "rank", name=op.f("pk_suspicion")),
        **STORAGE,
    )
    op.create_table(
        "repair",
        sa.Column("id", column_types.Identifier(), nullable=False),
        sa.Column("unit_id", column_types.Identifier(), nullable=False),
        sa.Column("parts", column_types.Document(), nullable=False),
        sa.Column("note", column_types.Words(), nullable=False),
        sa.Column("who", column_types.Words(), nullable=False),
        sa.Column("done_utc", column_types.UtcTime(), nullable=False),
        sa.CheckConstraint("length(who) > 0", name=op.f("ck_repair_who")),
        _refers("fk_repair_unit_id", "unit_id", "unit.id"),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_repair")),
        **STORAGE,
    )
    op.create_index("ix_repair_unit_id_done_utc", "repair", ["unit_id", "done_utc"])


def _refers(name: str, column: str, target: str) -> sa.ForeignKeyConstraint:
    return sa.ForeignKeyConstraint([column], [target], name=name, initially="DEFERRED", deferrable=True)
