"""Read the tables of an export in CSV, row by row."""

from __future__ import annotations

import csv
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any
from uuid import UUID

from rig.analysis.trace import Trace
from rig.exchange.as_csv import ENDING, TRACES
from rig.exchange.cells import FROM_CSV, CellError, kept
from rig.exchange.fields import Field, Kind, Table
from rig.exchange.package import sum_of
from rig.exchange.traces import MOST_SAMPLES, TRACE_FILES
from rig.labels import shown
from rig.records.codec import CodecError, pack, unpack
from rig.records.errors import RecordsError
from rig.tracefile import TraceFileError, read_trace

Row = dict[str, Any]

_LONGEST_CELL = 16 << 20
"""Characters: a plan has some thousand, what an isolation asked and found some ten thousand."""

_ROW_BYTES = 400
"""Bytes of a trace file a sample: 17 digits for each column of some, and much room."""


def rows(folder: Path, table: Table) -> Iterator[Row]:
    """Yield the rows of a table as the records keep them; RecordsError for what cannot be."""
    path = folder / f"{table.name}{ENDING}"
    csv.field_size_limit(_LONGEST_CELL)
    try:
        with path.open(encoding="utf-8", newline="") as file:
            reader = csv.reader(file, strict=True)
            columns = _columns(path, table, next(reader, []))
            for cells in reader:
                # What an older program did not know yet is nothing.
                nothing = dict.fromkeys(table.names)
                yield nothing | _row(path, reader.line_num, columns, cells)
    except UnicodeDecodeError:
        raise RecordsError(f"{path} is not UTF-8 text. Take it as halfturn wrote it.") from None
    except csv.Error as error:
        raise RecordsError(f"{path} is no CSV as halfturn writes it: {error}.") from error


_Column = tuple[Field | None, Callable[[str], Any]]


def _columns(path: Path, table: Table, header: list[str]) -> list[_Column]:
    missing = [f.name for f in table.fields if f.name not in header and not f.optional]
    known = {field.name: field for field in table.fields}
    if missing or len(set(header)) != len(header):
        which = f"has no column {missing[0]}" if missing else "has a column twice"
        raise RecordsError(f"{path} {which}. Take it as halfturn wrote it.")
    return [
        (known.get(name), FROM_CSV[known[name].kind] if name in known else str) for name in header
    ]


def _row(path: Path, line: int, columns: list[_Column], cells: list[str]) -> Row:
    if len(cells) != len(columns):
        raise RecordsError(
            f"{path}, line {line}: there are {len(cells)} cells, and the header has {len(columns)}."
        )
    made: Row = {}
    for (field, read), cell in zip(columns, cells, strict=True):
        if field is None:
            continue
        try:
            # A text that may not be missing is an empty one.
            empty = None if field.optional or field.kind is not Kind.TEXT else ""
            made[field.name] = kept(field, read(cell) if cell else empty)
        except CellError as error:
            raise RecordsError(f"{path}, line {line}, {field.name}: {error}.") from None
    return made


def traces(folder: Path) -> Iterator[Row]:
    """Yield the rows of the table of traces in the records, each packed."""
    for row in rows(folder, TRACE_FILES):
        trace = _trace(folder, row)
        yield {
            "id": row["id"],
            "step_id": row["step_id"],
            "samples": row["samples"],
            "data": trace if isinstance(trace, bytes) else pack(trace),
        }


def _trace(folder: Path, row: Row) -> Trace | bytes:
    path = folder / _name(row["run_id"], row["step"], str(row["file"]))
    of = f"{path}, the trace of step {row['step']} of run {row['run_id']},"
    if path.is_symlink() or not path.is_file():
        raise RecordsError(f"{of} is not there, or is no file. Copy the folder again.")
    if path.stat().st_size != row["bytes"] or sum_of(path) != row["sha256"]:
        raise RecordsError(f"{of} has changed since it was written. Copy the folder again.")
    if not 0 <= row["samples"] <= MOST_SAMPLES:
        raise RecordsError(f"{of} is said to have {row['samples']} samples, which cannot be.")
    try:
        if path.suffix == ".trace":
            packed = path.read_bytes()
            made, length = packed, len(unpack(packed, most_rows=row["samples"]))
            found: Trace | bytes = made
        else:
            found = read_trace(path, max_bytes=_ROW_BYTES * (row["samples"] + 10))
            length = len(found)
    except (TraceFileError, CodecError, ValueError) as error:
        raise RecordsError(
            f"{of} is no trace of {row['samples']} samples as halfturn writes it. Copy the folder "
            "again."
        ) from error
    if length != row["samples"]:
        raise RecordsError(f"{of} has {length} samples, and {row['samples']} were written.")
    return found


def _name(run_id: UUID, step: int, told: str) -> str:
    """Return the file's name as it must be: nothing leads out of the folder."""
    for ending in (".csv.gz", ".trace"):
        name = f"{TRACES}/{run_id}-{step}{ending}"
        if told == name:
            return name
    raise RecordsError(
        f"The trace of step {step} of run {run_id} is said to be in “{shown(told)}”, which is no "
        "file of an export. Take the folder as halfturn wrote it."
    )
