"""The tables of the rig itself: its calibrations and its self-checks, written once and kept."""

from __future__ import annotations

from datetime import date, datetime
from typing import Any
from uuid import UUID

from sqlalchemy import ForeignKey, UniqueConstraint
from sqlalchemy.orm import Mapped, mapped_column, relationship

from rig.quality.calibration import Quantity
from rig.records.base import Base, key
from rig.records.bench_tables import bench_key


class CalibrationRow(Base):
    """One calibration of a station; ``due`` is the last day it holds.

    ``bus`` to ``world`` are those of ``rig.quality.calibration.Setup``; ``held_against`` what it
    was made against.
    """

    __tablename__ = "calibrations"

    id: Mapped[UUID] = key()
    bench_id: Mapped[UUID | None] = bench_key()
    made_at: Mapped[datetime] = mapped_column(index=True)
    due: Mapped[date]
    operator: Mapped[str]
    rig_name: Mapped[str]
    station: Mapped[str]
    backend: Mapped[str]
    simulated: Mapped[bool]
    bus: Mapped[int]
    address: Mapped[int]
    shunt_ohm: Mapped[float]
    range_v: Mapped[float]
    world: Mapped[str]
    held_against: Mapped[list[dict[str, Any]]]
    note: Mapped[str]
    program_version: Mapped[str]

    lines: Mapped[list[CalibrationLineRow]] = relationship(order_by="CalibrationLineRow.quantity")


class CalibrationLineRow(Base):
    """What a calibration found of one quantity; ``before_*`` was in force until then."""

    __tablename__ = "calibration_lines"
    __table_args__ = (UniqueConstraint("calibration_id", "quantity"),)

    id: Mapped[UUID] = key()
    calibration_id: Mapped[UUID] = mapped_column(ForeignKey("calibrations.id"))
    quantity: Mapped[Quantity]
    gain: Mapped[float]
    offset: Mapped[float]
    gain_u: Mapped[float]
    offset_u: Mapped[float]
    covariance: Mapped[float]
    before_gain: Mapped[float]
    before_offset: Mapped[float]
    before_gain_u: Mapped[float]
    before_offset_u: Mapped[float]
    before_covariance: Mapped[float]

    points: Mapped[list[CalibrationPointRow]] = relationship(
        order_by="CalibrationPointRow.position"
    )


class CalibrationPointRow(Base):
    """One comparison, raw; the columns are those of ``rig.quality.calibration.Point``."""

    __tablename__ = "calibration_points"
    __table_args__ = (UniqueConstraint("line_id", "position"),)

    id: Mapped[UUID] = key()
    line_id: Mapped[UUID] = mapped_column(ForeignKey("calibration_lines.id"))
    position: Mapped[int]
    reference: Mapped[float]
    reading: Mapped[float]
    scatter: Mapped[float]
    count: Mapped[int]
    reading_u: Mapped[float]
    own_u: Mapped[float]
    common_u: Mapped[float]
    set_v: Mapped[float | None]


class RigCheckRow(Base):
    """A self-check of a station as it ended; ``good`` None: not everything could be looked at."""

    __tablename__ = "rig_checks"

    id: Mapped[UUID] = key()
    bench_id: Mapped[UUID | None] = bench_key()
    ended_at: Mapped[datetime] = mapped_column(index=True)
    rig_name: Mapped[str]
    station: Mapped[str]
    backend: Mapped[str]
    simulated: Mapped[bool]
    good: Mapped[bool | None]
    complete: Mapped[bool]
    feeds_off: Mapped[bool]
    text: Mapped[str]
    items: Mapped[list[dict[str, Any]]]
    program_version: Mapped[str]
