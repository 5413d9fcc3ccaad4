"""Bring records to the newest schema.  Imported only when there is something to migrate.

A developer writes the next revision with ``python -m rig.records.migrate "what changes"``,
reads it over, and sets ``tables.SCHEMA`` to its number.
"""

from __future__ import annotations

import sys
from pathlib import Path
from tempfile import TemporaryDirectory

from alembic import command
from alembic.config import Config
from alembic.script import ScriptDirectory
from sqlalchemy import Connection, create_engine

SCRIPTS = Path(__file__).with_name("migrations")


def _config(connection: Connection | None = None) -> Config:
    config = Config()
    config.set_main_option("script_location", str(SCRIPTS).replace("%", "%%"))
    config.set_main_option("path_separator", "os")
    config.set_main_option("file_template", "rev_%%(rev)s_%%(slug)s")
    config.attributes["connection"] = connection
    return config


def revisions() -> list[str]:
    """Return every revision this program knows, oldest first."""
    scripts = ScriptDirectory.from_config(_config())
    return [script.revision for script in scripts.walk_revisions()][::-1]


def upgrade(connection: Connection, revision: str = "head") -> None:
    """Bring the database behind ``connection`` to ``revision``, in its transaction."""
    command.upgrade(_config(connection), revision)


def stamp(connection: Connection) -> None:
    """Note that the tables behind ``connection`` were made as they are today."""
    command.stamp(_config(connection), "head")


def new_revision(message: str) -> None:
    """Write a migration script from the newest revision to the present tables."""
    with TemporaryDirectory() as folder:
        engine = create_engine(f"sqlite:///{folder}/scratch.db")
        with engine.begin() as connection:
            upgrade(connection)
        with engine.begin() as connection:
            number = f"{len(revisions()) + 1:04d}"
            command.revision(_config(connection), message, autogenerate=True, rev_id=number)
        engine.dispose()


if __name__ == "__main__":
    new_revision(sys.argv[1])
