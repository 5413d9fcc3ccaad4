"""Send what a bench recorded to the central records: whole records, in batches, oldest first.

A batch is committed there before it is marked here.  Killed between the two, it is offered again
and found to be there; so nothing is lost and nothing doubled, whenever this ends.
"""

from __future__ import annotations

import time
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, field
from datetime import UTC, datetime
from uuid import UUID

from sqlalchemy import Connection

from rig.records import meeting, outbox
from rig.records.bundles import Bundle, Kind, own_bench, read
from rig.records.central import Central, CentralError, place_of, url_of
from rig.records.errors import RecordsError
from rig.records.outbox import Mark
from rig.records.store import Store
from rig.records.transfer import Fate, Taken

BATCH = 250  # records at once (measured: larger ones are no faster)
BATCH_BYTES = 8_000_000  # of traces at once, so that a small computer's memory holds them
GENTLE_BATCH = 20  # while a unit is being tested on this computer
_REST = 3.0  # then: so many times as long as a batch took nothing is done
_AGAIN = ("40P01", "40001", "55P03")  # SQLSTATEs after which trying again helps
_TRIES = 4
_UNREAD = 2**31  # stands for the version of one that could not be read


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
    (`meeting.state`).  Raises CentralError or RecordsError; what went until then is there.
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
        meeting.meet(store, central, line, name)
        for kind in Kind:
            for bundles, unread in _batches(store, kind, traces, pause):
                taken = _take(central, line, bundles)
                for row_id, why in unread.items():
                    taken.fates[row_id], taken.why[row_id] = Fate.REFUSED, why
                _mark(store, bundles, taken)
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
            return read(connection, kind, ids, traces=traces), {}
    except RecordsError:
        if len(ids) == 1:
            return [], {ids[0]: "it cannot be read here; see `halfturn records verify`"}
    bundles: list[Bundle] = []
    unread: dict[UUID, str] = {}
    for each in ids:  # the damaged one must not keep the others
        some, why = _read(store, kind, [each], traces)
        bundles += some
        unread |= why
    return bundles, unread


def _take(central: Central, line: Connection, bundles: Sequence[Bundle]) -> Taken:
    for attempt in range(_TRIES):
        try:
            return _older_told(central.take(line, bundles))
        except CentralError as error:
            if error.state not in _AGAIN or attempt == _TRIES - 1:
                raise
    raise AssertionError("not reached")


def _older_told(taken: Taken) -> Taken:
    for row_id, fate in taken.fates.items():
        if fate is Fate.OLDER:
            taken.fates[row_id] = Fate.REFUSED
            taken.why[row_id] = "a newer one is there: these records were put back from a backup"
    return taken


def _mark(store: Store, bundles: Sequence[Bundle], taken: Taken) -> None:
    sent = {bundle.row_id: bundle for bundle in bundles}
    marks = []
    for row_id in taken.fates:
        bundle = sent.get(row_id)
        why = taken.why.get(row_id, "")
        version = bundle.version if bundle else _UNREAD
        traces = bool(why) or bundle is None or bundle.traces
        marks.append(Mark(row_id, version, traces, why))
    with store.taking() as connection:
        outbox.mark(connection, marks)
