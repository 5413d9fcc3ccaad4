"""Carrying out orders on the simulated bench, in virtual time."""

from __future__ import annotations

import pytest
from bench_runs import Ran, Watcher

from drivers.simulated.backend import SimulatedBackend
from rig.bench.keeper import DirectKeeper
from rig.bench.session import Session
from rig.records.store import Store


@pytest.fixture
def records(tmp_path):
    return tmp_path / "records.sqlite"


@pytest.fixture
def carry_out(records):
    """Run an order on a fresh simulated backend; ``before(backend)`` may prepare the world."""

    def run(order, watcher=None, before=None, hands=True):
        watcher = watcher or Watcher()
        backend = SimulatedBackend(order.wiring(), order.options)
        if not hands:
            backend.hands = None
        try:
            if before is not None:
                before(backend, watcher)
            with Store.open(records) as store:
                ended = Session(order, backend, DirectKeeper(store), watcher).run()
        finally:
            backend.close()
        return Ran(ended, watcher, backend, records)

    return run
