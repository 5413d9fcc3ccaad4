"""Which bench made what, how often each record changed, and what went to the central records."""

from __future__ import annotations

from datetime import datetime
from uuid import UUID

from sqlalchemy import ColumnElement, ForeignKey, Index, inspect, text, true
from sqlalchemy.orm import InstrumentedAttribute, Mapped, Session, mapped_column

from rig.records.base import Base, key


class BenchRow(Base):
    """A bench that made records; ``own`` is the one whose file this is (``bench_id`` NULL there).

    ``machine`` is the computer it worked on last, as in ``runs.owner_host``.  ``token`` is what
    bench and central records agreed on at their last meeting (see ``rig.records.meeting``).
    """

    __tablename__ = "benches"

    id: Mapped[UUID] = key()
    name: Mapped[str] = mapped_column(default="")
    own: Mapped[bool] = mapped_column(default=False)
    machine: Mapped[str] = mapped_column(default="")
    token: Mapped[str] = mapped_column(default="")


WAITS = "sent < version OR traces = 0"
"""What may have to be sent; in these very words SQLite knows its index again."""


IN_DOUBT = -1
"""Stands in ``sent`` for what the central records may have, though this file never sent it."""


class VersionRow(Base):
    """How often a whole record (a run with its steps, a calibration ...) was written.

    In a bench's own file triggers count ``version`` up; a copy elsewhere has the number of the
    original, which only its own bench changes; 0 is a copy that another bench brought, for want
    of the original.  ``sent`` is the version that the central records have (NULL: another file's
    to send; negative: in doubt, and -1 - ``sent`` was the last agreed on), ``traces`` whether they
    have its traces, ``refused`` why they did not take it.  In the central records ``traces`` is
    whether the traces are there.
    """

    __tablename__ = "versions"
    __table_args__ = (
        Index(
            "ix_versions_waiting",
            "kind",
            sqlite_where=text(WAITS),
            postgresql_where=text("sent < version OR NOT traces"),
        ),
    )

    row_id: Mapped[UUID] = mapped_column(primary_key=True)
    kind: Mapped[str]
    version: Mapped[int]
    sent: Mapped[int | None] = mapped_column(default=0, server_default="0")
    traces: Mapped[bool] = mapped_column(default=True, server_default=true())
    refused: Mapped[str] = mapped_column(default="", server_default="")


class CentralRow(Base):
    """A place of central records that this file's records went to, and how the last try ended.

    ``central_id`` is what they call themselves, NULL before the first meeting; the row with the
    highest ``id`` that has one is where `VersionRow.sent` speaks of.  ``offered`` holds the tokens
    that they may have of this bench, by a space: two while it is not sure which.
    """

    __tablename__ = "centrals"

    id: Mapped[int] = mapped_column(primary_key=True)
    central_id: Mapped[UUID | None]
    place: Mapped[str]
    offered: Mapped[str]
    tried_at: Mapped[datetime]
    synced_at: Mapped[datetime | None]
    failed: Mapped[str]


def bench_key() -> Mapped[UUID | None]:
    """Return the key of the bench that made a row; NULL: the one whose file this is.

    Loaded only when asked for, so that files of an older schema can still be looked into.
    """
    return mapped_column(ForeignKey("benches.id"), deferred=True)


def own_rows(session: Session, table: type[Base]) -> tuple[ColumnElement[bool], ...]:
    """Return what narrows a search to the rows of the bench whose file this is.

    In a file of a schema that knows no other bench all rows are.
    """
    column: InstrumentedAttribute[UUID | None] = table.bench_id  # type: ignore[attr-defined]
    there = inspect(session.connection()).get_columns(table.__tablename__)
    return (column.is_(None),) if any(each["name"] == "bench_id" for each in there) else ()
