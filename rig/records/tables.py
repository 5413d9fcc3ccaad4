"""The tables.  Every change here needs a migration (``migrations/versions``) and a new SCHEMA."""

from __future__ import annotations

from datetime import datetime
from typing import Any
from uuid import UUID

from sqlalchemy import JSON, ForeignKey, LargeBinary, String, Text, UniqueConstraint
from sqlalchemy.orm import Mapped, mapped_column, relationship

from rig.analysis.model import Direction, Outcome, Verdict
from rig.records.base import Base as Base  # with every table there is
from rig.records.base import key
from rig.records.bench_tables import bench_key
from rig.records.calibration_tables import CalibrationRow
from rig.records.columns import NanFloat
from rig.records.lot_tables import LotRunRow
from rig.records.model import Held, RunState, Source, StepState
from rig.records.study_tables import GaugeRunRow

SCHEMA = "0009"
"""The revision these tables are at: the newest in ``migrations/versions``."""


class UnitRow(Base):
    """A unit under test, known by its serial number and type."""

    __tablename__ = "units"
    __table_args__ = (UniqueConstraint("serial", "unit_type"),)

    id: Mapped[UUID] = key()
    serial: Mapped[str]
    unit_type: Mapped[str]


class TextRow(Base):
    """A rig or plan file as it was, kept once however many runs used it."""

    __tablename__ = "texts"

    sha256: Mapped[str] = mapped_column(String(64), primary_key=True)
    text: Mapped[str] = mapped_column(Text)


class RunRow(Base):
    """One run of a plan on a unit.  ``owner_*`` tell which process runs it (see ``owner``).

    ``swept`` marks a run whose process died and whose end was written by another.  ``lateness`` is
    what ``rig.records.lateness`` makes of the control loop's.  ``calibration`` is how the station
    stood (``rig.records.calibrations``), ``calibration_id`` the newest calibration there was.
    ``golden`` is what the golden units said of the rig when the run began.
    """

    __tablename__ = "runs"

    id: Mapped[UUID] = key()
    bench_id: Mapped[UUID | None] = bench_key()
    unit_id: Mapped[UUID] = mapped_column(ForeignKey("units.id"), index=True)
    plan_name: Mapped[str]
    plan_sha256: Mapped[str] = mapped_column(ForeignKey("texts.sha256"))
    rig_name: Mapped[str]
    rig_sha256: Mapped[str] = mapped_column(ForeignKey("texts.sha256"))
    station: Mapped[str]
    operator: Mapped[str]
    source: Mapped[Source]
    reference: Mapped[str] = mapped_column(index=True)
    backend: Mapped[str]
    simulated: Mapped[bool]
    backend_facts: Mapped[dict[str, Any]]
    program_version: Mapped[str]
    control: Mapped[str | None]
    started_at: Mapped[datetime] = mapped_column(index=True)
    state: Mapped[RunState] = mapped_column(index=True)
    ended_at: Mapped[datetime | None]
    verdict: Mapped[Verdict | None]
    feeds_off: Mapped[bool | None]
    note: Mapped[str] = mapped_column(default="")
    swept: Mapped[bool] = mapped_column(default=False)
    lateness: Mapped[dict[str, Any] | None] = mapped_column(JSON(none_as_null=True))
    calibration_id: Mapped[UUID | None] = mapped_column(ForeignKey("calibrations.id"))
    calibration: Mapped[dict[str, Any] | None] = mapped_column(JSON(none_as_null=True))
    golden: Mapped[dict[str, Any] | None] = mapped_column(JSON(none_as_null=True))
    owner_host: Mapped[str]
    owner_boot: Mapped[str]
    owner_space: Mapped[str]
    owner_pid: Mapped[int]
    owner_started: Mapped[int]

    unit: Mapped[UnitRow] = relationship()
    plan: Mapped[TextRow] = relationship(foreign_keys=[plan_sha256])
    rig: Mapped[TextRow] = relationship(foreign_keys=[rig_sha256])
    calibrated_by: Mapped[CalibrationRow | None] = relationship()
    steps: Mapped[list[StepRow]] = relationship(order_by="StepRow.number", back_populates="run")
    events: Mapped[list[EventRow]] = relationship(order_by="EventRow.position")
    reasons: Mapped[list[ReasonRow]] = relationship(order_by="ReasonRow.position")
    gauge_run: Mapped[GaugeRunRow | None] = relationship(back_populates="run")
    lot_run: Mapped[LotRunRow | None] = relationship(back_populates="run")


class StepRow(Base):
    """One step of a run, as it ended."""

    __tablename__ = "steps"
    __table_args__ = (UniqueConstraint("run_id", "number"),)

    id: Mapped[UUID] = key()
    run_id: Mapped[UUID] = mapped_column(ForeignKey("runs.id"))
    number: Mapped[int]
    kind: Mapped[str]
    title: Mapped[str]
    started_at: Mapped[datetime]
    ended_at: Mapped[datetime]
    state: Mapped[StepState]
    answers: Mapped[dict[str, Any]]
    note: Mapped[str]
    held: Mapped[Held | None]

    run: Mapped[RunRow] = relationship(back_populates="steps")
    half_turns: Mapped[list[HalfTurnRow]] = relationship(order_by="HalfTurnRow.position")
    measures: Mapped[list[MeasureRow]] = relationship(order_by="MeasureRow.position")
    trace: Mapped[TraceRow | None] = relationship()


class HalfTurnRow(Base):
    """One half-turn; the columns are those of ``rig.analysis.model.HalfTurn``."""

    __tablename__ = "half_turns"
    __table_args__ = (UniqueConstraint("step_id", "position"),)

    id: Mapped[UUID] = key()
    step_id: Mapped[UUID] = mapped_column(ForeignKey("steps.id"))
    position: Mapped[int]
    number: Mapped[int]
    direction: Mapped[Direction]
    outcome: Mapped[Outcome]
    start_s: Mapped[float] = mapped_column(NanFloat, nullable=True)
    end_s: Mapped[float | None]
    response_s: Mapped[float | None]
    half_turn_s: Mapped[float | None]
    half_turn_u_s: Mapped[float | None]
    nominal_half_turn_s: Mapped[float | None]
    nominal_half_turn_u_s: Mapped[float | None]
    peak_a: Mapped[float | None]
    peak_u_a: Mapped[float | None]
    run_a: Mapped[float | None]
    run_u_a: Mapped[float | None]
    rest_a: Mapped[float | None]
    rest_u_a: Mapped[float | None]
    charge_c: Mapped[float | None]
    energy_j: Mapped[float | None]
    supply_v: Mapped[float | None]
    supply_u_v: Mapped[float | None]
    sag_v: Mapped[float | None]
    sag_u_v: Mapped[float | None]
    dropouts: Mapped[int]
    longest_dropout_s: Mapped[float] = mapped_column(NanFloat, nullable=True)
    turned_deg: Mapped[float | None]
    peak_speed_deg_per_s: Mapped[float | None]
    cut_by_rig: Mapped[bool]
    note: Mapped[str]


class MeasureRow(Base):
    """One measured value of a step, with its unit and expanded uncertainty (k = 2)."""

    __tablename__ = "measures"
    __table_args__ = (UniqueConstraint("step_id", "position"),)

    id: Mapped[UUID] = key()
    step_id: Mapped[UUID] = mapped_column(ForeignKey("steps.id"))
    position: Mapped[int]
    name: Mapped[str]
    value: Mapped[float | None]
    unit: Mapped[str]
    u: Mapped[float | None]


class TraceRow(Base):
    """The trace of a step, packed by ``rig.records.codec`` (which checks it when unpacking)."""

    __tablename__ = "traces"

    id: Mapped[UUID] = key()
    step_id: Mapped[UUID] = mapped_column(ForeignKey("steps.id"), unique=True)
    samples: Mapped[int]
    data: Mapped[bytes] = mapped_column(LargeBinary)


class EventRow(Base):
    """Something that happened during a run; ``time_s`` on the trace axis."""

    __tablename__ = "events"
    __table_args__ = (UniqueConstraint("run_id", "position"),)

    id: Mapped[UUID] = key()
    run_id: Mapped[UUID] = mapped_column(ForeignKey("runs.id"))
    position: Mapped[int]
    at: Mapped[datetime]
    time_s: Mapped[float] = mapped_column(NanFloat, nullable=True)
    kind: Mapped[str]
    text: Mapped[str]


class ReasonRow(Base):
    """Why a run got its verdict, worst first."""

    __tablename__ = "reasons"
    __table_args__ = (UniqueConstraint("run_id", "position"),)

    id: Mapped[UUID] = key()
    run_id: Mapped[UUID] = mapped_column(ForeignKey("runs.id"))
    position: Mapped[int]
    verdict: Mapped[Verdict]
    text: Mapped[str]
    measure: Mapped[str]
    half_turn: Mapped[int]
