"""Runs to make sheets of: simulated ones, and the same as if they had been made on a real rig."""

from __future__ import annotations

import shutil
import sqlite3
from dataclasses import replace

import pytest
from bench_runs import make_order, make_plan
from isolations import Asked
from made_once import made_once
from recorded import library

from drivers.simulated.backend import SimulatedBackend
from rig.analysis.model import Judgement, Outcome, Reason, Verdict
from rig.bench.isolation import Isolation
from rig.bench.keeper import DirectKeeper
from rig.bench.order import IsolationOrder
from rig.records.model import RunState, StepState
from rig.records.store import Store

DONE = RunState.FINISHED
REAL = {"simulated": False, "backend": "pi", "backend_facts": {}}
CLOSE = "Half-turn 1 (to run) took 1.205 s ± 0.010 s; allowed: at most 1.200 s, too close to tell."
LEFT = "The console was lost. Step 2 of 3 was not done."


def copy_of(store, like, end=None, steps=None, **start):
    """Add a run like another that differs as said; return its id.  ``end`` False: it has none."""
    model = store.run(like, with_traces=True)
    run_id = store.begin_run(replace(model.start, **start))
    for step in model.steps if steps is None else steps(model.steps):
        store.finish_step(run_id, step)
    for event in model.events:
        store.add_event(run_id, event)
    if end is not False:
        store.finish_run(run_id, end or model.end)
    return run_id


def long_endurance(steps):
    """Return 10 000 half-turns in ten parts, each later by 40 ms in the end; two stalled."""
    own = next(step for step in steps if step.half_turns)
    parts = []
    for part in range(10):
        turns = []
        for k in range(1000):
            n = 1000 * part + k + 1
            turn = own.half_turns[k % 2]
            outcome = Outcome.STALLED if n in (777, 7001) else turn.outcome
            half_turn_s = None if outcome is Outcome.STALLED else turn.half_turn_s + 4e-6 * n
            turns.append(replace(turn, number=n, outcome=outcome, half_turn_s=half_turn_s))
        title = f"Endurance, cycles {500 * part + 1} to {500 * part + 500} of 5000"
        parts.append(
            replace(
                own,
                number=part + 1,
                kind="endurance",
                title=title,
                half_turns=tuple(turns),
                trace=own.trace if part == 0 else None,
            )
        )
    return parts


def _isolated(path):
    plan = make_plan(
        '[[step]]\nkind = "half_turns"\ncount = 2\npause_s = 0.4\n\n[isolation]\nconfidence = 0.9\n'
    )
    plain = make_order(plan, faults=("relay-dead",))
    given = {name: getattr(plain, name) for name in plain.__dataclass_fields__}
    order = IsolationOrder(**{**given, "unit_serial": "LM-12-0777"})
    backend = SimulatedBackend(order.wiring(), order.options)
    try:
        with Store.open(path) as store:
            job = Isolation(order, backend, DirectKeeper(store), Asked())
            return job.run().run_id
    finally:
        backend.close()


def _judged(verdict, *reasons, state=DONE):
    def end(model):
        return replace(model.end, state=state, judgement=Judgement(verdict, tuple(reasons)))

    return end


@pytest.fixture(scope="session")
def made(tmp_path_factory):
    """Return a records file and the runs' ids by name."""
    folder, ids = made_once("runs-of-sheets", _made)
    path = tmp_path_factory.mktemp("sheets") / "records.sqlite"
    shutil.copy(folder / path.name, path)
    return path, ids


def _made(folder):
    path, ids = library(folder)
    ids["isolation"] = _isolated(path)
    with Store.open(path) as store:
        fit = store.run(ids["new"])
        ids["pass"] = copy_of(store, ids["new"], **REAL)
        ids["fail"] = copy_of(store, ids["slow"], **REAL)
        ids["retest"] = copy_of(
            store,
            ids["new"],
            _judged(Verdict.RETEST, Reason(Verdict.RETEST, CLOSE, "half_turn_s", 1))(fit),
            **REAL,
        )
        cut = _judged(
            Verdict.RETEST, Reason(Verdict.RETEST, LEFT, "run"), state=RunState.INTERRUPTED
        )(fit)
        ids["interrupted"] = copy_of(
            store,
            ids["new"],
            cut,
            lambda steps: [replace(steps[0], state=StepState.CUT_SHORT)],
            **REAL,
        )
        ids["unfinished"] = copy_of(store, ids["new"], False, lambda steps: steps[:1], **REAL)
        stalled = [
            Reason(Verdict.FAIL, f"Half-turn {n} (to run) stalled.", "outcome", n)
            for n in (777, 7001)
        ]
        ids["endurance"] = copy_of(
            store, ids["new"], _judged(Verdict.FAIL, *stalled)(fit), long_endurance, **REAL
        )
        ids["plain"] = copy_of(store, ids["pass"], steps=_without_traces)
    return ids


def _without_traces(steps):
    """Return steps of which nothing can be drawn or diagnosed, which takes most of the time."""
    return [replace(step, trace=None) for step in steps]


@pytest.fixture
def records(made, tmp_path):
    """Return a copy of the records that a test may change, and the ids."""
    path, ids = made
    copy = tmp_path / "records.sqlite"
    with sqlite3.connect(path) as raw:
        raw.execute("PRAGMA wal_checkpoint(TRUNCATE)")
    raw.close()
    shutil.copy(path, copy)
    return copy, ids


@pytest.fixture(scope="session")
def store(made):
    with Store.open(made[0]) as opened:
        yield opened
