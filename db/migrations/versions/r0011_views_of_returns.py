"""Views of what came back, what was done to it, and what was found to be the cause: one row each."""

from alembic import op

from db.migrations.versions.r0008_views import (
    DEMONSTRATION,
    OF_VISIT,
    STANDING_VERDICT,
    UNIT,
    text_of_key,
    time_twice,
)

revision = "r0011"
down_revision = "r0010"
branch_labels = None
depends_on = None


def statements(dialect: str) -> dict[str, str]:
    """Name and SELECT of every view, in the order in which they can be made."""
    if dialect == "sqlite":
        causes, sentence, place = "JOIN json_each(d.causes) c", "c.value", "c.key"
    else:
        listed = "json_array_elements_text(CAST(d.causes AS JSON)) WITH ORDINALITY AS c (sentence, number)"
        causes, sentence, place = f"CROSS JOIN LATERAL {listed}", "c.sentence", "CAST(c.number - 1 AS INTEGER)"
    return {
        "v_return": f"""
            SELECT r.id AS return_key, {text_of_key(dialect, "r.id")} AS return_id, {UNIT}, r.reason AS reason,
                r.complaint AS complaint, r.who AS who, {time_twice(dialect, "r.received_utc", "received")}
            FROM unit_return r JOIN unit u ON u.id = r.unit_id JOIN product p ON p.id = u.product_id
        """,
        "v_repair": f"""
            SELECT r.id AS repair_key, {text_of_key(dialect, "r.id")} AS repair_id, {UNIT}, r.parts AS parts,
                r.note AS note, r.who AS who, {time_twice(dialect, "r.done_utc", "done")}
            FROM repair r JOIN unit u ON u.id = r.unit_id JOIN product p ON p.id = u.product_id
        """,
        "v_cause": f"""
            SELECT v.id AS visit_key, {text_of_key(dialect, "v.id")} AS visit_id, {UNIT}, {place} AS place,
                {sentence} AS cause, d.decision AS decision, {time_twice(dialect, "d.created_utc", "created")},
                {DEMONSTRATION}
            FROM verdict d {causes} JOIN visit v ON v.id = d.visit_id {OF_VISIT}
            WHERE {STANDING_VERDICT}
        """,
    }


def upgrade() -> None:
    for name, select in statements(op.get_bind().dialect.name).items():
        op.execute(f"CREATE VIEW {name} AS {' '.join(select.split())}")
