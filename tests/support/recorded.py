"""Records for the console's tests: runs on the simulated bench, in virtual time, on given dates."""

from __future__ import annotations

import shutil
import sqlite3
from dataclasses import dataclass, replace
from datetime import UTC, datetime, timedelta
from uuid import uuid4

from bench_runs import HEAD, Watcher, make_plan, make_settings
from made_once import made_once

from drivers import BackendOptions
from drivers.simulated.backend import SimulatedBackend
from rig.bench.keeper import DirectKeeper
from rig.bench.order import RunOrder
from rig.bench.session import Session
from rig.plans import plan_from_text
from rig.records.model import RunEnd, RunState, Source
from rig.records.store import Store

TURNS = '[[step]]\nkind = "half_turns"\ncount = 4\npause_s = 0.3\n'
PARK = '[[step]]\nkind = "park_check"\nduration_s = 0.3\n'
REST = '[[step]]\nkind = "rest_draw"\nduration_s = 0.3\n'
SETTINGS = make_settings(sample_hz=500, supply=False)


@dataclass(frozen=True)
class Made:
    """A run to be made: on which day of 2026 (month, day, hour), on what unit, with what faults."""

    serial: str
    when: tuple[int, int, int]
    faults: tuple[str, ...] = ()
    plan: str = "qualify"
    steps: tuple[str, ...] = (TURNS,)
    reference: str = ""
    source: Source = Source.OWN_REBUILD
    operator: str = "jo"
    seed: int = 1

    @property
    def started_at(self):
        month, day, hour = self.when
        return datetime(2026, month, day, hour, 5, tzinfo=UTC)


class DatedKeeper(DirectKeeper):
    """Writes a run as if it had begun at another time."""

    def __init__(self, store, started_at):
        super().__init__(store)
        self._started_at = started_at

    def newest(self):
        return None  # what is in the record is dated as it pleases

    def begin_run(self, start):
        return super().begin_run(replace(start, started_at=self._started_at))

    def finish_run(self, run_id, end):
        return super().finish_run(
            run_id, replace(end, ended_at=self._started_at + timedelta(seconds=40))
        )


def plan_named(name, *steps):
    head = HEAD.replace('title = "Test plan"', f'name = "{name}"\ntitle = "{name} plan"')
    made = make_plan(*steps, head=head)
    return plan_from_text(made.text, made.file)


def record(records, *runs):
    """Carry the runs out one after another; return their ids."""
    return [_record_one(records, run) for run in runs]


def _record_one(records, run):
    order = RunOrder(
        settings=SETTINGS,
        station=SETTINGS.stations[0],
        plan=plan_named(run.plan, *run.steps),
        unit_serial=run.serial,
        operator=run.operator,
        source=run.source,
        reference=run.reference,
        backend="simulated",
        options=BackendOptions(seed=run.seed, faults=run.faults),
        consent=True,
    )
    backend = SimulatedBackend(order.wiring(), order.options)
    try:
        with Store.open(records) as store:
            keeper = DatedKeeper(store, run.started_at)
            return Session(order, backend, keeper, Watcher()).run().run_id
    finally:
        backend.close()


# One unit's life: fit as new, slow when its gear ran dry, leaking, fit again after its rebuild.
WHOLE = (REST, TURNS, PARK)
LIFE = {
    "new": Made("LM-12-0288", (3, 2, 8), steps=WHOLE, reference="J-1207"),
    "slow": Made("LM-12-0288", (9, 14, 10), ("dry-gear=8",), "suspect", reference="J-1391"),
    "leaking": Made("LM-12-0288", (9, 21, 9), ("leakage=0.3",), steps=WHOLE, reference="J-1391"),
    "rebuilt": Made("LM-12-0288", (9, 22, 15), steps=WHOLE, reference="J-1391", seed=4),
}
LOT = {"plan": "incoming", "reference": "L-2209", "operator": "sam", "source": Source.DELIVERY_LOT}
OTHERS = {
    "jammed": Made("LM-12-0290", (9, 23, 7), ("jammed=90",), **LOT),
    "short": Made("LM-12-0291", (9, 23, 8), ("cam-short=100",), **LOT),
    "runs_on": Made("LM-12-0292", (9, 23, 9), ("cam-welded",), **LOT),
    "no_feed": Made("LM-12-0293", (9, 23, 10), ("feed-relay-stuck-open",), **LOT),
}


def _library(folder):
    """Make the records; return the runs' ids by name."""
    runs = {**LIFE, **OTHERS}
    return dict(zip(runs, record(folder / "records.sqlite", *runs.values()), strict=True))


def library(folder):
    """Return a copy of the records in ``folder``, and the runs' ids by name."""
    made, ids = made_once("library", _library)
    path = folder / "records.sqlite"
    shutil.copy(made / path.name, path)
    return path, ids


def copy_runs(path, count):
    """Add ``count`` runs like the newest, a minute apart before the oldest; with no steps."""
    raw = sqlite3.connect(path)
    columns = [row[1] for row in raw.execute("PRAGMA table_info(runs)")]
    rest = ", ".join(name for name in columns if name not in ("id", "started_at"))
    (oldest,) = raw.execute("SELECT min(started_at) FROM runs").fetchone()
    base = datetime.fromisoformat(oldest)
    layout = "%Y-%m-%d %H:%M:%S.%f"
    raw.executemany(
        f"INSERT INTO runs (id, started_at, {rest}) SELECT ?, ?, {rest} FROM runs "
        "ORDER BY started_at DESC LIMIT 1",
        [
            (uuid4().hex, (base - timedelta(minutes=n)).strftime(layout))
            for n in range(1, count + 1)
        ],
    )
    raw.commit()
    raw.close()


def end_otherwise(path, like, state, judgement=None, note="", **start):
    """Add a run that has the steps of ``like`` and ended otherwise; return its id."""
    with Store.open(path) as store:
        model = store.run(like, with_traces=True)
        kind = start.pop("kind", None)
        run_id = store.begin_run(replace(model.start, **start))
        for step in model.steps:
            store.finish_step(run_id, replace(step, kind=kind or step.kind))
        if state is not RunState.RUNNING:
            end = RunEnd(model.start.started_at, state, judgement, state is RunState.FINISHED, note)
            store.finish_run(run_id, end)
    return run_id
