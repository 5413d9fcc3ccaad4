"""Which bench made a record, how often each has changed, and what went to the central records."""

from __future__ import annotations

from uuid import NAMESPACE_OID, uuid4, uuid5

import sqlalchemy as sa
from alembic import op

from rig.records.owner import Owner

revision = "0009"
down_revision = "0008"
branch_labels = None
depends_on = None

OWNED = {
    "runs": "run",
    "calibrations": "calibration",
    "rig_checks": "rig_check",
    "gauge_studies": "gauge_study",
    "golden_units": "golden_unit",
    "lots": "lot",
}
# What is written below a whole record, and by which column it belongs to it.
BELOW = {
    "steps": ("run", "run_id"),
    "events": ("run", "run_id"),
    "gauge_runs": ("run", "run_id"),
    "lot_runs": ("run", "run_id"),
    "golden_baselines": ("golden_unit", "golden_id"),
    "lot_items": ("lot", "lot_id"),
    "lot_events": ("lot", "lot_id"),
}


def upgrade() -> None:
    """Bring the records one revision forward."""
    op.create_table(
        "benches",
        sa.Column("id", sa.Uuid(), nullable=False),
        sa.Column("name", sa.String(), nullable=False),
        sa.Column("own", sa.Boolean(), nullable=False),
        sa.Column("machine", sa.String(), nullable=False),
        sa.Column("token", sa.String(), nullable=False),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_benches")),
    )
    op.create_table(
        "versions",
        sa.Column("row_id", sa.Uuid(), nullable=False),
        sa.Column("kind", sa.String(), nullable=False),
        sa.Column("version", sa.Integer(), nullable=False),
        sa.Column("sent", sa.Integer(), server_default="0", nullable=True),
        sa.Column("traces", sa.Boolean(), server_default=sa.true(), nullable=False),
        sa.Column("refused", sa.String(), server_default="", nullable=False),
        sa.PrimaryKeyConstraint("row_id", name=op.f("pk_versions")),
    )
    op.create_index(
        "ix_versions_waiting",
        "versions",
        ["kind"],
        sqlite_where=sa.text("sent < version OR traces = 0"),
    )
    op.create_table(
        "centrals",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("central_id", sa.Uuid(), nullable=True),
        sa.Column("place", sa.String(), nullable=False),
        sa.Column("offered", sa.String(), nullable=False),
        sa.Column("tried_at", sa.DateTime(), nullable=False),
        sa.Column("synced_at", sa.DateTime(), nullable=True),
        sa.Column("failed", sa.String(), nullable=False),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_centrals")),
    )
    # Studies of two benches may have one name: the rule holds among a bench's own.
    with op.batch_alter_table("gauge_studies") as batch_op:
        batch_op.drop_constraint(op.f("uq_gauge_studies_name"), type_="unique")
    _bench_itself()
    for table, kind in OWNED.items():
        # SQLite adds a column with its reference in place; Alembic would copy the whole table.
        op.execute(
            f"ALTER TABLE {table} ADD COLUMN bench_id CHAR(32) "
            f"CONSTRAINT fk_{table}_bench_id REFERENCES benches (id)"
        )
        op.execute(
            f"INSERT INTO versions (row_id, kind, version) SELECT id, '{kind}', 1 FROM {table} "
            "ORDER BY rowid"
        )
        op.execute(_trigger(table, "INSERT", kind, "id"))
        op.execute(_trigger(table, "UPDATE", kind, "id", when="WHEN NEW.bench_id IS OLD.bench_id"))
    op.create_index(
        "ix_gauge_studies_own_name",
        "gauge_studies",
        ["name"],
        unique=True,
        sqlite_where=sa.text("bench_id IS NULL"),
    )
    for table, (kind, column) in BELOW.items():
        for change in ("INSERT", "UPDATE"):
            op.execute(_trigger(table, change, kind, column))


def _trigger(table: str, change: str, kind: str, column: str, when: str = "") -> str:
    """Count the version up whichever way a row is written.

    A later migration that has Alembic copy one of these tables must make its triggers again.
    """
    return (
        f"CREATE TRIGGER {table}_{change.lower()}_counts AFTER {change} ON {table} {when} BEGIN "
        f"INSERT INTO versions (row_id, kind, version) VALUES (NEW.{column}, '{kind}', 1) "
        "ON CONFLICT (row_id) DO UPDATE SET version = version + 1; END"
    )


def _bench_itself() -> None:
    """Give these records' bench its identity: random, but the same in every copy of older records.

    Copies of one file that are migrated apart must not become two benches with the same runs.
    """
    connection = op.get_bind()
    firsts = (
        connection.scalar(sa.text(f"SELECT id FROM {table} ORDER BY rowid LIMIT 1"))
        for table in OWNED
    )
    first = next((str(key) for key in firsts if key is not None), None)
    newest = "SELECT owner_host FROM runs ORDER BY rowid DESC LIMIT 1"
    machine = connection.scalar(sa.text(newest)) or Owner.here().host
    own = uuid4() if first is None else uuid5(NAMESPACE_OID, first)
    connection.execute(
        sa.text("INSERT INTO benches VALUES (:id, '', 1, :machine, '')"),
        {"id": own.hex, "machine": machine},
    )
