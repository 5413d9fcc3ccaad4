"""Two runs side by side, and a unit's history: what is read off against what the runs hold."""

from __future__ import annotations

from dataclasses import replace
from math import hypot
from statistics import median

import pytest
from recorded import library

from rig.analysis.model import Direction
from rig.console.laid_over import laid_over
from rig.console.run_view import view_of_record
from rig.console.trend_points import trends_of
from rig.records.compare import changes, in_order, pairs
from rig.records.store import Store
from rig.run_values import MEASURES, value_of

BY_NAME = {measure.name: measure for measure in MEASURES}


@pytest.fixture(scope="module")
def lib(tmp_path_factory):
    path, ids = library(tmp_path_factory.mktemp("compare"))
    with Store.open(path) as store:
        yield store, ids


@pytest.fixture(scope="module")
def two(lib):
    store, ids = lib
    return store.run(ids["slow"]), store.run(ids["rebuilt"])


def test_the_earlier_run_is_before_whichever_was_marked(two):
    slow, rebuilt = two
    assert in_order(slow, rebuilt) == in_order(rebuilt, slow) == (slow, rebuilt)


def test_the_k_th_half_turns_of_a_step_and_direction_are_paired(two):
    found = pairs(*two)
    assert [pair.title for pair in found] == [
        "1st half-turn to run · Half-turns",
        "1st half-turn to stop · Half-turns",
        "2nd half-turn to run · Half-turns",
        "2nd half-turn to stop · Half-turns",
    ]
    for pair in found:
        assert pair.before.turn.direction is pair.after.turn.direction


def test_runs_without_a_step_in_common_are_paired_by_direction(two):
    slow, rebuilt = two
    park = [step for step in rebuilt.steps if step.kind == "park_check"]
    (to_run, to_stop) = pairs(slow, replace(rebuilt, steps=tuple(park)))
    assert to_run.title.startswith("1st half-turn to run")
    assert to_stop.after.step == park[0].number
    assert pairs(slow, replace(rebuilt, steps=())) == []


def test_what_changed_is_told_with_its_uncertainty(two):
    pair = pairs(*two)[0]
    found = {change.name: change for change in changes(pair)}
    before, after = pair.before.turn, pair.after.turn
    time = found["half-turn time"]
    difference, _, u = time.difference.partition(" s ± ")
    assert float(difference) == pytest.approx(after.half_turn_s - before.half_turn_s, abs=6e-4)
    assert float(u.split()[0]) == pytest.approx(
        hypot(before.half_turn_u_s, after.half_turn_u_s), abs=1e-3
    )
    assert time.verdict == "changed"
    assert found["rest current"].verdict == "within U"
    assert (found["what it did"].before, found["what it did"].after) == ("slow", "parked")


def test_a_change_is_one_only_beyond_the_uncertainty(two):
    pair = pairs(*two)[0]
    turn = pair.before.turn
    u_s = hypot(turn.half_turn_u_s, turn.half_turn_u_s)
    for by_s, verdict in ((0.99 * u_s, "within U"), (1.01 * u_s, "changed")):
        moved = replace(turn, half_turn_s=turn.half_turn_s - by_s)
        (time,) = [
            change
            for change in changes(replace(pair, after=replace(pair.after, turn=moved)))
            if change.name == "half-turn time"
        ]
        assert time.verdict == verdict


def test_what_one_side_lacks_is_a_dash_and_no_difference(two):
    pair = pairs(*two)[0]
    bare = replace(pair.after.turn, half_turn_s=None, peak_a=None)
    found = {c.name: c for c in changes(replace(pair, after=replace(pair.after, turn=bare)))}
    assert (found["half-turn time"].after, found["half-turn time"].difference) == ("-", "")
    both = replace(pair.before.turn, peak_a=None)
    pair = replace(
        pair, before=replace(pair.before, turn=both), after=replace(pair.after, turn=bare)
    )
    assert "inrush peak" not in [change.name for change in changes(pair)]


def test_both_traces_have_their_feed_change_at_zero(lib, two):
    store, _ = lib
    pair = pairs(*two)[0]
    traces = tuple(
        store.trace(run.run_id, side.step)
        for run, side in zip(two, (pair.before, pair.after), strict=True)
    )
    made = laid_over(pair, traces, view_of_record(two[1]).limits, ("before", "after"))
    for series in made.series:
        rising = series.time_s[series.value > 5.0][0]
        assert 0.0 < rising < 0.03  # inrush follows the feed by the relay's and the motor's time
    assert [series.tone for series in made.series] == ["other", "now"]
    assert made.window.start_s < 0.0 < made.limits[0].value < made.window.end_s
    assert laid_over(pair, traces, None, ("before", "after")).limits == ()


def test_a_runs_value_is_the_median_of_its_half_turns(lib):
    store, ids = lib
    history = store.unit_history(ids["new"])
    slow = history.runs[2]
    assert slow.summary.run_id == ids["slow"]
    times = [t.half_turn_s for t in slow.half_turns if t.direction is Direction.TO_RUN]
    value = value_of(slow, BY_NAME["to_run"])
    assert value.value == median(times)
    assert value.count == len(times) == 2
    assert value.u == pytest.approx(slow.half_turns[0].half_turn_u_s, rel=0.2)


def test_rest_draw_is_that_of_the_steps_or_of_the_rests_between(lib):
    store, ids = lib
    rebuilt, leaking, slow, _ = store.unit_history(ids["new"]).runs
    rest = BY_NAME["rest"]
    assert value_of(leaking, rest).value == pytest.approx(0.314, abs=0.005)
    assert value_of(rebuilt, rest).value == pytest.approx(0.0, abs=0.005)
    assert value_of(slow, rest).count == 4  # its plan has no rest step
    assert value_of(slow, BY_NAME["winding"]) is None


def test_the_limit_is_the_newest_plans(lib):
    store, ids = lib
    history = store.unit_history(ids["new"])
    limits = trends_of(history).limits
    assert limits["rest"] == (0.05, "limit 0.050 A")
    assert 1.1 < limits["to_run"][0] < 1.2  # 1.2 s at 12 V, 1.0 s at 16 V, and the supply between
    assert limits["stall"] is None
    newest, *older = history.runs
    other = replace(newest, plan_text=newest.plan_text.replace("rest_max_a = 0.05", ""))
    lost = replace(newest, plan_text="no plan")
    for changed, limit in (([other, *older], (0.05, "limit 0.050 A")), ([lost], None)):
        assert trends_of(replace(history, runs=tuple(changed))).limits["rest"] == limit


def test_every_run_has_its_place_in_every_trend(lib):
    store, ids = lib
    history = store.unit_history(ids["new"])
    trends = trends_of(history)
    assert set(trends.values) == set(trends.limits) == set(BY_NAME)
    for name, values in trends.values.items():
        assert values == tuple(value_of(run, BY_NAME[name]) for run in history.runs)
