"""What is known of a bench itself: curves of its source, checks with the reference unit, studies."""

import sqlalchemy as sa
from alembic import op

from db import column_types

revision = "r0003"
down_revision = "r0002"
branch_labels = None
depends_on = None

STORAGE = {"sqlite_with_rowid": False, "sqlite_strict": True}


def upgrade() -> None:
    op.create_table(
        "source_curve",
        sa.Column("characterisation_id", column_types.Identifier(), nullable=False),
        sa.Column("low_v", column_types.Real(), nullable=False),
        sa.Column("high_v", column_types.Real(), nullable=False),
        sa.Column("own_standard_uncertainty_v", column_types.Real(), nullable=False),
        sa.Column("scatter_v", column_types.Real(), nullable=False),
        sa.Column("roughness_v", column_types.Real(), nullable=False),
        sa.Column("hysteresis_v", column_types.Real(), nullable=False),
        sa.CheckConstraint("low_v < high_v", name=op.f("ck_source_curve_span")),
        sa.CheckConstraint("own_standard_uncertainty_v >= 0", name=op.f("ck_source_curve_uncertainty")),
        _refers("fk_source_curve_characterisation_id", ["characterisation_id"], ["characterisation.id"]),
        sa.PrimaryKeyConstraint("characterisation_id", name=op.f("pk_source_curve")),
        **STORAGE,
    )
    op.create_table(
        "bench_check",
        sa.Column("id", column_types.Identifier(), nullable=False),
        sa.Column("visit_id", column_types.Identifier(), nullable=False),
        sa.Column("standing", column_types.Words(), nullable=False),
        sa.Column("restart_reason", column_types.Words(), nullable=False),
        sa.Column("taken_utc", column_types.UtcTime(), nullable=False),
        _refers("fk_bench_check_visit_id", ["visit_id"], ["visit.id"]),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_bench_check")),
        sa.UniqueConstraint("visit_id", name=op.f("uq_bench_check_visit_id")),
        **STORAGE,
    )
    op.create_index("ix_bench_check_taken_utc", "bench_check", ["taken_utc"])
    op.create_table(
        "bench_check_value",
        sa.Column("check_id", column_types.Identifier(), nullable=False),
        sa.Column("characteristic", column_types.Words(), nullable=False),
        sa.Column("label", column_types.Words(), nullable=False),
        sa.Column("value", column_types.Real(), nullable=False),
        sa.Column("unit", column_types.Words(), nullable=False),
        sa.Column("expanded_uncertainty", column_types.Real(), nullable=False),
        sa.Column("history_value", column_types.Real(), nullable=True),
        sa.Column("history_count", column_types.Count(), nullable=False),
        sa.Column("normalised_error", column_types.Real(), nullable=True),
        sa.Column("standing", column_types.Words(), nullable=False),
        _refers("fk_bench_check_value_check_id", ["check_id"], ["bench_check.id"]),
        sa.PrimaryKeyConstraint("check_id", "characteristic", name=op.f("pk_bench_check_value")),
        **STORAGE,
    )
    op.create_table(
        "bench_study",
        sa.Column("id", column_types.Identifier(), nullable=False),
        sa.Column("bench_revision_id", column_types.Identifier(), nullable=False),
        sa.Column("product_revision_id", column_types.Identifier(), nullable=False),
        sa.Column("units", column_types.Count(), nullable=False),
        sa.Column("operators", column_types.Count(), nullable=False),
        sa.Column("repeats", column_types.Count(), nullable=False),
        sa.Column("started_utc", column_types.UtcTime(), nullable=False),
        _refers("fk_bench_study_bench_revision_id", ["bench_revision_id"], ["bench_revision.id"]),
        _refers("fk_bench_study_product_revision_id", ["product_revision_id"], ["product_revision.id"]),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_bench_study")),
        **STORAGE,
    )
    op.create_index("ix_bench_study_started_utc", "bench_study", ["started_utc"])
    op.create_table(
        "bench_study_reading",
        sa.Column("study_id", column_types.Identifier(), nullable=False),
        sa.Column("visit_id", column_types.Identifier(), nullable=False),
        sa.Column("characteristic", column_types.Words(), nullable=False),
        sa.Column("operator", column_types.Words(), nullable=False),
        sa.Column("repeat", column_types.Count(), nullable=False),
        sa.Column("value", column_types.Real(), nullable=False),
        sa.Column("unit", column_types.Words(), nullable=False),
        _refers("fk_bench_study_reading_study_id", ["study_id"], ["bench_study.id"]),
        _refers("fk_bench_study_reading_visit_id", ["visit_id"], ["visit.id"]),
        sa.PrimaryKeyConstraint("study_id", "visit_id", "characteristic", name=op.f("pk_bench_study_reading")),
        **STORAGE,
    )


def _refers(name: str, columns: list[str], target: list[str]) -> sa.ForeignKeyConstraint:
    return sa.ForeignKeyConstraint(columns, target, name=name, initially="DEFERRED", deferrable=True)
