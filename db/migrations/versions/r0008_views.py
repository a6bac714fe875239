"""Views that any SQL tool can ask, one for each thing that people want to know."""

revision = "r0008"
down_revision = "r0007"
branch_labels = None
depends_on = None


def upgrade() -> None:
    """Nothing yet."""
