"""How long it takes to open a unit's history and its newest run among 200 000 runs of many units.

Baseline in the same run is the same unit in records that hold its own runs and nobody else's: what
the index does for it is the ratio, which should stay near 1 however many other units there are.
Traces are left out of the copies, as no history reads one.
Run by hand: ``python tests/bench/bench_history.py`` (some 2 GB of disk in ``--folder``).
"""

from __future__ import annotations

import argparse
import sqlite3
import statistics
import sys
import tempfile
import time
from collections.abc import Callable, Iterator
from datetime import datetime, timedelta
from itertools import islice
from pathlib import Path
from typing import Any
from uuid import uuid4

sys.path.insert(0, str(Path(__file__).parents[1] / "support"))

from bench_runs import HALF_TURNS, make_order, make_plan

from rig.commands.progress import Progress
from rig.commands.run import Gathered, carry_out
from rig.quality.decision import DEFAULT_RULE
from rig.records.model import RunFilter
from rig.records.store import Store

OWN = "PUMP-7-OWN"
RUNS_A_UNIT = 40  # a golden unit of two months, or one that came back often
BATCH = 2000
WHEN = "%Y-%m-%d %H:%M:%S.%f"  # as SQLAlchemy keeps a moment in SQLite

Row = dict[str, Any]


def rows_of(raw: sqlite3.Connection, table: str) -> list[Row]:
    """Return all rows of a table by column."""
    cursor = raw.execute(f'SELECT * FROM "{table}"')
    names = [column[0] for column in cursor.description]
    return [dict(zip(names, row, strict=True)) for row in cursor]


def insert(raw: sqlite3.Connection, table: str, rows: list[Row]) -> None:
    """Add rows of one table."""
    if rows:
        names = ", ".join(f'"{name}"' for name in rows[0])
        marks = ", ".join("?" for _ in rows[0])
        values = (tuple(row.values()) for row in rows)
        raw.executemany(f'INSERT INTO "{table}" ({names}) VALUES ({marks})', values)


def copies(
    made: dict[str, list[Row]], units: Iterator[Row], runs_each: int = RUNS_A_UNIT
) -> Iterator[dict[str, list[Row]]]:
    """Yield the rows of one more unit with its runs: copies of a real run, minutes apart."""
    (run,) = made["runs"]
    first = datetime.strptime(run["started_at"], WHEN)
    minutes = 0
    for unit in units:
        out: dict[str, list[Row]] = {table: [] for table in made}
        out["units"] = [unit]
        for _ in range(runs_each):
            minutes += 7
            began = (first - timedelta(minutes=minutes)).strftime(WHEN)
            run_id = uuid4().hex
            out["runs"].append({**run, "id": run_id, "unit_id": unit["id"], "started_at": began})
            new_ids = {step["id"]: uuid4().hex for step in made["steps"]}
            for step in made["steps"]:
                out["steps"].append({**step, "id": new_ids[step["id"]], "run_id": run_id})
            for table in ("half_turns", "measures", "traces"):
                for row in made.get(table, ()):
                    out[table].append(
                        {**row, "id": uuid4().hex, "step_id": new_ids[row["step_id"]]}
                    )
            for table in ("events", "reasons"):
                for row in made[table]:
                    out[table].append({**row, "id": uuid4().hex, "run_id": run_id})
        yield out


def fill(path: Path, runs: int) -> None:
    """Make records of a real run, copied until there are so many, and one unit's own among them."""
    order = make_order(make_plan(HALF_TURNS))
    carry_out(order, path, Gathered(Progress(quiet=True), whole=True, rule=DEFAULT_RULE))
    with sqlite3.connect(path) as raw:
        raw.execute("PRAGMA synchronous = OFF")
        tables = ("units", "runs", "steps", "half_turns", "measures", "events", "reasons")
        made = {table: rows_of(raw, table) for table in tables}
        (unit,) = made["units"]

        def units() -> Iterator[Row]:
            count = max(1, runs // RUNS_A_UNIT)
            for number in range(count):
                serial = OWN if number == count // 2 else f"PUMP-{number:06d}"
                yield {**unit, "id": uuid4().hex, "serial": serial}

        lots = copies(made, units())
        done = 0
        while some := list(islice(lots, BATCH // RUNS_A_UNIT)):
            for table in tables:
                insert(raw, table, [row for lot in some for row in lot[table]])
            done += len(some) * RUNS_A_UNIT
            if sys.stderr.isatty():
                sys.stderr.write(f"\r\033[K{done} runs" if done < runs else "\r\033[K")
                sys.stderr.flush()


def median_ms(once: Callable[[], object], times: int) -> float:
    """Return the middle time of one call (ms)."""
    taken = []
    for _ in range(times):
        began_s = time.perf_counter()
        once()
        taken.append(1e3 * (time.perf_counter() - began_s))
    return statistics.median(taken)


def asked(path: Path, times: int) -> dict[str, float]:
    """Return how long each question takes with freshly opened records (ms)."""
    with Store.open(path) as store:
        (newest,) = store.search(RunFilter(serial=OWN), limit=1).runs
        return {
            "the unit's history": median_ms(lambda: store.unit_history(newest.run_id), times),
            "its newest run, whole": median_ms(lambda: store.run(newest.run_id), times),
            "the newest 50 runs of all": median_ms(lambda: store.search(RunFilter()), times),
            "by part of a serial": median_ms(
                lambda: store.search(RunFilter(serial_part="7-own")), times
            ),
        }


def main() -> None:
    """Print each question's time in many runs against the unit's own runs alone."""
    options = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    options.add_argument("--folder", type=Path, help="where the records are made")
    options.add_argument("--runs", type=int, default=200_000)
    options.add_argument("--times", type=int, default=20)
    chosen = options.parse_args()
    with tempfile.TemporaryDirectory(dir=chosen.folder) as folder:
        alone, many = Path(folder) / "alone.sqlite", Path(folder) / "many.sqlite"
        fill(alone, RUNS_A_UNIT)
        fill(many, chosen.runs)
        size_mb = many.stat().st_size / 1e6
        began_s = time.perf_counter()
        Store.open(many).close()
        opening_ms = 1e3 * (time.perf_counter() - began_s)
        baseline, found = asked(alone, chosen.times), asked(many, chosen.times)
    print(f"{chosen.runs} runs, {size_mb:.0f} MB; the records open in {opening_ms:.0f} ms")
    print(f"| question | among {chosen.runs} runs, ms | its own {RUNS_A_UNIT} alone, ms | ratio |")
    print("|---|---|---|---|")
    for question, own_ms in baseline.items():
        many_ms = found[question]
        print(f"| {question} | {many_ms:.1f} | {own_ms:.1f} | {many_ms / own_ms:.1f} |")


if __name__ == "__main__":
    main()
