"""Chip results state standard uncertainties as joint results do."""

import sqlalchemy as sa
from alembic import op

revision = "0002"
down_revision = "0001"
branch_labels = None
depends_on = None


def upgrade() -> None:
    """Add the column; chips graded before stated nothing."""
    # Both kinds of database only note the default, so that a table of millions of rows takes no time.
    op.add_column("chip_result", sa.Column(
        "uncertainty", sa.Text(), nullable=False, server_default="",
        comment="standard uncertainties, JSON object from measurement to value in the same unit; may be empty"))


def downgrade() -> None:
    """Drop the column; what chips stated is lost."""
    op.drop_column("chip_result", "uncertainty")
