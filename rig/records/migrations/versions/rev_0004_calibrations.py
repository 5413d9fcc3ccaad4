"""Calibrations and self-checks of the rig, and how a station stood when a run was made."""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

revision = "0004"
down_revision = "0003"
branch_labels = None
depends_on = None


def upgrade() -> None:
    """Bring the records one revision forward."""
    op.create_table(
        "calibrations",
        sa.Column("id", sa.Uuid(), nullable=False),
        sa.Column("made_at", sa.DateTime(), nullable=False),
        sa.Column("due", sa.Date(), nullable=False),
        sa.Column("operator", sa.String(), nullable=False),
        sa.Column("rig_name", sa.String(), nullable=False),
        sa.Column("station", sa.String(), nullable=False),
        sa.Column("backend", sa.String(), nullable=False),
        sa.Column("simulated", sa.Boolean(), nullable=False),
        sa.Column("bus", sa.Integer(), nullable=False),
        sa.Column("address", sa.Integer(), nullable=False),
        sa.Column("shunt_ohm", sa.Double(), nullable=False),
        sa.Column("range_v", sa.Double(), nullable=False),
        sa.Column("world", sa.String(), nullable=False),
        sa.Column("held_against", sa.JSON(), nullable=False),
        sa.Column("note", sa.String(), nullable=False),
        sa.Column("program_version", sa.String(), nullable=False),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_calibrations")),
    )
    with op.batch_alter_table("calibrations", schema=None) as batch_op:
        batch_op.create_index(batch_op.f("ix_calibrations_made_at"), ["made_at"], unique=False)

    op.create_table(
        "rig_checks",
        sa.Column("id", sa.Uuid(), nullable=False),
        sa.Column("ended_at", sa.DateTime(), nullable=False),
        sa.Column("rig_name", sa.String(), nullable=False),
        sa.Column("station", sa.String(), nullable=False),
        sa.Column("backend", sa.String(), nullable=False),
        sa.Column("simulated", sa.Boolean(), nullable=False),
        sa.Column("good", sa.Boolean(), nullable=True),
        sa.Column("complete", sa.Boolean(), nullable=False),
        sa.Column("feeds_off", sa.Boolean(), nullable=False),
        sa.Column("text", sa.String(), nullable=False),
        sa.Column("items", sa.JSON(), nullable=False),
        sa.Column("program_version", sa.String(), nullable=False),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_rig_checks")),
    )
    with op.batch_alter_table("rig_checks", schema=None) as batch_op:
        batch_op.create_index(batch_op.f("ix_rig_checks_ended_at"), ["ended_at"], unique=False)

    op.create_table(
        "calibration_lines",
        sa.Column("id", sa.Uuid(), nullable=False),
        sa.Column("calibration_id", sa.Uuid(), nullable=False),
        sa.Column("quantity", sa.String(length=20), nullable=False),
        sa.Column("gain", sa.Double(), nullable=False),
        sa.Column("offset", sa.Double(), nullable=False),
        sa.Column("gain_u", sa.Double(), nullable=False),
        sa.Column("offset_u", sa.Double(), nullable=False),
        sa.Column("covariance", sa.Double(), nullable=False),
        sa.Column("before_gain", sa.Double(), nullable=False),
        sa.Column("before_offset", sa.Double(), nullable=False),
        sa.Column("before_gain_u", sa.Double(), nullable=False),
        sa.Column("before_offset_u", sa.Double(), nullable=False),
        sa.Column("before_covariance", sa.Double(), nullable=False),
        sa.ForeignKeyConstraint(
            ["calibration_id"],
            ["calibrations.id"],
            name=op.f("fk_calibration_lines_calibration_id"),
        ),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_calibration_lines")),
        sa.UniqueConstraint(
            "calibration_id", "quantity", name=op.f("uq_calibration_lines_calibration_id_quantity")
        ),
    )
    op.create_table(
        "calibration_points",
        sa.Column("id", sa.Uuid(), nullable=False),
        sa.Column("line_id", sa.Uuid(), nullable=False),
        sa.Column("position", sa.Integer(), nullable=False),
        sa.Column("reference", sa.Double(), nullable=False),
        sa.Column("reading", sa.Double(), nullable=False),
        sa.Column("scatter", sa.Double(), nullable=False),
        sa.Column("count", sa.Integer(), nullable=False),
        sa.Column("reading_u", sa.Double(), nullable=False),
        sa.Column("own_u", sa.Double(), nullable=False),
        sa.Column("common_u", sa.Double(), nullable=False),
        sa.Column("set_v", sa.Double(), nullable=True),
        sa.ForeignKeyConstraint(
            ["line_id"], ["calibration_lines.id"], name=op.f("fk_calibration_points_line_id")
        ),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_calibration_points")),
        sa.UniqueConstraint(
            "line_id", "position", name=op.f("uq_calibration_points_line_id_position")
        ),
    )
    # SQLite adds a column with its reference in place; Alembic would copy the table of all runs.
    op.execute(
        "ALTER TABLE runs ADD COLUMN calibration_id CHAR(32) "
        "CONSTRAINT fk_runs_calibration_id REFERENCES calibrations (id)"
    )
    op.add_column("runs", sa.Column("calibration", sa.JSON(), nullable=True))
