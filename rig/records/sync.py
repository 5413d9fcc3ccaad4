"""Send what a bench recorded to the central records: whole records, in batches, oldest first.

A batch is committed there before it is marked here.  Killed between the two, it is offered again
and found to be there; so nothing is lost and nothing doubled, whenever this ends.  Each batch has a
token that goes with it on both sides (`rig.records.meeting`).
"""

from __future__ import annotations

import random
import time
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, field, replace
from datetime import UTC, datetime
from uuid import UUID

from sqlalchemy import Connection

from rig.records import meeting, outbox
from rig.records.bundles import Bundle, Kind, own_bench, read
from rig.records.central import Central, CentralError, place_of, url_of
from rig.records.errors import RecordsError
from rig.records.meeting import Pact
from rig.records.outbox import Mark
from rig.records.store import Store
from rig.records.transfer import Fate, Taken, put

BATCH = 250  # records at once (measured: larger ones are no faster)
BATCH_BYTES = 8_000_000  # of traces at once, so that a small computer's memory holds them
GENTLE_BATCH = 20  # while a unit is being tested on this computer
_REST = 3.0  # then: so many times as long as a batch took nothing is done
_AGAIN = ("40P01", "40001", "55P03")  # SQLSTATEs after which trying again helps
_TRIES = 4
_AGAIN_S = 0.2
_GONE = "it is not there any more; see `halfturn records verify`"


@dataclass
class Synced:
    """What one pass sent: how many records had which fate, and why some were refused."""

    fates: dict[Fate, int] = field(default_factory=dict)
    why: dict[UUID, tuple[Kind, str]] = field(default_factory=dict)

    def add(self, kind: Kind, taken: Taken) -> None:
        """Add what became of a batch."""
        for fate in taken.fates.values():
            self.fates[fate] = self.fates.get(fate, 0) + 1
        self.why |= {key: (kind, why) for key, why in taken.why.items()}

    @property
    def sent(self) -> int:
        """How many records went or were brought up to date."""
        return self.fates.get(Fate.NEW, 0) + self.fates.get(Fate.UPDATED, 0)


Progress = Callable[[int], None]
"""Told how many records are done in this pass."""


def sync(
    store: Store,
    url: str,
    *,
    name: str,
    traces: bool = True,
    on_progress: Progress = lambda _done: None,
    pause: Callable[[float], None] = time.sleep,
) -> Synced:
    """Send everything that waits to the central records at ``url``; this bench is called ``name``.

    Without ``traces`` those stay here, and can be sent later.  How it ended is kept in the records
    (`meeting.states`).  Raises CentralError or RecordsError; what went until then is there.
    """
    where = url_of(url)
    place = place_of(where)
    meeting.note(store, place, datetime.now(UTC), failed="It did not come to its end.")
    try:
        with Central.open(where) as central:
            done = _pass(store, central, name, traces, on_progress, pause)
    except RecordsError as error:
        meeting.note(store, place, datetime.now(UTC), failed=str(error))
        raise
    meeting.note(store, place, datetime.now(UTC), done=True)
    return done


def _pass(
    store: Store,
    central: Central,
    name: str,
    traces: bool,
    on_progress: Progress,
    pause: Callable[[float], None],
) -> Synced:
    with store.reading() as connection:
        bench = own_bench(connection)
    synced, done = Synced(), 0
    with central.held_for(bench) as line:
        pact = meeting.meet(store, central, line, name)
        for kind in Kind:
            for bundles, unread in _batches(store, kind, traces, pause):
                taken = _take(central, line, bundles, pact, pause)
                for row_id, why in unread.items():
                    taken.fates[row_id], taken.why[row_id] = Fate.REFUSED, why
                _mark(store, bundles, taken, pact)
                synced.add(kind, taken)
                done += len(taken.fates)
                on_progress(done)
    return synced


def _batches(
    store: Store, kind: Kind, traces: bool, pause: Callable[[float], None]
) -> Iterator[tuple[list[Bundle], dict[UUID, str]]]:
    """Yield what waits, and what of it cannot be read, until nothing does.

    A bench at work has priority: then the batches are small, with long rests between them.
    """
    while True:
        began_s = time.monotonic()
        busy = store.at_work()
        with store.reading() as connection:
            limit = GENTLE_BATCH if busy else BATCH
            ids = outbox.waiting(connection, kind, limit=limit, traces=traces)
            if ids and kind is Kind.RUN and traces:
                ids = outbox.within(connection, ids, BATCH_BYTES)
        if not ids:
            return
        yield _read(store, kind, ids, traces)
        if busy:
            pause(_REST * (time.monotonic() - began_s))


def _read(
    store: Store, kind: Kind, ids: Sequence[UUID], traces: bool
) -> tuple[list[Bundle], dict[UUID, str]]:
    try:
        with store.reading() as connection:
            own, doubts = own_bench(connection), outbox.in_doubt(connection, ids)
            bundles = [
                replace(each, agreed=doubts.get(each.row_id), borrowed=each.bench.id != own.id)
                for each in read(connection, kind, ids, traces=traces)
            ]
        gone = set(ids) - {bundle.row_id for bundle in bundles}
        return bundles, dict.fromkeys(gone, _GONE)
    except RecordsError:
        if len(ids) == 1:
            return [], {ids[0]: "it cannot be read here; see `halfturn records verify`"}
    bundles = []
    unread: dict[UUID, str] = {}
    for each in ids:  # the damaged one must not keep the others
        some, why = _read(store, kind, [each], traces)
        bundles += some
        unread |= why
    return bundles, unread


def _take(
    central: Central,
    line: Connection,
    bundles: Sequence[Bundle],
    pact: Pact,
    pause: Callable[[float], None],
) -> Taken:
    for attempt in range(_TRIES):
        try:
            with central.transaction(line):
                taken = put(line, bundles)
                pact.tell(line)
            return _older_told(taken)
        except CentralError as error:
            if error.state not in _AGAIN or attempt == _TRIES - 1:
                raise
            pause(random.uniform(0.0, _AGAIN_S * 2**attempt))  # not all at the same moment
    raise AssertionError("not reached")


def _older_told(taken: Taken) -> Taken:
    for row_id, fate in taken.fates.items():
        if fate is Fate.OLDER:
            taken.fates[row_id] = Fate.REFUSED
            taken.why[row_id] = "a newer one is there: these records were put back from a backup"
    return taken


def _mark(store: Store, bundles: Sequence[Bundle], taken: Taken, pact: Pact) -> None:
    # What another bench made and is there already is told once; nothing will change about it.
    done = [b for b in bundles if b.row_id not in taken.why or b.borrowed]
    settled = {bundle.row_id for bundle in done}
    with store.taking() as connection:
        outbox.mark(connection, [Mark(b.row_id, b.version, b.traces) for b in done])
        outbox.refuse(connection, {k: why for k, why in taken.why.items() if k not in settled})
        pact.keep(connection)
