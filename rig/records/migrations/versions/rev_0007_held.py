"""What of a step was held against the plan's limits."""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

revision = "0007"
down_revision = "0006"
branch_labels = None
depends_on = None


def upgrade() -> None:
    """Bring the records one revision forward."""
    op.add_column("steps", sa.Column("held", sa.String(20), nullable=True))
