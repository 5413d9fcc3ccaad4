"""The tables of the rig's own studies; their rows are joined to units, plans and runs."""

from __future__ import annotations

from datetime import datetime
from typing import TYPE_CHECKING
from uuid import UUID

from sqlalchemy import JSON, ForeignKey, Index, UniqueConstraint, text
from sqlalchemy.orm import Mapped, mapped_column, relationship

from rig.records.base import Base, key
from rig.records.bench_tables import bench_key

if TYPE_CHECKING:
    from rig.records.tables import RunRow, TextRow, UnitRow


class GaugeStudyRow(Base):
    """A gauge study; its trials are fixed, in their order, when it is set up.

    Its name is unique among the bench's own.
    """

    __tablename__ = "gauge_studies"
    __table_args__ = (
        Index(
            "ix_gauge_studies_own_name",
            "name",
            unique=True,
            sqlite_where=text("bench_id IS NULL"),
            postgresql_where=text("bench_id IS NULL"),
        ),
    )

    id: Mapped[UUID] = key()
    bench_id: Mapped[UUID | None] = bench_key()
    name: Mapped[str]
    plan_name: Mapped[str]
    plan_sha256: Mapped[str] = mapped_column(ForeignKey("texts.sha256"))
    station: Mapped[str]
    began_at: Mapped[datetime]
    seed: Mapped[int]
    note: Mapped[str]

    plan: Mapped[TextRow] = relationship()
    trials: Mapped[list[GaugeTrialRow]] = relationship(
        order_by="GaugeTrialRow.position", back_populates="study"
    )


class GaugeTrialRow(Base):
    """One measurement of a gauge study that is to be made; ``position`` from 0, in its order."""

    __tablename__ = "gauge_trials"
    __table_args__ = (UniqueConstraint("study_id", "position"),)

    id: Mapped[UUID] = key()
    study_id: Mapped[UUID] = mapped_column(ForeignKey("gauge_studies.id"))
    position: Mapped[int]
    part: Mapped[str]
    operator: Mapped[str]
    trial: Mapped[int]

    study: Mapped[GaugeStudyRow] = relationship(back_populates="trials")
    runs: Mapped[list[GaugeRunRow]] = relationship(back_populates="trial")


class GaugeRunRow(Base):
    """A run that was made for a trial; ``set_aside`` says why it does not count, if it does not."""

    __tablename__ = "gauge_runs"

    id: Mapped[UUID] = key()
    trial_id: Mapped[UUID] = mapped_column(ForeignKey("gauge_trials.id"), index=True)
    run_id: Mapped[UUID] = mapped_column(ForeignKey("runs.id"), unique=True)
    set_aside: Mapped[str] = mapped_column(default="")

    trial: Mapped[GaugeTrialRow] = relationship(back_populates="runs")
    run: Mapped[RunRow] = relationship(back_populates="gauge_run")


class GoldenUnitRow(Base):
    """A unit whose checks by one plan on one station tell whether the rig is in control."""

    __tablename__ = "golden_units"

    id: Mapped[UUID] = key()
    bench_id: Mapped[UUID | None] = bench_key()
    unit_id: Mapped[UUID] = mapped_column(ForeignKey("units.id"))
    plan_name: Mapped[str]
    station: Mapped[str]
    baseline: Mapped[int]
    measures: Mapped[list[str]] = mapped_column(JSON)
    declared_at: Mapped[datetime]
    withdrawn_at: Mapped[datetime | None]

    unit: Mapped[UnitRow] = relationship()
    baselines: Mapped[list[GoldenBaselineRow]] = relationship(order_by="GoldenBaselineRow.position")


class GoldenBaselineRow(Base):
    """From when on a golden unit's checks count afresh, and why."""

    __tablename__ = "golden_baselines"
    __table_args__ = (UniqueConstraint("golden_id", "position"),)

    id: Mapped[UUID] = key()
    golden_id: Mapped[UUID] = mapped_column(ForeignKey("golden_units.id"))
    position: Mapped[int]
    began_at: Mapped[datetime]
    reason: Mapped[str]
    operator: Mapped[str]
