"""Whole records from one place into another, without doubles: a file, the central records.

What crosses are *bundles*: a run, calibration, self-check, gauge study, golden unit or lot with
every row below it, and the units and texts that it names.  Keys are random, so the same key is the
same row; only units (by serial and type) and texts (by their SHA-256) are known by what they are.

Every bundle has one owner, the bench that made it, and a version that only its owner counts up.
So nothing is ever merged: a newer version of the owner's takes the place of the one that it came
of, and anything else that differs under the same key is refused and told.
"""

from __future__ import annotations

import hashlib
import json
from collections import defaultdict
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field, replace
from datetime import date, datetime
from enum import StrEnum
from typing import Any
from uuid import UUID

from sqlalchemy import JSON, Connection, Table, select, update
from sqlalchemy.dialects import postgresql, sqlite
from sqlalchemy.exc import SQLAlchemyError

from rig.records.bench_tables import IN_DOUBT
from rig.records.bundles import (
    BELOW,
    ROOTS,
    SHARED,
    Bench,
    Bundle,
    Counted,
    Kind,
    Row,
    own_bench,
    plain_tables,
    read,
    references,
    versions,
)
from rig.records.strict_json import json_text

FORKED = (
    "since the moment that these records were put back to, this bench wrote to it there too, and "
    "otherwise; both stay as they are"
)
COPY_DIFFERS = (
    "it is another bench's, and there it reads otherwise; what was written to this copy of it "
    "stays here"
)


class Fate(StrEnum):
    """What became of a bundle."""

    NEW = "new"
    KNOWN = "known already"
    UPDATED = "brought up to date"
    OLDER = "older than what is there"
    REFUSED = "refused"


@dataclass
class Taken:
    """What became of the bundles that were put; ``why`` has the reasons of the refused ones."""

    fates: dict[UUID, Fate] = field(default_factory=dict)
    why: dict[UUID, str] = field(default_factory=dict)

    def count(self, fate: Fate) -> int:
        """Return how many bundles had this fate."""
        return sum(each is fate for each in self.fates.values())

    def refuse(self, bundle: Bundle, why: str) -> None:
        """Note that a bundle was not taken."""
        self.fates[bundle.row_id] = Fate.REFUSED
        self.why[bundle.row_id] = why


def put(connection: Connection, bundles: Sequence[Bundle]) -> Taken:
    """Put bundles of one kind in, within the transaction of ``connection``; each whole or not.

    Repeated any number of times it comes to the same.  Raises SQLAlchemyError where the database
    itself fails (a lost line, a full disk); what is wrong with one bundle is told in the result.
    """
    taken = Taken()
    own = own_bench(connection)
    sound = [bundle for bundle in bundles if _look_at(bundle, taken)]
    there = versions(connection, [bundle.row_id for bundle in sound])
    new = [bundle for bundle in sound if bundle.row_id not in there]
    for bundle in _put_new(connection, new, own, taken):  # somebody was faster
        there |= versions(connection, [bundle.row_id])
    again = [bundle for bundle in sound if bundle.row_id not in taken.fates]
    if again:
        ids = [bundle.row_id for bundle in again]
        kept = {each.row_id: each for each in read(connection, again[0].kind, ids, traces=False)}
        for bundle in again:
            counted, present = there[bundle.row_id], kept.get(bundle.row_id)
            if present is None:
                taken.refuse(bundle, f"under its key there is another record, a {counted.kind}")
            else:
                _put_again(connection, bundle, present, counted, own, taken)
    return taken


def _look_at(bundle: Bundle, taken: Taken) -> bool:
    for text in bundle.rows.get("texts", []):
        if hashlib.sha256(text["text"].encode()).hexdigest() != text["sha256"]:
            taken.refuse(bundle, "a rig or plan file in it has changed since")
            return False
    return True


def _put_new(
    connection: Connection, bundles: Sequence[Bundle], own: Bench, taken: Taken
) -> list[Bundle]:
    """Put in what is not there; return those that came to be there meanwhile."""
    if not bundles:
        return []
    try:
        with connection.begin_nested():
            late = _insert(connection, bundles, own)
    except errors_of_one(connection) as error:
        if fails_whole(error):
            raise
        if len(bundles) == 1:
            taken.refuse(bundles[0], _words(error))
            return []
        return [b for each in bundles for b in _put_new(connection, [each], own, taken)]
    for bundle in bundles:
        if bundle not in late:
            taken.fates[bundle.row_id] = Fate.NEW
    return late


def _insert(connection: Connection, bundles: Sequence[Bundle], own: Bench) -> list[Bundle]:
    # The same order for everybody, or two benches could wait for each other.
    units = _put_shared(connection, bundles)
    _put_benches(connection, bundles)
    claimed = _claim(connection, bundles, own)
    ours = [bundle for bundle in bundles if bundle.row_id in claimed]
    by_table: dict[str, list[Row]] = defaultdict(list)
    for bundle in ours:
        for name, rows in _to_put(bundle, units, own).items():
            by_table[name].extend(rows)
    for name in _tables_of(bundles[0].kind):
        _insert_rows(connection, name, by_table.get(name, []))
    if connection.dialect.name == "sqlite":  # its triggers have counted on
        for bundle in ours:
            _set_version(connection, bundle, own)
    return [bundle for bundle in bundles if bundle.row_id not in claimed]


def _put_shared(connection: Connection, bundles: Iterable[Bundle]) -> dict[tuple[str, str], UUID]:
    """Put texts and units in that are not there; return the keys that the units have here."""
    tables = plain_tables()
    texts = {row["sha256"]: row for b in bundles for row in b.rows.get("texts", [])}
    units = {
        (row["serial"], row["unit_type"]): row for b in bundles for row in b.rows.get("units", [])
    }
    for name, rows in (("texts", texts), ("units", units)):
        if rows:
            insert = _insert_of(connection, tables[name]).on_conflict_do_nothing()
            connection.execute(insert, [rows[key] for key in sorted(rows)])
    if not units:
        return {}
    table = tables["units"]
    found = connection.execute(
        select(table.c.serial, table.c.unit_type, table.c.id).where(
            table.c.serial.in_(sorted({serial for serial, _ in units}))
        )
    )
    return {(serial, unit_type): key for serial, unit_type, key in found}


def _put_benches(connection: Connection, bundles: Iterable[Bundle]) -> None:
    made = {bundle.bench.id: bundle.bench for bundle in bundles}
    rows = [
        {"id": b.id, "name": b.name, "machine": b.machine, "own": False, "token": ""}
        for b in sorted(made.values(), key=lambda bench: bench.id)
    ]
    table = plain_tables()["benches"]
    connection.execute(_insert_of(connection, table).on_conflict_do_nothing(), rows)


def _claim(connection: Connection, bundles: Sequence[Bundle], own: Bench) -> set[UUID]:
    """Put the versions in; return the keys of those that nobody else had put in."""
    table = plain_tables()["versions"]
    insert = _insert_of(connection, table).on_conflict_do_nothing().returning(table.c.row_id)
    return set(connection.scalars(insert, [_version_row(b, own) for b in bundles]))


def _version_row(bundle: Bundle, own: Bench) -> Row:
    """Return the version that is kept: another bench's is not sent on from here.

    Of a borrowed one it is none, so that whatever the original is, it is newer.
    """
    return {
        "row_id": bundle.row_id,
        "kind": bundle.kind.value,
        "version": 0 if bundle.borrowed else bundle.version,
        "sent": IN_DOUBT if bundle.bench.id == own.id else None,
        "traces": bundle.traces,
        "refused": "",
    }


def _set_version(connection: Connection, bundle: Bundle, own: Bench) -> None:
    table = plain_tables()["versions"]
    row = _version_row(bundle, own)
    connection.execute(update(table).where(table.c.row_id == bundle.row_id).values(row))


def _tables_of(kind: Kind) -> tuple[str, ...]:
    return (ROOTS[kind], *(below.table for below in BELOW[kind]))


def _to_put(bundle: Bundle, units: dict[tuple[str, str], UUID], own: Bench) -> dict[str, list[Row]]:
    """Return the bundle's rows with the keys that they have here."""
    tables = plain_tables()
    unit_of = {
        row["id"]: units.get((row["serial"], row["unit_type"]))
        for row in bundle.rows.get("units", [])
    }
    root = ROOTS[bundle.kind]
    made = {name: rows for name, rows in bundle.rows.items() if name not in SHARED}
    changed = {"bench_id": None if bundle.bench.id == own.id else bundle.bench.id}
    for column in references(tables[root], "units"):
        changed[column] = unit_of.get(bundle.root[column])
    return made | {root: [bundle.root | changed]}


def _put_again(
    connection: Connection,
    bundle: Bundle,
    kept: Bundle,
    counted: Counted,
    own: Bench,
    taken: Taken,
) -> None:
    """Deal with a bundle whose key is there already."""
    same_owner = kept.bench.id == bundle.bench.id
    if same_owner and bundle.version < counted.version:
        taken.fates[bundle.row_id] = Fate.KNOWN if bundle.borrowed else Fate.OLDER
        return
    newer = same_owner and bundle.version > counted.version and not bundle.borrowed
    if newer and bundle.agreed is not None and bundle.agreed < counted.version:
        taken.refuse(bundle, FORKED)
        return
    if not newer and _differ(bundle, kept, own):
        if same_owner and bundle.borrowed:
            taken.refuse(bundle, COPY_DIFFERS)
            return
        of = f"bench “{kept.bench.name}” ({str(kept.bench.id)[:8]})"
        which = "of the same version" if same_owner else f"of the {of}"
        taken.refuse(bundle, f"another one {which} is there under the same key")
        return
    fills = bundle.traces and not counted.traces
    if not newer and not fills:
        taken.fates[bundle.row_id] = Fate.KNOWN
        return
    try:
        with connection.begin_nested():
            _bring_up_to_date(connection, bundle, kept, own)
            _set_version(connection, _as_kept(bundle, counted), own)
    except errors_of_one(connection) as error:
        if fails_whole(error):
            raise
        taken.refuse(bundle, _words(error))
    else:
        taken.fates[bundle.row_id] = Fate.UPDATED


def _as_kept(bundle: Bundle, counted: Counted) -> Bundle:
    """Return a bundle that was brought to what is there as it counts from now on."""
    traces = bundle.traces or counted.traces  # nothing takes them away
    if bundle.borrowed:  # only its traces were missing
        return replace(bundle, version=counted.version, borrowed=False, traces=traces)
    return replace(bundle, traces=traces)


def _differ(bundle: Bundle, kept: Bundle, own: Bench) -> bool:
    """Tell whether two copies say different things; traces are left out (they have their sums)."""
    units = _units_of(kept)
    if units.keys() != _units_of(bundle).keys():
        return True
    mine, theirs = _to_put(bundle, units, own), kept.rows
    names = (set(mine) | set(theirs)) - {"traces", *SHARED}
    return any(_by_key(mine.get(name, [])) != _by_key(theirs.get(name, [])) for name in names)


def _units_of(bundle: Bundle) -> dict[tuple[str, str], UUID]:
    return {(row["serial"], row["unit_type"]): row["id"] for row in bundle.rows.get("units", [])}


def _by_key(rows: Iterable[Row]) -> dict[UUID, str]:
    """Return rows as texts to compare.

    Whose they are is compared apart, and which process made a run is nothing of its record: an
    export leaves it out.
    """
    return {
        row["id"]: json.dumps(
            {n: value for n, value in row.items() if n != "bench_id" and n[:6] != "owner_"},
            sort_keys=True,
            default=_text_of,
        )
        for row in rows
    }


def _text_of(value: object) -> str:
    return value.isoformat() if isinstance(value, date | datetime) else str(value)


def _bring_up_to_date(connection: Connection, bundle: Bundle, kept: Bundle, own: Bench) -> None:
    """Change the rows that differ and add those that are missing; none is ever taken away.

    A key that is a row of another record fails as a double does.
    """
    rows = _to_put(bundle, _put_shared(connection, [bundle]), own)
    traces = rows.pop("traces", [])
    for name in _tables_of(bundle.kind):
        present = _by_key(kept.rows.get(name, []))
        table, wanted = plain_tables()[name], rows.get(name, [])
        for row in wanted:
            if row["id"] in present and _by_key([row])[row["id"]] != present[row["id"]]:
                connection.execute(update(table).where(table.c.id == row["id"]).values(row))
        _insert_rows(connection, name, [row for row in wanted if row["id"] not in present])
    if traces:
        insert = _insert_of(connection, plain_tables()["traces"])
        connection.execute(insert.on_conflict_do_nothing(), traces)


def _insert_of(connection: Connection, table: Table) -> sqlite.Insert | postgresql.Insert:
    """Return an insert that may be told to leave a row that is there."""
    if connection.dialect.name == "postgresql":
        return postgresql.insert(table)
    return sqlite.insert(table)


def _insert_rows(connection: Connection, name: str, rows: Sequence[Row]) -> None:
    if not rows:
        return
    table = plain_tables()[name]
    if connection.dialect.name == "postgresql":
        _copy(connection, table, rows)
    else:
        connection.execute(table.insert(), list(rows))


def _copy(connection: Connection, table: Table, rows: Sequence[Row]) -> None:
    """Put many rows in by PostgreSQL's COPY, several times as fast as INSERT."""
    quoted = connection.dialect.identifier_preparer
    columns = ", ".join(quoted.format_column(column) for column in table.columns)
    names = [column.name for column in table.columns]
    as_json = [column.name for column in table.columns if isinstance(column.type, JSON)]
    driver: Any = connection.connection.driver_connection
    with (
        driver.cursor() as cursor,
        cursor.copy(f"COPY {quoted.format_table(table)} ({columns}) FROM STDIN") as copy,
    ):
        for row in rows:
            if as_json:
                row = row | {n: json_text(row[n]) for n in as_json if row[n] is not None}
            copy.write_row([row[name] for name in names])


# --- what is wrong with one bundle, and what with the database ---------------------------------


def errors_of_one(connection: Connection) -> tuple[type[Exception], ...]:
    """Return the errors by which a bundle that cannot be taken may show (see `fails_whole`)."""
    driver: Any = connection.dialect.dbapi
    return (SQLAlchemyError, driver.Error, ValueError, TypeError, LookupError, OverflowError)


def fails_whole(error: Exception) -> bool:
    """Tell whether an error is the database's own, and not of the values put in."""
    cause = getattr(error, "orig", None) or error
    names = {kind.__name__ for kind in type(cause).__mro__}
    of_values = {"IntegrityError", "DataError", "ValueError", "TypeError", "LookupError"}
    return not names & (of_values | {"OverflowError"})


def _words(error: Exception) -> str:
    cause = getattr(error, "orig", None) or error
    first = (str(cause).strip() or type(cause).__name__).splitlines()[0]
    if "IntegrityError" in {kind.__name__ for kind in type(cause).__mro__}:
        return f"it does not fit what is there ({first})"
    return f"a value in it cannot be kept there ({first})"
