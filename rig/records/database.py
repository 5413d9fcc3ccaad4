"""Open the SQLite file: recognise it, set it up for durability, migrate it, check it."""

from __future__ import annotations

import logging
import sqlite3
import time
from collections.abc import Callable
from contextlib import closing, suppress
from pathlib import Path

from sqlalchemy import URL, Connection, Engine, create_engine, event, text
from sqlalchemy.exc import SQLAlchemyError, StatementError

from rig.records.errors import RecordsError, told
from rig.records.files import stamp, synced
from rig.records.reading import log_of, no_way_in
from rig.records.tables import SCHEMA, Base

# A library that fails while it tidies up logs a traceback; what it raised is told in our own words.
logging.getLogger("sqlalchemy").addHandler(logging.NullHandler())

APPLICATION_ID = 0x68616C66
"""Marks the file as ours in SQLite's own header field for that ("half" in ASCII)."""

CHECK_S = 0.5
"""Longest time the check at opening may take (guess: not felt by somebody who starts a run)."""


def open_engine(path: Path, *, create: bool, wait_s: float) -> Engine:
    """Return an engine on the records at ``path``, at the newest schema and checked.

    ``wait_s`` is how long to wait for a lock.  Records that are there and may only be read are
    opened for reading unless ``create``.  Raises RecordsError.
    """
    with told(path, "open"):
        _look_at_file(path, create=create)
        try:
            return _sound(_engine(path, wait_s), path, wait_s)
        except (SQLAlchemyError, sqlite3.Error) as error:
            if create or not _forbidden(error):
                raise
            return _only_read(path, wait_s)


def _sound(engine: Engine, path: Path, wait_s: float) -> Engine:
    try:
        _bring_up_to_date(engine, path, wait_s)
        with engine.connect() as connection:
            _check(connection, path)
    except BaseException:
        engine.dispose()
        raise
    return engine


def _forbidden(error: Exception) -> bool:
    """Whether SQLite could not write the file or make what it needs beside it."""
    cause = error.orig if isinstance(error, StatementError) else error
    return no_way_in(cause)


def _only_read(path: Path, wait_s: float) -> Engine:
    """Return an engine that reads an archive, a write-protected card or another one's folder."""
    log = log_of(path.resolve())
    if log.exists():
        # Somebody may be writing.  SQLite takes part in that without writing where it can.
        try:
            return _sound(_reading_engine(path, wait_s, {}), path, wait_s)
        except (SQLAlchemyError, sqlite3.Error) as error:
            if not _forbidden(error) or log.stat().st_size:
                raise
    # Nobody has them open and all is in the file: read without locks, which would need a file too.
    return _sound(_reading_engine(path, wait_s, {"immutable": "1"}), path, wait_s)


def _reading_engine(path: Path, wait_s: float, query: dict[str, str]) -> Engine:
    engine = create_engine(
        URL.create(
            "sqlite",
            database=path.absolute().as_uri(),
            query={"mode": "ro", "uri": "true", **query},
        ),
        connect_args={"timeout": wait_s, "isolation_level": None},
    )
    event.listen(engine, "connect", add_casefold)
    event.listen(engine, "begin", _begin)
    return engine


def writing(engine: Engine) -> Engine:
    """Return the engine for writers: their transactions take the write lock at once.

    A transaction that reads first and writes later can fail halfway when another wrote between.
    """
    return engine.execution_options(begin="IMMEDIATE")


LEAST_PAGE_BYTES = 512  # https://www.sqlite.org/fileformat.html, 1.3.2


def _look_at_file(path: Path, *, create: bool) -> None:
    if path.is_dir():
        raise RecordsError(f"{path} is a folder; name the records file inside it.")
    if path.exists() and not path.is_file():
        raise RecordsError(f"{path} is no file but a device or a pipe; name a records file.")
    if not path.exists():
        if not create:
            raise RecordsError(
                f"There are no records at {path}. Run a plan first, or name the records file."
            )
        _make_folder(path.parent)
        return
    # SQLite tells what is no database by itself, but takes less than a page for an empty one.
    if 0 < path.stat().st_size < LEAST_PAGE_BYTES:
        raise RecordsError(
            f"{path} is not a records database. Choose another records file; "
            "this one was left as it is."
        )
    # The file itself is never opened here: closing it would drop the locks that SQLite holds on it
    # for this process (POSIX advisory locks), and another program would take it for unused.


def _make_folder(folder: Path) -> None:
    """Make a folder that is there after a power cut, as SQLite sees to for the files in it.

    A synced file in a folder whose own name was not synced may be lost with that folder (fsync(2)).
    """
    missing = [new for new in (folder, *folder.parents) if not new.exists()]
    folder.mkdir(parents=True, exist_ok=True)
    for new in reversed(missing):
        with suppress(OSError):  # not every file system syncs folders, nor may all be read
            synced(new.parent)


def _engine(path: Path, wait_s: float, *, keys: bool = True) -> Engine:
    # isolation_level None: Python's own transaction control would commit before DDL, and a
    # migration must be all or nothing.  Transactions are begun by _begin instead.
    engine = create_engine(
        URL.create("sqlite", database=str(path)),
        connect_args={"timeout": wait_s, "isolation_level": None},
    )
    # Chosen for a memory card whose power may be cut at any moment (https://www.sqlite.org/wal.html
    # and pragma.html):
    #   journal_mode WAL   what is committed is appended to a log and synced once; the file itself
    #                      is written only at a checkpoint, from a log that is already safe.
    #                      Readers (a console, a backup) and the bench never wait for each other.
    #   synchronous FULL   the log is synced at every commit: a step is on the disk before the next
    #                      begins.  NORMAL would sync at checkpoints only, and a power cut would
    #                      take the last steps with it.  Costs one sync a commit, some 5 to 100 ms
    #                      on a card, seconds at worst (estimate): so it is never done in the loop.
    #   foreign_keys       no row without what it belongs to.
    # The log is moved into the file every 1000 pages (SQLite's own default) and between runs
    # (`Store._checkpoint`); whoever closes last removes it.  What no setting mends: a card that
    # says "synced" and is not, or that wears out (https://www.sqlite.org/howtocorrupt.html, 3);
    # for that there are `halfturn records verify` and `backup`.  Measured: bench_commit.py.
    pragmas = (f"foreign_keys = {keys:d}", "synchronous = FULL", "journal_mode = WAL")

    def set_up(connection: sqlite3.Connection, _record: object) -> None:
        for pragma in pragmas:
            connection.execute(f"PRAGMA {pragma}").close()

    event.listen(engine, "connect", set_up)
    event.listen(engine, "connect", add_casefold)
    event.listen(engine, "begin", _begin)
    return engine


def add_casefold(connection: sqlite3.Connection, _record: object = None) -> None:
    """Give a connection what a search for a part of a word needs."""
    # SQLite's own lower() and LIKE know the case of a to z only; as fast for 100 000 runs.
    connection.create_function("casefold", 1, str.casefold, deterministic=True)


def _begin(connection: Connection) -> None:
    mode = connection.get_execution_options().get("begin", "DEFERRED")
    connection.exec_driver_sql(f"BEGIN {mode}")


def _bring_up_to_date(engine: Engine, path: Path, wait_s: float) -> None:
    with engine.connect() as connection:
        if _revision(connection, path) == SCHEMA:
            return
    if engine.url.query.get("mode") == "ro":
        raise RecordsError(
            f"The records in {path} were written by an older halfturn and may only be read where "
            "they are. Copy them to a folder where you may write, and name the copy with --records."
        )
    # Foreign keys off: a migration may have to drop and rebuild a table that others refer to.
    migrating = writing(_engine(path, wait_s, keys=False))
    try:
        with migrating.begin() as connection:
            _migrate(connection, path)
    finally:
        migrating.dispose()


def _migrate(connection: Connection, path: Path) -> None:
    revision = _revision(connection, path)
    if revision == SCHEMA:
        return  # another program was faster
    from rig.records import migrate  # alembic takes a while to import

    if revision is not None:
        _refuse_unknown(revision, migrate.revisions(), path)
        _back_up(path, revision)
    migrate.upgrade(connection)
    if connection.execute(text("PRAGMA foreign_key_check")).first():
        raise RecordsError(
            f"The records in {path} could not be brought to schema {SCHEMA}: a row would lose "
            "what it belongs to. They were left as they were; please report this."
        )
    connection.exec_driver_sql(f"PRAGMA application_id = {APPLICATION_ID}")


def _revision(connection: Connection, path: Path) -> str | None:
    """Return the schema revision of the file, None if it is empty."""
    if not connection.scalar(text("SELECT count(*) FROM sqlite_master")):
        return None
    if connection.scalar(text("PRAGMA application_id")) != APPLICATION_ID:
        raise RecordsError(
            f"{path} is a database of another program. Choose another records file; "
            "this one was left as it is."
        )
    return str(connection.scalar(text("SELECT version_num FROM alembic_version")))


def _refuse_unknown(revision: str, known: list[str], path: Path) -> None:
    if revision not in known:
        raise RecordsError(
            f"The records in {path} were written by a newer halfturn (schema {revision}, this "
            f"program knows up to {known[-1]}). Update halfturn, or choose another records file."
        )


def _back_up(path: Path, revision: str) -> None:
    copy = path.with_name(f"{path.stem}.schema-{revision}.{stamp()}{path.suffix}")
    try:
        # SQLite's own copy: the file alone would miss what is still in the write-ahead log.
        with closing(sqlite3.connect(path)) as source, closing(sqlite3.connect(copy)) as target:
            source.backup(target)
    except BaseException:
        copy.unlink(missing_ok=True)  # half a backup looks like a whole one
        raise


def _check(connection: Connection, path: Path) -> None:
    """Look for damage in every table but the traces, for at most CHECK_S.

    Traces are nearly all of a file; each carries its own checksum, verified when it is read.
    """
    raw = connection.connection.driver_connection
    assert isinstance(raw, sqlite3.Connection)
    raw.set_progress_handler(_out_of_time(CHECK_S), 10_000)
    try:
        for table in Base.metadata.tables:
            if table == "traces":
                continue
            found = [row[0] for row in raw.execute(f"PRAGMA quick_check('{table}')")]
            if found != ["ok"]:
                raise RecordsError(
                    f"The records in {path} are damaged ({found[0]}). Keep the file, copy the "
                    "whole folder to another disk, and go on with a new records file."
                )
    except sqlite3.OperationalError as error:
        if error.sqlite_errorcode != sqlite3.SQLITE_INTERRUPT:
            raise
    finally:
        raw.set_progress_handler(None, 0)


def _out_of_time(limit_s: float) -> Callable[[], bool]:
    end_s = time.monotonic() + limit_s
    return lambda: time.monotonic() > end_s
