"""What a run's control loop was granted, and how late it was."""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

revision = "0002"
down_revision = "0001"
branch_labels = None
depends_on = None


def upgrade() -> None:
    """Bring the records one revision forward."""
    op.add_column("runs", sa.Column("control", sa.String(), nullable=True))
    op.add_column("runs", sa.Column("lateness", sa.JSON(), nullable=True))
