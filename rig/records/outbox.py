"""What of a bench's records has changed since it went to the central records."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from uuid import UUID

from sqlalchemy import ColumnElement, Connection, Table, bindparam, func, select, text, update

from rig.records.bench_tables import WAITS
from rig.records.bundles import Bundle, Kind, plain_tables
from rig.records.model import RunState


def waiting(connection: Connection, kind: Kind, *, limit: int, traces: bool = True) -> list[UUID]:
    """Return the keys of at most ``limit`` records that wait to be sent, the oldest first.

    A run that goes on does not wait: it is sent when it has ended.  With ``traces`` those wait
    too whose traces were left out.
    """
    table = plain_tables()["versions"]
    query = select(table.c.row_id).where(*_waits(table, kind, traces=traces))
    return list(connection.scalars(query.order_by(text("versions.rowid")).limit(limit)))


def count_waiting(connection: Connection, *, traces: bool = True) -> dict[Kind, int]:
    """Return how many records of each kind wait."""
    table = plain_tables()["versions"]
    return {
        kind: connection.scalar(
            select(func.count()).select_from(table).where(*_waits(table, kind, traces=traces))
        )
        or 0
        for kind in Kind
    }


def _waits(table: Table, kind: Kind, *, traces: bool) -> Iterator[ColumnElement[bool]]:
    yield table.c.kind == kind.value
    yield text(f"({WAITS})")  # type: ignore[misc]
    if not traces:
        yield table.c.sent < table.c.version
    if kind is Kind.RUN:
        runs = plain_tables()["runs"]
        goes_on = select(runs.c.id).where(runs.c.state == RunState.RUNNING.value)
        yield table.c.row_id.not_in(goes_on)


def mark_sent(connection: Connection, bundles: Iterable[Bundle]) -> None:
    """Note that the central records have these as they are."""
    _mark(connection, [(bundle, "") for bundle in bundles])


def mark_refused(connection: Connection, bundle: Bundle, why: str) -> None:
    """Note that the central records did not take one; it is offered again when it has changed."""
    _mark(connection, [(bundle, why)])


def _mark(connection: Connection, sent: list[tuple[Bundle, str]]) -> None:
    if not sent:
        return
    table = plain_tables()["versions"]
    statement = (
        update(table)
        .where(table.c.row_id == bindparam("_key"))
        .values(sent=bindparam("_version"), traces=bindparam("_traces"), refused=bindparam("_why"))
    )
    rows = [
        {
            "_key": bundle.row_id,
            "_version": bundle.version,
            "_traces": bundle.traces or bool(why),
            "_why": why,
        }
        for bundle, why in sent
    ]
    connection.execute(statement, rows)


def refused(connection: Connection, limit: int = 20) -> list[tuple[str, UUID, str]]:
    """Return kind, key and reason of records that the central ones did not take."""
    table = plain_tables()["versions"]
    query = select(table.c.kind, table.c.row_id, table.c.refused).where(table.c.refused != "")
    return [(kind, key, why) for kind, key, why in connection.execute(query.limit(limit))]


def offer_all_again(connection: Connection) -> None:
    """Have everything of this file wait: the central records are others than before."""
    table = plain_tables()["versions"]
    connection.execute(update(table).where(table.c.sent > 0).values(sent=0, refused=""))
