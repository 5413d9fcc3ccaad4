"""Runs of units known to be good, and of a lot: numbers that are drawn, not measured."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
from bench_runs import HALF_TURNS, HEAD
from study_runs import kept, seen, whole

from rig.analysis.model import Outcome, Verdict
from rig.plans import plan_from_text
from rig.studies.units import choose

PLAN = plan_from_text(HEAD + HALF_TURNS, Path("short.toml"))
PASSES = frozenset({Verdict.PASS})


def unit_run(run_a, day=0.0, *, second_a=None, outcome=None, **changes):
    """Return a run of two half-turns at this running current, the second at another if given."""
    run = seen(run_a, day, **changes)
    first, second = run.half_turns
    if second_a is not None:
        second = replace(second, run_a=second_a)
    if outcome is not None:
        second = replace(second, outcome=Outcome(outcome), half_turn_s=None)
    return replace(run, half_turns=(first, second))


def drawn_runs(count, *, seed=4, mean=2.2, sd=0.1, within=0.01, simulated=False):
    """Return runs by serial: running currents and half-turn times are normal."""
    rng = np.random.default_rng(seed)
    runs = {}
    for number in range(1, count + 1):
        run_a = rng.normal(mean, sd)
        run = unit_run(
            run_a,
            number,
            second_a=run_a + rng.normal(0.0, within),
            half_turn_s=rng.normal(0.72, 0.01),
            simulated=simulated,
        )
        runs[f"U-{number:02d}"] = run
    return runs


def chosen(runs, plan=PLAN, **options):
    """Return what is chosen of runs: (serial, run) pairs or a dictionary."""
    pairs = list(runs.items() if isinstance(runs, dict) else runs)
    records = {run.summary.run_id: whole(run, serial) for serial, run in pairs}
    lines = [replace(run.summary, unit_serial=serial) for serial, run in pairs]
    lines.sort(key=lambda line: line.started_at, reverse=True)
    return choose(lines, records.__getitem__, plan, **{"wanted": PASSES, **options})


def write(store, runs, *, reference="L-2311"):
    """Write runs, (serial, run) pairs or a dictionary, into records."""
    for serial, run in runs.items() if isinstance(runs, dict) else runs:
        kept(store, run, serial=serial, reference=reference)
