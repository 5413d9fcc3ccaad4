"""Lots of a supplier judged by a sample: the lot, its sample, the runs, what was done by hand."""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

revision = "0008"
down_revision = "0007"
branch_labels = None
depends_on = None


def upgrade() -> None:
    """Bring the records one revision forward."""
    op.create_table(
        "lots",
        sa.Column("id", sa.Uuid(), nullable=False),
        sa.Column("number", sa.Integer(), nullable=False),
        sa.Column("name", sa.String(), nullable=False),
        sa.Column("supplier", sa.String(), nullable=False),
        sa.Column("order_number", sa.String(), nullable=False),
        sa.Column("unit_type", sa.String(), nullable=False),
        sa.Column("size", sa.Integer(), nullable=False),
        sa.Column("aql", sa.Double(), nullable=False),
        sa.Column("level", sa.String(length=20), nullable=False),
        sa.Column("severity", sa.String(length=20), nullable=False),
        sa.Column("severity_why", sa.String(), nullable=False),
        sa.Column("steady", sa.Boolean(), nullable=False),
        sa.Column("agreed_by", sa.String(), nullable=False),
        sa.Column("irregular", sa.String(), nullable=False),
        sa.Column("acted", sa.String(), nullable=False),
        sa.Column("lot_letter", sa.String(), nullable=False),
        sa.Column("letter", sa.String(), nullable=False),
        sa.Column("table_n", sa.Integer(), nullable=False),
        sa.Column("n", sa.Integer(), nullable=False),
        sa.Column("ac", sa.Integer(), nullable=False),
        sa.Column("re", sa.Integer(), nullable=False),
        sa.Column("doubt", sa.String(), nullable=False),
        sa.Column("plan_name", sa.String(), nullable=False),
        sa.Column("plan_sha256", sa.String(64), nullable=False),
        sa.Column("simulated", sa.Boolean(), nullable=False),
        sa.Column("seed", sa.Integer(), nullable=False),
        sa.Column("opened_at", sa.DateTime(), nullable=False),
        sa.Column("operator", sa.String(), nullable=False),
        sa.Column("resubmitted_of", sa.Uuid(), nullable=True),
        sa.Column("note", sa.String(), nullable=False),
        sa.Column("end", sa.String(length=20), nullable=True),
        sa.Column("closed_at", sa.DateTime(), nullable=True),
        sa.Column("closed_number", sa.Integer(), nullable=True),
        sa.Column("closed_by", sa.String(), nullable=False),
        sa.Column("closing_note", sa.String(), nullable=False),
        sa.Column("version", sa.Integer(), nullable=False),
        sa.ForeignKeyConstraint(
            ["plan_sha256"], ["texts.sha256"], name=op.f("fk_lots_plan_sha256")
        ),
        sa.ForeignKeyConstraint(
            ["resubmitted_of"], ["lots.id"], name=op.f("fk_lots_resubmitted_of")
        ),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_lots")),
    )
    op.create_index(op.f("ix_lots_name"), "lots", ["name"])
    op.create_index(op.f("ix_lots_supplier"), "lots", ["supplier"])
    op.create_table(
        "lot_items",
        sa.Column("id", sa.Uuid(), nullable=False),
        sa.Column("lot_id", sa.Uuid(), nullable=False),
        sa.Column("position", sa.Integer(), nullable=False),
        sa.Column("number", sa.Integer(), nullable=False),
        sa.Column("serial", sa.String(), nullable=False),
        sa.Column("untestable", sa.String(length=20), nullable=True),
        sa.Column("untestable_why", sa.String(), nullable=False),
        sa.Column("replaces", sa.Uuid(), nullable=True),
        sa.ForeignKeyConstraint(["lot_id"], ["lots.id"], name=op.f("fk_lot_items_lot_id")),
        sa.ForeignKeyConstraint(["replaces"], ["lot_items.id"], name=op.f("fk_lot_items_replaces")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_lot_items")),
        sa.UniqueConstraint("lot_id", "position", name=op.f("uq_lot_items_lot_id_position")),
        sa.UniqueConstraint("lot_id", "number", name=op.f("uq_lot_items_lot_id_number")),
    )
    op.create_table(
        "lot_runs",
        sa.Column("id", sa.Uuid(), nullable=False),
        sa.Column("item_id", sa.Uuid(), nullable=False),
        sa.Column("position", sa.Integer(), nullable=False),
        sa.Column("run_id", sa.Uuid(), nullable=False),
        sa.Column("set_aside", sa.String(), nullable=False),
        sa.ForeignKeyConstraint(["item_id"], ["lot_items.id"], name=op.f("fk_lot_runs_item_id")),
        sa.ForeignKeyConstraint(["run_id"], ["runs.id"], name=op.f("fk_lot_runs_run_id")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_lot_runs")),
        sa.UniqueConstraint("item_id", "position", name=op.f("uq_lot_runs_item_id_position")),
        sa.UniqueConstraint("run_id", name=op.f("uq_lot_runs_run_id")),
    )
    op.create_table(
        "lot_events",
        sa.Column("id", sa.Uuid(), nullable=False),
        sa.Column("lot_id", sa.Uuid(), nullable=False),
        sa.Column("position", sa.Integer(), nullable=False),
        sa.Column("at", sa.DateTime(), nullable=False),
        sa.Column("operator", sa.String(), nullable=False),
        sa.Column("kind", sa.String(length=20), nullable=False),
        sa.Column("item", sa.Integer(), nullable=True),
        sa.Column("text", sa.String(), nullable=False),
        sa.ForeignKeyConstraint(["lot_id"], ["lots.id"], name=op.f("fk_lot_events_lot_id")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_lot_events")),
        sa.UniqueConstraint("lot_id", "position", name=op.f("uq_lot_events_lot_id_position")),
    )
