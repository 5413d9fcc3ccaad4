"""How much faster than real time the whole stack runs on the simulated bench, one core.

Baseline in the same run: the same wall time spent by a bench in real time, which is by definition
1.  Run by hand: ``python tests/bench/bench_virtual_time.py``.
"""

from __future__ import annotations

import tempfile
import time
from pathlib import Path

from drivers import BackendOptions
from rig.bench.order import RunOrder
from rig.commands.direct import run_direct
from rig.plans import plan_from_text
from rig.records.store import Store
from rig.settings import settings_from_text, starter_text

PLAN = """
title = "Half-turns only"
[unit]
type = "LM-12"
winding_ohm = 0.51
turn_vs = 7.36
[limits]
half_turn_max_s = 2.0
[guard]
over_current_a = 33.0
over_current_s = 0.1
[[step]]
kind = "half_turns"
count = 100
pause_s = 0.5
"""


def measure(sample_hz: int) -> tuple[float, float]:
    """Return virtual seconds of the run and wall seconds it took."""
    text = starter_text()
    settings = settings_from_text(text, Path.cwd() / "rig.toml")
    station = settings.stations[0].model_copy(update={"sample_hz": sample_hz})
    settings = settings.model_copy(update={"stations": (station,)})
    plan = plan_from_text(PLAN, Path("bench.toml"))
    order = RunOrder(
        settings, station, plan, "BENCH", backend="simulated", options=BackendOptions()
    )
    with tempfile.TemporaryDirectory() as folder:
        records = Path(folder) / "records.sqlite"
        began = time.perf_counter()
        ended = run_direct(order, records, lambda event: None)
        wall_s = time.perf_counter() - began
        with Store.open(records) as store:
            trace = store.trace(str(ended.run_id))
    return float(trace.time_s[-1]), wall_s


def main() -> None:
    """Print the ratio for several sample rates."""
    print("sample rate   virtual s   wall s   times real time   us a cycle")
    for sample_hz in (200, 500, 1000):
        virtual_s, wall_s = measure(sample_hz)
        print(
            f"{sample_hz:8d} Hz {virtual_s:10.1f} {wall_s:8.2f} {virtual_s / wall_s:14.0f} x"
            f" {wall_s / (virtual_s * sample_hz) * 1e6:12.1f}"
        )


if __name__ == "__main__":
    main()
