"""The central records: the same tables in one PostgreSQL, that every bench sends its own to.

Nothing here knows a password: libpq finds it (PGPASSFILE, ~/.pgpass, PGPASSWORD), or the server
asks for none.  See https://www.postgresql.org/docs/current/libpq-pgpass.html.
"""

from __future__ import annotations

import re
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from typing import Any, Self
from urllib.parse import unquote
from uuid import UUID, uuid4

from sqlalchemy import (
    URL,
    Connection,
    Engine,
    create_engine,
    event,
    insert,
    inspect,
    make_url,
    text,
)
from sqlalchemy.exc import ArgumentError, SQLAlchemyError
from sqlalchemy.orm import Session
from sqlalchemy.pool import NullPool

from rig.central_url import WHAT_IT_MAY_BE, trouble_with_url
from rig.labels import shown
from rig.records import finding
from rig.records.bench_tables import BenchRow
from rig.records.bundles import Bench, benches, own_bench
from rig.records.errors import RecordsError
from rig.records.in_bulk import checksum_in
from rig.records.strict_json import json_text, json_value
from rig.records.tables import SCHEMA, Base

_PREPARING = 0x68616C66  # the advisory lock of who prepares ("half" in ASCII)
_BENCHES = 0x68616C67  # ... and the class of those that benches hold while they sync
_AT_HAND = {
    "connect_timeout": "10",
    "keepalives_idle": "15",
    "keepalives_interval": "5",
    "keepalives_count": "3",
    "tcp_user_timeout": "20000",
}
"""What libpq is asked for unless the URL says otherwise: a line that was cut is noticed in 30 s."""
_SESSION = "SET lock_timeout = '30s'; SET idle_in_transaction_session_timeout = '120s'"
NO_DRIVER = (
    "Central records need the library psycopg. Install it: pip install 'halfturn[postgresql]'."
)


class CentralError(RecordsError):
    """The central records cannot be reached or used; the message says what to do next.

    ``state`` is the server's SQLSTATE, empty if it gave none.
    """

    def __init__(self, words: str, state: str = "") -> None:
        super().__init__(words)
        self.state = state


def url_of(text_of_url: str) -> URL:
    """Return the URL of central records; CentralError if it is none, or holds a password."""
    trouble = trouble_with_url(text_of_url)
    if not trouble:
        try:
            url = make_url(text_of_url)
        except (ArgumentError, ValueError):
            trouble = "this URL cannot be read"
    if trouble:
        raise CentralError(
            f"The central records cannot be used: {trouble}. Write {WHAT_IT_MAY_BE}."
        )
    return url.set(drivername="postgresql+psycopg")


def place_of(url: URL) -> str:
    """Return the URL as it is shown."""
    place = unquote(url.set(drivername="postgresql").render_as_string(hide_password=True))
    return shown(place, longest=1000)


class Central:
    """Central records that were reached.  Raises CentralError with a sentence and what to do."""

    def __init__(self, engine: Engine, place: str) -> None:
        self._engine = engine
        self.place = place

    @classmethod
    def open(cls, url: str | URL, *, unprepared: bool = False) -> Central:
        """Reach the central records at ``url`` and see that their schema is this program's.

        ``unprepared``: whatever their schema is, for `prepare`.
        """
        central = cls(*_engine_of(url_of(url) if isinstance(url, str) else url))
        if not unprepared:
            try:
                with central._connection() as connection:
                    _need_schema(connection, central.place)
            except BaseException:
                central.close()
                raise
        return central

    def close(self) -> None:
        """Let go of the server.  Idempotent."""
        self._engine.dispose()

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *_: object) -> None:
        self.close()

    def prepare(self) -> str | None:
        """Make the tables, or bring them to this program's schema; return the schema of before.

        One does it at a time.  None is returned for a database that had none of our tables.
        """
        from rig.records import migrate  # alembic takes a while to import

        with self._connection() as connection, connection.begin():
            connection.execute(text("SELECT pg_advisory_xact_lock(:key)"), {"key": _PREPARING})
            before = _revision(connection)
            if before is None:
                _need_room(connection, self.place)
                Base.metadata.create_all(connection)
                migrate.stamp(connection)
                connection.execute(insert(BenchRow).values(id=uuid4(), name="central", own=True))
            elif before != SCHEMA:
                _refuse_unknown(before, migrate.revisions(), self.place)
                migrate.upgrade(connection)
            return before

    @contextmanager
    def held_for(self, bench: Bench) -> Iterator[Connection]:
        """Yield a connection while no other program sends this bench's records.

        Its transactions are begun and committed by the caller.
        """
        with self._connection() as connection:
            with connection.begin():
                key = {"which": _BENCHES, "bench": bench.id.int & 0x7FFFFFFF}
                got = connection.scalar(text("SELECT pg_try_advisory_lock(:which, :bench)"), key)
            if not got:
                raise CentralError(
                    f"Another program is sending this bench's records to {self.place}. Wait for "
                    "it, or end it."
                )
            yield connection

    @contextmanager
    def transaction(self, connection: Connection) -> Iterator[Connection]:
        """Yield ``connection`` in a transaction that ends with the block."""
        with self._told(), connection.begin():
            yield connection

    @contextmanager
    def reading(self) -> Iterator[Connection]:
        """Yield a connection that sees one moment of the records."""
        with self._connection() as connection:
            connection = connection.execution_options(isolation_level="REPEATABLE READ")
            with connection.begin():
                connection.execute(text("SET TRANSACTION READ ONLY"))
                yield connection

    def identity(self) -> Bench:
        """Return what these central records call themselves."""
        with self.reading() as connection:
            return own_bench(connection)

    def benches(self) -> dict[UUID, Bench]:
        """Return every bench that has sent something, by its id."""
        with self.reading() as connection:
            return {key: bench for key, bench in benches(connection).items() if key != self._own}

    @property
    def _own(self) -> UUID:
        return self.identity().id

    def checksum(self, run: UUID) -> str:
        """Return a run's checksum (`rig.records.checksum`) from what is kept here."""
        with self.reading() as connection, Session(connection) as session:
            return checksum_in(session, finding.find_run(session, run))

    @contextmanager
    def _connection(self) -> Iterator[Connection]:
        with self._told(), self._engine.connect() as connection:
            yield connection

    @contextmanager
    def _told(self) -> Iterator[None]:
        import psycopg

        try:
            yield
        except (SQLAlchemyError, psycopg.Error) as error:
            first = _first(error)
            raise CentralError(_sentence(self.place, first), state_of(first)) from error


def _engine_of(url: URL) -> tuple[Engine, str]:
    try:
        import psycopg  # noqa: F401
    except ImportError as error:
        raise CentralError(NO_DRIVER) from error
    query = {"application_name": "halfturn"} | _AT_HAND | dict(url.query)
    try:
        engine = create_engine(
            url.set(query=query),
            json_serializer=json_text,
            json_deserializer=json_value,
            poolclass=NullPool,  # a line that is let go lets go of its locks
        )
    except (SQLAlchemyError, TypeError, ValueError) as error:
        raise CentralError(f"The central records' URL cannot be used: {error}.") from error

    def set_up(connection: Any, _record: object) -> None:
        with connection.cursor() as cursor:
            cursor.execute(_SESSION)
        connection.commit()

    event.listen(engine, "connect", set_up)
    return engine, place_of(url)


# --- schema -----------------------------------------------------------------------------------


def _revision(connection: Connection) -> str | None:
    if not inspect(connection).has_table("alembic_version"):
        return None
    return str(connection.scalar(text("SELECT version_num FROM alembic_version")))


def _need_schema(connection: Connection, place: str) -> None:
    found = _revision(connection)
    if found is None:
        raise CentralError(
            f"The database at {place} holds no central records yet. Have them made once, by "
            "somebody who may make tables there: `halfturn sync prepare`."
        )
    if found == SCHEMA:
        return
    if found < SCHEMA:
        raise CentralError(
            f"The central records at {place} are of an older halfturn (schema {found}, this "
            f"program's is {SCHEMA}). Have them brought up to date: `halfturn sync prepare`; then "
            "update the other benches too, which stop sending until then. Nothing is lost."
        )
    raise CentralError(_newer(found, place))


def _newer(found: str, place: str) -> str:
    return (
        f"The central records at {place} are of a newer halfturn (schema {found}, this program "
        f"knows up to {SCHEMA}). Update halfturn here; until then its records wait. Nothing is "
        "lost."
    )


def _refuse_unknown(found: str, known: Sequence[str], place: str) -> None:
    if found not in known:
        raise CentralError(_newer(found, place))


def _need_room(connection: Connection, place: str) -> None:
    there = set(inspect(connection).get_table_names()) & set(Base.metadata.tables)
    if there:
        raise CentralError(
            f"The database at {place} has tables of another program ({', '.join(sorted(there))}). "
            "Make a database of its own for the central records; this one was left as it is."
        )


# --- what went wrong --------------------------------------------------------------------------

# SQLSTATEs (https://www.postgresql.org/docs/15/errcodes-appendix.html) in the operator's words.
_BY_STATE = {
    "28P01": "the password is wrong. Correct it in ~/.pgpass (or where PGPASSFILE says)",
    "28000": "the server does not let this user in. Ask its administrator (pg_hba.conf)",
    "3D000": "there is no such database. Have it made (createdb), or correct the URL",
    "42501": "this user may not do that there. Ask the administrator for the rights the README "
    "lists",
    "53100": "the server's disk is full. Have its administrator make room",
    "53200": "the server is out of memory. Ask its administrator",
    "53300": "the server has too many connections. Try again later",
    "57P01": "the server was shut down or cut the line. Try again when it is back",
    "57P02": "the server has crashed and starts again. Try again in a while",
    "57P03": "the server is starting up. Try again in a while",
    "25006": "the server only lets itself be read now. Ask its administrator",
    "55P03": "somebody else holds what is needed there. Try again",
    "40P01": "two benches waited for each other. Try again",
    "40001": "another bench wrote at the same time. Try again",
}
_BY_WORDS = (
    (r"password authentication failed", "28P01"),
    (r"no password supplied", ""),
    (r"database .* does not exist", "3D000"),
    (r"no pg_hba.conf entry|role .* does not exist", "28000"),
    (r"starting up", "57P03"),
    (r"too many (clients|connections)", "53300"),
)
_NO_PASSWORD = (
    "the server wants a password and none was found. Put it into ~/.pgpass (mode 0600) as "
    "HOST:PORT:DATABASE:USER:PASSWORD"
)
_NOT_REACHED = (
    "the server cannot be reached ({why}). Check the network and that the server runs; what is to "
    "be sent waits here"
)
_OF_URL = "{why}. Correct the URL, after its “?”"
_TLS = "no safe line could be made ({why}). Check sslmode and sslrootcert in the URL"


def state_of(error: BaseException) -> str:
    """Return the SQLSTATE of an error, empty if it has none."""
    cause = getattr(error, "orig", None) or error
    return getattr(cause, "sqlstate", None) or ""


def _first(error: BaseException) -> BaseException:
    """Return the error that others came of: a line that is gone cannot be rolled back either."""
    before = error
    while before.__context__ is not None:
        before = before.__context__
        if state_of(before):
            error = before
    return error


def _sentence(place: str, error: BaseException) -> str:
    cause = getattr(error, "orig", None) or error
    first = (str(cause).strip() or type(cause).__name__).splitlines()[0]
    return f"The central records at {place} could not be used: {_why(cause, first)}."


def _why(cause: BaseException, first: str) -> str:
    state = state_of(cause)
    if state in _BY_STATE:
        return _BY_STATE[state]
    if state and not state.startswith("08"):
        return f"{first} (SQLSTATE {state}). Ask the server's administrator"
    for pattern, known in _BY_WORDS:
        if re.search(pattern, str(cause)):
            return _BY_STATE.get(known, _NO_PASSWORD)
    if re.search(r"invalid connection option|for connection option|invalid \w+ value", str(cause)):
        return _OF_URL.format(why=first)
    if re.search(r"SSL|certificate", str(cause)):
        return _TLS.format(why=first)
    return _NOT_REACHED.format(why=first)
