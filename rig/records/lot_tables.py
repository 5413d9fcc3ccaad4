"""The tables of lots judged by a sample; their runs are rows of ``runs`` like any others.

Only the bench that opened a lot writes its rows.
"""

from __future__ import annotations

from datetime import datetime
from typing import TYPE_CHECKING
from uuid import UUID

from sqlalchemy import ForeignKey, String, UniqueConstraint
from sqlalchemy.orm import Mapped, mapped_column, relationship

from rig.records.base import Base, key
from rig.records.bench_tables import bench_key
from rig.records.columns import Word
from rig.records.lot_model import LotEnd, LotEventKind, Untestable

if TYPE_CHECKING:
    from rig.records.tables import RunRow, TextRow


class LotRow(Base):
    """A delivery judged by a sample; the columns are those of ``rig.records.lot_model.LotKept``.

    ``number`` counts the lots in the order they were opened on this bench, ``closed_number`` in the
    order they were closed, whatever its clock said.
    ``version`` grows with every change to the lot, its items, runs and events.
    """

    __tablename__ = "lots"

    id: Mapped[UUID] = key()
    bench_id: Mapped[UUID | None] = bench_key()
    number: Mapped[int]
    name: Mapped[str] = mapped_column(index=True)
    supplier: Mapped[str] = mapped_column(index=True)
    order_number: Mapped[str]
    unit_type: Mapped[str]
    size: Mapped[int]
    aql: Mapped[float]
    level: Mapped[str] = mapped_column(String(20))
    severity: Mapped[str] = mapped_column(String(20))
    severity_why: Mapped[str]
    steady: Mapped[bool]
    agreed_by: Mapped[str]
    irregular: Mapped[str]
    acted: Mapped[str]
    lot_letter: Mapped[str]
    letter: Mapped[str]
    table_n: Mapped[int]
    n: Mapped[int]
    ac: Mapped[int]
    re: Mapped[int]
    doubt: Mapped[str]
    plan_name: Mapped[str]
    plan_sha256: Mapped[str] = mapped_column(ForeignKey("texts.sha256"))
    simulated: Mapped[bool]
    seed: Mapped[int]
    opened_at: Mapped[datetime]
    operator: Mapped[str]
    resubmitted_of: Mapped[UUID | None] = mapped_column(ForeignKey("lots.id"))
    note: Mapped[str]
    end: Mapped[LotEnd | None] = mapped_column(Word(LotEnd))
    closed_at: Mapped[datetime | None]
    closed_number: Mapped[int | None]
    closed_by: Mapped[str] = mapped_column(default="")
    closing_note: Mapped[str] = mapped_column(default="")
    version: Mapped[int] = mapped_column(default=1)

    plan: Mapped[TextRow] = relationship()
    items: Mapped[list[LotItemRow]] = relationship(
        order_by="LotItemRow.position", back_populates="lot"
    )
    events: Mapped[list[LotEventRow]] = relationship(order_by="LotEventRow.position")


class LotItemRow(Base):
    """An item of the sample: ``number`` in the delivery from 1, ``position`` as drawn from 0.

    ``serial`` is empty until a run tells it.  ``replaces`` is the item it was drawn in place of.
    """

    __tablename__ = "lot_items"
    __table_args__ = (
        UniqueConstraint("lot_id", "position"),
        UniqueConstraint("lot_id", "number"),
    )

    id: Mapped[UUID] = key()
    lot_id: Mapped[UUID] = mapped_column(ForeignKey("lots.id"))
    position: Mapped[int]
    number: Mapped[int]
    serial: Mapped[str] = mapped_column(default="")
    untestable: Mapped[Untestable | None] = mapped_column(Word(Untestable))
    untestable_why: Mapped[str] = mapped_column(default="")
    replaces: Mapped[UUID | None] = mapped_column(ForeignKey("lot_items.id"))

    lot: Mapped[LotRow] = relationship(back_populates="items")
    runs: Mapped[list[LotRunRow]] = relationship(
        order_by="LotRunRow.position", back_populates="item"
    )


class LotRunRow(Base):
    """A run that was made for an item (``position`` from 0 among the item's runs).

    ``set_aside`` says why it does not count, if it does not.
    """

    __tablename__ = "lot_runs"
    __table_args__ = (UniqueConstraint("item_id", "position"),)

    id: Mapped[UUID] = key()
    item_id: Mapped[UUID] = mapped_column(ForeignKey("lot_items.id"))
    position: Mapped[int]
    run_id: Mapped[UUID] = mapped_column(ForeignKey("runs.id"), unique=True)
    set_aside: Mapped[str] = mapped_column(default="")

    item: Mapped[LotItemRow] = relationship(back_populates="runs")
    run: Mapped[RunRow] = relationship(back_populates="lot_run")


class LotEventRow(Base):
    """Something that was done to a lot by hand; ``item`` is the item's number in the delivery."""

    __tablename__ = "lot_events"
    __table_args__ = (UniqueConstraint("lot_id", "position"),)

    id: Mapped[UUID] = key()
    lot_id: Mapped[UUID] = mapped_column(ForeignKey("lots.id"))
    position: Mapped[int]
    at: Mapped[datetime]
    operator: Mapped[str]
    kind: Mapped[LotEventKind] = mapped_column(Word(LotEventKind))
    item: Mapped[int | None]
    text: Mapped[str]
