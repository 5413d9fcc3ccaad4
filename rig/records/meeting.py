"""How a bench's file and the central records know each other again.

A file can be copied to a second computer, or put back from a backup, and so can the central
records.  Two files with one identity would each take the other's place there.  So file and central
records agree on a random token each time they meet, and on the next with every batch, in the same
transactions: equal tokens mean that what is marked here as sent is there.  They meet only if both
still have the same.  Killed at any instant, the file knows the two that there may be.
"""

from __future__ import annotations

import secrets
from dataclasses import dataclass, field
from datetime import UTC, datetime
from pathlib import Path
from uuid import UUID, uuid4

from sqlalchemy import ColumnElement, Connection, and_, func, insert, select, update

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
    """How the last tries to sync with a place ended; ``failed`` is empty after one that went well.

    ``synced_at`` is None if not everything ever went there.  The times are aware, in UTC.
    """

    place: str
    tried_at: datetime
    synced_at: datetime | None
    failed: str


def states(connection: Connection) -> list[State]:
    """Return how syncing stands with each place that was tried, the one tried last first."""
    table = plain_tables()["centrals"]
    query = select(table).order_by(table.c.tried_at.desc(), table.c.id.desc())
    return [
        State(
            row["place"],
            _aware(row["tried_at"]),
            row["synced_at"] and _aware(row["synced_at"]),
            row["failed"],
        )
        for row in connection.execute(query).mappings()
    ]


def _aware(at: datetime) -> datetime:
    return at.replace(tzinfo=UTC)


def note(store: Store, place: str, at: datetime, *, failed: str = "", done: bool = False) -> None:
    """Note a try to sync with ``place`` (``at`` in UTC), and how it ended."""
    values = {"place": place, "tried_at": at.replace(tzinfo=None), "failed": failed}
    if done:
        values["synced_at"] = at.replace(tzinfo=None)
    table = plain_tables()["centrals"]
    with store.taking() as connection:
        if not connection.execute(
            update(table).where(table.c.place == place).values(values)
        ).rowcount:
            connection.execute(insert(table).values({"offered": ""} | values))


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


@dataclass
class Pact:
    """What file and central records agreed on in this pass: a token, and a next one a batch."""

    bench: Bench
    central_id: UUID
    seed: str = field(default_factory=lambda: secrets.token_hex(8))
    batches: int = 0

    def tell(self, line: Connection) -> None:
        """Tell the central records the token of the next batch, in its own transaction."""
        _be_known(line, self.bench, self._token(self.batches + 1))

    def keep(self, connection: Connection) -> None:
        """Keep here that the batch is there, in the transaction that marks what was in it."""
        self.batches += 1
        _keep(connection, self, *self.tokens)

    @property
    def tokens(self) -> tuple[str, str]:
        """What the central records may have: the token of the last batch, or of the one sent."""
        return self._token(self.batches), self._token(self.batches + 1)

    def _token(self, batch: int) -> str:
        return f"{self.seed}.{batch}"


def meet(store: Store, central: Central, line: Connection, name: str) -> Pact:
    """Know the central records again, and be known, now as ``name``; return what was agreed on."""
    with store.reading() as connection:
        bench = own_bench(connection)
    need_its_computer(bench)
    with central.transaction(line):
        itself = own_bench(line)
        theirs = _token_there(line, bench.id) or ""
    with store.reading() as connection:
        tokens = _tokens(connection, itself.id)
    if theirs and theirs not in tokens.known and not tokens.settled:
        raise CentralError(
            f"The bench {str(bench.id)[:8]} was at {central.place} since these records were there: "
            "either they, or the central ones, were put back from a backup, or a copy of them is "
            f"in use elsewhere. {WHAT_TO_DO}"
        )
    pact = Pact(Bench(bench.id, name, bench.machine), itself.id)
    with store.taking() as connection:
        if not tokens.current or not theirs or theirs not in tokens.known:
            outbox.offer_all_again(connection)
        outbox.offer_refused_again(connection)
        _go_there(connection, central.place, itself.id)
        _keep(connection, pact, theirs, pact.tokens[0])
    with central.transaction(line):
        _be_known(line, pact.bench, pact.tokens[0])
    with store.taking() as connection:
        _keep(connection, pact, *pact.tokens)
    return pact


@dataclass(frozen=True)
class _Tokens:
    known: frozenset[str]
    current: bool  # these are the central records that `VersionRow.sent` speaks of
    settled: bool  # somebody said that this is the bench, whatever the tokens


def _tokens(connection: Connection, central: UUID) -> _Tokens:
    tables = plain_tables()
    own, centrals = tables["benches"], tables["centrals"]
    token = connection.scalar(select(own.c.token).where(own.c.own))
    met = connection.execute(
        select(centrals.c.central_id, centrals.c.offered)
        .where(centrals.c.central_id.is_not(None))
        .order_by(centrals.c.id)
    ).all()
    theirs = [offered for central_id, offered in met if central_id == central]
    current = bool(met) and met[-1].central_id == central
    known = {each for offered in theirs for each in offered.split()}
    if current or not theirs:
        known.add(token)
    return _Tokens(frozenset(known - {"", ANY}), current, ANY in known)


def _token_there(line: Connection, bench: UUID) -> str | None:
    table = plain_tables()["benches"]
    found: str | None = line.scalar(select(table.c.token).where(table.c.id == bench))
    return found


def _go_there(connection: Connection, place: str, central: UUID) -> None:
    """Have ``sent`` speak of these central records from now on."""
    table = plain_tables()["centrals"]
    highest = connection.scalar(select(func.max(table.c.id))) or 0
    here = update(table).where(table.c.place == place)
    connection.execute(here.values(id=highest + 1, central_id=central))


def _keep(connection: Connection, pact: Pact, *tokens: str) -> None:
    tables = plain_tables()
    own, centrals = tables["benches"], tables["centrals"]
    values = {"token": tokens[0], "name": pact.bench.name, "machine": Owner.here().host}
    connection.execute(update(own).where(own.c.id == pact.bench.id).values(values))
    there = update(centrals).where(centrals.c.central_id == pact.central_id)
    connection.execute(there.values(offered=" ".join(tokens)))


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
    connection.execute(update(centrals).values(offered=ANY))
