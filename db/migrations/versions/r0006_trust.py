"""Who changed what, when and why; the chain of hashes over finished records."""

revision = "r0006"
down_revision = "r0005"
branch_labels = None
depends_on = None


def upgrade() -> None:
    """Nothing yet."""
