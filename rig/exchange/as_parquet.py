"""An export as Apache Parquet: typed columns, moments in UTC, units beside the columns' names."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence
from pathlib import Path
from typing import Any

import numpy as np
import pyarrow as pa
import pyarrow.parquet as pq

from rig.exchange.as_csv import json_text
from rig.exchange.fields import Field, Kind, Table
from rig.exchange.traces import LISTS, TRACE_LISTS, TraceKept

ENDING = ".parquet"

ROWS = 10_000
"""Rows in a row group: some megabytes for the widest table."""

TRACE_BYTES = 8 << 20
"""Samples in a row group of traces: what a reader has in memory at a time."""

_TYPES: dict[Kind, pa.DataType] = {
    Kind.TEXT: pa.string(),
    Kind.KEY: pa.string(),
    Kind.WHOLE: pa.int64(),
    Kind.NUMBER: pa.float64(),
    Kind.NUMBER_OR_NAN: pa.float64(),
    Kind.FLAG: pa.bool_(),
    Kind.MOMENT: pa.timestamp("us", tz="UTC"),
    Kind.DAY: pa.date32(),
    Kind.JSON: pa.string(),
}
_CELLS: dict[Kind, Callable[[Any], Any]] = {
    Kind.TEXT: str,
    Kind.KEY: str,
    Kind.WHOLE: int,
    Kind.FLAG: bool,
    Kind.JSON: json_text,
}
_LISTS = {name: pa.float64() for name, *_ in LISTS} | {
    "battery_feed": pa.bool_(),
    "ignition_feed": pa.bool_(),
    "flags": pa.uint8(),
}
_EXTRA = pa.list_(pa.struct([("name", pa.string()), ("values", pa.list_(pa.float64()))]))


def schema_of(table: Table) -> pa.Schema:
    """Return the Parquet schema of a table, with unit and meaning of each column."""
    return pa.schema(
        [
            pa.field(field.name, _type(table, field), field.optional, _told(field))
            for field in table.fields
        ],
        {"meaning": table.meaning},
    )


def _type(table: Table, field: Field) -> pa.DataType:
    if table is TRACE_LISTS and field.kind is Kind.JSON:
        return _EXTRA if field.name == "extra" else pa.list_(_LISTS[field.name])
    return _TYPES[field.kind]


def _told(field: Field) -> dict[str, str]:
    return {"meaning": field.meaning} | ({"unit": field.unit} if field.unit else {})


class ParquetFiles:
    """Writes the tables of an export as Parquet into ``folder``."""

    trace_table = TRACE_LISTS

    def __init__(self, folder: Path) -> None:
        self._folder = folder
        self._files: dict[str, _File] = {}
        self._traces: list[TraceKept] = []
        self._trace_bytes = 0

    def begin(self, table: Table) -> None:
        """Begin a table."""
        self._files[table.name] = _File(self._folder / f"{table.name}{ENDING}", table)

    def add(self, table: Table, rows: Iterable[Sequence[Any]]) -> None:
        """Add rows, their values in the order of the table's fields."""
        self._files[table.name].add(rows)

    def add_trace(self, kept: TraceKept) -> None:
        """Add a trace to those of the next row group."""
        self._traces.append(kept)
        self._trace_bytes += 27 * len(kept.trace)  # three doubles, two feeds, the flags
        if self._trace_bytes >= TRACE_BYTES:
            self._write_traces()

    def close(self) -> None:
        """Write what is left and close every file.  Idempotent."""
        self._write_traces()
        while self._files:
            self._files.popitem()[1].close()

    def _write_traces(self) -> None:
        if self._traces:
            columns = [_trace_column(field.name, self._traces) for field in TRACE_LISTS.fields]
            self._files[TRACE_LISTS.name].write(columns)
        self._traces, self._trace_bytes = [], 0


class _File:
    """One table's file; rows wait in columns until they make a row group."""

    def __init__(self, path: Path, table: Table) -> None:
        self._schema = schema_of(table)
        self._kinds = [field.kind for field in table.fields]
        self._writer = pq.ParquetWriter(path, self._schema, compression="zstd")
        self._waiting: list[Sequence[Any]] = []

    def add(self, rows: Iterable[Sequence[Any]]) -> None:
        self._waiting.extend(rows)
        if len(self._waiting) >= ROWS:
            self._flush()

    def write(self, columns: list[pa.Array]) -> None:
        arrays = [
            pa.array(column, field.type) if isinstance(column, list) else column
            for column, field in zip(columns, self._schema, strict=True)
        ]
        self._writer.write_table(pa.Table.from_arrays(arrays, schema=self._schema))

    def close(self) -> None:
        self._flush()
        self._writer.close()

    def _flush(self) -> None:
        if self._waiting:
            columns = zip(*self._waiting, strict=True)
            self.write([_cells(k, column) for k, column in zip(self._kinds, columns, strict=True)])
        self._waiting = []


def _cells(kind: Kind, column: Iterable[Any]) -> list[Any]:
    cell = _CELLS.get(kind)
    if cell is None:
        return list(column)
    return [None if value is None else cell(value) for value in column]


def _trace_column(name: str, traces: Sequence[TraceKept]) -> Any:
    match name:
        case "id":
            return [str(kept.trace_id) for kept in traces]
        case "run_id" | "step_id":
            return [str(getattr(kept, name)) for kept in traces]
        case "step":
            return [kept.step for kept in traces]
        case "samples":
            return [len(kept.trace) for kept in traces]
        case "extra":
            return [
                [{"name": n, "values": values} for n, values in kept.trace.extra.items()]
                for kept in traces
            ]
    return _lists([getattr(kept.trace, name) for kept in traces], _LISTS[name])


def _lists(columns: Sequence[Any], kind: pa.DataType) -> pa.Array:
    """Return one list a trace, without a Python object a sample; None stays None."""
    lengths = [0 if column is None else len(column) for column in columns]
    offsets = np.concatenate([[0], np.cumsum(lengths)]).astype(np.int32)
    there = [np.ascontiguousarray(column) for column in columns if column is not None]
    values = pa.array(np.concatenate(there) if there else np.zeros(0), kind, from_pandas=False)
    lost = pa.array([column is None for column in columns])
    return pa.ListArray.from_arrays(pa.array(offsets, pa.int32()), values, mask=lost)
