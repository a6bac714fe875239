"""Under which conditions a visit was measured: ambient temperature, instruments with their calibration."""

revision = "r0005"
down_revision = "r0004"
branch_labels = None
depends_on = None


def upgrade() -> None:
    """Nothing yet."""
