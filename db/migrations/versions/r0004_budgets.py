"""The uncertainty budget of every finding."""

revision = "r0004"
down_revision = "r0003"
branch_labels = None
depends_on = None


def upgrade() -> None:
    """Nothing yet."""
