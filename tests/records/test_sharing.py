"""One records file, several stores in one process and another process beside them.

SQLite, "How To Corrupt An Database File", 2.2: closing any file handle of a database drops the
POSIX locks that the process holds on it (https://www.sqlite.org/howtocorrupt.html).
"""

from __future__ import annotations

import sqlite3
import subprocess
import sys
from datetime import UTC, datetime
from pathlib import Path

import pytest

from rig.records.model import RunEvent
from rig.records.store import Store

ROOT = Path(__file__).parents[2]
SUPPORT = ROOT / "tests" / "support"

ANOTHER_PROCESS = """
import sys
from pathlib import Path
from bench_runs import make_order
from drivers.simulated.backend import SimulatedBackend
from rig.bench.keeper import DirectKeeper
from rig.bench.session import Session
from rig.records.store import Store
from bench_runs import Watcher

order = make_order()
backend = SimulatedBackend(order.wiring(), order.options)
with Store.open(Path(sys.argv[1])) as store:
    Session(order, backend, DirectKeeper(store), Watcher()).run()
backend.close()
"""


def run_elsewhere(path):
    code = f"import sys; sys.path[:0] = [{str(SUPPORT)!r}, {str(ROOT)!r}]\n{ANOTHER_PROCESS}"
    subprocess.run([sys.executable, "-c", code, str(path)], check=True, timeout=120)


@pytest.mark.parametrize("others", [0, 1, 3])
def test_a_store_that_stays_open_sees_and_keeps_what_other_programs_write(tmp_path, others):
    path = tmp_path / "records.sqlite"
    run_elsewhere(path)
    with Store.open(path) as reader:
        assert len(reader.runs()) == 1
        for count in (2, 3):
            for _ in range(others):  # opened, read and closed beside it, in this process
                with Store.open(path, create=False) as other:
                    other.runs()
            run_elsewhere(path)
            newest = reader.runs()[0]
            assert len(reader.runs()) == count
            reader.add_event(newest.run_id, RunEvent(datetime.now(UTC), 0.0, "note", "looked at"))
            assert len(reader.trace(newest.run_id)) > 100
    with sqlite3.connect(path) as connection:
        assert connection.execute("PRAGMA integrity_check").fetchone() == ("ok",)
    connection.close()
    with Store.open(path) as store:
        assert len(store.runs()) == 3
        assert [e.kind for e in store.run(store.runs()[0].run_id).events].count("note") == 1
