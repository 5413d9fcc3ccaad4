from __future__ import annotations

import json
import math
from dataclasses import fields
from datetime import UTC, timedelta, timezone
from uuid import UUID

import pytest
from hypothesis import given
from hypothesis import strategies as st

from rig.analysis.model import HalfTurn, Measure
from rig.contract import half_turn_object
from rig.records.as_json import run_json, runs_json
from rig.records.lateness import Lateness, Spread
from rig.records.model import RunEnd, RunRecord, RunState, RunSummary, StepState
from rig.records.show import WIDTH, run_text, runs_text

RUN = UUID("3f2a91c4-6a1f-4000-8000-000000000001")


@pytest.fixture(scope="module")
def record(make):
    def build(*, start=None, **changes):
        values = {
            "run_id": RUN,
            "start": make.run_start(**(start or {})),
            "steps": (make.step(1, trace=None), make.step(2, trace=None, state=StepState.SKIPPED)),
            "events": (make.event("current above 10 A for 0.4 s"),),
            "end": make.run_end(),
        }
        return RunRecord(**(values | changes))

    return build


def summary(make, **changes) -> RunSummary:
    values = {
        "run_id": RUN,
        "started_at": make.T0,
        "unit_serial": "LM12-0041",
        "plan_name": "qualify",
        "state": RunState.FINISHED,
        "verdict": "pass",
        "operator": "R. Vale",
        "reference": "J-1207",
        "simulated": False,
    }
    return RunSummary(**(values | changes))


# --- a list of runs ---------------------------------------------------------------------------


def test_a_list_says_which_when_what_and_how(make):
    runs = [
        summary(make),
        summary(make, verdict="fail", unit_serial="LM12-0042", simulated=True),
        summary(make, verdict=None, state=RunState.INTERRUPTED),
    ]
    assert runs_text(runs, zone=UTC) == (
        "run       started           unit       plan     job/lot  result       bench\n"
        "3f2a91c4  2026-03-02 08:15  LM12-0041  qualify  J-1207   PASS\n"
        "3f2a91c4  2026-03-02 08:15  LM12-0042  qualify  J-1207   FAIL         SIMULATED\n"
        "3f2a91c4  2026-03-02 08:15  LM12-0041  qualify  J-1207   interrupted\n"
    )


def test_times_are_shown_in_the_reader_s_zone(make):
    zone = timezone(timedelta(hours=2))
    assert "2026-03-02 10:15" in runs_text([summary(make)], zone=zone)


def test_no_runs_are_told():
    assert runs_text([]) == "No runs.\n"


@given(st.lists(st.tuples(st.text(), st.text(), st.text(), st.booleans()), min_size=1, max_size=4))
def test_a_list_never_exceeds_80_columns(make, cells):
    runs = [
        summary(make, unit_serial=a, plan_name=b, reference=c, simulated=d, verdict="retest")
        for a, b, c, d in cells
    ]
    lines = runs_text(runs, zone=UTC).split("\n")
    assert len(lines) == len(runs) + 2
    assert max(map(len, lines)) <= WIDTH
    assert all("RETEST" in line for line in lines[1:-1])
    assert ["SIMULATED" in line for line in lines[1:-1]] == [run.simulated for run in runs]


# --- one run ----------------------------------------------------------------------------------


def test_a_run_is_told_from_its_identity_to_its_reasons(record):
    text = run_text(record(), zone=UTC)
    for part in (
        str(RUN),
        "SIMULATED bench: these are not measurements of a real unit.",
        "Verdict: FAIL",
        "  - half-turn 2 stalled",
        "  - half-turn 1 is near its limit",
        "Feeds read back off at the end.",
        "LM12-0041, type LM-12",
        "own rebuild J-1207",
        "simulated (seed 7, faults none)",
        "2026-03-02 08:15:30 UTC",
        "Step 1  Half-turns at 12.6 V (half_turns, 8.2 s)",
        "Step 2  Half-turns at 12.6 V (half_turns, 8.2 s, SKIPPED)",
        "shaft free?: yes",
        "half_turn_mean_s  0.7031 ± 0.0021 s",
        "odd               -",
        "trip: current above 10 A for 0.4 s",
    ):
        assert part in text, part
    assert text.count("SIMULATED") == 1


def test_half_turns_are_a_table(record, make):
    steps = (
        make.step(
            1,
            half_turns=(
                make.half_turn(1),
                make.half_turn(2, outcome="stalled", half_turn_s=None, run_a=None, cut_by_rig=True),
            ),
        ),
    )
    assert (
        "  no  direction  outcome   time s           peak A  run A  rest A  sag V\n"
        "  1   to_run     parked    0.7031 ± 0.0021  14.37   2.204  0.000   0.710\n"
        "  2   to_stop    stalled*  -                14.37   -      0.000   0.710\n"
        "  * feed taken away by the rig\n"
    ) in run_text(record(steps=steps), zone=UTC)


def test_a_real_bench_is_not_called_simulated(record):
    text = run_text(record(start={"simulated": False, "backend": "pi", "backend_facts": {}}))
    assert "SIMULATED" not in text


def test_a_run_without_an_end_is_told(record):
    assert "Still running, or its program has died." in run_text(record(end=None))


def test_a_run_that_ended_without_verdict_is_told(record, make):
    end = RunEnd(make.T0, RunState.INTERRUPTED, None, feeds_off=False, note="console lost")
    text = run_text(record(end=end))
    assert "No verdict: the run was interrupted." in text
    assert "The feeds were NOT read back off at the end." in text
    assert "console lost" in text


@given(st.text(), st.text())
def test_nothing_in_a_record_can_steer_the_terminal(record, make, a, b):
    start = {"unit_serial": a, "operator": b, "reference": a, "backend_facts": {"x": b}}
    steps = (make.step(1, title=a, note=b, answers={a: b}, measures=(Measure(a, 1.0, "s"),)),)
    text = run_text(record(start=start, steps=steps, events=(make.event(a, kind=b),)))
    assert all(c.isprintable() for c in text.replace("\n", ""))


def test_a_run_fits_80_columns(record, make):
    long = "the lever moved, came back and moved again " * 4
    steps = (make.step(1, title=long, note=long, answers={"seen": long}),)
    start = {"operator": long, "backend_facts": {"chip": long}}
    end = make.run_end(note=long)
    text = run_text(record(steps=steps, start=start, end=end, events=(make.event(long),)))
    assert max(map(len, text.split("\n"))) <= WIDTH


LATENESS = Lateness(
    0.001,
    999,
    1,
    0,
    woken=Spread(0.0023456, ((9e-5, 900), (1.5e-4, 98), (0.0024, 1))),
    done=Spread(0.0031, ((3e-4, 998), (0.0032, 1))),
)


def test_how_late_the_control_loop_was_is_told(record, make):
    text = run_text(
        record(
            start={"control": "SCHED_FIFO 40, memory locked"},
            end=make.run_end(lateness=LATENESS),
        )
    )
    assert (
        "Control   SCHED_FIFO 40, memory locked\n"
        "Lateness  woken p50 0.090, p99 0.150, p99.9 2.346, max 2.346; done p50 0.300,\n"
        "          p99 0.300, p99.9 3.100, max 3.100 ms after the deadline; 1 of 1000\n"
        "          slots of 1 ms lost, 0 of them fed\n"
    ) in text


@pytest.mark.parametrize(
    ("start", "end", "said"),
    [
        ({"backend_facts": {"time": "virtual"}}, {}, ("in virtual time", "none measured")),
        ({}, {}, ("not recorded", "none measured")),  # from before it was kept
        ({"control": "ordinary"}, {}, ("ordinary", "not known: nobody lived to write it")),
        ({"control": "ordinary"}, None, ("ordinary", "not known yet")),
    ],
)
def test_no_lateness_is_told_with_why(record, make, start, end, said):
    ended = None if end is None else make.run_end(**end)
    text = run_text(record(start=start, end=ended))
    assert "\nControl   {}\nLateness  {}\n".format(*said) in text


# --- for programs -----------------------------------------------------------------------------


def test_a_list_as_json(make):
    (run,) = json.loads(json.dumps(runs_json([summary(make, simulated=True)])))
    assert run == {
        "run_id": str(RUN),
        "started_at": "2026-03-02T08:15:30.123456+00:00",
        "unit_serial": "LM12-0041",
        "plan_name": "qualify",
        "state": "finished",
        "verdict": "pass",
        "operator": "R. Vale",
        "reference": "J-1207",
        "simulated": True,
        "isolation": None,
        "bench": "",
    }


def test_a_run_as_json_is_strict_json(record, make):
    half_turn = make.half_turn(1, start_s=math.nan, peak_a=math.inf)
    steps = (make.step(1, half_turns=(half_turn,), answers={"x": [math.nan]}),)
    made = json.loads(json.dumps(run_json(record(steps=steps)), allow_nan=False))
    assert made["run_id"] == str(RUN)
    assert made["simulated"] is True
    assert made["verdict"] == "fail"
    assert made["state"] == "finished"
    assert made["reasons"] == ["half-turn 2 stalled", "half-turn 1 is near its limit"]
    assert made["feeds_off"] is True
    (step,) = made["steps"]
    assert step["answers"] == {"x": [None]}
    assert step["measures"][0]["u"] == 0.0021
    assert step["half_turns"][0]["start_s"] is None
    assert step["half_turns"][0]["peak_a"] is None
    assert step["half_turns"][0]["half_turn_s"] == 0.7031
    assert "plan_text" not in made


def test_lateness_as_json(record, make):
    run = record(start={"control": "ordinary scheduling"}, end=make.run_end(lateness=LATENESS))
    made = json.loads(json.dumps(run_json(run), allow_nan=False))
    assert made["control"] == "ordinary scheduling"
    late = made["lateness"]
    assert (late["cycles"], late["lost_slots"], late["lost_slots_fed"]) == (999, 1, 0)
    assert (late["woken"]["p99_s"], late["woken"]["max_s"]) == (1.5e-4, 0.0023456)
    assert late["woken"]["bins"] == [[9e-5, 900], [1.5e-4, 98], [0.0024, 1]]
    assert run_json(record())["lateness"] is None


def test_a_running_run_as_json(record):
    made = run_json(record(end=None))
    assert (made["state"], made["verdict"], made["feeds_off"]) == ("running", None, None)


def test_a_half_turn_as_json_has_every_measure(make):
    assert set(half_turn_object(make.half_turn())) == {field.name for field in fields(HalfTurn)}
