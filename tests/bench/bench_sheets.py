"""Sheets a second of CPU time, against pictures of the same run's trace (baseline, same run).

A sheet holds such a picture and everything else; start-up and imports are not in the times.  The
figure told is sheets over pictures.  Run by hand: ``python tests/bench/bench_sheets.py``.
"""

from __future__ import annotations

import argparse
import sys
import time
from collections.abc import Callable
from pathlib import Path
from tempfile import TemporaryDirectory

sys.path.insert(0, str(Path(__file__).parents[1] / "support"))
sys.path.insert(0, str(Path(__file__).parents[2]))

from recorded import library

from rig.picture import save_picture
from rig.plans import plan_from_text
from rig.records.store import Store
from rig.sheets.letterhead import Letterhead
from rig.sheets.of_record import document_of

FIGURE = 0.3  # a sheet may take as long as three pictures


def rate(work: Callable[[], object], count: int) -> float:
    """Return how often a second of CPU time ``work`` is done, best of three, once to warm up."""
    work()
    best = 0.0
    for _ in range(3):
        began = time.process_time()
        for _ in range(count):
            work()
        best = max(best, count / (time.process_time() - began))
    return best


def main() -> None:
    """Compare, and print a table."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--count", type=int, default=5, help="sheets a round (5)")
    count = parser.parse_args().count
    with TemporaryDirectory() as name:
        folder = Path(name)
        path, ids = library(folder)
        with Store.open(path) as store:
            record = store.run(ids["new"])
            limits = plan_from_text(record.start.plan_text, Path("plan.toml")).analysis_limits()
            turns = [turn for step in record.steps for turn in step.half_turns]

            def picture() -> None:
                trace = store.trace(record.run_id)
                save_picture(folder / "trace.svg", trace, turns, limits, title="trace")

            def sheet() -> bytes:
                return document_of(store, record, Letterhead("bench")).pdf()

            def pages() -> list[bytes]:
                return document_of(store, record, Letterhead("bench")).pages(150.0)

            rates = {"picture": rate(picture, count), "PDF": rate(sheet, count)}
            rates["PNG, 150 dpi"] = rate(pages, count)
    for what, found in rates.items():
        print(f"{what:14} {found:6.2f} a second, {found / rates['picture']:.2f} of pictures")
    print(f"figure to reach: {FIGURE:g} for the PDF")


if __name__ == "__main__":
    main()
