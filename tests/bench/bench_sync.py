"""10 000 runs sent to central records while the sender is killed and its line cut at random.

Nothing may be lost or doubled: rows are counted and every checksum compared.  Told is how long
sending takes against a plain copy of the same rows (COPY, table by table, one transaction) in the
same run of this script:  python tests/bench/bench_sync.py [--runs 10000] [--seed 1]
"""

from __future__ import annotations

import argparse
import os
import random
import sqlite3
import subprocess
import sys
import tempfile
import time
from contextlib import closing
from dataclasses import replace
from datetime import timedelta
from pathlib import Path
from uuid import UUID, uuid4

ROOT = Path(__file__).resolve().parents[2]
sys.path[:0] = [str(ROOT), str(ROOT / "tests" / "support"), str(ROOT / "tests" / "records")]

import conftest as sample  # noqa: E402
import psycopg  # noqa: E402
from central_server import new_database, shared_server  # noqa: E402
from sqlalchemy import select  # noqa: E402
from sqlalchemy.orm import Session  # noqa: E402

from rig.records.bundles import Bundle, Kind, own_bench, plain_tables, read  # noqa: E402
from rig.records.central import Central  # noqa: E402
from rig.records.in_bulk import whole_runs  # noqa: E402
from rig.records.outbox import count_waiting  # noqa: E402
from rig.records.store import Store  # noqa: E402
from rig.records.sync import sync  # noqa: E402
from rig.records.tables import RunRow  # noqa: E402
from rig.records.transfer import put  # noqa: E402

UNITS = 2000
TABLES = (
    "texts",
    "units",
    "runs",
    "steps",
    "half_turns",
    "measures",
    "traces",
    "events",
    "reasons",
)


def main() -> int:
    options = argparse.ArgumentParser()
    options.add_argument("--runs", type=int, default=10_000)
    options.add_argument("--seed", type=int, default=1)
    asked = options.parse_args()
    draw = random.Random(asked.seed)
    server = shared_server(os.getpid())
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "records.sqlite"
        make(path, asked.runs)
        print(f"{asked.runs} runs, {path.stat().st_size / 1e6:.0f} MB")
        plain_s = copy_plainly(path, new_database(server, "prepared"))
        print(f"plain copy: {plain_s:.1f} s")
        whole_s = send_whole(path, Path(folder) / "again.sqlite", server)
        print(f"sent without a break: {whole_s:.1f} s; ratio {whole_s / plain_s:.2f}")
        url = new_database(server, "prepared")
        began_s = time.monotonic()
        kills, cuts = send_broken(path, url, draw, whole_s)
        broken_s = time.monotonic() - began_s
        print(
            f"sent with {kills} kills and {cuts} cut lines: {broken_s:.1f} s; "
            f"ratio {broken_s / plain_s:.2f}"
        )
        wrong = compare(path, url)
    print("nothing lost, nothing doubled" if not wrong else "\n".join(wrong))
    return 1 if wrong else 0


def make(path: Path, count: int) -> None:
    """Record one run, and copies of it with other keys on other units."""
    with Store.open(path) as store:
        run = store.begin_run(sample.run_start())
        for number in (1, 2):
            store.finish_step(run, sample.step(number, trace=sample.trace(0.05, seed=number)))
        store.add_event(run, sample.event())
        store.finish_run(run, sample.run_end())
        with store.reading() as connection:
            (first,) = read(connection, Kind.RUN, [run])
            bench = own_bench(connection)
        made = [copied(replace(first, bench=bench), number) for number in range(1, count)]
        for at in range(0, len(made), 500):
            with store.taking() as connection:
                assert not put(connection, made[at : at + 500]).why


def copied(bundle: Bundle, number: int) -> Bundle:
    keys: dict[UUID, UUID] = {}

    def other(row: dict[str, object]) -> dict[str, object]:
        return {
            name: keys.setdefault(value, uuid4()) if isinstance(value, UUID) else value
            for name, value in row.items()
        }

    rows = {name: [other(row) for row in rows] for name, rows in bundle.rows.items()}
    rows["units"][0]["serial"] = f"LM12-{number % UNITS:05d}"
    rows["runs"][0]["started_at"] += timedelta(seconds=97 * number)
    return replace(bundle, row_id=rows["runs"][0]["id"], rows=rows)


def copy_plainly(path: Path, url: str) -> float:
    """Copy the rows as they are, as fast as can be; return the time (s)."""
    began_s = time.monotonic()
    with (
        closing(sqlite3.connect(path)) as raw,
        psycopg.connect(url.replace("+psycopg", "")) as line,
        line.cursor() as cursor,
    ):
        for name in TABLES:
            table = plain_tables()[name]
            names = ", ".join(f'"{column.name}"' for column in table.columns)
            flags = [n for n, c in enumerate(table.columns) if c.type.python_type is bool]
            with cursor.copy(f"COPY {name} ({names}) FROM STDIN") as copy:
                for row in raw.execute(f"SELECT {names} FROM {name}"):
                    cells = list(row)
                    for n in flags:
                        cells[n] = None if cells[n] is None else bool(cells[n])
                    copy.write_row(cells)
    return time.monotonic() - began_s


def send_whole(path: Path, copy: Path, server: Path) -> float:
    with closing(sqlite3.connect(path)) as one, closing(sqlite3.connect(copy)) as other:
        one.backup(other)
    with Store.open(copy) as store:
        began_s = time.monotonic()
        sync(store, new_database(server, "prepared"), name="bench")
        return time.monotonic() - began_s


def send_broken(path: Path, url: str, draw: random.Random, whole_s: float) -> tuple[int, int]:
    """Send by the command, killed or cut off at random until all has gone; count both."""
    command = [sys.executable, "-m", "rig.cli", "sync", "--records", str(path), "--to", url]
    kills = cuts = 0
    while waits(path):
        sender = subprocess.Popen(
            command,
            cwd=ROOT,
            env={**os.environ, "PYTHONPATH": str(ROOT)},
            stdout=subprocess.DEVNULL,
            stderr=subprocess.DEVNULL,
        )
        try:
            sender.wait(timeout=draw.uniform(0.5, 3.0 + whole_s / 8))
        except subprocess.TimeoutExpired:
            was_cut = draw.random() < 0.5 and cut(url)
            cuts += was_cut
            if not was_cut:
                sender.kill()
                kills += 1
        sender.wait()
    return kills, cuts


def waits(path: Path) -> int:
    with Store.open(path) as store, store.reading() as connection:
        return sum(count_waiting(connection).values())


def cut(url: str) -> int:
    """Have the server cut the sender's line; return how many were cut."""
    with psycopg.connect(url.replace("+psycopg", ""), autocommit=True) as line:
        found = line.execute(
            "SELECT pg_terminate_backend(pid) FROM pg_stat_activity "
            "WHERE datname = current_database() AND pid <> pg_backend_pid()"
        )
        return len(found.fetchall())


def compare(path: Path, url: str) -> list[str]:
    wrong = []
    with (
        Store.open(path) as store,
        store.reading() as here,
        Central.open(url) as central,
        central.reading() as there,
    ):
        for name in TABLES:
            counted = [
                connection.exec_driver_sql(f"SELECT count(*) FROM {name}").scalar()
                for connection in (here, there)
            ]
            if counted[0] != counted[1]:
                wrong.append(f"{name}: {counted[0]} here, {counted[1]} there")
        with Session(here) as mine, Session(there) as theirs:
            runs = list(mine.scalars(select(RunRow.id)))
            pairs = zip(whole_runs(mine, runs), whole_runs(theirs, runs), strict=True)
            wrong += [f"run {a.run_id} differs" for (a, one), (_, other) in pairs if one != other]
    return wrong


if __name__ == "__main__":
    sys.exit(main())
