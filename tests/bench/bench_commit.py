"""How long a commit takes by SQLite's settings: one of 2 kB, and a real step with its trace.

Baseline in the same run is WAL with synchronous = FULL, which the records use.  Only the times of
one disk are told; run it with ``--folder`` on the memory card that is meant.  Packing the trace
takes longer than the commit, and is done before the records are locked: it is not in the times.
Run by hand: ``python tests/bench/bench_commit.py --folder FOLDER``.
"""

from __future__ import annotations

import argparse
import sqlite3
import sys
import tempfile
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import replace
from itertools import count
from pathlib import Path

import numpy as np
from sqlalchemy import Connection, Engine, event
from sqlalchemy.pool import Pool

sys.path.insert(0, str(Path(__file__).parents[1] / "support"))

from bench_runs import HALF_TURNS, make_order, make_plan

from rig.commands.progress import Progress
from rig.commands.run import Gathered, carry_out
from rig.quality.decision import DEFAULT_RULE
from rig.records.store import Store

# What a power cut may take, if the disk keeps its word (https://www.sqlite.org/pragma.html,
# synchronous: FULL, NORMAL, and what EXTRA would add to DELETE).
SETTINGS = {
    ("WAL", "FULL"): "nothing",
    ("WAL", "NORMAL"): "the last commits",
    ("DELETE", "FULL"): "the last commit",
}


@contextmanager
def pragmas(journal: str, synchronous: str) -> Iterator[None]:
    """Let every connection of the records have these settings instead of its own."""

    def set_up(raw: sqlite3.Connection, _record: object, _proxy: object) -> None:
        raw.execute(f"PRAGMA journal_mode = {journal}").close()
        raw.execute(f"PRAGMA synchronous = {synchronous}").close()

    event.listen(Pool, "checkout", set_up)
    try:
        yield
    finally:
        event.remove(Pool, "checkout", set_up)


def small(folder: Path, journal: str, synchronous: str) -> Callable[[], float]:
    """Return what commits a row of 2 kB and returns the time (s)."""
    raw = sqlite3.connect(folder / "small.sqlite", isolation_level=None)
    raw.execute(f"PRAGMA journal_mode = {journal}")
    raw.execute(f"PRAGMA synchronous = {synchronous}")
    raw.execute("CREATE TABLE t (x BLOB)")

    def once() -> float:
        raw.execute("BEGIN IMMEDIATE")
        raw.execute("INSERT INTO t VALUES (randomblob(2000))")
        began_s = time.perf_counter()
        raw.execute("COMMIT")
        return time.perf_counter() - began_s

    return once


def real(folder: Path, journal: str, synchronous: str) -> Callable[[], float]:
    """Return what keeps a step of two half-turns in records, and returns the commit's time (s)."""
    records = folder / "records.sqlite"
    ended = carry_out(
        make_order(make_plan(HALF_TURNS)),
        records,
        Gathered(Progress(quiet=True), whole=True, rule=DEFAULT_RULE),
    )
    store = Store.open(records)
    made = store.run(ended.run_id, with_traces=True)
    run = store.begin_run(made.start)
    numbers = count(1)
    committing_s = 0.0

    def note(_connection: Connection) -> None:
        nonlocal committing_s
        committing_s = time.perf_counter()

    def once() -> float:
        with pragmas(journal, synchronous):
            event.listen(Engine, "commit", note)
            try:
                store.finish_step(run, replace(made.steps[0], number=next(numbers)))
                return time.perf_counter() - committing_s
            finally:
                event.remove(Engine, "commit", note)

    return once


def times_ms(once: Callable[[], float], times: int, bar: Callable[[], None]) -> np.ndarray:
    """Return how long each of so many commits takes."""
    taken = []
    for _ in range(times):
        taken.append(1e3 * once())
        bar()
    return np.array(taken)


def main() -> None:
    """Print a table of both for each setting."""
    options = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    options.add_argument("--folder", type=Path, help="a folder on the disk that is meant")
    options.add_argument("--times", type=int, default=300)
    chosen = options.parse_args()
    done, whole = 0, 2 * len(SETTINGS) * chosen.times

    def bar() -> None:
        nonlocal done
        done += 1
        if sys.stderr.isatty() and done % 10 == 0:
            sys.stderr.write(f"\r\033[K{done / whole:.0%}" if done < whole else "\r\033[K")
            sys.stderr.flush()

    print("| settings | 2 kB, p50 / p99 ms | ratio | step, p50 / p99 ms | ratio | can be lost |")
    print("|---|---|---|---|---|---|")
    baseline: list[float] = []
    for (journal, synchronous), lost in SETTINGS.items():
        cells = []
        for number, kind in enumerate((small, real)):
            with tempfile.TemporaryDirectory(dir=chosen.folder) as folder:
                once = kind(Path(folder), journal, synchronous)
                taken_ms = times_ms(once, chosen.times, bar)
            p50, p99 = np.percentile(taken_ms, [50, 99])
            if len(baseline) == number:
                baseline.append(float(p50))
            cells += [f"{p50:.2f} / {p99:.2f}", f"{p50 / baseline[number]:.2f}"]
        print(f"| {journal} + {synchronous} | {' | '.join(cells)} | {lost} |")


if __name__ == "__main__":
    main()
