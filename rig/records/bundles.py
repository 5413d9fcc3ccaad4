"""Whole records, as they cross from one place into another; see `rig.records.transfer`."""

from __future__ import annotations

from collections.abc import Collection, Iterator
from dataclasses import dataclass
from enum import StrEnum
from functools import cache
from typing import Any
from uuid import UUID

from sqlalchemy import Connection, MetaData, Select, Table, TypeDecorator, select

from rig.records.tables import Base

Row = dict[str, Any]
"""A row by its columns' names, in plain values: words as text, times naive in UTC, NaN as None."""


class Kind(StrEnum):
    """What a bundle is, in the order in which they cross: none before what it refers to."""

    CALIBRATION = "calibration"
    RIG_CHECK = "rig_check"
    GAUGE_STUDY = "gauge_study"
    GOLDEN_UNIT = "golden_unit"
    LOT = "lot"
    RUN = "run"


@dataclass(frozen=True)
class Below:
    """A table below another one: its rows belong to a row of ``above`` by ``column``."""

    table: str
    column: str
    above: str


ROOTS = {
    Kind.CALIBRATION: "calibrations",
    Kind.RIG_CHECK: "rig_checks",
    Kind.GAUGE_STUDY: "gauge_studies",
    Kind.GOLDEN_UNIT: "golden_units",
    Kind.LOT: "lots",
    Kind.RUN: "runs",
}
BELOW = {
    Kind.CALIBRATION: (
        Below("calibration_lines", "calibration_id", "calibrations"),
        Below("calibration_points", "line_id", "calibration_lines"),
    ),
    Kind.RIG_CHECK: (),
    Kind.GAUGE_STUDY: (Below("gauge_trials", "study_id", "gauge_studies"),),
    Kind.GOLDEN_UNIT: (Below("golden_baselines", "golden_id", "golden_units"),),
    Kind.LOT: (
        Below("lot_items", "lot_id", "lots"),
        Below("lot_events", "lot_id", "lots"),
    ),
    Kind.RUN: (
        Below("steps", "run_id", "runs"),
        Below("half_turns", "step_id", "steps"),
        Below("measures", "step_id", "steps"),
        Below("traces", "step_id", "steps"),
        Below("events", "run_id", "runs"),
        Below("reasons", "run_id", "runs"),
        Below("gauge_runs", "run_id", "runs"),
        Below("lot_runs", "run_id", "runs"),
    ),
}
SHARED = ("texts", "units")


@dataclass(frozen=True)
class Bench:
    """A bench by its random id and the name it had last."""

    id: UUID
    name: str = ""
    machine: str = ""


def named(name: str, key: UUID) -> str:
    """Return what a bench is called: its name, or the beginning of its key."""
    return name or f"bench {str(key)[:8]}"


@dataclass(frozen=True)
class Bundle:
    """A whole record: its rows by table, ``texts`` and ``units`` that it names among them.

    ``traces`` tells whether its traces are all with it (they may be left out).  ``agreed`` is the
    version that sender and receiver last agreed on, where there may be another by now (a backup
    was put back); None where there cannot.  ``borrowed``: not its own bench brings it, but one that
    was made of a copy of that bench's records; it must never take the place of the original.
    """

    kind: Kind
    row_id: UUID
    version: int
    bench: Bench
    rows: dict[str, list[Row]]
    traces: bool = True
    agreed: int | None = None
    borrowed: bool = False

    @property
    def root(self) -> Row:
        """The row of the run, calibration ... itself."""
        return self.rows[ROOTS[self.kind]][0]


@cache
def plain_tables() -> dict[str, Table]:
    """Return the tables with the columns' plain types: values cross as they are kept."""
    plain = MetaData()
    tables = {table.name: table.to_metadata(plain) for table in Base.metadata.sorted_tables}
    for table in tables.values():
        for column in table.columns:
            if isinstance(column.type, TypeDecorator):
                column.type = column.type.impl_instance
    return tables


def own_bench(connection: Connection) -> Bench:
    """Return the bench whose file this is (of central records: what they call themselves)."""
    benches = plain_tables()["benches"]
    row = connection.execute(select(benches).where(benches.c.own)).mappings().one()
    return Bench(row["id"], row["name"], row["machine"])


def benches(connection: Connection) -> dict[UUID, Bench]:
    """Return every bench that is known there, by its id."""
    table = plain_tables()["benches"]
    found = connection.execute(select(table)).mappings()
    return {row["id"]: Bench(row["id"], row["name"], row["machine"]) for row in found}


def read(
    connection: Connection, kind: Kind, ids: Collection[UUID], *, traces: bool = True
) -> list[Bundle]:
    """Return the bundles of these rows, in the order of ``ids``; a row that is not there is left.

    Without ``traces`` those are left out.  Raises SQLAlchemyError, ValueError or TypeError where a
    value is not as it is written.
    """
    tables = plain_tables()
    root = tables[ROOTS[kind]]
    roots: dict[UUID, Row] = {
        row["id"]: row for row in _rows(connection, select(root).where(root.c.id.in_(ids)))
    }
    rows: dict[UUID, dict[str, list[Row]]] = {key: {root.name: [roots[key]]} for key in roots}
    for below in BELOW[kind]:
        if below.table == "traces" and not traces:
            continue
        for row in _rows(connection, _below(kind, below, roots)):
            rows[row.pop(_ROOT)].setdefault(below.table, []).append(row)
    _add_shared(connection, rows)
    known, own = benches(connection), own_bench(connection)
    counted = versions(connection, roots)
    return [
        Bundle(
            kind,
            key,
            counted[key].version if key in counted else 1,
            own if roots[key]["bench_id"] is None else known[roots[key]["bench_id"]],
            rows[key],
            traces and (key not in counted or counted[key].ours_to_send or counted[key].traces),
        )
        for key in ids
        if key in roots
    ]


_ROOT = "_root"


def _rows(connection: Connection, query: Select[Any]) -> Iterator[Row]:
    result = connection.execute(query)
    names = tuple(result.keys())
    for values in result:
        yield dict(zip(names, values, strict=True))


def _below(kind: Kind, below: Below, ids: Collection[UUID]) -> Select[Any]:
    """Select a table's rows below these roots, each with its root's key, in a fixed order."""
    tables = plain_tables()
    table, above = tables[below.table], tables[below.above]
    if below.above == ROOTS[kind]:
        link = table.c[below.column]
        query = select(table, link.label(_ROOT))
    else:
        way = next(each for each in BELOW[kind] if each.table == below.above)
        link = above.c[way.column]
        query = select(table, link.label(_ROOT)).join(above, table.c[below.column] == above.c.id)
    order = next((table.c[name] for name in ("position", "number") if name in table.c), table.c.id)
    return query.where(link.in_(ids)).order_by(order)


def references(table: Table, other: str) -> list[str]:
    """Return the names of a table's columns that refer to the table ``other``."""
    return [key.parent.name for key in table.foreign_keys if key.column.table.name == other]


def _add_shared(connection: Connection, rows: dict[UUID, dict[str, list[Row]]]) -> None:
    tables = plain_tables()
    for shared in SHARED:
        table = tables[shared]
        named: dict[UUID, set[Any]] = {
            key: {
                row[column]
                for name, of_table in parts.items()
                for column in references(tables[name], shared)
                for row in of_table
                if row[column] is not None
            }
            for key, parts in rows.items()
        }
        (primary,) = table.primary_key.columns
        wanted = set().union(*named.values())
        found = {
            row[primary.name]: row
            for row in _rows(connection, select(table).where(primary.in_(wanted)))
        }
        for key, keys in named.items():
            rows[key][shared] = [found[each] for each in sorted(keys) if each in found]


@dataclass(frozen=True)
class Counted:
    """What is kept of a bundle's version; see `rig.records.bench_tables.VersionRow`."""

    kind: str
    version: int
    traces: bool
    ours_to_send: bool


def versions(connection: Connection, ids: Collection[UUID]) -> dict[UUID, Counted]:
    """Return the versions of those of ``ids`` that are there, of whichever kind."""
    table = plain_tables()["versions"]
    found = connection.execute(
        select(
            table.c.row_id,
            table.c.kind,
            table.c.version,
            table.c.traces,
            table.c.sent.is_not(None),
        ).where(table.c.row_id.in_(ids))
    )
    return {key: Counted(*values) for key, *values in found}
