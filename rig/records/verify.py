"""Verify a records file: structure, schema, references, every value, every trace's checksum.

What this cannot see: SQLite keeps no checksums of its pages, so a bit that flipped inside a number
and left a number, outside the traces, is not noticed.  Traces and the texts of rig and plan carry a
SHA-256 each, and lots are worked out again.
"""

from __future__ import annotations

import sqlite3
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from dataclasses import dataclass, field
from datetime import datetime
from pathlib import Path

from rig.records.check_rows import Found, RunFound, check_rows, text_of
from rig.records.check_schema import check_schema
from rig.records.codec import CodecError, unpack
from rig.records.database import APPLICATION_ID
from rig.records.errors import RecordsError, told
from rig.records.problems import OTHERWISE_FINE, UNREADABLE, Problem, Problems, Progress
from rig.records.reading import reading

_STRUCTURE_STEPS = 1_000_000  # of SQLite's machine, between two words of progress: about 0.1 s
_DAMAGED = (sqlite3.SQLITE_CORRUPT, sqlite3.SQLITE_NOTADB, sqlite3.SQLITE_ERROR)
NOT_OURS = "Name the records file with --records; this one was left as it is."


@dataclass(frozen=True, slots=True)
class RunLine:
    """A run by its id, plan, and start (UTC)."""

    run: str
    plan: str
    started_at: str


@dataclass
class Verified:
    """What a records file holds and what is wrong with it.

    ``interrupted`` runs are whole as far as they went: they are no problem.  ``running``: their
    process lives.
    """

    path: Path
    file_bytes: int = 0
    revision: str = ""
    counts: dict[str, int] = field(default_factory=dict)
    samples: int = 0
    interrupted: list[RunLine] = field(default_factory=list)
    running: list[RunLine] = field(default_factory=list)
    finished: set[str] = field(default_factory=set)
    newest: str = ""
    problems: list[Problem] = field(default_factory=list)

    @property
    def sound(self) -> bool:
        """Tell whether nothing is wrong."""
        return not self.problems


def quiet(_doing: str, _part: float) -> None:
    """Tell nobody how far it is."""


def verify(path: Path, progress: Progress = quiet) -> Verified:
    """Return what ``path`` holds and what is wrong with it; nothing is changed.

    A bench may go on writing: what is looked at is one moment of it.  RecordsError if the file is
    not there, or if it is locked or cannot be read for another reason than damage.
    """
    _need_file(path)
    problems = Problems()
    verified = Verified(path, path.stat().st_size)
    unreadable = f"{path} cannot be read to its end"
    with told(path, "verify"), _damage_told(problems, unreadable), reading(path) as raw:
        if _is_ours(raw, path, problems):
            _verify(raw, verified, problems, progress)
    verified.problems = list(problems)
    return verified


def _need_file(path: Path) -> None:
    if not path.exists():
        raise RecordsError(f"There are no records at {path}. {NOT_OURS.partition(';')[0]}.")
    if not path.is_file():
        raise RecordsError(f"{path} is not a file; name the records file itself.")


def _verify(
    raw: sqlite3.Connection, verified: Verified, problems: Problems, progress: Progress
) -> None:
    with _damage_told(problems, "The schema's revision cannot be read"):
        verified.revision = str(
            raw.execute("SELECT version_num FROM alembic_version").fetchone()[0]
        )
    with _damage_told(problems, "The structure cannot be followed to its end"):
        _check_structure(raw, problems, progress)
    if not _known(verified, problems):
        return
    with _damage_told(problems, "The schema cannot be read"):
        check_schema(raw, verified.revision, problems)
    with _damage_told(problems, "The references cannot be followed"):
        for table, _row, other, _ in raw.execute("PRAGMA foreign_key_check").fetchall():
            problems.add(f"A row of {table} belongs to one of {other} that is not there.")
    raw.text_factory = bytes
    found = check_rows(raw, problems, progress)
    with _damage_told(problems, "The list of traces cannot be read to its end"):
        _check_traces(raw, found, verified, problems, progress)
    _sum_up(found, verified)


@contextmanager
def _damage_told(problems: Problems, what: str) -> Iterator[None]:
    """Take damage met inside for a problem; let other errors (a lock, the disk) pass."""
    try:
        yield
    except UNREADABLE as error:
        if getattr(error, "sqlite_errorcode", sqlite3.SQLITE_ERROR) & 0xFF not in _DAMAGED:
            raise
        problems.add(f"{what} ({error}).")


def _is_ours(raw: sqlite3.Connection, path: Path, problems: Problems) -> bool:
    if raw.execute("PRAGMA application_id").fetchone()[0] == APPLICATION_ID:
        return True
    problems.add(f"{path} is no records file of halfturn.", NOT_OURS)
    return False


def _known(verified: Verified, problems: Problems) -> bool:
    from rig.records import migrate

    known = migrate.revisions()
    if verified.revision in known:
        return True
    if verified.revision:
        problems.add(
            f"The records are of schema {verified.revision[:20]}, and this program knows up to "
            f"{known[-1]}: they are of a newer halfturn, or damaged.",
            "Update halfturn and verify again.",
        )
    return False


def _check_structure(raw: sqlite3.Connection, problems: Problems, progress: Progress) -> None:
    raw.set_progress_handler(lambda: progress("structure", 0.0), _STRUCTURE_STEPS)
    try:
        for (found,) in raw.execute("PRAGMA integrity_check").fetchall():
            for line in found.splitlines():
                if line != "ok" and not line.startswith("*** in database"):
                    problems.add(f"SQLite finds: {line}.")
    finally:
        raw.set_progress_handler(None, 0)


def _check_traces(
    raw: sqlite3.Connection,
    found: Found,
    verified: Verified,
    problems: Problems,
    progress: Progress,
) -> None:
    rows = raw.execute("SELECT rowid, step_id, samples, length(data) FROM traces").fetchall()
    whole = sum(size or 0 for *_, size in rows) or 1
    done, with_trace = 0, set()
    for rowid, step, samples, size in rows:
        progress("traces", done / whole)
        done += size or 0
        with_trace.add(step)
        try:
            data = raw.execute("SELECT data FROM traces WHERE rowid = ?", (rowid,)).fetchone()[0]
            length = len(unpack(data))
        except (CodecError, TypeError, *UNREADABLE) as error:
            wrong = f"Its trace cannot be read: {error}."
        else:
            verified.samples += length
            if length == samples:
                continue
            wrong = f"Its trace has {length} samples, and {samples} were recorded."
        run, number = found.place_of_step(step)
        problems.add(wrong, OTHERWISE_FINE, run=run, step=number)
    for step in sorted(found.turning - with_trace):
        run, number = found.place_of_step(step)
        problems.add("Its half-turns have no trace.", OTHERWISE_FINE, run=run, step=number)
    verified.counts["traces"] = len(rows)


def _sum_up(found: Found, verified: Verified) -> None:
    verified.counts.update(found.counts)
    for run in sorted(found.runs.values(), key=lambda run: text_of(run.row.get("started_at"))):
        line = _line(run)
        verified.newest = line.started_at
        if run.goes_on:
            verified.running.append(line)
        elif run.left_off:
            verified.interrupted.append(line)
        else:
            verified.finished.add(line.run)


def _line(run: RunFound) -> RunLine:
    started = text_of(run.row.get("started_at"))
    with suppress(ValueError):
        started = f"{datetime.fromisoformat(started):%Y-%m-%d %H:%M}"
    return RunLine(run.name, text_of(run.row.get("plan_name")), started)
