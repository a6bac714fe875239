"""Under which conditions a visit was measured: the room, how the CV was known, how each instrument was spoken to."""

import sqlalchemy as sa
from alembic import op

from db import column_types

revision = "r0005"
down_revision = "r0004"
branch_labels = None
depends_on = None

STORAGE = {"sqlite_with_rowid": False, "sqlite_strict": True}


def upgrade() -> None:
    op.create_table(
        "visit_condition",
        sa.Column("id", column_types.Identifier(), nullable=False),
        sa.Column("visit_id", column_types.Identifier(), nullable=False),
        sa.Column("moment", column_types.Words(), nullable=False),
        sa.Column("ambient_c", column_types.Real(), nullable=True),
        sa.Column("ambient_standard_uncertainty_k", column_types.Real(), nullable=True),
        sa.Column("ambient_by", column_types.Words(), nullable=True),
        sa.Column("cv_by", column_types.Words(), nullable=False),
        sa.Column("taken_utc", column_types.UtcTime(), nullable=False),
        _refers("fk_visit_condition_visit_id", ["visit_id"], ["visit.id"]),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_visit_condition")),
        **STORAGE,
    )
    op.create_index("ix_visit_condition_visit_id", "visit_condition", ["visit_id"])
    op.create_table(
        "instrument_profile",
        sa.Column("content_sha256", column_types.Words(), nullable=False),
        sa.Column("toml_text", column_types.Words(), nullable=False),
        sa.PrimaryKeyConstraint("content_sha256", name=op.f("pk_instrument_profile")),
        **STORAGE,
    )
    op.create_table(
        "visit_instrument_profile",
        sa.Column("visit_id", column_types.Identifier(), nullable=False),
        sa.Column("role", column_types.Words(), nullable=False),
        sa.Column("content_sha256", column_types.Words(), nullable=False),
        _refers("fk_visit_instrument_profile_visit_id", ["visit_id"], ["visit.id"]),
        _refers(
            "fk_visit_instrument_profile_content_sha256",
            ["content_sha256"],
            ["instrument_profile.content_sha256"],
        ),
        sa.PrimaryKeyConstraint("visit_id", "role", name=op.f("pk_visit_instrument_profile")),
        **STORAGE,
    )


def _refers(name: str, columns: list[str], target: list[str]) -> sa.ForeignKeyConstraint:
    return sa.ForeignKeyConstraint(columns, target, name=name, initially="DEFERRED", deferrable=True)
