"""Many runs read at once are the very runs that are read one by one."""

from __future__ import annotations

import sqlite3
from contextlib import closing
from uuid import uuid4

import pytest
from canned_lots import lot_start, made_run

from rig.records import in_bulk
from rig.records.store import RecordsError


def test_bulk_and_one_by_one_are_the_same(store, make, monkeypatch):
    monkeypatch.setattr(in_bulk, "_AT_ONCE", 2)
    runs = []
    for number in range(3):
        run = store.begin_run(make.run_start(unit_serial=f"U-{number}"))
        store.finish_step(run, make.step(1, trace=make.trace(0.05)))
        store.finish_step(run, make.step(2, trace=make.trace(0.05), half_turns=()))
        store.add_event(run, make.event())
        if number:
            store.finish_run(run, make.run_end())
        runs.append(run)
    store.lots.open(lot_start())
    runs.append(made_run(store, store.lots.lot("D-1"), 3))
    with closing(sqlite3.connect(store.path)) as raw, raw:
        raw.execute("UPDATE traces SET data = substr(data, 1, 50) WHERE rowid = 3")
    wanted = [runs[2], runs[3], runs[0], runs[1]]
    alone = [(store.run(run), store.checksum(run)) for run in wanted]
    assert list(store.whole_runs(wanted)) == alone
    assert len({checksum for _, checksum in alone}) == 4
    with pytest.raises(RecordsError, match="1 of 2 runs are not in these records"):
        list(store.whole_runs([runs[0], uuid4()]))
