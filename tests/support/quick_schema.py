"""Fresh records without going through every migration again.

Tests make some thousand records files, each from nothing, and what the migrations make of nothing
is the same each time: they make it once in a process, then its own statements are carried out.
`tests/records` go through the migrations themselves, and hold this to them.
"""

from __future__ import annotations

from contextlib import contextmanager

from rig.records import migrate

through_migrations = migrate.upgrade
_statements: list[str] = []


def upgrade(connection, revision="head"):
    """Stand in for `rig.records.migrate.upgrade`."""
    if revision != "head" or connection.exec_driver_sql("SELECT 1 FROM sqlite_master").first():
        through_migrations(connection, revision)
    elif _statements:
        for statement in _statements:
            connection.exec_driver_sql(statement)
    else:
        through_migrations(connection)
        _statements.extend(_made_by(connection))


def _made_by(connection):
    rows = connection.exec_driver_sql("SELECT sql FROM sqlite_master WHERE sql IS NOT NULL")
    yield from [statement for (statement,) in rows]
    (revision,) = connection.exec_driver_sql("SELECT version_num FROM alembic_version").one()
    yield f"INSERT INTO alembic_version VALUES ('{revision}')"
    (machine,) = connection.exec_driver_sql("SELECT machine FROM benches").one()
    own = "lower(hex(randomblob(16)))"  # each file is a bench of its own
    yield f"INSERT INTO benches VALUES ({own}, '', 1, '{machine}', '')"


@contextmanager
def using(how):
    """Have fresh records made by ``how``: `upgrade`, or `through_migrations`."""
    before, migrate.upgrade = migrate.upgrade, how
    try:
        yield
    finally:
        migrate.upgrade = before
