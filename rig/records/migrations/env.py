"""Run migrations on the connection that ``rig.records.migrate`` hands over."""

from __future__ import annotations

from typing import Any, Literal

import sqlalchemy as sa
from alembic import context

from rig.records.tables import Base


def plain_type(kind: str, item: Any, _context: object) -> str | Literal[False]:
    """Write column types into a new revision without our own classes, which may change later."""
    if kind == "type" and isinstance(item, sa.types.TypeDecorator):
        return f"sa.{item.impl_instance!r}"
    return False


context.configure(
    connection=context.config.attributes["connection"],
    target_metadata=Base.metadata,
    render_as_batch=True,  # SQLite cannot alter most of a table: alembic copies it instead
    render_item=plain_type,
    compare_type=True,
)
with context.begin_transaction():
    context.run_migrations()
