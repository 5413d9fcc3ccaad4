"""A private records file of what is to be taken in: nothing of the original is ever changed."""

from __future__ import annotations

import json
import re
import sqlite3
from collections.abc import Callable, Iterable, Iterator, Mapping
from dataclasses import dataclass, field
from importlib.util import find_spec
from itertools import islice
from pathlib import Path
from typing import Any
from uuid import UUID

from sqlalchemy import Connection, bindparam, create_engine, update
from sqlalchemy.exc import DBAPIError, StatementError

from rig.exchange.fields import CHECKSUM, WRITTEN, Table, kept_tables
from rig.exchange.out import NO_PARQUET
from rig.exchange.package import DESCRIPTION, FORM, sum_of
from rig.labels import shown
from rig.records.bundles import plain_tables
from rig.records.copies import copy_moment
from rig.records.errors import RecordsError, sentence
from rig.records.problems import UNREADABLE, Progress
from rig.records.store import Store
from rig.records.tables import SCHEMA
from rig.records.transfer import fails_whole

Row = dict[str, Any]

_TRACES_AT_ONCE = 10
_MOST_DESCRIBED = 4 << 20
"""Bytes of a description: ours has some 70 000."""

# What only the bench itself needs to know of its runs and of itself.
_NOT_TOLD: dict[str, Row] = {
    "runs": {
        "owner_host": "",
        "owner_boot": "",
        "owner_space": "",
        "owner_pid": 0,
        "owner_started": 0,
    },
    "benches": {"own": False, "machine": "", "token": ""},
}


@dataclass
class Workspace:
    """What is to be taken in, at the newest schema.

    ``sums`` are the runs' checksums as they were sent along, ``changed`` the files that are not as
    they were written.
    """

    path: Path
    sums: dict[UUID, str] = field(default_factory=dict)
    changed: list[str] = field(default_factory=list)


def from_records(source: Path, folder: Path, progress: Progress) -> Workspace:
    """Copy one moment of a records file of any schema, and bring the copy up to date."""
    copy = folder / "brought.sqlite"
    try:
        copy_moment(source, copy, progress)
        Store.open(copy, create=False).close()
        engine = create_engine(f"sqlite:///{copy}")
        with engine.begin() as connection:
            _name_benches(connection)
        engine.dispose()
    except RecordsError as error:
        raise RecordsError(str(error).replace(str(copy), str(source))) from error
    except UNREADABLE as error:
        code = getattr(error, "sqlite_errorcode", sqlite3.SQLITE_ERROR) & 0xFF
        if code == sqlite3.SQLITE_FULL:
            raise  # the disk of the copy
        if code not in (sqlite3.SQLITE_CORRUPT, sqlite3.SQLITE_NOTADB, sqlite3.SQLITE_ERROR):
            raise RecordsError(sentence(source, "read", error)) from error
        raise RecordsError(
            f"{source} cannot be read: it is damaged, or no records of halfturn. Nothing was taken "
            "in; take a sound backup (`halfturn records verify --records FILE`)."
        ) from error
    return Workspace(copy)


def new_records(path: Path) -> None:
    """Make an empty records file."""
    Store.open(path).close()


# --- from a folder ------------------------------------------------------------------------------


@dataclass(frozen=True)
class _Reader:
    """How tables and traces of a format are read."""

    rows: Callable[[Path, Table], Iterator[Row]]
    traces: Callable[[Path], Iterator[Row]]


def from_folder(source: Path, folder: Path, progress: Progress) -> Workspace:
    """Put the tables of an export into a new records file; RecordsError for what cannot be."""
    try:
        return _from_folder(source, folder, progress)
    except OSError as error:
        raise RecordsError(
            f"{source} cannot be read: {(error.strerror or str(error)).lower()}. See that its disk "
            "or stick is there, and that you may read it."
        ) from error


def _from_folder(source: Path, folder: Path, progress: Progress) -> Workspace:
    about, resources = _description(source)
    older = about["records_schema"] != SCHEMA
    reader = _reader(str(about.get("format")))
    space = Workspace(folder / "brought.sqlite", changed=_changed(source, resources, older=older))
    new_records(space.path)
    engine = create_engine(f"sqlite:///{space.path}")  # references are looked at when all is in
    try:
        with engine.begin() as connection:
            connection.exec_driver_sql("PRAGMA synchronous = OFF")
            tables = kept_tables()
            written: dict[UUID, int] = {}
            for number, table in enumerate(tables):
                progress("reading tables", number / len(tables))
                if table.name in resources:
                    _fill(connection, table, reader.rows(source, table), space, written)
            _set_written(connection, written)
            _name_benches(connection)
            progress("reading traces", 0.0)
            for rows in _parts(reader.traces(source), _TRACES_AT_ONCE):
                _insert(connection, "traces", rows)
    except (DBAPIError, StatementError, OverflowError) as error:
        if fails_whole(error):
            raise  # a full disk, say
        raise RecordsError(
            f"{source}: its tables do not go together, as if rows were twice in them or missing. "
            "Nothing was taken in. Take the folder as halfturn wrote it."
        ) from error
    finally:
        engine.dispose()
    return space


def _description(source: Path) -> tuple[Mapping[str, Any], dict[str, Mapping[str, Any]]]:
    """Return what the description says of the whole, and by name of each file."""
    path = source / DESCRIPTION
    if path.is_symlink() or not path.is_file():
        raise RecordsError(
            f"{source} is no folder that `halfturn records out` wrote: there is no {DESCRIPTION} "
            "in it."
        )
    try:
        if path.stat().st_size > _MOST_DESCRIBED:
            raise ValueError("too long")
        whole = json.loads(path.read_text(encoding="utf-8"))
        about = whole["halfturn"]
        resources = {each["name"]: each for each in whole["resources"]}
        form, schema, with_traces = about["form"], about["records_schema"], about["with_traces"]
        about = {**about, "format": whole["resources"][0]["format"]}
        if type(form) is not int or not re.fullmatch("[0-9]{4}", schema):
            raise ValueError("not ours")
    except (ValueError, LookupError, TypeError, AttributeError, RecursionError) as error:
        raise RecordsError(
            f"{path} is damaged, or of another program. Take the folder as halfturn wrote it."
        ) from error
    if form > FORM or schema > SCHEMA:
        raise RecordsError(
            f"{source} was written by a newer halfturn "
            f"({shown(str(about.get('program_version')))}). Update halfturn, or take the runs in "
            "with the one that wrote it."
        )
    if with_traces is not True:
        raise RecordsError(
            f"{source} was written without traces, and a run is taken in whole or not at all. "
            "Write it again: `halfturn records out FOLDER --with-traces`."
        )
    return about, resources


def _reader(format: str) -> _Reader:
    match format:
        case "csv":
            from rig.exchange import from_csv

            return _Reader(from_csv.rows, from_csv.traces)
        case "parquet":
            if find_spec("pyarrow") is None:
                raise RecordsError(NO_PARQUET.partition(", or")[0] + ".")
            from rig.exchange import from_parquet

            return _Reader(from_parquet.rows, from_parquet.traces)
    raise RecordsError(f"An export in the format “{shown(format)}” is not known here.")


def _changed(source: Path, resources: Mapping[str, Mapping[str, Any]], *, older: bool) -> list[str]:
    """Return the files of tables that are not as they were written; one that lacks is told."""
    changed = []
    for name in (*(table.name for table in kept_tables()), "traces"):
        if name not in resources and older:
            continue  # it came into being later
        told = resources.get(name, {})
        format = told.get("format")
        path = source / f"{name}.{format}"
        if format not in ("csv", "parquet") or path.is_symlink() or not path.is_file():
            raise RecordsError(
                f"{source}: the table {name} is not there, or is no file. Copy the folder again."
            )
        size = path.stat().st_size
        if told.get("bytes") != size or told.get("hash") != f"sha256:{sum_of(path)}":
            changed.append(path.name)
    return changed


def _fill(
    connection: Connection,
    table: Table,
    rows: Iterator[Row],
    space: Workspace,
    written: dict[UUID, int],
) -> None:
    """Put a table's rows in; what goes with them besides is kept aside."""
    for part in _parts(rows):
        for row in part:
            if CHECKSUM in table.fields:
                space.sums[row["id"]] = row.pop(CHECKSUM.name, None) or ""
            if WRITTEN in table.fields:
                written[row["id"]] = row.pop(WRITTEN.name)
            row.update(_NOT_TOLD.get(table.name, {}))
        _insert(connection, table.name, part)


def _set_written(connection: Connection, written: Mapping[UUID, int]) -> None:
    """Give each record the number of its own bench: what is below it was counted here too."""
    table = plain_tables()["versions"]
    query = update(table).where(table.c.row_id == bindparam("row")).values(version=bindparam("n"))
    if written:
        connection.execute(query, [{"row": key, "n": number} for key, number in written.items()])


def _name_benches(connection: Connection) -> None:
    """Call a bench that was never given a name by that of its rig, as its newest run has it."""
    connection.exec_driver_sql(
        "UPDATE benches SET name = coalesce((SELECT rig_name FROM runs WHERE "
        "runs.bench_id = benches.id OR (benches.own AND runs.bench_id IS NULL) "
        "ORDER BY started_at DESC LIMIT 1), '') WHERE name = ''"
    )


def _insert(connection: Connection, name: str, rows: list[Row]) -> None:
    if rows:
        connection.execute(plain_tables()[name].insert(), rows)


def _parts(rows: Iterable[Row], at_once: int = 500) -> Iterator[list[Row]]:
    left = iter(rows)
    while part := list(islice(left, at_once)):
        yield part
