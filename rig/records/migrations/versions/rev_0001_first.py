"""All tables of the first release."""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

revision = "0001"
down_revision = None
branch_labels = None
depends_on = None


def upgrade() -> None:
    """Bring the records one revision forward."""
    op.create_table(
        "texts",
        sa.Column("sha256", sa.String(length=64), nullable=False),
        sa.Column("text", sa.Text(), nullable=False),
        sa.PrimaryKeyConstraint("sha256", name=op.f("pk_texts")),
    )
    op.create_table(
        "units",
        sa.Column("id", sa.Uuid(), nullable=False),
        sa.Column("serial", sa.String(), nullable=False),
        sa.Column("unit_type", sa.String(), nullable=False),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_units")),
        sa.UniqueConstraint("serial", "unit_type", name=op.f("uq_units_serial_unit_type")),
    )
    op.create_table(
        "runs",
        sa.Column("id", sa.Uuid(), nullable=False),
        sa.Column("unit_id", sa.Uuid(), nullable=False),
        sa.Column("plan_name", sa.String(), nullable=False),
        sa.Column("plan_sha256", sa.String(length=64), nullable=False),
        sa.Column("rig_name", sa.String(), nullable=False),
        sa.Column("rig_sha256", sa.String(length=64), nullable=False),
        sa.Column("station", sa.String(), nullable=False),
        sa.Column("operator", sa.String(), nullable=False),
        sa.Column("source", sa.String(length=20), nullable=False),
        sa.Column("reference", sa.String(), nullable=False),
        sa.Column("backend", sa.String(), nullable=False),
        sa.Column("simulated", sa.Boolean(), nullable=False),
        sa.Column("backend_facts", sa.JSON(), nullable=False),
        sa.Column("program_version", sa.String(), nullable=False),
        sa.Column("started_at", sa.DateTime(), nullable=False),
        sa.Column("state", sa.String(length=20), nullable=False),
        sa.Column("ended_at", sa.DateTime(), nullable=True),
        sa.Column("verdict", sa.String(length=20), nullable=True),
        sa.Column("feeds_off", sa.Boolean(), nullable=True),
        sa.Column("note", sa.String(), nullable=False),
        sa.Column("swept", sa.Boolean(), nullable=False),
        sa.Column("owner_host", sa.String(), nullable=False),
        sa.Column("owner_boot", sa.String(), nullable=False),
        sa.Column("owner_space", sa.String(), nullable=False),
        sa.Column("owner_pid", sa.Integer(), nullable=False),
        sa.Column("owner_started", sa.Integer(), nullable=False),
        sa.ForeignKeyConstraint(
            ["plan_sha256"], ["texts.sha256"], name=op.f("fk_runs_plan_sha256")
        ),
        sa.ForeignKeyConstraint(["rig_sha256"], ["texts.sha256"], name=op.f("fk_runs_rig_sha256")),
        sa.ForeignKeyConstraint(["unit_id"], ["units.id"], name=op.f("fk_runs_unit_id")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_runs")),
    )
    with op.batch_alter_table("runs", schema=None) as batch_op:
        batch_op.create_index(batch_op.f("ix_runs_reference"), ["reference"], unique=False)
        batch_op.create_index(batch_op.f("ix_runs_started_at"), ["started_at"], unique=False)
        batch_op.create_index(batch_op.f("ix_runs_state"), ["state"], unique=False)
        batch_op.create_index(batch_op.f("ix_runs_unit_id"), ["unit_id"], unique=False)

    op.create_table(
        "events",
        sa.Column("id", sa.Uuid(), nullable=False),
        sa.Column("run_id", sa.Uuid(), nullable=False),
        sa.Column("position", sa.Integer(), nullable=False),
        sa.Column("at", sa.DateTime(), nullable=False),
        sa.Column("time_s", sa.Double(), nullable=True),
        sa.Column("kind", sa.String(), nullable=False),
        sa.Column("text", sa.String(), nullable=False),
        sa.ForeignKeyConstraint(["run_id"], ["runs.id"], name=op.f("fk_events_run_id")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_events")),
        sa.UniqueConstraint("run_id", "position", name=op.f("uq_events_run_id_position")),
    )
    op.create_table(
        "reasons",
        sa.Column("id", sa.Uuid(), nullable=False),
        sa.Column("run_id", sa.Uuid(), nullable=False),
        sa.Column("position", sa.Integer(), nullable=False),
        sa.Column("verdict", sa.String(length=20), nullable=False),
        sa.Column("text", sa.String(), nullable=False),
        sa.Column("measure", sa.String(), nullable=False),
        sa.Column("half_turn", sa.Integer(), nullable=False),
        sa.ForeignKeyConstraint(["run_id"], ["runs.id"], name=op.f("fk_reasons_run_id")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_reasons")),
        sa.UniqueConstraint("run_id", "position", name=op.f("uq_reasons_run_id_position")),
    )
    op.create_table(
        "steps",
        sa.Column("id", sa.Uuid(), nullable=False),
        sa.Column("run_id", sa.Uuid(), nullable=False),
        sa.Column("number", sa.Integer(), nullable=False),
        sa.Column("kind", sa.String(), nullable=False),
        sa.Column("title", sa.String(), nullable=False),
        sa.Column("started_at", sa.DateTime(), nullable=False),
        sa.Column("ended_at", sa.DateTime(), nullable=False),
        sa.Column("state", sa.String(length=20), nullable=False),
        sa.Column("answers", sa.JSON(), nullable=False),
        sa.Column("note", sa.String(), nullable=False),
        sa.ForeignKeyConstraint(["run_id"], ["runs.id"], name=op.f("fk_steps_run_id")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_steps")),
        sa.UniqueConstraint("run_id", "number", name=op.f("uq_steps_run_id_number")),
    )
    op.create_table(
        "half_turns",
        sa.Column("id", sa.Uuid(), nullable=False),
        sa.Column("step_id", sa.Uuid(), nullable=False),
        sa.Column("position", sa.Integer(), nullable=False),
        sa.Column("number", sa.Integer(), nullable=False),
        sa.Column("direction", sa.String(length=20), nullable=False),
        sa.Column("outcome", sa.String(length=20), nullable=False),
        sa.Column("start_s", sa.Double(), nullable=True),
        sa.Column("end_s", sa.Double(), nullable=True),
        sa.Column("response_s", sa.Double(), nullable=True),
        sa.Column("half_turn_s", sa.Double(), nullable=True),
        sa.Column("half_turn_u_s", sa.Double(), nullable=True),
        sa.Column("peak_a", sa.Double(), nullable=True),
        sa.Column("peak_u_a", sa.Double(), nullable=True),
        sa.Column("run_a", sa.Double(), nullable=True),
        sa.Column("run_u_a", sa.Double(), nullable=True),
        sa.Column("rest_a", sa.Double(), nullable=True),
        sa.Column("rest_u_a", sa.Double(), nullable=True),
        sa.Column("charge_c", sa.Double(), nullable=True),
        sa.Column("energy_j", sa.Double(), nullable=True),
        sa.Column("supply_v", sa.Double(), nullable=True),
        sa.Column("sag_v", sa.Double(), nullable=True),
        sa.Column("sag_u_v", sa.Double(), nullable=True),
        sa.Column("dropouts", sa.Integer(), nullable=False),
        sa.Column("longest_dropout_s", sa.Double(), nullable=True),
        sa.Column("turned_deg", sa.Double(), nullable=True),
        sa.Column("peak_speed_deg_per_s", sa.Double(), nullable=True),
        sa.Column("cut_by_rig", sa.Boolean(), nullable=False),
        sa.Column("note", sa.String(), nullable=False),
        sa.ForeignKeyConstraint(["step_id"], ["steps.id"], name=op.f("fk_half_turns_step_id")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_half_turns")),
        sa.UniqueConstraint("step_id", "position", name=op.f("uq_half_turns_step_id_position")),
    )
    op.create_table(
        "measures",
        sa.Column("id", sa.Uuid(), nullable=False),
        sa.Column("step_id", sa.Uuid(), nullable=False),
        sa.Column("position", sa.Integer(), nullable=False),
        sa.Column("name", sa.String(), nullable=False),
        sa.Column("value", sa.Double(), nullable=True),
        sa.Column("unit", sa.String(), nullable=False),
        sa.Column("u", sa.Double(), nullable=True),
        sa.ForeignKeyConstraint(["step_id"], ["steps.id"], name=op.f("fk_measures_step_id")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_measures")),
        sa.UniqueConstraint("step_id", "position", name=op.f("uq_measures_step_id_position")),
    )
    op.create_table(
        "traces",
        sa.Column("id", sa.Uuid(), nullable=False),
        sa.Column("step_id", sa.Uuid(), nullable=False),
        sa.Column("samples", sa.Integer(), nullable=False),
        sa.Column("data", sa.LargeBinary(), nullable=False),
        sa.ForeignKeyConstraint(["step_id"], ["steps.id"], name=op.f("fk_traces_step_id")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_traces")),
        sa.UniqueConstraint("step_id", name=op.f("uq_traces_step_id")),
    )


def downgrade() -> None:
    """Never: an older program refuses newer records, and the backup is beside them."""
    raise NotImplementedError
