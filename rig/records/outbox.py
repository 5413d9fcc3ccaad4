"""What of a bench's records has changed since it went to the central records."""

from __future__ import annotations

from collections.abc import Collection, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from uuid import UUID

from sqlalchemy import (
    ColumnElement,
    Connection,
    Table,
    and_,
    bindparam,
    case,
    func,
    select,
    text,
    true,
    update,
)

from rig.records.bench_tables import IN_DOUBT, WAITS
from rig.records.bundles import Kind, plain_tables
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
    yield table.c.refused == ""
    if not traces:
        yield table.c.sent < table.c.version
    if kind is Kind.RUN:
        runs = plain_tables()["runs"]
        goes_on = select(runs.c.id).where(runs.c.state == RunState.RUNNING.value)
        yield table.c.row_id.not_in(goes_on)


def within(connection: Connection, ids: Sequence[UUID], most_bytes: int) -> list[UUID]:
    """Return the first of these runs whose traces are together at most so large; one at least."""
    tables = plain_tables()
    steps, traces = tables["steps"], tables["traces"]
    found = connection.execute(
        select(steps.c.run_id, func.sum(func.length(traces.c.data)))
        .join(traces, traces.c.step_id == steps.c.id)
        .where(steps.c.run_id.in_(ids))
        .group_by(steps.c.run_id)
    )
    sizes = {run: size or 0 for run, size in found}
    total = 0
    some: list[UUID] = []
    for key in ids:
        total += sizes.get(key, 0)
        if some and total > most_bytes:
            break
        some.append(key)
    return some


@dataclass(frozen=True)
class Mark:
    """Version ``version`` of a record is there now; ``traces`` tells whether with its traces."""

    row_id: UUID
    version: int
    traces: bool = True


def mark(connection: Connection, marks: Iterable[Mark]) -> None:
    """Note what need not be sent again until it has changed."""
    rows = [{"_key": m.row_id, "_version": m.version, "_traces": m.traces} for m in marks]
    if rows:
        table = plain_tables()["versions"]
        # Traces that went once are there still, though a later note went without them.
        there = and_(table.c.sent > 0, table.c.traces)
        traces = case((there, true()), else_=bindparam("_traces"))
        values = {"sent": bindparam("_version"), "traces": traces, "refused": ""}
        one = update(table).where(table.c.row_id == bindparam("_key"))
        connection.execute(one.values(values), rows)


def refuse(connection: Connection, why: Mapping[UUID, str]) -> None:
    """Note what was not taken; what is there of it stays what it was agreed to be."""
    if why:
        table = plain_tables()["versions"]
        one = update(table).where(table.c.row_id == bindparam("_key"))
        rows = [{"_key": key, "_why": words} for key, words in why.items()]
        connection.execute(one.values(refused=bindparam("_why")), rows)


def in_doubt(connection: Connection, ids: Collection[UUID]) -> dict[UUID, int]:
    """Return the version last agreed on of those of ``ids`` that were offered all over again."""
    table = plain_tables()["versions"]
    query = select(table.c.row_id, -table.c.sent - 1)
    found = connection.execute(query.where(table.c.row_id.in_(ids), table.c.sent < 0))
    return {key: int(agreed) for key, agreed in found}


def refused(connection: Connection, limit: int = 20) -> list[tuple[str, UUID, str]]:
    """Return kind, key and reason of records that the central ones did not take."""
    table = plain_tables()["versions"]
    query = select(table.c.kind, table.c.row_id, table.c.refused).where(_was_refused(table))
    return [(kind, key, why) for kind, key, why in connection.execute(query.limit(limit))]


def count_refused(connection: Connection) -> int:
    """Return how many records the central ones did not take."""
    table = plain_tables()["versions"]
    found = connection.scalar(select(func.count()).select_from(table).where(_was_refused(table)))
    return found or 0


def offer_refused_again(connection: Connection) -> None:
    """Have what was not taken wait once more: what it lacked there may have come since."""
    table = plain_tables()["versions"]
    # One marked as if it were there, by an earlier halfturn, must wait too.
    sent = case((table.c.sent >= table.c.version, IN_DOUBT), else_=table.c.sent)
    connection.execute(update(table).where(_was_refused(table)).values(sent=sent, refused=""))


def offer_all_again(connection: Connection) -> None:
    """Have everything of this file wait: the central records may not be as they were left.

    What was agreed on is kept, since a version that is higher need not be the newer one then.
    """
    table = plain_tables()["versions"]
    again = update(table).where(table.c.sent >= 0)
    connection.execute(again.values(sent=-table.c.sent - 1, refused=""))


def _was_refused(table: Table) -> ColumnElement[bool]:
    return and_(table.c.refused != "", table.c.sent.is_not(None))
