"""Runs as studies of the rig see them, made of numbers."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from uuid import uuid4

from bench_runs import HALF_TURNS, HEAD

from rig.analysis.model import Direction, HalfTurn, Measure, Outcome
from rig.records.model import RunState, RunSummary, UnitRun
from rig.records.study_model import (
    BaselineKept,
    GoldenKept,
    StudyKept,
    TrialKept,
    TrialRun,
)

T0 = datetime(2026, 3, 2, 8, 0, tzinfo=UTC)
PLAN_TEXT = HEAD + HALF_TURNS


def seen(run_a=2.0, day=0.0, *, verdict="pass", plan_text=PLAN_TEXT, simulated=False, **changes):
    """Return a run with two half-turns of this running current, so many days after the first."""
    values = {"half_turn_s": 0.72, "half_turn_u_s": 0.004, "supply_v": 12.0, "run_u_a": 0.03}
    values |= {"rest_a": 0.0, "rest_u_a": 0.01} | changes
    turns = tuple(
        HalfTurn(number, way, Outcome.PARKED, float(number), run_a=run_a, **values)
        for number, way in ((1, Direction.TO_RUN), (2, Direction.TO_STOP))
    )
    summary = RunSummary(
        uuid4(),
        T0 + timedelta(days=day),
        "G-1",
        "short",
        RunState.FINISHED,
        verdict,
        "jo",
        "",
        simulated,
    )
    return UnitRun(summary, plan_text, turns, (Measure("winding_ohm", 0.75, "ohm", 0.01),))


def golden(measures=("run",), baseline=15, reason="declared"):
    """Return a golden unit in use."""
    first = BaselineKept(1, T0, reason, "jo")
    return GoldenKept(
        uuid4(), "G-1", "LM-12", "short", "A", baseline, tuple(measures), T0, None, (first,)
    )


def gauge_study(values, name="spring"):
    """Return a study and its runs by trial, whose running currents are ``values`` (p, o, t).

    A value of None is a trial that is not made.
    """
    trials, runs = [], {}
    position = 0
    for t in range(len(values[0][0])):
        for o in range(len(values[0])):
            for p in range(len(values)):
                position += 1
                run_a = values[p][o][t]
                kept = TrialKept(uuid4(), position, f"U-{p + 1}", ("jo", "ann", "lee")[o], t + 1)
                if run_a is not None:
                    run = seen(run_a, position / 100)
                    its = TrialRun(
                        run.summary.run_id, run.summary.started_at, "jo", RunState.FINISHED, "pass"
                    )
                    kept = TrialKept(
                        kept.trial_id, position, kept.part, kept.operator, kept.trial, (its,)
                    )
                    runs[kept.trial_id] = run
                trials.append(kept)
    study = StudyKept(uuid4(), name, "short", PLAN_TEXT, "A", T0, 7, "", tuple(trials))
    return study, runs
