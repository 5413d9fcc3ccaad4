"""Carrying out orders on the simulated bench, in virtual time."""

from __future__ import annotations

from dataclasses import fields, replace

import pytest
from bench_runs import Ran, Watcher, make_order
from guesser import Guesser
from isolations import SETTINGS, Asked

from drivers.simulated.backend import SimulatedBackend
from rig.bench.isolation import Isolation
from rig.bench.keeper import DirectKeeper
from rig.bench.order import IsolationOrder
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


@pytest.fixture
def isolate(records):
    """Isolate what ``faults`` did to a unit; ``before(backend)`` may prepare the world."""

    def run(*faults, watcher=None, plan=None, before=None, mind=None, ask=None, settings=SETTINGS):
        plain = make_order(plan, faults=faults, settings=settings, spread="0")
        given = {field.name: getattr(plain, field.name) for field in fields(plain)}
        ask = isinstance(watcher, Asked) if ask is None else ask
        order = replace(IsolationOrder(**given), ask_operator=ask)
        watcher = watcher or Watcher()
        backend = SimulatedBackend(order.wiring(), order.options)
        try:
            if before is not None:
                before(backend, watcher)
            with Store.open(records) as store:
                mind = mind or Guesser()
                ended = Isolation(order, backend, DirectKeeper(store), watcher, mind).run()
        finally:
            backend.close()
        return Ran(ended, watcher, backend, records)

    return run
