"""How a bench's file and the central records know each other again.

A file can be copied to a second computer, or put back from a backup, and so can the central
records.  Two files with one identity would each take the other's place there.  So file and central
records agree on a random token each time they meet, and meet only if both still have the same.
Killed at any instant, the file has the token that the central records have, or the one offered.
"""

from __future__ import annotations

import secrets
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path
from uuid import UUID, uuid4

from sqlalchemy import ColumnElement, Connection, and_, insert, select, update

from rig.records import outbox
from rig.records.bundles import ROOTS, Bench, own_bench, plain_tables
from rig.records.central import Central, CentralError
from rig.records.owner import Owner
from rig.records.store import Store

MACHINE_ID = Path("/etc/machine-id")  # machine-id(5): of this installation, made when it was

ANY = "any"
"""Stands for a token where somebody said that the bench goes on: no random one reads so."""

WHAT_TO_DO = (
    "If this bench goes on where it was: `halfturn sync bench --same`. If another computer works "
    "on with these records: `halfturn sync bench --new`. Nothing was sent, nothing is lost."
)


@dataclass(frozen=True)
class State:
    """How the last tries to sync ended; ``failed`` is empty after one that went well."""

    place: str
    tried_at: datetime
    synced_at: datetime | None
    failed: str


def state(connection: Connection) -> State | None:
    """Return how syncing stands, None if it was never tried."""
    table = plain_tables()["centrals"]
    row = connection.execute(select(table)).mappings().one_or_none()
    if row is None:
        return None
    return State(row["place"], row["tried_at"], row["synced_at"], row["failed"])


def note(store: Store, place: str, at: datetime, *, failed: str = "", done: bool = False) -> None:
    """Note a try to sync with ``place`` (``at`` in UTC), and how it ended."""
    values = {"place": place, "tried_at": at.replace(tzinfo=None), "failed": failed}
    if done:
        values["synced_at"] = at.replace(tzinfo=None)
    table = plain_tables()["centrals"]
    with store.taking() as connection:
        if not connection.execute(update(table).values(values)).rowcount:
            connection.execute(insert(table).values({"id": 1, "offered": ""} | values))


def on_its_computer(bench: Bench) -> bool:
    """Tell whether the records are on the computer that they were made on, as far as is known."""
    return not (MACHINE_ID.exists() and bench.machine) or bench.machine == Owner.here().host


def need_its_computer(bench: Bench) -> None:
    """Raise CentralError if the records were made on another computer."""
    if not on_its_computer(bench):
        raise CentralError(
            "These records were made on another computer, so they were copied or moved here. "
            + WHAT_TO_DO
        )


def meet(store: Store, central: Central, line: Connection, name: str) -> Bench:
    """Know the central records again, and be known; return this bench, now called ``name``."""
    with store.reading() as connection:
        bench = own_bench(connection)
        tokens = _tokens(connection)
    need_its_computer(bench)
    with central.transaction(line):
        itself = own_bench(line)
        theirs = _token_there(line, bench.id)
    known = tokens.known if tokens.central_id == itself.id else frozenset({""})
    if theirs and theirs not in known and not tokens.settled:
        raise CentralError(
            f"The bench {str(bench.id)[:8]} was at {central.place} since these records were there: "
            "either they, or the central ones, were put back from a backup, or a copy of them is "
            f"in use elsewhere. {WHAT_TO_DO}"
        )
    offered = secrets.token_hex(8)
    with store.taking() as connection:
        if tokens.central_id != itself.id or not theirs:
            outbox.offer_all_again(connection)
        outbox.offer_refused_again(connection)
        _keep(connection, bench.id, itself.id, theirs or "", offered, name)
    with central.transaction(line):
        _be_known(line, Bench(bench.id, name, bench.machine), offered)
    with store.taking() as connection:
        _keep(connection, bench.id, itself.id, offered, "", name)
    return Bench(bench.id, name, bench.machine)


@dataclass(frozen=True)
class _Tokens:
    central_id: UUID | None
    known: frozenset[str]
    settled: bool  # somebody said that this is the bench, whatever the tokens


def _tokens(connection: Connection) -> _Tokens:
    tables = plain_tables()
    own, centrals = tables["benches"], tables["centrals"]
    token = connection.scalar(select(own.c.token).where(own.c.own)) or ""
    row = connection.execute(select(centrals)).mappings().one_or_none()
    if row is None:
        return _Tokens(None, frozenset(), token == ANY)
    return _Tokens(row["central_id"], frozenset({token, row["offered"]} - {""}), token == ANY)


def _token_there(line: Connection, bench: UUID) -> str | None:
    table = plain_tables()["benches"]
    found: str | None = line.scalar(select(table.c.token).where(table.c.id == bench))
    return found


def _keep(
    connection: Connection, bench: UUID, central: UUID, token: str, offered: str, name: str
) -> None:
    tables = plain_tables()
    own, centrals = tables["benches"], tables["centrals"]
    machine = Owner.here().host
    values = {"token": token, "name": name, "machine": machine}
    connection.execute(update(own).where(own.c.id == bench).values(values))
    connection.execute(update(centrals).values(central_id=central, offered=offered))


def _be_known(line: Connection, bench: Bench, token: str) -> None:
    table = plain_tables()["benches"]
    values = {"name": bench.name, "machine": bench.machine, "token": token}
    if not line.execute(update(table).where(table.c.id == bench.id).values(values)).rowcount:
        line.execute(insert(table).values({"id": bench.id, "own": False} | values))


# --- what somebody has to decide --------------------------------------------------------------


def go_on_as_the_same(store: Store) -> Bench:
    """Have this file be its bench from now on, whatever was; everything is offered again."""
    with store.taking() as connection:
        bench = own_bench(connection)
        _settle(connection, bench.id)
        outbox.offer_all_again(connection)
    return bench


def become_new(store: Store) -> Bench:
    """Have this file be a bench of its own; what was recorded before stays the other one's.

    But for runs that were made on this computer, if the records came from another.
    """
    tables = plain_tables()
    own = tables["benches"]
    here = Owner.here().host
    with store.taking() as connection:
        before = own_bench(connection)
        new = Bench(uuid4(), before.name, here)
        connection.execute(update(own).where(own.c.own).values(own=False, token=""))
        values = {"id": new.id, "name": new.name, "machine": here, "own": True, "token": ""}
        connection.execute(insert(own).values(values))
        for name in ROOTS.values():
            table = tables[name]
            theirs: ColumnElement[bool] = table.c.bench_id.is_(None)
            if name == "runs" and not on_its_computer(before):
                theirs = and_(theirs, table.c.owner_host != here)
            connection.execute(update(table).where(theirs).values(bench_id=before.id))
        outbox.offer_all_again(connection)
    return new


def _settle(connection: Connection, bench: UUID) -> None:
    """Take whatever token the central records have for the right one, once."""
    tables = plain_tables()
    own, centrals = tables["benches"], tables["centrals"]
    values = {"machine": Owner.here().host, "token": ANY}
    connection.execute(update(own).where(own.c.id == bench).values(values))
    connection.execute(update(centrals).values(offered=""))
