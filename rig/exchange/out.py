"""Put many runs into a folder for other programs: all of it or nothing, while a bench goes on."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from contextlib import closing, contextmanager
from dataclasses import dataclass, field
from datetime import UTC, datetime
from importlib.util import find_spec
from pathlib import Path
from typing import Any, Protocol

from rig import __version__
from rig.exchange.chosen import OF_RUNS
from rig.exchange.fields import BENCH, CHECKSUM, WRITTEN, Table, kept_tables
from rig.exchange.gathering import Batch, Source, source_of
from rig.exchange.left_over import work_folder
from rig.exchange.package import About, describe
from rig.exchange.results import RESULTS, result_rows
from rig.exchange.traces import TraceKept
from rig.records.checksum import NO_TRACE, checksum_of, trace_sum
from rig.records.codec import CodecError, unpack
from rig.records.errors import RecordsError, told
from rig.records.files import synced
from rig.records.model import RunFilter, RunRecord
from rig.records.problems import Progress
from rig.records.tables import SCHEMA
from rig.records.verify import quiet

FORMATS = ("csv", "parquet")
NO_PARQUET = (
    "Parquet needs pyarrow, which is not installed here: `pip install 'halfturn[parquet]'`, or "
    "choose --format csv."
)


class Sink(Protocol):
    """Where an export goes: a format."""

    @property
    def trace_table(self) -> Table:
        """How the table of traces looks in this format."""

    def begin(self, table: Table) -> None:
        """Begin a table."""

    def add(self, table: Table, rows: Iterable[Sequence[Any]]) -> None:
        """Add rows to it."""

    def add_trace(self, kept: TraceKept) -> None:
        """Add a trace, and its line in the table of traces."""

    def close(self) -> None:
        """Write what is left and close every file.  Idempotent."""


@dataclass
class Exported:
    """What was put where: rows by table; ``damaged``: runs with a trace that cannot be read."""

    folder: Path
    rows: dict[str, int] = field(default_factory=dict)
    damaged: list[str] = field(default_factory=list)

    @property
    def runs(self) -> int:
        """How many runs went out."""
        return self.rows["runs"]


@dataclass(frozen=True)
class Asked:
    """What is to go out: which runs, in which format, with their traces or without.

    ``words`` says the same of the runs for whoever reads the export, by name.
    """

    wanted: RunFilter = field(default_factory=RunFilter)
    format: str = "csv"
    with_traces: bool = False
    words: dict[str, str] = field(default_factory=dict)


def export(records: Path, folder: Path, asked: Asked, progress: Progress = quiet) -> Exported:
    """Write the wanted runs of ``records`` into ``folder``, which must not be there yet.

    The records must be at the newest schema.  What is written is one moment of them.  Raises
    RecordsError, and OSError where the folder cannot be written; nothing is left then.
    """
    if asked.format == "parquet" and find_spec("pyarrow") is None:
        raise RecordsError(NO_PARQUET)
    if folder.exists() or folder.is_symlink():
        raise RecordsError(
            f"{folder} is already there and was left as it is. Name a folder that is not there yet."
        )
    with _part_of(folder) as part:
        with _read(records), source_of(records) as source:
            done = _write(source, part, asked, progress)
        for path in part.iterdir():
            synced(path)
        synced(part)
        part.rename(folder)
        synced(folder.parent)
    done.folder = folder
    return done


@contextmanager
def _read(records: Path) -> Iterator[None]:
    """Tell what the records cannot be read for; what the folder cannot be written for passes."""
    try:
        with told(records, "read"):
            try:
                yield
            except OSError as error:
                raise _FolderError(error) from error
    except _FolderError as error:
        raise error.of from None
    except (ValueError, LookupError, TypeError, AttributeError) as error:
        raise RecordsError(
            f"Something in the records in {records} is not as halfturn writes it, so nothing was "
            "written. `halfturn records verify` says what."
        ) from error


class _FolderError(Exception):
    """An error of the disk that is written to, on its way past those of the records."""

    def __init__(self, of: OSError) -> None:
        super().__init__(str(of))
        self.of = of


@contextmanager
def _part_of(folder: Path) -> Iterator[Path]:
    """Yield the folder to write into; it is gone at the end unless it was renamed."""
    try:
        with work_folder(folder.parent, f".{folder.name}.", ".part") as part:
            yield part
    except FileNotFoundError as error:
        if not folder.parent.is_dir():
            error.filename = str(folder)
        raise


def _sink(format: str, folder: Path) -> Sink:
    if format == "csv":
        from rig.exchange.as_csv import CsvFiles

        return CsvFiles(folder)
    from rig.exchange.as_parquet import ParquetFiles

    return ParquetFiles(folder)


def _write(source: Source, folder: Path, asked: Asked, progress: Progress) -> Exported:
    made_at = datetime.now(UTC)
    tables = kept_tables()
    done = Exported(folder, {table.name: 0 for table in (*tables, RESULTS)})
    ids = source.ids(asked.wanted)
    if not ids:
        raise RecordsError(
            "No run matches, so nothing was written. `halfturn records list` shows what there is."
        )
    with closing(_sink(asked.format, folder)) as sink:
        writer = _Writer(sink, source, done, asked.with_traces)
        writer.begin([*tables, RESULTS])
        by_name = {table.name: table for table in tables}
        for number, batch in enumerate(source.batches(ids)):
            progress("writing runs", number * len(batch.ids) / max(len(ids), 1))
            writer.add_batch(batch, by_name)
        for table in tables:
            if table.name not in OF_RUNS:
                for rows in source.others(table, asked.wanted):
                    writer.add_rows(table, rows)
    progress("checksums", 0.0)
    about = About(
        asked.format,
        made_at,
        __version__,
        SCHEMA,
        len(ids),
        asked.with_traces,
        asked.words,
    )
    listed = [RESULTS, *tables, *([sink.trace_table] if asked.with_traces else [])]
    describe(folder, about, [(table, done.rows[table.name]) for table in listed])
    return done


class _Writer:
    """Puts rows into a sink, and counts them."""

    def __init__(self, sink: Sink, source: Source, done: Exported, with_traces: bool) -> None:
        self._sink, self._source, self._done = sink, source, done
        self._with_traces = with_traces

    def begin(self, tables: Iterable[Table]) -> None:
        for table in (*tables, *([self._sink.trace_table] if self._with_traces else [])):
            self._done.rows[table.name] = 0
            self._sink.begin(table)

    def add_rows(self, table: Table, rows: Sequence[Any], sums: Sequence[str | None] = ()) -> None:
        """Add rows of the records; ``sums``: their checksums, if they are runs."""
        names = [name for name in table.names if name not in (WRITTEN.name, CHECKSUM.name)]
        made = [tuple(getattr(row, name) for name in names) for row in rows]
        if WRITTEN in table.fields:
            # Whole records: whose they are is told of this bench's own too.
            at, own = names.index(BENCH), self._source.own
            written = self._source.written([row.id for row in rows])
            made = [
                (*values[:at], values[at] or own, *values[at + 1 :], written[row.id])
                for values, row in zip(made, rows, strict=True)
            ]
        if CHECKSUM in table.fields:
            made = [(*values, summed) for values, summed in zip(made, sums, strict=True)]
        self.add(table, made)

    def add(self, table: Table, rows: list[tuple[Any, ...]]) -> None:
        self._done.rows[table.name] += len(rows)
        self._sink.add(table, rows)

    def add_batch(self, batch: Batch, tables: dict[str, Table]) -> None:
        for name in OF_RUNS[1:]:
            self.add_rows(tables[name], batch.rows[name])
        step_ids: dict[Any, dict[int, Any]] = {run_id: {} for run_id in batch.ids}
        for step in batch.rows["steps"]:
            step_ids[step.run_id][step.number] = step.id
        sums = []
        for record in batch.records:
            sums.append(self._add_traces(record, step_ids[record.run_id]))
            self.add(RESULTS, list(result_rows(record)))
        self.add_rows(tables["runs"], batch.rows["runs"], sums)

    def _add_traces(self, record: RunRecord, steps: dict[int, Any]) -> str | None:
        """Put a run's traces into the sink; return the run's checksum, None without traces."""
        if not self._with_traces:
            return None
        sums: dict[int, str] = {}
        for number, step_id in steps.items():
            found = self._source.trace(step_id)
            if found is None:
                continue
            trace_id, packed = found
            try:
                trace = unpack(packed)
            except CodecError:
                sums[number] = NO_TRACE
                if str(record.run_id) not in self._done.damaged:
                    self._done.damaged.append(str(record.run_id))
                continue
            sums[number] = trace_sum(trace)
            kept = TraceKept(trace_id, record.run_id, step_id, number, trace, packed)
            self._sink.add_trace(kept)
            self._done.rows["traces"] += 1
        return checksum_of(record, sums)
