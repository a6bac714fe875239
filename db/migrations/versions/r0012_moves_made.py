"""Moves per trim without those that nobody made: a trim that was left alone was not turned."""

from alembic import op

from db.migrations.versions.r0008_views import DEMONSTRATION, DEMONSTRATION_VALUE, OF_VISIT

revision = "r0012"
down_revision = "r0011"
branch_labels = None
depends_on = None

VIEW = "v_moves_per_trim"


def statements(_dialect: str) -> dict[str, str]:
    """Name and SELECT of the view."""
    return {
        VIEW: f"""
            SELECT p.name AS product, u.batch_code AS batch, m.trim AS trim,
                {DEMONSTRATION}, COUNT(DISTINCT v.id) AS visits, COUNT(*) AS moves,
                CAST(COUNT(*) AS DOUBLE PRECISION) / COUNT(DISTINCT v.id) AS moves_per_visit,
                AVG(ABS(m.turns_estimate)) AS mean_turns
            FROM move m JOIN visit v ON v.id = m.visit_id {OF_VISIT}
            WHERE substr(m.outcome, 1, 10) <> 'left alone'
            GROUP BY p.name, u.batch_code, m.trim, {DEMONSTRATION_VALUE}
        """
    }


def upgrade() -> None:
    op.execute(f"DROP VIEW {VIEW}")
    for name, select in statements(op.get_bind().dialect.name).items():
        op.execute(f"CREATE VIEW {name} AS {' '.join(select.split())}")
