"""A half-turn's time as it would have been at the nominal voltage."""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

revision = "0003"
down_revision = "0002"
branch_labels = None
depends_on = None


def upgrade() -> None:
    """Bring the records one revision forward."""
    op.add_column("half_turns", sa.Column("nominal_half_turn_s", sa.Double(), nullable=True))
    op.add_column("half_turns", sa.Column("nominal_half_turn_u_s", sa.Double(), nullable=True))
