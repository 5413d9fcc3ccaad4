"""The bench in its own process, in real time: signals, lost consoles, the ring, the record."""

import os
import pickle
import signal
import subprocess
import sys
import time
from dataclasses import replace
from pathlib import Path

import pytest
from bench_runs import HALF_TURNS, make_order, make_plan, make_settings
from waiting import WAIT_S, events_until

from drivers import BackendOptions
from rig.bench.commands import Answer, Stop
from rig.bench.events import Asked, HalfTurnEnded, Refused, RunBegan, RunEnded, StepBegan
from rig.bench.process import BenchClient
from rig.records.model import RunState, StepState
from rig.records.store import Store

SETTINGS = make_settings(sample_hz=200, supply=False)
SHORT = make_plan('[[step]]\nkind = "half_turns"\ncount = 2\npause_s = 0.3\n')
LONG = make_plan(HALF_TURNS.replace("count = 2", "count = 40"))
ROOT = Path(__file__).parents[2]


def real_time(plan, **extra):
    order = make_order(plan, settings=SETTINGS, **extra)
    return replace(order, options=BackendOptions(seed=1, real_time=True))


def recorded(records):
    with Store.open(records) as store:
        store.mark_interrupted()
        (summary,) = store.runs()
        return store.run(summary.run_id)


def test_a_whole_run_in_its_own_process_with_live_samples(records):
    with BenchClient(real_time(SHORT), records) as bench:
        assert bench.pid != os.getpid()
        events = events_until(bench, RunEnded)
        written, rows = bench.ring.since(0)
    ended = events[-1]
    assert isinstance(events[1], RunBegan)
    assert ended.state is RunState.FINISHED
    assert len([e for e in events if isinstance(e, HalfTurnEnded)]) == 2
    assert written == len(rows) > 400
    assert rows[:, 1].max() > 5.0  # the inrush was seen live
    run = recorded(records)
    assert run.end.judgement.verdict == "pass"
    assert [t.outcome for t in run.steps[0].half_turns] == ["parked", "parked"]
    # What the loop was granted and how late it was, as told and as kept.
    assert ended.control == run.start.control
    assert "SCHED_FIFO 40" in run.start.control or "ordinary scheduling" in run.start.control
    late = run.end.lateness
    assert late == ended.lateness
    assert late.period_s == 0.005
    assert late.cycles == written - 2  # not the first, nor the one after the step's analysis
    assert 0.0 < late.woken.quantile_s(0.5) < late.done.quantile_s(0.5)


@pytest.mark.parametrize(
    ("number", "state"),
    [
        (signal.SIGTERM, RunState.INTERRUPTED),
        (signal.SIGHUP, RunState.INTERRUPTED),
        (signal.SIGINT, RunState.STOPPED),
    ],
)
def test_a_signal_ends_with_feeds_off_and_a_record_that_says_so(records, number, state):
    with BenchClient(real_time(LONG), records) as bench:
        events_until(bench, HalfTurnEnded)
        os.kill(bench.pid, number)
        ended = events_until(bench, RunEnded)[-1]
    assert ended.state is state
    assert ended.feeds_off
    run = recorded(records)
    assert run.end.state is state
    assert run.end.feeds_off
    assert signal.Signals(number).name in run.end.note or "Ctrl-C" in run.end.note
    assert run.steps[0].state is StepState.CUT_SHORT
    assert len(run.steps[0].half_turns) >= 1


def test_a_stop_from_the_console_ends_the_run(records):
    with BenchClient(real_time(LONG), records) as bench:
        events_until(bench, StepBegan)
        bench.tell(Stop("the operator stopped the run"))
        ended = events_until(bench, RunEnded)[-1]
    assert ended.state is RunState.STOPPED
    assert recorded(records).end.feeds_off


def test_a_killed_bench_shows_as_interrupted_with_its_finished_steps(records):
    plan = make_plan('[[step]]\nkind = "zero"\nduration_s = 0.2\n', HALF_TURNS * 20)
    with BenchClient(real_time(plan), records) as bench:
        events_until(bench, HalfTurnEnded)
        os.kill(bench.pid, signal.SIGKILL)
        end_s = time.monotonic() + WAIT_S
        while bench.alive and time.monotonic() < end_s:
            list(bench.events(0.05))
        assert not bench.alive
    run = recorded(records)
    assert run.end.state is RunState.INTERRUPTED
    assert next(step.kind for step in run.steps) == "zero"
    assert all(step.state is StepState.DONE for step in run.steps)


@pytest.mark.parametrize("detached", [False, True])
def test_a_lost_console_ends_the_run_unless_it_was_detached(records, tmp_path, detached):
    plan = LONG if not detached else make_plan(HALF_TURNS.replace("count = 2", "count = 4"))
    order = replace(real_time(plan), detached=detached)
    told = tmp_path / "order"
    told.write_bytes(pickle.dumps(order))
    script = Path(__file__).parents[1] / "support" / "dying_console.py"
    # Its output goes to a file: a pipe would stay open in the bench that outlives it.
    with (tmp_path / "pid").open("w+") as pid_file:
        command = [sys.executable, str(script), str(told), str(records)]
        done = subprocess.run(
            command, stdout=pid_file, timeout=WAIT_S, env=os.environ | {"PYTHONPATH": str(ROOT)}
        )
        pid_file.seek(0)
        pid = int(pid_file.read())
    assert done.returncode == 1
    end_s = time.monotonic() + WAIT_S
    while _exists(pid) and time.monotonic() < end_s:
        time.sleep(0.05)
    run = recorded(records)
    if detached:
        assert run.end.state is RunState.FINISHED
        assert len(run.steps[0].half_turns) == 4
    else:
        assert run.end.state is RunState.INTERRUPTED
        assert "console went away" in run.end.note
    assert run.end.feeds_off


def _exists(pid):
    try:
        return Path(f"/proc/{pid}/stat").read_text().split()[2] != "Z"
    except OSError:
        return False


def test_a_backend_that_cannot_start_is_told_in_a_sentence(records):
    order = replace(real_time(SHORT), backend="no.such.module:factory")
    with BenchClient(order, records) as bench:
        refused = events_until(bench, Refused)[-1]
    assert "no.such.module" in refused.text
    assert "Traceback" not in refused.text


def test_a_console_that_reads_nothing_does_not_hold_up_the_bench(records):
    with BenchClient(real_time(SHORT), records) as bench:
        end_s = time.monotonic() + WAIT_S
        while bench.alive and time.monotonic() < end_s:
            time.sleep(0.1)  # not a look at the pipe until the process has ended
        assert not bench.alive
    assert recorded(records).end.state is RunState.FINISHED


def test_questions_go_to_the_console_when_nobody_stands_at_the_jig(records):
    visual = make_plan('[[step]]\nkind = "visual"\nchecks = ["housing"]\n', HALF_TURNS)
    order = replace(real_time(visual), backend="handless:make", consent=False)
    asked = []
    with BenchClient(order, records) as bench:
        for answer in ("accepted", "ok"):
            asked.append(events_until(bench, Asked)[-1].ask.action)
            bench.tell(Answer(answer))
        ended = events_until(bench, RunEnded)[-1]
    assert asked == ["accept_cautions", "inspect"]
    assert ended.judgement.verdict == "pass"
    assert recorded(records).steps[0].answers == {"housing": "ok"}
