"""Studies of the rig itself: gauge studies, golden units, and what these said when a run began."""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

revision = "0005"
down_revision = "0004"
branch_labels = None
depends_on = None


def upgrade() -> None:
    """Bring the records one revision forward."""
    op.add_column("runs", sa.Column("golden", sa.JSON(none_as_null=True), nullable=True))
    op.create_table(
        "gauge_studies",
        sa.Column("id", sa.Uuid(), nullable=False),
        sa.Column("name", sa.String(), nullable=False),
        sa.Column("plan_name", sa.String(), nullable=False),
        sa.Column("plan_sha256", sa.String(64), nullable=False),
        sa.Column("station", sa.String(), nullable=False),
        sa.Column("began_at", sa.DateTime(), nullable=False),
        sa.Column("seed", sa.Integer(), nullable=False),
        sa.Column("note", sa.String(), nullable=False),
        sa.ForeignKeyConstraint(
            ["plan_sha256"], ["texts.sha256"], name=op.f("fk_gauge_studies_plan_sha256")
        ),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_gauge_studies")),
        sa.UniqueConstraint("name", name=op.f("uq_gauge_studies_name")),
    )
    op.create_table(
        "gauge_trials",
        sa.Column("id", sa.Uuid(), nullable=False),
        sa.Column("study_id", sa.Uuid(), nullable=False),
        sa.Column("position", sa.Integer(), nullable=False),
        sa.Column("part", sa.String(), nullable=False),
        sa.Column("operator", sa.String(), nullable=False),
        sa.Column("trial", sa.Integer(), nullable=False),
        sa.ForeignKeyConstraint(
            ["study_id"], ["gauge_studies.id"], name=op.f("fk_gauge_trials_study_id")
        ),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_gauge_trials")),
        sa.UniqueConstraint("study_id", "position", name=op.f("uq_gauge_trials_study_id_position")),
    )
    op.create_table(
        "gauge_runs",
        sa.Column("id", sa.Uuid(), nullable=False),
        sa.Column("trial_id", sa.Uuid(), nullable=False),
        sa.Column("run_id", sa.Uuid(), nullable=False),
        sa.Column("set_aside", sa.String(), nullable=False),
        sa.ForeignKeyConstraint(
            ["trial_id"], ["gauge_trials.id"], name=op.f("fk_gauge_runs_trial_id")
        ),
        sa.ForeignKeyConstraint(["run_id"], ["runs.id"], name=op.f("fk_gauge_runs_run_id")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_gauge_runs")),
        sa.UniqueConstraint("run_id", name=op.f("uq_gauge_runs_run_id")),
    )
    op.create_index(op.f("ix_gauge_runs_trial_id"), "gauge_runs", ["trial_id"])
    op.create_table(
        "golden_units",
        sa.Column("id", sa.Uuid(), nullable=False),
        sa.Column("unit_id", sa.Uuid(), nullable=False),
        sa.Column("plan_name", sa.String(), nullable=False),
        sa.Column("station", sa.String(), nullable=False),
        sa.Column("baseline", sa.Integer(), nullable=False),
        sa.Column("measures", sa.JSON(), nullable=False),
        sa.Column("declared_at", sa.DateTime(), nullable=False),
        sa.Column("withdrawn_at", sa.DateTime(), nullable=True),
        sa.ForeignKeyConstraint(["unit_id"], ["units.id"], name=op.f("fk_golden_units_unit_id")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_golden_units")),
    )
    op.create_table(
        "golden_baselines",
        sa.Column("id", sa.Uuid(), nullable=False),
        sa.Column("golden_id", sa.Uuid(), nullable=False),
        sa.Column("position", sa.Integer(), nullable=False),
        sa.Column("began_at", sa.DateTime(), nullable=False),
        sa.Column("reason", sa.String(), nullable=False),
        sa.Column("operator", sa.String(), nullable=False),
        sa.ForeignKeyConstraint(
            ["golden_id"], ["golden_units.id"], name=op.f("fk_golden_baselines_golden_id")
        ),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_golden_baselines")),
        sa.UniqueConstraint(
            "golden_id", "position", name=op.f("uq_golden_baselines_golden_id_position")
        ),
    )
