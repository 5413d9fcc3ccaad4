"""Look into a records file without changing anything, while others write or where nobody may."""

from __future__ import annotations

import sqlite3
from collections.abc import Iterator
from contextlib import closing, contextmanager
from pathlib import Path

WAIT_S = 5.0  # for a lock


def log_of(path: Path) -> Path:
    """Return SQLite's write-ahead log of the database at ``path``."""
    return path.with_name(path.name + "-wal")


@contextmanager
def reading(path: Path) -> Iterator[sqlite3.Connection]:
    """Yield a connection that sees one moment of ``path``, however long it is read.

    Raises sqlite3.Error.  Nothing is written, and nothing is left beside the file.
    """
    with closing(_connect(path)) as raw:
        raw.execute("BEGIN")
        raw.execute("SELECT count(*) FROM sqlite_master").fetchone()  # the moment is this one
        yield raw


def _connect(path: Path) -> sqlite3.Connection:
    # A reading connection leaves the log alone, be it of a living bench or of one that died.  Where
    # there is no log it would make an empty one and leave it; one that may write clears up.
    modes = ["mode=ro"] if log_of(path).exists() else ["mode=rw", "mode=ro"]
    modes.append("immutable=1")  # a read-only medium, where no lock can be taken nor be needed
    for mode in modes:
        raw = sqlite3.connect(
            f"{path.absolute().as_uri()}?{mode}", uri=True, timeout=WAIT_S, isolation_level=None
        )
        try:
            raw.execute("PRAGMA query_only = ON")
            raw.execute("PRAGMA schema_version").fetchone()
        except sqlite3.Error as error:
            raw.close()
            if mode == modes[-1] or not no_way_in(error) or _has_log(path):
                raise
        else:
            return raw
    raise AssertionError("not reached")


def no_way_in(error: BaseException | None) -> bool:
    """Whether SQLite could not write a file or make what it needs beside it."""
    code = getattr(error, "sqlite_errorcode", 0) & 0xFF
    return code in (sqlite3.SQLITE_CANTOPEN, sqlite3.SQLITE_READONLY, sqlite3.SQLITE_PERM)


def _has_log(path: Path) -> bool:
    log = log_of(path)
    return log.exists() and log.stat().st_size > 0
