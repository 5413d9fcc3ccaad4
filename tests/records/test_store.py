from __future__ import annotations

import math
import sqlite3
from dataclasses import fields
from datetime import datetime, timedelta, timezone
from types import MappingProxyType
from uuid import UUID, uuid4

import numpy as np
import pytest

from rig.analysis.model import HalfTurn, Measure, Verdict
from rig.analysis.trace import Trace
from rig.records.lateness import Lateness, Spread
from rig.records.model import RunEnd, RunFilter, RunRecord, RunState, StepState
from rig.records.store import RecordsError, Store


def assert_same_trace(a: Trace, b: Trace):
    assert a.time_s.tobytes() == b.time_s.tobytes()
    assert a.current_a.tobytes() == b.current_a.tobytes()
    assert a.voltage_v.tobytes() == b.voltage_v.tobytes()
    assert a.battery_feed.tobytes() == b.battery_feed.tobytes()
    assert a.ignition_feed.tobytes() == b.ignition_feed.tobytes()


def without_traces(step):
    return {f.name: getattr(step, f.name) for f in fields(step) if f.name != "trace"}


def rows_of(store: Store, query: str):
    store.close()
    raw = sqlite3.connect(store.path)
    try:
        return raw.execute(query).fetchall()
    finally:
        raw.close()


def test_a_whole_run_comes_back_as_it_was(store, make):
    run = store.begin_run(make.run_start())
    steps = [
        make.step(1, trace=None, half_turns=(), state=StepState.SKIPPED, note="no load at hand"),
        make.step(2),
        make.step(3, measures=(), answers={}),
    ]
    for step in steps:
        store.finish_step(run, step)
    events = [make.event("second", at=make.T0 + timedelta(seconds=9)), make.event("first")]
    for event in events:
        store.add_event(run, event)
    store.finish_run(run, make.run_end())

    kept = store.run(run, with_traces=True)

    assert isinstance(kept, RunRecord)
    assert kept.start == make.run_start()
    assert kept.end == make.run_end()
    assert list(kept.events) == events  # in the order they were told, whatever their clock said
    assert [without_traces(s) for s in kept.steps] == [without_traces(s) for s in steps]
    assert kept.steps[0].trace is None
    for number in (1, 2):
        assert_same_trace(kept.steps[number].trace, steps[number].trace)
    assert store.run(run).steps[1].trace is None  # only when asked for


def test_every_field_of_a_half_turn_is_kept(store, make):
    # distinct values, so that no two fields can be mixed up
    numbers = {f.name: float(i) for i, f in enumerate(fields(HalfTurn)) if "float" in f.type}
    half_turn = make.half_turn(3, **numbers, dropouts=2, cut_by_rig=True)
    run = store.begin_run(make.run_start())
    store.finish_step(run, make.step(half_turns=(half_turn,)))
    assert store.run(run).steps[0].half_turns == (half_turn,)


def test_numbers_of_numpy_are_kept_as_numbers(store, make):
    half_turn = make.half_turn(
        np.int64(1), peak_a=np.float32(1.5), dropouts=np.int64(3), cut_by_rig=np.bool_(True)
    )
    measures = (Measure("m", np.float64(0.1), "s", np.float32(0.25)),)
    answers = {"n": np.int64(4), "a": np.array([1.0, 2.0]), "m": MappingProxyType({"x": 1})}
    run = store.begin_run(make.run_start())
    store.finish_step(
        run, make.step(half_turns=(half_turn,), measures=measures, answers=answers, trace=None)
    )
    step = store.run(run).steps[0]
    assert step.half_turns[0] == make.half_turn(1, peak_a=1.5, dropouts=3, cut_by_rig=True)
    assert step.measures == (Measure("m", 0.1, "s", 0.25),)
    assert step.answers == {"n": 4, "a": [1.0, 2.0], "m": {"x": 1}}


def test_nan_never_costs_a_step(store, make):
    half_turn = make.half_turn(start_s=math.nan, peak_a=math.nan, longest_dropout_s=math.nan)
    run = store.begin_run(make.run_start())
    store.finish_step(
        run, make.step(half_turns=(half_turn,), measures=(Measure("m", math.nan, "s"),))
    )
    store.add_event(run, make.event(time_s=math.nan))
    kept = store.run(run)
    assert math.isnan(kept.steps[0].half_turns[0].start_s)
    assert kept.steps[0].half_turns[0].peak_a is None
    assert math.isnan(kept.steps[0].half_turns[0].longest_dropout_s)
    assert kept.steps[0].measures[0].value is None
    assert math.isnan(kept.events[0].time_s)


def test_times_come_back_aware_and_in_utc(store, make):
    adelaide = timezone(timedelta(hours=9, minutes=30))
    run = store.begin_run(make.run_start(started_at=make.T0.astimezone(adelaide)))
    started = store.run(run).start.started_at
    assert started == make.T0
    assert started.utcoffset() == timedelta(0)


def test_a_time_without_zone_is_refused(store, make):
    with pytest.raises(RecordsError, match="no time zone"):
        store.begin_run(make.run_start(started_at=datetime(2026, 3, 2)))
    assert store.runs() == []


def test_rig_and_plan_texts_are_kept_once(store, make):
    for serial in ("A", "B", "C"):
        store.begin_run(make.run_start(unit_serial=serial))
    store.begin_run(make.run_start(plan_text="another"))
    assert len(rows_of(store, "SELECT * FROM texts")) == 3


def test_a_unit_is_kept_once_for_all_its_runs(store, make):
    for _ in range(3):
        store.begin_run(make.run_start())
    store.begin_run(make.run_start(unit_type="LM-24"))
    units = sorted(rows_of(store, "SELECT serial, unit_type FROM units"))
    assert units == [("LM12-0041", "LM-12"), ("LM12-0041", "LM-24")]


# --- finding ----------------------------------------------------------------------------------


@pytest.fixture
def three(store, make):
    """A passed, a failed and a running run, a day apart."""
    ids = []
    for day, (serial, verdict) in enumerate(
        [("A", Verdict.PASS), ("B", Verdict.FAIL), ("A", None)]
    ):
        start = make.run_start(
            unit_serial=serial,
            reference=f"J-{day}",
            plan_name="quick" if day else "qualify",
            started_at=make.T0 + timedelta(days=day),
        )
        ids.append(store.begin_run(start))
        if verdict:
            judgement = type(make.run_end().judgement)(verdict)
            store.finish_run(ids[-1], make.run_end(judgement=judgement))
    return ids


def test_runs_are_listed_newest_first(store, three):
    assert [run.run_id for run in store.runs()] == three[::-1]
    assert [run.verdict for run in store.runs()] == [None, "fail", "pass"]
    assert [run.run_id for run in store.runs(limit=1)] == [three[2]]


def test_runs_are_found_by_what_is_known_of_them(store, three, make):
    def found(**by):
        return [three.index(run.run_id) for run in store.runs(**by)]

    assert found(serial="A") == [2, 0]
    assert found(serial="a") == []
    assert found(reference="J-1") == [1]
    assert found(verdict="fail") == [1]
    assert found(verdict=Verdict.PASS) == [0]
    assert found(plan="quick") == [2, 1]
    day = timedelta(days=1)
    assert found(since=make.T0 + day) == [2, 1]
    assert found(until=make.T0 + day) == [0]
    assert found(since=make.T0, until=make.T0 + 2 * day, serial="A") == [0]


def test_an_unknown_verdict_is_refused_with_those_there_are(store):
    with pytest.raises(RecordsError, match="pass, fail, retest"):
        store.runs(verdict="good")


def test_a_run_is_found_by_the_start_of_its_id(store, three):
    text = str(three[0])
    for prefix in (text, text.upper(), text.replace("-", ""), text[:14], three[0]):
        assert store.run(prefix).run_id == three[0]


def test_an_unknown_run_names_the_newest(store, three):
    unused = next(c for c in "0123456789abcdef" if all(str(t)[0] != c for t in three))
    with pytest.raises(RecordsError, match=str(three[2])):
        store.run(unused)
    with pytest.raises(RecordsError, match=str(three[2])):
        store.run(uuid4())


def test_an_ambiguous_prefix_names_the_candidates(store, make):
    ids = [store.begin_run(make.run_start()) for _ in range(17)]  # two of 17 share a first digit
    first = [str(run)[0] for run in ids]
    twice = next(c for c in first if first.count(c) > 1)
    with pytest.raises(RecordsError) as caught:
        store.run(twice)
    named = [run for run in ids if str(run) in str(caught.value)]
    assert min(first.count(twice), 5) == len(named)
    assert all(str(run).startswith(twice) for run in named)


@pytest.mark.parametrize("prefix", ["", "zz", "LM12-0041", "0" * 33, "%", "12 34"])
def test_what_cannot_be_an_id_is_refused(store, three, prefix):
    with pytest.raises(RecordsError, match="not the start of a run's id"):
        store.run(prefix)


def test_the_first_run_of_all_is_asked_for_too_early(store):
    with pytest.raises(RecordsError, match="no runs in these records yet"):
        store.run("ab")


# --- traces -----------------------------------------------------------------------------------


def test_the_trace_of_a_step_or_of_the_whole_run(store, make):
    run = store.begin_run(make.run_start())
    late, early = make.trace(start_s=50.0, seed=2), make.trace(start_s=10.0)
    store.finish_step(run, make.step(1, trace=late))
    store.finish_step(run, make.step(2, trace=None))
    store.finish_step(run, make.step(3, trace=early))
    assert_same_trace(store.trace(run, 1), late)
    whole = store.trace(str(run)[:13])
    assert len(whole) == len(early) + len(late)
    assert_same_trace(whole.rows(0, len(early)), early)
    assert_same_trace(whole.rows(len(early), len(whole)), late)


def test_samples_that_two_steps_share_are_taken_once(store, make):
    trace = make.trace(2.0)
    run = store.begin_run(make.run_start())
    store.finish_step(run, make.step(1, trace=trace.rows(0, 1200)))
    store.finish_step(run, make.step(2, trace=trace.rows(1000, 2000)))
    store.finish_step(run, make.step(3, trace=trace.rows(1500, 1600)))
    assert_same_trace(store.trace(run), trace)


def test_further_columns_and_flags_are_joined(store, make):
    plain = make.trace(0.1, start_s=1.0)
    bare = Trace(
        plain.time_s, plain.current_a, plain.voltage_v, plain.battery_feed, plain.ignition_feed
    )
    rich = make.trace(0.1, start_s=2.0)
    rich = Trace(
        *(getattr(rich, f.name) for f in fields(Trace)[:6]), extra={"coil_a": np.full(100, 0.14)}
    )
    run = store.begin_run(make.run_start())
    store.finish_step(run, make.step(1, trace=bare))
    store.finish_step(run, make.step(2, trace=rich))
    whole = store.trace(run)
    assert np.isnan(whole.extra["coil_a"][:100]).all()
    assert (whole.extra["coil_a"][100:] == 0.14).all()
    assert (whole.flags == np.concatenate([np.zeros(100), rich.flags])).all()


def test_traces_on_different_time_axes_are_not_mixed(store, make):
    run = store.begin_run(make.run_start())
    store.finish_step(run, make.step(1, trace=make.trace(start_s=0.0, seed=1)))
    store.finish_step(run, make.step(2, trace=make.trace(start_s=0.0, seed=2)))
    with pytest.raises(RecordsError, match="one step at a time"):
        store.trace(run)


def test_a_trace_that_is_not_there_is_told(store, make):
    run = store.begin_run(make.run_start())
    with pytest.raises(RecordsError, match="No step of run"):
        store.trace(run)
    store.finish_step(run, make.step(1, trace=None))
    store.finish_step(run, make.step(2))
    with pytest.raises(RecordsError, match=r"Step 1 of run .* has no trace"):
        store.trace(run, 1)
    with pytest.raises(RecordsError, match="no finished step 7; its steps: 1, 2"):
        store.trace(run, 7)


def test_a_damaged_trace_is_told_and_the_rest_can_be_read(store, make):
    run = store.begin_run(make.run_start())
    store.finish_step(run, make.step(1))
    raw = sqlite3.connect(store.path)
    raw.execute("UPDATE traces SET data = substr(data, 1, 500) || x'00' || substr(data, 502)")
    raw.commit()
    raw.close()
    with pytest.raises(RecordsError, match="damaged"):
        store.trace(run, 1)
    assert store.run(run).steps[0].half_turns == make.step(1).half_turns


# --- order of things --------------------------------------------------------------------------


def test_a_step_is_recorded_once(store, make):
    run = store.begin_run(make.run_start())
    store.finish_step(run, make.step(1, note="as it was"))
    with pytest.raises(RecordsError, match="already recorded"):
        store.finish_step(run, make.step(1, note="changed"))
    assert [step.note for step in store.run(run).steps] == ["as it was"]


def test_a_run_ends_once(store, make):
    run = store.begin_run(make.run_start())
    assert store.run(run).end is None
    store.finish_run(run, make.run_end(state=RunState.STOPPED, judgement=None, feeds_off=False))
    with pytest.raises(RecordsError, match="already ended"):
        store.finish_run(run, make.run_end())
    assert store.run(run).end == RunEnd(
        make.run_end().ended_at, RunState.STOPPED, None, feeds_off=False
    )


def test_what_the_control_loop_was_granted_and_its_lateness_come_back(store, make):
    late = Lateness(1e-3, 8, 2, 1, Spread(2e-3, ((1e-4, 7), (2.25e-3, 1))), Spread(0.0, ()))
    run = store.begin_run(make.run_start(control="SCHED_FIFO 40, memory locked"))
    store.finish_run(run, make.run_end(lateness=late))
    kept = store.run(run)
    assert kept.start.control == "SCHED_FIFO 40, memory locked"
    assert kept.end.lateness == late


def test_no_lateness_is_null_and_not_nought(store, make):
    run = store.begin_run(make.run_start())
    store.finish_run(run, make.run_end())
    assert rows_of(store, "SELECT control, lateness FROM runs") == [(None, None)]


@pytest.mark.parametrize("method", ["add_event", "finish_step", "finish_run"])
def test_nothing_is_kept_for_a_run_that_was_never_begun(store, make, method):
    thing = {"add_event": make.event, "finish_step": make.step, "finish_run": make.run_end}
    with pytest.raises(RecordsError, match="no run"):
        getattr(store, method)(uuid4(), thing[method]())
    assert rows_of(store, "SELECT count(*) FROM steps") == [(0,)]


def test_keys_are_random_uuids(store, make):
    run = store.begin_run(make.run_start())
    assert isinstance(run, UUID)
    assert run.version == 4  # RFC 9562, 5.4


def test_closing_twice_is_harmless(store):
    store.close()
    store.close()


def test_a_search_takes_parts_of_words_and_counts_all_that_match(store, three):
    def found(limit=50, offset=0, **wanted):
        page = store.search(RunFilter(**wanted), limit=limit, offset=offset)
        return [three.index(run.run_id) for run in page.runs], page.total

    assert found() == ([2, 1, 0], 3)
    assert found(limit=2) == ([2, 1], 3)
    assert found(limit=2, offset=2) == ([0], 3)
    assert found(serial_part="a") == ([2, 0], 2)
    assert found(reference_part="j-1") == ([1], 1)
    assert found(plan_part="UIC") == ([2, 1], 2)
    assert found(serial_part="") == ([2, 1, 0], 3)
    assert found(unjudged=True) == ([2], 1)
    assert found(verdict="fail", serial_part="a") == ([], 0)


@pytest.mark.parametrize("part", ["%", "_", "/", "'", '"', "\\"])
def test_a_sign_that_a_database_knows_stands_for_itself(store, make, part):
    store.begin_run(make.run_start(unit_serial="LM-12-0288"))
    odd = store.begin_run(make.run_start(unit_serial=f"LM{part}12"))
    assert [run.run_id for run in store.search(RunFilter(serial_part=part)).runs] == [odd]


def test_a_units_history_holds_its_plain_half_turns_and_every_measure(store, make):
    ids = []
    for day in range(3):
        ids.append(store.begin_run(make.run_start(started_at=make.T0 + timedelta(days=day))))
        store.finish_step(ids[-1], make.step(1, kind="rest_draw", half_turns=()))
        store.finish_step(ids[-1], make.step(2, half_turns=(make.half_turn(1 + day),)))
        store.finish_step(ids[-1], make.step(3, kind="loaded", measures=()))
    store.begin_run(make.run_start(unit_type="LM-24"))
    store.begin_run(make.run_start(unit_serial="another"))

    history = store.unit_history(ids[0])

    assert (history.serial, history.unit_type, history.total) == ("LM12-0041", "LM-12", 3)
    assert [run.summary.run_id for run in history.runs] == ids[::-1]
    assert [run.half_turns for run in history.runs] == [
        (make.half_turn(3),),
        (make.half_turn(2),),
        (make.half_turn(1),),
    ]
    assert history.runs[0].measures == make.step().measures * 2
    assert history.runs[0].plan_text == make.run_start().plan_text


def test_a_long_history_gives_its_newest_runs_and_says_how_many_there_are(store, make):
    ids = [
        store.begin_run(make.run_start(started_at=make.T0 + timedelta(minutes=n))) for n in range(5)
    ]
    history = store.unit_history(ids[0], limit=2)
    assert [run.summary.run_id for run in history.runs] == [ids[4], ids[3]]
    assert history.total == 5


@pytest.mark.parametrize("part", ["MÜLLER", "müller", "Strasse", "STRASSE", "ПОМПА"])
def test_a_search_is_blind_to_the_case_of_every_script(store, make, part):
    store.begin_run(make.run_start(reference="Muller, Pampa"))
    wanted = store.begin_run(make.run_start(reference="Müller, Lange Straße, помпа"))
    found = store.search(RunFilter(reference_part=part))
    assert ([run.run_id for run in found.runs], found.total) == ([wanted], 1)


@pytest.mark.parametrize("field", ["since", "until"])
def test_a_time_without_a_zone_is_refused_in_a_sentence(store, field):
    when = datetime(2026, 3, 2, 8, 0)
    for ask in (
        lambda: store.runs(**{field: when}),
        lambda: store.search(RunFilter(**{field: when})),
    ):
        with pytest.raises(RecordsError, match=r"2026-03-02 08:00:00.* no time zone") as told:
            ask()
        assert "report" not in str(told.value)
