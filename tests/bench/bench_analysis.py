"""One hour of 1 kHz trace segmented and measured.

Baselines in the same run: real time (3600 s) and a plain Python loop that only looks at each
sample once for an edge.  Run by hand: ``python tests/bench/bench_analysis.py``.
"""

from __future__ import annotations

import sys
import time
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).parents[1] / "support"))

import spice

from rig.analysis.half_turns import find_half_turns
from rig.analysis.trace import Trace


def hour() -> Trace:
    """Return an hour of the committed 'good' circuit, repeated."""
    one = spice.trace_of("good")
    count = int(3600.0 / (one.time_s[-1] - one.time_s[0])) + 1
    span_s = one.time_s[-1] - one.time_s[0] + 0.001
    time_s = np.concatenate([one.time_s + k * span_s for k in range(count)])
    columns = (one.current_a, one.voltage_v, one.battery_feed, one.ignition_feed)
    return Trace(time_s, *(np.tile(column, count) for column in columns))


def main() -> None:
    """Print the ratios."""
    trace = hour()
    began = time.perf_counter()
    turns = find_half_turns(trace, spice.unit_of("good"), spice.LIMITS)
    ours_s = time.perf_counter() - began
    began = time.perf_counter()
    edges, last = 0, False
    for ignition in trace.ignition_feed.tolist():
        edges += ignition != last
        last = ignition
    loop_s = time.perf_counter() - began
    print(f"{len(trace)} samples, {len(turns)} half-turns ({edges} edges): {ours_s:.2f} s")
    print(f"real time / ours: {3600 / ours_s:.0f}")
    print(f"plain loop that looks for edges only / ours: {loop_s / ours_s:.2f}")


if __name__ == "__main__":
    main()
