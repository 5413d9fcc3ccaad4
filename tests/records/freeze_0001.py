"""Wrote ``data/revision_0001.sql``; kept to show how.  Not run again: that file is frozen."""

from __future__ import annotations

import sqlite3
import sys
from pathlib import Path
from tempfile import TemporaryDirectory
from uuid import UUID

from conftest import run_end, run_start, step, trace

from rig.records import database
from rig.records.store import Store


def main() -> None:
    with TemporaryDirectory() as folder:
        path = Path(folder) / "records.db"
        with Store.open(path) as store:
            run = store.begin_run(run_start(rig_text="[rig]\n"))
            store.finish_step(run, step(1, trace=trace(0.05)))
            store.finish_run(run, run_end())
        raw = sqlite3.connect(path)
        fixed = UUID("6a1f0000-0000-4000-8000-000000000001").hex
        raw.execute("UPDATE runs SET id = ?", (fixed,))
        for table in ("steps", "events", "reasons"):
            raw.execute(f"UPDATE {table} SET run_id = ?", (fixed,))
        raw.execute("UPDATE runs SET owner_host = 'bench', owner_boot = 'boot', owner_space = ''")
        lines = [f"PRAGMA application_id = {database.APPLICATION_ID};", *raw.iterdump()]
        raw.close()
    Path(sys.argv[1]).write_bytes("\n".join([*lines, ""]).encode())


if __name__ == "__main__":
    main()
