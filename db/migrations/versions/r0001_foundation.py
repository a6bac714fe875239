"""The foundation: products, benches, units, visits, what was measured, found and decided."""

import sqlalchemy as sa
from alembic import op

from db import column_types

revision = "r0001"
down_revision = None
branch_labels = None
depends_on = None

STORAGE = {"sqlite_with_rowid": False, "sqlite_strict": True}


def upgrade() -> None:
    op.create_table(
        "bench",
        sa.Column("id", column_types.Identifier(), nullable=False),
        sa.Column("name", column_types.Words(), nullable=False),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_bench")),
        sa.UniqueConstraint("name", name=op.f("uq_bench_name")),
        **STORAGE,
    )
    op.create_table(
        "instrument",
        sa.Column("id", column_types.Identifier(), nullable=False),
        sa.Column("maker", column_types.Words(), nullable=False),
        sa.Column("model", column_types.Words(), nullable=False),
        sa.Column("serial", column_types.Words(), nullable=False),
        sa.Column("firmware", column_types.Words(), nullable=False),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_instrument")),
        sa.UniqueConstraint(
            "maker", "model", "serial", "firmware", name=op.f("uq_instrument_maker_model_serial_firmware")
        ),
        **STORAGE,
    )
    op.create_table(
        "product",
        sa.Column("id", column_types.Identifier(), nullable=False),
        sa.Column("name", column_types.Words(), nullable=False),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_product")),
        sa.UniqueConstraint("name", name=op.f("uq_product_name")),
        **STORAGE,
    )
    op.create_table(
        "bench_revision",
        sa.Column("id", column_types.Identifier(), nullable=False),
        sa.Column("bench_id", column_types.Identifier(), nullable=False),
        sa.Column("content_sha256", column_types.Words(), nullable=False),
        sa.Column("toml_text", column_types.Words(), nullable=False),
        sa.Column("created_utc", column_types.UtcTime(), nullable=False),
        sa.CheckConstraint("length(content_sha256) = 64", name=op.f("ck_bench_revision_sha256")),
        _refers("fk_bench_revision_bench_id", ["bench_id"], ["bench.id"]),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_bench_revision")),
        sa.UniqueConstraint("bench_id", "content_sha256", name=op.f("uq_bench_revision_bench_id_content_sha256")),
        **STORAGE,
    )
    op.create_table(
        "product_revision",
        sa.Column("id", column_types.Identifier(), nullable=False),
        sa.Column("product_id", column_types.Identifier(), nullable=False),
        sa.Column("content_sha256", column_types.Words(), nullable=False),
        sa.Column("toml_text", column_types.Words(), nullable=False),
        sa.Column("created_utc", column_types.UtcTime(), nullable=False),
        sa.CheckConstraint("length(content_sha256) = 64", name=op.f("ck_product_revision_sha256")),
        _refers("fk_product_revision_product_id", ["product_id"], ["product.id"]),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_product_revision")),
        sa.UniqueConstraint("product_id", "content_sha256", name=op.f("uq_product_revision_product_id_content_sha256")),
        **STORAGE,
    )
    op.create_table(
        "unit",
        sa.Column("id", column_types.Identifier(), nullable=False),
        sa.Column("serial", column_types.Words(), nullable=False),
        sa.Column("product_id", column_types.Identifier(), nullable=False),
        sa.Column("batch_code", column_types.Words(), nullable=True),
        sa.CheckConstraint("length(serial) > 0", name=op.f("ck_unit_serial")),
        _refers("fk_unit_product_id", ["product_id"], ["product.id"]),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_unit")),
        sa.UniqueConstraint("serial", name=op.f("uq_unit_serial")),
        **STORAGE,
    )
    op.create_index(op.f("ix_unit_batch_code"), "unit", ["batch_code"])
    op.create_table(
        "characterisation",
        sa.Column("id", column_types.Identifier(), nullable=False),
        sa.Column("bench_revision_id", column_types.Identifier(), nullable=False),
        sa.Column("source_instrument_id", column_types.Identifier(), nullable=False),
        sa.Column("meter_instrument_id", column_types.Identifier(), nullable=False),
        sa.Column("taken_utc", column_types.UtcTime(), nullable=False),
        sa.Column("valid_until_utc", column_types.UtcTime(), nullable=False),
        sa.Column("law", column_types.Words(), nullable=False),
        sa.Column("coefficients", column_types.Document(), nullable=False),
        sa.Column("covariance", column_types.Document(), nullable=False),
        sa.Column("chi_squared", column_types.Real(), nullable=False),
        sa.Column("degrees_of_freedom", column_types.Count(), nullable=False),
        sa.Column("points", column_types.Document(), nullable=False),
        sa.CheckConstraint("valid_until_utc >= taken_utc", name=op.f("ck_characterisation_validity")),
        _refers("fk_characterisation_bench_revision_id", ["bench_revision_id"], ["bench_revision.id"]),
        _refers("fk_characterisation_meter_instrument_id", ["meter_instrument_id"], ["instrument.id"]),
        _refers("fk_characterisation_source_instrument_id", ["source_instrument_id"], ["instrument.id"]),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_characterisation")),
        **STORAGE,
    )
    op.create_index(
        "ix_characterisation_source_instrument_id_taken_utc",
        "characterisation",
        ["source_instrument_id", "taken_utc"],
    )
    op.create_table(
        "visit",
        sa.Column("id", column_types.Identifier(), nullable=False),
        sa.Column("unit_id", column_types.Identifier(), nullable=False),
        sa.Column("product_revision_id", column_types.Identifier(), nullable=False),
        sa.Column("bench_revision_id", column_types.Identifier(), nullable=False),
        sa.Column("operator", column_types.Words(), nullable=False),
        sa.Column("purpose", column_types.Words(), nullable=False),
        sa.Column("software_version", column_types.Words(), nullable=False),
        sa.Column("started_utc", column_types.UtcTime(), nullable=False),
        sa.Column("ended_utc", column_types.UtcTime(), nullable=True),
        sa.Column("outcome", column_types.Words(), nullable=True),
        sa.Column("ambient_c", column_types.Real(), nullable=True),
        sa.Column("demonstration", column_types.Flag(), nullable=False),
        sa.Column("seed", column_types.Count(), nullable=True),
        sa.CheckConstraint("outcome IN ('finished', 'stopped', 'failed')", name=op.f("ck_visit_outcome")),
        sa.CheckConstraint("(ended_utc IS NULL) = (outcome IS NULL)", name=op.f("ck_visit_ended_with_outcome")),
        _refers("fk_visit_bench_revision_id", ["bench_revision_id"], ["bench_revision.id"]),
        _refers("fk_visit_product_revision_id", ["product_revision_id"], ["product_revision.id"]),
        _refers("fk_visit_unit_id", ["unit_id"], ["unit.id"]),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_visit")),
        **STORAGE,
    )
    op.create_index(
        "ix_visit_unfinished",
        "visit",
        ["bench_revision_id"],
        sqlite_where=sa.text("ended_utc IS NULL"),
        postgresql_where=sa.text("ended_utc IS NULL"),
    )
    op.create_index("ix_visit_unit_id_started_utc", "visit", ["unit_id", "started_utc"])
    op.create_table(
        "finding",
        sa.Column("visit_id", column_types.Identifier(), nullable=False),
        sa.Column("phase", column_types.Words(), nullable=False),
        sa.Column("characteristic", column_types.Words(), nullable=False),
        sa.Column("revision", column_types.Count(), autoincrement=False, nullable=False),
        sa.Column("value", column_types.Real(), nullable=True),
        sa.Column("unit", column_types.Words(), nullable=False),
        sa.Column("expanded_uncertainty", column_types.Real(), nullable=True),
        sa.Column("coverage_probability", column_types.Real(), nullable=True),
        sa.Column("lower_limit", column_types.Real(), nullable=True),
        sa.Column("upper_limit", column_types.Real(), nullable=True),
        sa.Column("bound_low", column_types.Real(), nullable=True),
        sa.Column("bound_high", column_types.Real(), nullable=True),
        sa.Column("rule", column_types.Words(), nullable=False),
        sa.Column("decision", column_types.Words(), nullable=False),
        sa.Column("note", column_types.Words(), nullable=True),
        sa.Column("created_utc", column_types.UtcTime(), nullable=False),
        sa.CheckConstraint("phase IN ('as_found', 'as_left')", name=op.f("ck_finding_phase")),
        sa.CheckConstraint(
            "revision = 0 OR (revision > 0 AND note IS NOT NULL AND length(note) > 0)",
            name=op.f("ck_finding_correction_says_why"),
        ),
        _refers("fk_finding_visit_id", ["visit_id"], ["visit.id"]),
        sa.PrimaryKeyConstraint("visit_id", "phase", "characteristic", "revision", name=op.f("pk_finding")),
        **STORAGE,
    )
    op.create_table(
        "move",
        sa.Column("visit_id", column_types.Identifier(), nullable=False),
        sa.Column("sequence", column_types.Count(), autoincrement=False, nullable=False),
        sa.Column("trim", column_types.Words(), nullable=False),
        sa.Column("target_value", column_types.Real(), nullable=False),
        sa.Column("target_unit", column_types.Words(), nullable=False),
        sa.Column("held_cv_v", column_types.Real(), nullable=True),
        sa.Column("controls", column_types.Document(), nullable=False),
        sa.Column("turns_estimate", column_types.Real(), nullable=True),
        sa.Column("reading_before", column_types.Real(), nullable=True),
        sa.Column("reading_after", column_types.Real(), nullable=True),
        sa.Column("outcome", column_types.Words(), nullable=False),
        sa.Column("started_utc", column_types.UtcTime(), nullable=False),
        sa.Column("ended_utc", column_types.UtcTime(), nullable=False),
        sa.CheckConstraint("ended_utc >= started_utc", name=op.f("ck_move_order")),
        _refers("fk_move_visit_id", ["visit_id"], ["visit.id"]),
        sa.PrimaryKeyConstraint("visit_id", "sequence", name=op.f("pk_move")),
        **STORAGE,
    )
    op.create_table(
        "reading",
        sa.Column("id", column_types.Identifier(), nullable=False),
        sa.Column("visit_id", column_types.Identifier(), nullable=False),
        sa.Column("purpose", column_types.Words(), nullable=False),
        sa.Column("quantity", column_types.Words(), nullable=False),
        sa.Column("controls", column_types.Document(), nullable=False),
        sa.Column("value", column_types.Real(), nullable=False),
        sa.Column("unit", column_types.Words(), nullable=False),
        sa.Column("standard_uncertainty", column_types.Real(), nullable=False),
        sa.Column("taken_utc", column_types.UtcTime(), nullable=False),
        _refers("fk_reading_visit_id", ["visit_id"], ["visit.id"]),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_reading")),
        **STORAGE,
    )
    op.create_index("ix_reading_visit_id", "reading", ["visit_id"])
    op.create_table(
        "sweep",
        sa.Column("id", column_types.Identifier(), nullable=False),
        sa.Column("visit_id", column_types.Identifier(), nullable=False),
        sa.Column("purpose", column_types.Words(), nullable=False),
        sa.Column("sequence", column_types.Count(), nullable=False),
        sa.Column("started_utc", column_types.UtcTime(), nullable=False),
        sa.Column("controls", column_types.Document(), nullable=False),
        sa.Column("note", column_types.Words(), nullable=True),
        _refers("fk_sweep_visit_id", ["visit_id"], ["visit.id"]),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_sweep")),
        sa.UniqueConstraint("visit_id", "sequence", name=op.f("uq_sweep_visit_id_sequence")),
        **STORAGE,
    )
    op.create_table(
        "verdict",
        sa.Column("id", column_types.Identifier(), nullable=False),
        sa.Column("visit_id", column_types.Identifier(), nullable=False),
        sa.Column("decision", column_types.Words(), nullable=False),
        sa.Column("causes", column_types.Document(), nullable=False),
        sa.Column("reason", column_types.Words(), nullable=False),
        sa.Column("corrects_verdict_id", column_types.Identifier(), nullable=True),
        sa.Column("created_utc", column_types.UtcTime(), nullable=False),
        sa.CheckConstraint("corrects_verdict_id <> id", name=op.f("ck_verdict_not_itself")),
        sa.CheckConstraint(
            "corrects_verdict_id IS NULL OR length(reason) > 0", name=op.f("ck_verdict_correction_says_why")
        ),
        _refers(
            "fk_verdict_corrects_verdict_id_visit_id",
            ["corrects_verdict_id", "visit_id"],
            ["verdict.id", "verdict.visit_id"],
        ),
        _refers("fk_verdict_visit_id", ["visit_id"], ["visit.id"]),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_verdict")),
        sa.UniqueConstraint("corrects_verdict_id", name=op.f("uq_verdict_corrects_verdict_id")),
        sa.UniqueConstraint("id", "visit_id", name=op.f("uq_verdict_id_visit_id")),
        **STORAGE,
    )
    op.create_index("ix_verdict_visit_id", "verdict", ["visit_id"])
    op.create_index(
        "uq_verdict_first",
        "verdict",
        ["visit_id"],
        unique=True,
        sqlite_where=sa.text("corrects_verdict_id IS NULL"),
        postgresql_where=sa.text("corrects_verdict_id IS NULL"),
    )
    op.create_table(
        "visit_instrument",
        sa.Column("visit_id", column_types.Identifier(), nullable=False),
        sa.Column("role", column_types.Words(), nullable=False),
        sa.Column("instrument_id", column_types.Identifier(), nullable=False),
        sa.Column("calibrated_on", column_types.Day(), nullable=True),
        sa.Column("calibration_due", column_types.Day(), nullable=True),
        _refers("fk_visit_instrument_instrument_id", ["instrument_id"], ["instrument.id"]),
        _refers("fk_visit_instrument_visit_id", ["visit_id"], ["visit.id"]),
        sa.PrimaryKeyConstraint("visit_id", "role", name=op.f("pk_visit_instrument")),
        **STORAGE,
    )
    op.create_table(
        "point",
        sa.Column("sweep_id", column_types.Identifier(), nullable=False),
        sa.Column("point_index", column_types.Count(), autoincrement=False, nullable=False),
        sa.Column("cv_programmed_v", column_types.Real(), nullable=False),
        sa.Column("cv_v", column_types.Real(), nullable=False),
        sa.Column("cv_standard_uncertainty_v", column_types.Real(), nullable=False),
        sa.Column("read_back_v", column_types.Real(), nullable=True),
        sa.Column("frequency_hz", column_types.Real(), nullable=False),
        sa.Column("relative_standard_uncertainty", column_types.Real(), nullable=False),
        sa.Column("gate_s", column_types.Real(), nullable=False),
        sa.Column("elapsed_s", column_types.Real(), nullable=False),
        sa.Column("taken_utc", column_types.UtcTime(), nullable=False),
        sa.Column("readings_count", column_types.Count(), nullable=False),
        sa.Column("revisit", column_types.Flag(), nullable=False),
        _refers("fk_point_sweep_id", ["sweep_id"], ["sweep.id"]),
        sa.PrimaryKeyConstraint("sweep_id", "point_index", name=op.f("pk_point")),
        **STORAGE,
    )
    op.create_table(
        "recommendation",
        sa.Column("id", column_types.Identifier(), nullable=False),
        sa.Column("visit_id", column_types.Identifier(), nullable=False),
        sa.Column("sweep_id", column_types.Identifier(), nullable=False),
        sa.Column("document", column_types.Document(), nullable=False),
        _refers("fk_recommendation_sweep_id", ["sweep_id"], ["sweep.id"]),
        _refers("fk_recommendation_visit_id", ["visit_id"], ["visit.id"]),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_recommendation")),
        **STORAGE,
    )
    op.create_index("ix_recommendation_visit_id", "recommendation", ["visit_id"])
    op.create_table(
        "tracking_fit",
        sa.Column("id", column_types.Identifier(), nullable=False),
        sa.Column("sweep_id", column_types.Identifier(), nullable=False),
        sa.Column("core_pitch_octaves", column_types.Real(), nullable=False),
        sa.Column("slope", column_types.Real(), nullable=False),
        sa.Column("leakage_hz", column_types.Real(), nullable=False),
        sa.Column("dead_time_s", column_types.Real(), nullable=False),
        sa.Column("covariance", column_types.Document(), nullable=False),
        sa.Column("drift_low_cents_per_minute", column_types.Real(), nullable=True),
        sa.Column("drift_high_cents_per_minute", column_types.Real(), nullable=True),
        sa.Column("chi_squared", column_types.Real(), nullable=False),
        sa.Column("degrees_of_freedom", column_types.Count(), nullable=False),
        sa.Column("lack_of_fit_probability", column_types.Real(), nullable=True),
        _refers("fk_tracking_fit_sweep_id", ["sweep_id"], ["sweep.id"]),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_tracking_fit")),
        **STORAGE,
    )
    op.create_index("ix_tracking_fit_sweep_id", "tracking_fit", ["sweep_id"])


def _refers(name: str, columns: list[str], target: list[str]) -> sa.ForeignKeyConstraint:
    return sa.ForeignKeyConstraint(columns, target, name=name, initially="DEFERRED", deferrable=True)
