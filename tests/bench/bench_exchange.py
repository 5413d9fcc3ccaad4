"""Runs a second out of the records and in, by format, against SQLite's own backup of the same file.

Baseline in the same run is `sqlite3.Connection.backup`, which copies pages and knows nothing of
runs: the ratio says how much slower it is to write or read, verify and sum every one of them.
Memory is the most that the process had: it must not grow with the number of runs.
Run by hand: ``python tests/bench/bench_exchange.py``.
"""

from __future__ import annotations

import argparse
import resource
import sqlite3
import sys
import time
from collections.abc import Callable
from contextlib import closing
from pathlib import Path
from tempfile import TemporaryDirectory

sys.path.insert(0, str(Path(__file__).parents[1] / "support"))
sys.path.insert(0, str(Path(__file__).parents[2]))

from recorded import library

from rig.exchange.out import Asked, export
from rig.exchange.take_in import take_in
from rig.records.store import Store


def fill(path: Path, models: list, runs: int) -> None:
    """Record copies of real runs, traces included, one after the other."""
    with Store.open(path) as store:
        for number in range(runs):
            model = models[number % len(models)]
            run_id = store.begin_run(model.start)
            for step in model.steps:
                store.finish_step(run_id, step)
            for event in model.events:
                store.add_event(run_id, event)
            store.finish_run(run_id, model.end)


def back_up(source: Path, target: Path) -> None:
    """Copy the file as SQLite does."""
    with closing(sqlite3.connect(source)) as here, closing(sqlite3.connect(target)) as there:
        here.backup(there)


def timed(work: Callable[[], object]) -> float:
    """Return the CPU time of ``work`` in seconds."""
    began = time.process_time()
    work()
    return time.process_time() - began


def size_of(path: Path) -> int:
    """Return the bytes of a file or of all files in a folder."""
    files = [path] if path.is_file() else [p for p in path.rglob("*") if p.is_file()]
    return sum(file.stat().st_size for file in files)


def memory_mb() -> float:
    """Return the most memory that this process ever had."""
    return resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024


def main() -> None:
    """Measure, and print a table."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--runs", type=int, default=400, help="runs in the records (400)")
    parser.add_argument("--folder", default=None, help="where to work: the disk that is measured")
    options = parser.parse_args()
    runs = options.runs
    with TemporaryDirectory(dir=options.folder) as name:
        folder = Path(name)
        small, ids = library(folder)
        with Store.open(small) as store:
            models = [store.run(run, with_traces=True) for run in ids.values()]
        records = folder / "many.sqlite"
        fill(records, models, runs)
        base = timed(lambda: back_up(records, folder / "copy.sqlite"))
        print(f"{runs} runs, {size_of(records) / 1e6:.1f} MB; SQLite's backup {base:.3f} s")
        print(f"{'':34}{'runs/s':>8}{'x backup':>10}{'MB':>8}{'memory MB':>11}")

        def tell(what: str, took_s: float, made: Path) -> None:
            size_mb = size_of(made) / 1e6
            ratio = took_s / base
            print(f"{what:34}{runs / took_s:8.0f}{ratio:10.1f}{size_mb:8.1f}{memory_mb():11.0f}")

        for format in ("csv", "parquet"):
            for with_traces in (False, True):
                made = folder / f"{format}-{with_traces}"
                asked = Asked(format=format, with_traces=with_traces)
                took_s = timed(lambda made=made, asked=asked: export(records, made, asked))
                tell(f"out, {format}{', with traces' if with_traces else ''}", took_s, made)
        here = folder / "here.sqlite"
        for what in ("csv-True", "parquet-True", "copy.sqlite"):
            here.unlink(missing_ok=True)
            took_s = timed(lambda what=what: take_in(folder / what, here))
            tell(f"in, {what.partition('-')[0]}", took_s, here)
        took_s = timed(lambda: take_in(folder / "copy.sqlite", here))
        tell("in again, all known already", took_s, here)


if __name__ == "__main__":
    main()
