"""Writing beside the control loop for several runs: whose failure is told to whom."""

from __future__ import annotations

from datetime import UTC, datetime
from uuid import uuid4

import pytest

from rig.bench.keeper import ThreadKeeper
from rig.records.errors import RecordsError
from rig.records.model import RunEvent
from rig.records.store import Store

EVENT = RunEvent(datetime(2026, 3, 2, tzinfo=UTC), 1.0, "note", "A note.")


def test_an_event_that_is_not_kept_is_told_to_its_own_run(tmp_path, monkeypatch):
    broken, sound = uuid4(), uuid4()
    refused = []

    def add_event(_, run_id, event):
        if run_id == broken and not refused:
            refused.append(event)
            raise RecordsError("the disk is full")

    monkeypatch.setattr(Store, "add_event", add_event)

    def wait(done):
        while not done():
            pass

    with ThreadKeeper(tmp_path / "records.sqlite") as keeper:
        keeper.add_event(broken, EVENT)
        wait(keeper.add_event(sound, EVENT))  # raises nothing
        with pytest.raises(RecordsError, match="disk is full"):
            wait(keeper.add_event(broken, EVENT))
