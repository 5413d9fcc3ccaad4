"""Whole copies of records: a backup while a bench writes, and a backup put back in their place.

Everything is made beside its place under another name, synced and verified, and takes its place in
one step, so that a power cut at any moment leaves either what was there before or the new whole.
"""

from __future__ import annotations

import fcntl
import os
import shutil
import sqlite3
from collections.abc import Iterator
from contextlib import closing, contextmanager, nullcontext, suppress
from dataclasses import dataclass
from pathlib import Path

from rig.records.database import APPLICATION_ID
from rig.records.errors import RecordsError, told
from rig.records.files import stamp, synced
from rig.records.model import RunState
from rig.records.problems import UNREADABLE, Progress, run_id
from rig.records.reading import log_of, reading
from rig.records.verify import Verified, quiet, verify

_PAGES = 1024  # copied between two words of progress: 4 MB
_PART = ".part"  # how the name of a copy ends that is not whole yet


@dataclass(frozen=True)
class BackedUp:
    """A backup that was made, and what it holds; ``replaced``: an older one of that name."""

    path: Path
    holds: Verified
    replaced: bool


@dataclass(frozen=True)
class Restored:
    """What was put in place, and where the records that were there are kept (None: none were).

    ``only_aside`` are the runs that are over and whole in these alone, None if they cannot be read.
    """

    path: Path
    holds: Verified
    aside: Path | None
    only_aside: set[str] | None


def back_up(
    records: Path, target: Path, *, replace: bool = False, progress: Progress = quiet
) -> BackedUp:
    """Copy ``records`` to ``target``, or under a dated name into a folder; a bench may go on.

    The copy is of one moment, on the disk, and verified when this returns.  A copy that is not
    sound never takes the place of another.  Raises RecordsError.
    """
    _need(records, "There are no records at {}. Name the records file with --records.")
    if target.is_dir():
        target = _free_name(target / f"{records.stem}-{stamp()}{records.suffix or '.sqlite'}")
    if target.exists() and not replace:
        raise RecordsError(
            f"{target} is already there and was left as it is. Choose another name, name a folder "
            "(the backup then gets a dated name), or say --replace."
        )
    replaced = target.exists()
    if replaced and target.samefile(records):
        raise RecordsError(f"{target} is the records themselves; back up to another file.")
    with told(records, f"write {target}, a backup of"), _part_of(target) as part:
        if replaced:
            _need_backup(target)
        copy_moment(records, part, progress)
        holds = verify(part, progress)
        if replaced and not holds.sound:
            raise RecordsError(
                f"{target} was left as it is, since what would replace it is not sound: "
                f"{holds.problems[0].what} See all with `halfturn records verify`, and back up "
                "under another name to keep what there is."
            )
        with _alone_with(target) if replaced else nullcontext():
            part.replace(target)
        synced(target.parent)
    holds.path = target
    return BackedUp(target, holds, replaced)


def _need_backup(target: Path) -> None:
    """Refuse to replace what is no records file: somebody may have mistyped a name."""
    with suppress(*UNREADABLE), reading(target) as raw:
        if raw.execute("PRAGMA application_id").fetchone()[0] == APPLICATION_ID:
            return
    raise RecordsError(
        f"{target} is no backup of records, or damaged, and was left as it is. Choose another name."
    )


def restore(records: Path, backup: Path, *, progress: Progress = quiet) -> Restored:
    """Put a copy of ``backup`` in the place of ``records``, which are kept beside it.

    Raises RecordsError, with nothing changed, if the backup is not sound or a program has the
    records open.
    """
    _need(backup, "There is no backup at {}. Name the file that `halfturn records backup` wrote.")
    if records.exists() and records.samefile(backup):
        raise RecordsError(f"{backup} is the records themselves; name a backup of them.")
    with told(records, "restore"):
        records.parent.mkdir(parents=True, exist_ok=True)
        if records.exists() and _others_have(records):
            raise _in_use(records)  # told before the long work, and made sure of after it
        with _part_of(records) as part:
            try:
                copy_moment(backup, part, progress)
            except UNREADABLE as error:
                if isinstance(error, OSError):
                    raise  # the disk that is written to
                raise RecordsError(
                    f"{backup} cannot be read: it is damaged, or no backup of records. Nothing was "
                    "restored; use another backup."
                ) from error
            holds = verify(part, progress)
            if not holds.sound:
                raise RecordsError(
                    f"{backup} is not sound, so nothing was restored: {holds.problems[0].what} See "
                    "all with `halfturn records verify --records BACKUP`, or use an older backup."
                )
            before = _over_in(records)
            aside = _swap(records, part)
            synced(records.parent)
    holds.path = records
    # One that goes on in the backup was not whole yet when that was made.
    as_far = holds.finished | {line.run for line in holds.interrupted}
    only_aside = (
        None
        if before is None
        else {
            run
            for run, finished in before.items()
            if run not in (holds.finished if finished else as_far)
        }
    )
    return Restored(records, holds, aside, only_aside)


def _over_in(records: Path) -> dict[str, bool] | None:
    """Return the ids of the runs that are over, and whether they came to their own end.

    None if they cannot be read.
    """
    if not records.exists():
        return {}
    try:
        with reading(records) as raw:
            rows = raw.execute("SELECT id, state FROM runs WHERE ended_at IS NOT NULL").fetchall()
        return {run_id(row[0]): row[1] != RunState.INTERRUPTED.value for row in rows}
    except UNREADABLE:
        return None


# --- making a copy ----------------------------------------------------------------------------


@contextmanager
def _part_of(target: Path) -> Iterator[Path]:
    """Yield the name to write under; nothing is left of it, whole or not."""
    part = target.with_name(target.name + _PART)
    _remove(part)  # of a copy that a power cut ended
    try:
        yield part
    finally:
        _remove(part)


def _remove(part: Path) -> None:
    for end in ("", "-journal", "-wal", "-shm"):
        part.with_name(part.name + end).unlink(missing_ok=True)


def copy_moment(source: Path, part: Path, progress: Progress) -> None:
    """Copy one moment of ``source`` with SQLite's own means, log included, and sync it.

    The copy is one file without a log, which may be read from a write-protected medium.
    """
    with reading(source) as raw, closing(sqlite3.connect(part)) as copy:
        copy.execute("PRAGMA synchronous = FULL")
        # ``reading`` holds the moment: what others commit meanwhile neither shows nor starts this
        # over (https://www.sqlite.org/c3ref/backup_finish.html).
        raw.backup(
            copy,
            pages=_PAGES,
            progress=lambda _, left, whole: progress("copying", 1 - left / max(whole, 1)),
        )
        copy.execute("PRAGMA journal_mode = DELETE").fetchone()
    synced(part)


def _free_name(path: Path) -> Path:
    """Return ``path``, or with a number behind its stem if something is there."""
    free, number = path, 1
    while free.exists() or log_of(free).exists():
        number += 1
        free = path.with_name(f"{path.stem}-{number}{path.suffix}")
    return free


def _need(path: Path, text: str) -> None:
    if not path.exists():
        raise RecordsError(text.format(path))
    if not path.is_file():
        raise RecordsError(f"{path} is not a file.")


# --- taking the place -------------------------------------------------------------------------


def _in_use(path: Path) -> RecordsError:
    return RecordsError(
        f"{path} is in use, so nothing was changed. End the run that is on and leave every console "
        "(and stop a bench that serves), then try again."
    )


@contextmanager
def _alone_with(records: Path) -> Iterator[bool]:
    """Hold ``records`` so that nobody else has them or can open them; RecordsError if somebody has.

    Yields whether all of them is in the one file then: False if they are damaged, so that their
    log has to be kept with them.
    """
    with closing(sqlite3.connect(records, timeout=0.5, isolation_level=None)) as raw:
        try:
            # Leaving WAL needs the file to oneself, whoever reads or writes; it moves the log into
            # the file and removes it (https://www.sqlite.org/wal.html, 3.3).
            raw.execute("PRAGMA journal_mode = DELETE").fetchone()
            raw.execute("BEGIN EXCLUSIVE")
            whole = not log_of(records).exists()
        except UNREADABLE as error:
            if getattr(error, "sqlite_errorcode", 0) & 0xFF == sqlite3.SQLITE_BUSY:
                raise _in_use(records) from error
            whole = False
        if not whole and _others_have(records):
            raise _in_use(records)
        yield whole


def _others_have(path: Path) -> bool:
    """Tell whether another process has ``path`` open as a database; changes nothing.

    Whoever has one open in WAL mode holds SQLite's shared lock on it: 510 bytes behind the pending
    byte at 2^30 and the reserved byte (https://www.sqlite.org/src/file/src/os.h, from memory).
    This process must not have it open itself: closing a file drops the process's own locks.
    """
    with path.open("rb+") as file:
        try:
            fcntl.lockf(file, fcntl.LOCK_EX | fcntl.LOCK_NB, 510, 2**30 + 2)
        except OSError:
            return True
    return False


def _swap(records: Path, part: Path) -> Path | None:
    """Let ``part`` take the place of ``records``; return where these are kept now."""
    if not records.exists():
        part.replace(records)
        return None
    aside = _free_name(
        records.with_name(f"{records.stem}.before-restore.{stamp()}{records.suffix}")
    )
    with _alone_with(records) as whole:
        if not whole:
            # Damaged: their log goes with them, before the new file could be read with it.
            for end in ("-wal", "-journal"):
                beside = records.with_name(records.name + end)
                if beside.exists():
                    _second_name(beside, aside.with_name(aside.name + end))
        _second_name(records, aside)
        synced(records.parent)
        if not whole:
            for end in ("-wal", "-journal", "-shm"):
                records.with_name(records.name + end).unlink(missing_ok=True)
            synced(records.parent)
        # There is a file of this name at every moment: nobody can make a new one in between.
        part.replace(records)
    return aside


def _second_name(path: Path, other: Path) -> None:
    """Keep ``path`` under a second name too; as a copy where the file system has no links."""
    with suppress(OSError):
        os.link(path, other)
        return
    try:
        shutil.copyfile(path, other)
        synced(other)
    except BaseException:
        other.unlink(missing_ok=True)
        raise
