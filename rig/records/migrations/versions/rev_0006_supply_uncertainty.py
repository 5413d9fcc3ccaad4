"""How well a half-turn's supply voltage is known."""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

revision = "0006"
down_revision = "0005"
branch_labels = None
depends_on = None


def upgrade() -> None:
    """Bring the records one revision forward."""
    op.add_column("half_turns", sa.Column("supply_u_v", sa.Double(), nullable=True))
