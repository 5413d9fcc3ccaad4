"""Are the tables, columns, indexes and references of a file those of its schema revision?"""

from __future__ import annotations

import sqlite3
from collections.abc import Iterator
from contextlib import closing
from functools import cache
from typing import Any

from rig.records.problems import Problems


def check_schema(raw: sqlite3.Connection, revision: str, problems: Problems) -> None:
    """Compare the database with a new one at ``revision``, made by the migrations.

    What somebody added is left alone; what is missing or different is a problem.
    """
    present = set(_parts(raw))
    for part in _parts_at(revision):
        if part not in present:
            table, what = part
            problems.add(f"{what} is missing or not as it should be in the table {table}.")


@cache
def _parts_at(revision: str) -> tuple[tuple[str, str], ...]:
    from sqlalchemy import create_engine
    from sqlalchemy.pool import StaticPool

    from rig.records import migrate

    engine = create_engine(
        "sqlite://", poolclass=StaticPool, connect_args={"isolation_level": None}
    )
    try:
        with engine.connect() as connection:
            migrate.upgrade(connection, revision)
            made = connection.connection.driver_connection
            assert isinstance(made, sqlite3.Connection)
            return tuple(_parts(made))
    finally:
        engine.dispose()


def _parts(raw: sqlite3.Connection) -> Iterator[tuple[str, str]]:
    """Yield (table, what) for each column, reference, index and trigger; all that matters of it."""
    tables = raw.execute("SELECT name FROM sqlite_master WHERE type = 'table' ORDER BY name")
    for (table,) in tables.fetchall():
        for _, name, kind, needed, _, key in _pragma(raw, "table_info", table):
            more = (" key" if key else "") + (" not null" if needed else "")
            yield table, f"The column {name} ({kind.lower()}{more})"
        for _, _, other, own, theirs, *_ in _pragma(raw, "foreign_key_list", table):
            yield table, f"The reference from {own} to {other}.{theirs}"
        for _, name, unique, origin, _ in _pragma(raw, "index_list", table):
            of = ", ".join(str(column[2]) for column in _pragma(raw, "index_info", name))
            if origin == "c":
                yield table, f"The {'unique ' if unique else ''}index {name} on {of}"
            elif unique:
                yield table, f"The rule that {of} be unique"
    triggers = "SELECT tbl_name, name, sql FROM sqlite_master WHERE type = 'trigger' ORDER BY name"
    for table, name, made in raw.execute(triggers).fetchall():
        yield table, f"The trigger {name} ({' '.join(made.split())[:200]})"


def _pragma(raw: sqlite3.Connection, pragma: str, name: str) -> list[tuple[Any, ...]]:
    quoted = name.replace('"', '""')
    with closing(raw.execute(f'PRAGMA {pragma}("{quoted}")')) as cursor:
        return cursor.fetchall()
