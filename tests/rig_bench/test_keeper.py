"""Writing beside the control loop for several runs: whose failure is told to whom."""

from __future__ import annotations

import time
from datetime import UTC, datetime
from uuid import uuid4

import pytest

from rig.bench.keeper import ThreadKeeper
from rig.records.errors import RecordsError
from rig.records.model import RunEvent
from rig.records.store import Store

LATE_S = 20.0
EVENT = RunEvent(datetime(2026, 3, 2, tzinfo=UTC), 1.0, "note", "A note.")


def wait(done):
    end_s = time.monotonic() + LATE_S
    while not done():
        assert time.monotonic() < end_s, "waited for what nobody does"
        time.sleep(0.001)


def test_a_writer_that_is_gone_is_waited_for_by_nobody(tmp_path, monkeypatch):
    """As when even its failure cannot be noted, since there is no memory: the thread ends."""

    def no_memory(*_):
        raise MemoryError

    monkeypatch.setattr(Store, "add_event", no_memory)
    monkeypatch.setattr("concurrent.futures.Future.set_exception", no_memory)
    with ThreadKeeper(tmp_path / "records.sqlite") as keeper:
        with pytest.raises(RecordsError, match="writes the records has failed"):
            wait(keeper.add_event(uuid4(), EVENT))
        # Nor for what is handed over later, by any run.
        with pytest.raises(RecordsError, match="writes the records has failed"):
            wait(keeper.finish_run(uuid4(), None))
    with ThreadKeeper(tmp_path / "records.sqlite", wait) as keeper:
        monkeypatch.setattr(Store, "newest", no_memory)
        with pytest.raises(RecordsError, match="writes the records has failed"):
            keeper.newest()


def test_an_event_that_is_not_kept_is_told_to_its_own_run(tmp_path, monkeypatch):
    broken, sound = uuid4(), uuid4()
    refused = []

    def add_event(_, run_id, event):
        if run_id == broken and not refused:
            refused.append(event)
            raise RecordsError("the disk is full")

    monkeypatch.setattr(Store, "add_event", add_event)

    with ThreadKeeper(tmp_path / "records.sqlite") as keeper:
        keeper.add_event(broken, EVENT)
        wait(keeper.add_event(sound, EVENT))  # raises nothing
        with pytest.raises(RecordsError, match="disk is full"):
            wait(keeper.add_event(broken, EVENT))
