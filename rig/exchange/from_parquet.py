"""Read the tables of an export in Parquet, some thousand rows at a time."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import numpy as np
import pyarrow as pa
import pyarrow.parquet as pq

from rig.analysis.trace import Trace
from rig.exchange.as_parquet import ENDING, schema_of
from rig.exchange.cells import FROM_PARQUET, CellError, kept, key
from rig.exchange.fields import Table
from rig.exchange.traces import LISTS, MOST_SAMPLES, TRACE_LISTS
from rig.labels import shown
from rig.records.codec import pack
from rig.records.errors import RecordsError

Row = dict[str, Any]

_AT_ONCE = 2000
_TRACES_AT_ONCE = 16
_HEADS = ("id", "step_id", "run_id", "step", "samples")
_MOST_VALUES = 4 * MOST_SAMPLES
"""Values of one column in a row group, at most: what is said of it, before it is unpacked."""


def rows(folder: Path, table: Table) -> Iterator[Row]:
    """Yield the rows of a table as the records keep them; RecordsError for what cannot be."""
    path = folder / f"{table.name}{ENDING}"
    fields = {field.name: (field, FROM_PARQUET[field.kind]) for field in table.fields}
    number = 0
    with _opened(path, table) as file:
        for batch in file.iter_batches(batch_size=_AT_ONCE):
            for row in batch.to_pylist():
                number += 1
                made: Row = dict.fromkeys(fields)  # what an older program did not know is nothing
                for name, value in row.items():
                    if name not in fields:
                        continue
                    field, read = fields[name]
                    try:
                        made[name] = kept(field, None if value is None else read(value))
                    except CellError as error:
                        raise RecordsError(f"{path}, row {number}, {name}: {error}.") from None
                yield made


@contextmanager
def _opened(path: Path, table: Table) -> Iterator[pq.ParquetFile]:
    try:
        with pq.ParquetFile(path) as file:
            _need_schema(path, table, file.schema_arrow)
            for group in range(file.metadata.num_row_groups):
                told = file.metadata.row_group(group)
                for column in range(told.num_columns):
                    if told.column(column).num_values > _MOST_VALUES:
                        raise RecordsError(f"{path} says that it holds more than any run has.")
            yield file
    except (pa.ArrowException, OSError, OverflowError, UnicodeDecodeError, MemoryError) as error:
        raise RecordsError(
            f"{path} is damaged, cut off, or no Parquet file. Copy the folder again."
        ) from error


def _need_schema(path: Path, table: Table, schema: pa.Schema) -> None:
    optional = {field.name for field in table.fields if field.optional}
    for wanted in schema_of(table):
        if wanted.name not in schema.names and wanted.name in optional:
            continue
        if schema.names.count(wanted.name) != 1:
            raise RecordsError(f"{path} has no column {wanted.name}, or has it twice.")
        found = schema.field(wanted.name).type
        if found != wanted.type:
            raise RecordsError(
                f"{path}: the column {wanted.name} is of the type {shown(str(found))}, and "
                f"{wanted.type} is wanted. Take it as halfturn wrote it."
            )


def traces(folder: Path) -> Iterator[Row]:
    """Yield the rows of the table of traces in the records, each packed."""
    path = folder / f"{TRACE_LISTS.name}{ENDING}"
    with _opened(path, TRACE_LISTS) as file:
        for batch in file.iter_batches(batch_size=_TRACES_AT_ONCE):
            for at, head in enumerate(batch.select(list(_HEADS)).to_pylist()):
                yield _packed(path, head, batch, at)


def _packed(path: Path, head: Row, batch: pa.RecordBatch, at: int) -> Row:
    of = f"{path}, the trace of step {head['step']} of run {shown(str(head['run_id']))}"
    try:
        keys = {name: key(head[name]) for name in ("id", "step_id")}
        trace = _trace(batch, at)
    except (CellError, ValueError, TypeError, AttributeError) as error:
        raise RecordsError(f"{of}, cannot be: {shown(str(error), 200)}.") from error
    if len(trace) != head["samples"]:
        raise RecordsError(f"{of}, has {len(trace)} samples, and {head['samples']} were written.")
    return {**keys, "samples": len(trace), "data": pack(trace)}


def _trace(batch: pa.RecordBatch, at: int) -> Trace:
    columns = {name: _column(batch.column(name)[at]) for name, *_ in LISTS}
    extra = {
        each["name"].as_py(): _column(each["values"]) for each in batch.column("extra")[at].values
    }
    return Trace(**columns, extra=extra)


def _column(cell: Any) -> Any:
    if not cell.is_valid:
        return None
    values = cell.values
    if values.null_count:
        raise CellError("a sample is missing in it")
    return np.ascontiguousarray(values.to_numpy(zero_copy_only=False))
