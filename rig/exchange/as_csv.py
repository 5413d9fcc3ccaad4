"""An export as CSV: RFC 4180, UTF-8, decimal points, ISO 8601 in UTC.

Numbers read back exactly.  A cell that holds nothing is empty; what is not a number is ``NaN``.
Free text that a spreadsheet would take for a formula, or that begins with an apostrophe, has one
apostrophe more before it (`rig.records.export.text_cell`).
"""

from __future__ import annotations

import csv
import hashlib
import json
import math
from collections.abc import Callable, Iterable, Sequence
from contextlib import ExitStack
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

from rig.exchange.fields import Kind, Table
from rig.exchange.traces import TRACE_FILES, TraceKept, is_file_exact
from rig.records.export import text_cell
from rig.records.files import synced
from rig.tracefile import write_trace

ENDING = ".csv"
TRACES = "traces"
"""The folder of the traces, inside an export."""

_NAN, _INFINITE = "NaN", "INF"  # Table Schema's words


class CsvFiles:
    """Writes the tables of an export as CSV into ``folder``."""

    trace_table = TRACE_FILES

    def __init__(self, folder: Path) -> None:
        self._folder = folder
        self._open = ExitStack()
        self._writers: dict[str, Any] = {}

    def begin(self, table: Table) -> None:
        """Begin a table: its file and its header."""
        path = self._folder / f"{table.name}{ENDING}"
        file = self._open.enter_context(path.open("w", encoding="utf-8", newline=""))
        writer = csv.writer(file)
        writer.writerow(table.names)
        self._writers[table.name] = writer, [_CELLS[field.kind] for field in table.fields]

    def add(self, table: Table, rows: Iterable[Sequence[Any]]) -> None:
        """Add rows, their values in the order of the table's fields."""
        writer, cells = self._writers[table.name]
        writer.writerows(
            ["" if v is None else cell(v) for cell, v in zip(cells, row, strict=True)]
            for row in rows
        )

    def add_trace(self, kept: TraceKept) -> None:
        """Write a trace into a file of its own, and its line in the table of traces."""
        exact = is_file_exact(kept.trace)
        name = f"{TRACES}/{kept.run_id}-{kept.step}{'.csv.gz' if exact else '.trace'}"
        path = self._folder / name
        path.parent.mkdir(exist_ok=True)
        if exact:
            write_trace(path, kept.trace)
        else:
            path.write_bytes(kept.packed)
        data = path.read_bytes()
        synced(path)
        row = (
            kept.trace_id,
            kept.run_id,
            kept.step_id,
            kept.step,
            len(kept.trace),
            name,
            len(data),
            hashlib.sha256(data).hexdigest(),
        )
        self.add(TRACE_FILES, [row])

    def close(self) -> None:
        """Close every file.  Idempotent."""
        self._open.close()


def _number(value: float) -> str:
    if math.isfinite(value):
        return repr(float(value))
    return _NAN if math.isnan(value) else f"{'-' if value < 0 else ''}{_INFINITE}"


def moment_text(value: datetime) -> str:
    """Return a moment as ISO 8601 in UTC, to the microsecond: ``2026-03-02T08:15:30.123456Z``."""
    return value.astimezone(UTC).isoformat(timespec="microseconds").replace("+00:00", "Z")


def json_text(value: Any) -> str:
    """Return JSON on one line, text as it is."""
    return json.dumps(value, ensure_ascii=False)


_CELLS: dict[Kind, Callable[[Any], str]] = {
    Kind.TEXT: lambda value: text_cell(str(value)),
    Kind.KEY: str,
    Kind.WHOLE: lambda value: str(int(value)),
    Kind.NUMBER: _number,
    Kind.NUMBER_OR_NAN: _number,
    Kind.FLAG: lambda value: "true" if value else "false",
    Kind.MOMENT: moment_text,
    Kind.DAY: lambda value: str(value.isoformat()),
    Kind.JSON: json_text,
}
