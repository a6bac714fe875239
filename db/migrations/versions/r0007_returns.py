"""Units that came back: complaint, diagnosis, repair."""

revision = "r0007"
down_revision = "r0006"
branch_labels = None
depends_on = None


def upgrade() -> None:
    """Nothing yet."""
