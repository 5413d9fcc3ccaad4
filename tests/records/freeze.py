"""Wrote the frozen records in ``data``, each with the program of its day; kept to show how.

Not run again for these: sheets are printed of records like them.  A new one gets a line in `OF`,
and is written by ``python tests/records/freeze.py tests/records/data/revision_NNNN.sql``.
"""

from __future__ import annotations

import sqlite3
import sys
from dataclasses import replace
from datetime import timedelta
from math import nan
from pathlib import Path
from tempfile import TemporaryDirectory
from types import SimpleNamespace
from typing import Any
from uuid import UUID

from canned_lots import lot_start
from conftest import T0, event, half_turn, run_end, run_start, step, trace
from test_calibrations import DUE, SETUP, calibration
from test_studies import study_start

from rig.quality.calibration import Calibration, Correction, standing
from rig.records import database
from rig.records.golden_said import GoldenStanding, said
from rig.records.lateness import Lateness, Spread
from rig.records.model import Held
from rig.records.store import Store

FIXED = UUID("6a1f0000-0000-4000-8000-000000000001")


def plain(store: Store) -> None:
    """Record the run of revision 0001."""
    run = store.begin_run(run_start(rig_text="[rig]\n"))
    store.finish_step(run, step(1, trace=trace(0.05)))
    store.finish_run(run, run_end())


def full(
    store: Store, calibrated: Calibration | None = None, held: Held | None = None, **more: Any
) -> None:
    """Record a run in which every field holds something, ``more`` of its start."""
    made = calibrated or calibration(setup=replace(SETUP, world="w1"))
    # Short numbers, which every SQLite reads from a text as the same doubles.
    current = Correction(1.02, 0.0117, 0.0005, 0.0006, 8e-8)
    voltage = Correction(1.019, 0.0084, 0.0006, 0.0014, 5e-7)
    made = replace(
        made,
        current=replace(made.current, correction=current),
        voltage=replace(made.voltage, correction=voltage),
    )
    store.keep_calibration(made)
    store.gauge.begin(study_start(SimpleNamespace(T0=T0, run_start=run_start)))
    stood = standing([made], made.setup, DUE + timedelta(days=1))
    start = run_start(
        rig_text="[rig]\n",
        control="SCHED_FIFO 50",
        calibration=replace(stood, changed=("its clamps",)),
        golden=said(GoldenStanding.OUT, "It is out.", serial="LM12-0001", checked_at=T0),
        gauge_trial=store.gauge.study("spring").trials[0].trial_id,
        **more,
    )
    run = store.begin_run(start)
    turns = (half_turn(1, dropouts=2, longest_dropout_s=0.004, cut_by_rig=True), half_turn(2))
    done = step(1, half_turns=turns, trace=trace(0.05), note="done twice", held=held)
    store.finish_step(run, done)
    store.add_event(run, event())
    store.add_event(run, event("written later", time_s=nan, kind="note"))
    late = Spread(0.0021, ((0.001, 900), (0.002, 99), (0.0025, 1)))
    store.finish_run(run, run_end(note="the end", lateness=Lateness(0.001, 1000, 1, 1, late, late)))


def of_a_lot(store: Store) -> None:
    """Record such a run of a lot's item, with what has come to a record since."""
    made = calibration(setup=replace(SETUP, world="w1"))
    warm = tuple(replace(one, ppm_per_k=20.0, warms_k_per_w=0.5) for one in made.references)
    plan_text = run_start().plan_text
    start = lot_start("J-1207", (3, 1), plan_name="qualify", plan_text=plan_text, simulated=True)
    store.lots.open(start)
    item = store.lots.lot("J-1207").items[0].item_id
    full(store, replace(made, references=warm), Held.ALL, lot_item=item)
    store.lots.not_testable("J-1207", 1, "crushed in transit", "jo", T0)


OF = {"revision_0001": plain, "revision_0006": full, "revision_0008": of_a_lot}


def main() -> None:
    with TemporaryDirectory() as folder:
        path = Path(folder) / "records.db"
        with Store.open(path) as store:
            OF[Path(sys.argv[1]).stem](store)
        raw = sqlite3.connect(path)
        raw.execute("UPDATE runs SET id = ?", (FIXED.hex,))
        for table in ("steps", "events", "reasons", "gauge_runs", "lot_runs"):
            raw.execute(f"UPDATE {table} SET run_id = ?", (FIXED.hex,))
        raw.execute("UPDATE runs SET owner_host = 'bench', owner_boot = 'boot', owner_space = ''")
        lines = [f"PRAGMA application_id = {database.APPLICATION_ID};", *raw.iterdump()]
        raw.close()
    Path(sys.argv[1]).write_bytes("\n".join([*lines, ""]).encode())


if __name__ == "__main__":
    main()
