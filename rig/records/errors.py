"""What can go wrong with the records, told as a sentence with a next action."""

from __future__ import annotations

import sqlite3
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from sqlalchemy.exc import SQLAlchemyError, StatementError


class RecordsError(RuntimeError):
    """The records cannot be read or written; the message says what to do next."""


class NotAsWrittenError(RecordsError):
    """A record holds what this program never writes."""


# SQLite's primary result codes (https://www.sqlite.org/rescode.html) in the operator's words.
_BY_CODE = {
    sqlite3.SQLITE_FULL: "the disk is full. Free some space and try again",
    sqlite3.SQLITE_BUSY: "another program has locked it. Close that program and try again",
    sqlite3.SQLITE_LOCKED: "another program has locked it. Close that program and try again",
    sqlite3.SQLITE_READONLY: (
        "the file or its folder is read-only. Give yourself write access to both, "
        "or choose another records file"
    ),
    sqlite3.SQLITE_PERM: (
        "the file or its folder is read-only. Give yourself write access to both, "
        "or choose another records file"
    ),
    sqlite3.SQLITE_CANTOPEN: (
        "the file cannot be opened. Check that its folder exists and that you may write there, "
        "or choose another records file"
    ),
    sqlite3.SQLITE_NOTADB: (
        "the file is not a records database. Choose another records file;"
        " this one was left as it is"
    ),
    sqlite3.SQLITE_CORRUPT: (
        "the file is damaged. Keep it, copy the whole folder to another disk, "
        "and go on with a new records file"
    ),
    sqlite3.SQLITE_IOERR: (
        "the disk reports an error. Check the disk or memory card and its connections, "
        "and copy the records to another disk"
    ),
}


def sentence(path: Path, doing: str, error: BaseException | None) -> str:
    """Return what the operator is told of ``error`` met while ``doing`` something at ``path``."""
    code = getattr(error, "sqlite_errorcode", None)
    known = None if code is None else _BY_CODE.get(code & 0xFF)  # the low byte is the primary code
    if isinstance(error, UnicodeDecodeError):  # SQLite quotes its own damaged schema
        known = _BY_CODE[sqlite3.SQLITE_CORRUPT]
    if known is None and isinstance(error, OSError):
        known = f"{error.strerror or error}. Check the folder, or choose another records file"
    why = known or f"{error}. Please report this with the records file kept as it is"
    return f"Could not {doing} the records in {path}: {why}."


@contextmanager
def told(path: Path, doing: str) -> Iterator[None]:
    """Turn any error of the database or the file system inside into a RecordsError."""
    try:
        yield
    except StatementError as error:
        raise RecordsError(sentence(path, doing, error.orig)) from error
    except (SQLAlchemyError, sqlite3.Error, OSError, UnicodeDecodeError) as error:
        raise RecordsError(sentence(path, doing, error)) from error
