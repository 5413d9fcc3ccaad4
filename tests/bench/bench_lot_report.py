"""How long the report of a lot of 5 000 tested units takes, and how much memory.

Baseline in the same run: its runs and their checksums read one by one, as a sheet of each is made;
``--alone`` of them, and the time of one taken for all.  The runs are copies of a real one of the
incoming plan, traces and all.  To reach: 0.5 of the baseline's time for
the whole report.
Run by hand: ``python tests/bench/bench_lot_report.py`` (some 150 MB of disk in ``--folder``).
"""

from __future__ import annotations

import argparse
import resource
import sqlite3
import sys
import tempfile
import time
from collections.abc import Callable
from itertools import islice
from pathlib import Path
from uuid import uuid4

sys.path.insert(0, str(Path(__file__).parents[1] / "support"))

from bench_history import copies, insert, rows_of
from bench_runs import make_order
from canned_lots import lot_start

from rig.commands.progress import Progress
from rig.commands.run import Gathered, carry_out
from rig.plans import load_plan
from rig.quality.decision import DEFAULT_RULE
from rig.records.store import Store
from rig.sheets.letterhead import Letterhead
from rig.sheets.lot_finding import finding_of
from rig.sheets.lot_report import lot_report

PLAN = Path(__file__).parents[2] / "test_plans" / "incoming.toml"
TABLES = ("units", "runs", "steps", "half_turns", "measures", "traces", "events", "reasons")
LOT = "D-1"
BATCH = 200


def fill(path: Path, units: int) -> None:
    """Make records of a lot of which so many items were tested."""
    plan = load_plan(PLAN)
    order = make_order(plan)
    carry_out(order, path, Gathered(Progress(quiet=True), whole=True, rule=DEFAULT_RULE))
    with Store.open(path) as store:
        start = lot_start(
            LOT,
            range(1, units + 1),
            size=10 * units,
            plan_name=plan.name,
            plan_text=plan.text,
            simulated=True,
        )
        store.lots.open(start)
        items = [item.item_id.hex for item in store.lots.lot(LOT).items]
    with sqlite3.connect(path) as raw:
        raw.execute("PRAGMA synchronous = OFF")
        made = {table: rows_of(raw, table) for table in TABLES}
        (unit,) = made["units"]
        serials = [f"PUMP-{number:06d}" for number in range(units)]
        lot = copies(made, ({**unit, "id": uuid4().hex, "serial": one} for one in serials), 1)
        linked: list[dict[str, object]] = []
        while some := list(islice(lot, BATCH)):
            for table in TABLES:
                insert(raw, table, [row for one in some for row in one[table]])
            for one in some:
                item = items[len(linked)]
                run = one["runs"][0]["id"]
                linked.append(
                    {"id": uuid4().hex, "item_id": item, "position": 0, "run_id": run}
                    | {"set_aside": ""}
                )
        insert(raw, "lot_runs", linked)
        raw.executemany(
            "UPDATE lot_items SET serial = ? WHERE id = ?", zip(serials, items, strict=True)
        )


def timed(doing: Callable[[], object]) -> tuple[float, object]:
    """Return the CPU time that ``doing`` takes (s), and what it returns."""
    began_s = time.process_time()
    found = doing()
    return time.process_time() - began_s, found


def peak_mb() -> float:
    """Return the most memory that this process has had (MB)."""
    return resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024


def main() -> None:
    """Print the times and their ratio."""
    options = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    options.add_argument("--folder", type=Path, help="where the records are made")
    options.add_argument("--units", type=int, default=5000)
    options.add_argument("--alone", type=int, default=200, help="read one by one")
    chosen = options.parse_args()
    with tempfile.TemporaryDirectory(dir=chosen.folder) as folder:
        path = Path(folder) / "records.sqlite"
        fill(path, chosen.units)
        with Store.open(path) as store:
            lot_s, lot = timed(lambda: store.lots.lot(LOT))
            names = [run.run_id for item in lot.items for run in item.runs]
            some = names[: chosen.alone]
            alone_s, one_by_one = timed(lambda: [(store.run(n), store.checksum(n)) for n in some])
            alone_s *= len(names) / len(some)
            read_s, runs = timed(lambda: list(store.whole_runs(names)))
            assert runs[: len(some)] == one_by_one
            read_mb = peak_mb()
            head = Letterhead("Low Meadow Pump Works")
            made_s, document = timed(lambda: lot_report(runs, head, finding=finding_of(lot)))
            runs = one_by_one = None
            set_s, pdf = timed(document.pdf)
    rows = (
        ("runs and checksums one by one", alone_s),
        ("the lot with its items", lot_s),
        ("runs and checksums in bulk", read_s),
        ("what the report says", made_s),
        ("its pages set", set_s),
        ("the whole report", lot_s + read_s + made_s + set_s),
    )
    print(f"{len(names)} runs; {read_mb:.0f} MB when read, {peak_mb():.0f} MB with the pages set")
    print(f"a PDF of {len(pdf) / 1e6:.1f} MB")
    print("| what | CPU, s | share of one by one |")
    print("|---|---|---|")
    for what, taken_s in rows:
        print(f"| {what} | {taken_s:.1f} | {taken_s / alone_s:.2f} |")


if __name__ == "__main__":
    main()
