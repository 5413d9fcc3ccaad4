"""Runs as studies of the rig see them, made of numbers."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from uuid import uuid4

from bench_runs import HALF_TURNS, HEAD

from rig.analysis.model import (
    Direction,
    HalfTurn,
    Judgement,
    Measure,
    Outcome,
    Reason,
    Verdict,
)
from rig.records.model import (
    RunEnd,
    RunRecord,
    RunStart,
    RunState,
    RunSummary,
    Source,
    StepRecord,
    StepState,
    UnitRun,
)
from rig.records.study_model import (
    BaselineKept,
    GoldenKept,
    GoldenStart,
    StudyKept,
    StudyStart,
    TrialKept,
    TrialPlanned,
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


def _start(run, serial, operator, **more):
    return RunStart(
        started_at=run.summary.started_at,
        unit_serial=serial,
        unit_type="LM-12",
        plan_name=run.summary.plan_name,
        plan_text=run.plan_text,
        rig_name="Low Meadow",
        rig_text="",
        station="A",
        operator=operator,
        source=Source.OWN_REBUILD,
        backend="simulated",
        simulated=run.summary.simulated,
        backend_facts={},
        program_version="0",
        **{"reference": "", **more},
    )


def _step(run):
    at = run.summary.started_at
    return StepRecord(
        1,
        "half_turns",
        "Half-turns",
        at,
        at + timedelta(seconds=3),
        StepState.DONE,
        run.measures,
        run.half_turns,
    )


def _end(run):
    verdict = Verdict(run.summary.verdict)
    judged = Judgement(verdict, (Reason(verdict, "As it was made.", "outcome"),))
    ended_at = run.summary.started_at + timedelta(seconds=4)
    return RunEnd(ended_at, RunState.FINISHED, judged, True)


def whole(run, serial, **more):
    """Return a run as seen as the whole record that it would be."""
    start = _start(run, serial, "jo", **more)
    return RunRecord(run.summary.run_id, start, (_step(run),), (), _end(run))


def kept(store, run, *, serial="G-1", operator="jo", trial=None, **more):
    """Write a run as seen into records; return its id."""
    run_id = store.begin_run(_start(run, serial, operator, gauge_trial=trial, **more))
    store.finish_step(run_id, _step(run))
    store.finish_run(run_id, _end(run))
    return run_id


def golden_records(store, values, *, baseline=15):
    """Declare G-1 golden and write a check a day, of these running currents."""
    golden_id = store.golden.declare(
        GoldenStart("G-1", "LM-12", "short", "A", baseline, ("to_run", "run"), T0, "jo")
    )
    for day, value in enumerate(values):
        kept(store, seen(value, day, simulated=True))
    return golden_id


def gauge_records(store, values, name="spring"):
    """Write a study of these running currents (part, operator, trial); None: not made yet."""
    study, runs = gauge_study(values, name)
    planned = tuple(TrialPlanned(t.part, t.operator, t.trial) for t in study.trials)
    store.gauge.begin(StudyStart(name, "short", PLAN_TEXT, "A", T0, 7, planned))
    for ours, written in zip(study.trials, store.gauge.study(name).trials, strict=True):
        run = runs.get(ours.trial_id)
        if run is not None:
            kept(store, run, serial=ours.part, operator=ours.operator, trial=written.trial_id)
