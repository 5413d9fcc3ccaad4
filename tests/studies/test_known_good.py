"""Limits proposed from runs of known good units: which runs, which values, which limits."""

from __future__ import annotations

import json
import math
from dataclasses import replace
from pathlib import Path
from statistics import fmean, stdev

import numpy as np
import pytest
from bench_runs import HALF_TURNS, HEAD
from good_units import PASSES, PLAN, chosen, drawn_runs, unit_run
from hypothesis import given, settings
from hypothesis import strategies as st
from study_runs import whole

from rig.analysis.model import Verdict
from rig.plans import plan_from_text
from rig.quality.skewed import skewed_interval
from rig.quality.tolerance import Side, factor
from rig.studies.known_good import TOO_COARSE, Asked, Method, outright_of, propose, values_of
from rig.studies.known_good_words import comments_of, outright_words, proposal_lines
from rig.studies.spread_json import proposals_object
from rig.studies.units import choose, choose_of


def proposal(found, key):
    return next(one for one in found.found if key in one.bound.keys)


def text_of(found, **options):
    lines = list(proposal_lines(found, **options))
    assert all(len(line) <= 80 for line in lines)
    return " ".join(" ".join(lines).split())


# --- which runs --------------------------------------------------------------------------------


def test_of_each_unit_the_newest_run_with_a_verdict_counts():
    found = chosen(
        [
            ("U-1", unit_run(2.0, 1)),
            ("U-1", unit_run(2.5, 2)),
            ("U-1", unit_run(9.0, 3, verdict="retest")),
            ("U-2", unit_run(2.1, 1)),
            ("U-2", unit_run(8.0, 2, verdict="fail")),
            ("U-3", unit_run(2.2, 1, verdict="retest")),
        ]
    )
    assert [run.start.unit_serial for run in found.records] == ["U-1"]
    assert found.records[0].steps[0].half_turns[0].run_a == 2.5
    whys = {out.serial: out.why for out in found.left_out}
    assert "its newest run with a verdict is a fail" in whys["U-2"]
    assert whys["U-3"] == "it has no run that came to a verdict, only retests"
    included = chosen(
        [("U-2", unit_run(2.1, 1)), ("U-2", unit_run(8.0, 2, verdict="fail"))],
        wanted=PASSES | {Verdict.FAIL},
    )
    assert included.records[0].steps[0].half_turns[0].run_a == 8.0
    first = chosen([("U-1", unit_run(2.0, 1)), ("U-1", unit_run(2.5, 2))], first=True)
    assert first.records[0].steps[0].half_turns[0].run_a == 2.0


def test_a_run_set_aside_in_a_lot_counts_nowhere_and_is_told():
    runs = [("U-1", unit_run(2.0, 1)), ("U-1", unit_run(2.5, 2)), ("U-2", unit_run(2.2, 1))]
    aside = {runs[1][1].summary.run_id: "label misread", runs[2][1].summary.run_id: "lever tied"}
    found = chosen(runs, aside=aside)
    assert [run.steps[0].half_turns[0].run_a for run in found.records] == [2.0]
    assert found.remarks == ("2 runs set aside left out: U-1 (label misread), U-2 (lever tied).",)


def test_two_worlds_two_types_and_two_plans_are_never_mixed():
    other_type = (HEAD + HALF_TURNS).replace('"LM-12"', '"LM-24"')
    other_steps = HEAD + HALF_TURNS.replace("count = 2", "count = 4")
    found = chosen(
        [
            ("U-1", unit_run(2.0, 1)),
            ("U-2", unit_run(2.0, 1, simulated=True)),
            ("U-3", unit_run(2.0, 1, plan_text=other_type)),
            ("U-4", unit_run(2.0, 1, plan_text=other_steps)),
            ("U-5", unit_run(2.0, 1, plan_text="what an older program wrote")),
            ("U-6", unit_run(2.0, 2, plan_text=(HEAD + HALF_TURNS).replace("7.0", "6.0"))),
        ]
    )
    # Other limits make no other values.
    assert [run.start.unit_serial for run in found.records] == ["U-1", "U-6"]
    assert not found.simulated
    assert found.remarks == ("1 run on simulated units left out: the two worlds are never mixed.",)
    whys = {out.serial: out.why for out in found.left_out}
    assert "another unit type, LM-24" in whys["U-3"]
    assert "other steps" in whys["U-4"]
    assert "cannot read the plan" in whys["U-5"]
    assert chosen({"U-2": unit_run(2.0, simulated=True)}).simulated


def test_a_unit_that_did_not_park_is_no_good_one_whatever_is_included():
    runs = {"U-1": unit_run(2.0), "U-2": unit_run(2.0, outcome="stalled", verdict="fail")}
    found = chosen(runs, wanted=PASSES | {Verdict.FAIL}, whole=True)
    assert [(out.serial, out.why) for out in found.left_out] == [
        ("U-2", "half-turn 2 (to stop): stalled")
    ]


def test_what_a_reader_has_to_know_of_the_rigs_is_told():
    runs = {f"U-{n}": unit_run(2.0, n) for n in range(3)}
    records = [
        whole(run, serial, golden={"standing": "due" if n else "out_of_control", "text": ""})
        for n, (serial, run) in enumerate(runs.items())
    ]
    records[2] = replace(records[2], start=replace(records[2].start, station="B"))
    assert choose_of(records, PLAN).remarks == (
        "They come from 2 stations, whose differences are in the spread: Low Meadow A, Low Meadow "
        "B.",
        "1 run of these made while the rig was out of control by its golden unit: look at the rig "
        "first.",
        "2 runs of these made while a golden check was due: look at the rig first.",
    )


# --- which values ------------------------------------------------------------------------------


def test_a_unit_counts_once_with_the_half_turn_that_comes_nearest_to_the_limit():
    runs = drawn_runs(12)
    found = proposal(propose(chosen(runs), Asked()), "run_max_a")
    worst = {serial: max(turn.run_a for turn in run.half_turns) for serial, run in runs.items()}
    assert {each.serial: each.value for each in found.readings.values} == worst
    assert all(len(each.values) == 2 for each in found.readings.values)
    assert found.spread.count == 12
    assert found.spread.within == pytest.approx(0.01 / np.sqrt(2), rel=0.6)
    assert found.spread.between == pytest.approx(0.1, rel=0.5)


def test_the_proposal_is_the_tolerance_limit_rounded_outwards():
    found = proposal(
        propose(chosen(drawn_runs(12)), Asked(0.95, 0.9, with_band=False)), "run_max_a"
    )
    values = found.readings.numbers
    exact = fmean(values) + factor(12, 0.95, 0.9, Side.HIGH) * stdev(values)
    assert found.as_normal.high == pytest.approx(exact, rel=1e-12)
    limit = skewed_interval(values, 0.95, 0.9, Side.HIGH).high
    assert found.method is Method.SKEWED
    assert exact < found.tolerance.high == limit
    assert limit <= found.proposed.high <= limit + stdev(values) / 4
    assert found.today.high == 7.0
    assert found.readings.u == pytest.approx(0.03)


@given(st.integers(0, 10**6), st.integers(5, 40), st.booleans())
@settings(max_examples=30)
def test_of_what_passes_outright_no_more_is_lost_than_is_told(seed, count, with_band):
    found = propose(chosen(drawn_runs(count, seed=seed)), Asked(with_band=with_band))
    one = proposal(found, "run_max_a")
    if one.method is Method.NONE:
        assert one.why
        assert not one.proposed
        return
    rule, high = found.limits.rule, one.proposed.high
    waiting = [
        each.serial
        for each in one.readings.values
        if not rule.passes(each.value, each.u, None, high)
    ]
    assert one.risks.waiting == tuple(waiting)
    if one.method in (Method.NORMAL, Method.SKEWED):
        room = one.band if with_band else 0.0
        assert high >= one.tolerance.high + room - 1e-12
        assert (one.risks.not_passed <= 0.01) or not with_band
        assert 0.0 <= one.risks.failed.producers <= one.risks.outright.producers


@given(st.integers(0, 10**6), st.integers(12, 40), st.booleans())
@settings(max_examples=20)
def test_all_limits_together_let_pass_what_each_by_itself_lets(seed, count, with_band):
    rng = np.random.default_rng(seed)
    runs = {
        f"U-{n}": unit_run(rng.normal(2.2, 0.1), n, half_turn_s=rng.normal(0.72, 0.01), run_u_a=0.6)
        for n in range(count)
    }
    found = propose(chosen(runs), Asked(with_band=with_band))
    together = outright_of(found)
    risks = [one.risks for one in found.found if one.risks is not None]
    assert set(together.waiting) == {serial for one in risks for serial in one.waiting}
    # Frechet: whatever the limits have to do with each other, nothing as well.
    apart = 1.0 - math.prod(1.0 - one.not_passed for one in risks)
    assert together.least - 1e-12 <= apart <= together.most + 1e-12
    said = outright_words(found)
    assert f"{len(together.waiting)} of these {count} good units would not pass outright" in said
    # U is six times the spread: without the band on top part of the good units go back.
    assert ("Without --no-band" in said) == (not with_band)


def test_times_are_referred_along_the_plans_own_curve_and_scale_it():
    # At 11 V the limit lies at 1.4 s: a unit fed less may take longer, and is no worse for it.
    rng = np.random.default_rng(1)
    times = rng.normal(0.72, 0.01, 20)
    runs = {
        f"U-{n}": unit_run(
            2.0 + 0.01 * n,
            n,
            half_turn_s=t * (1.4 / 1.2 if n % 2 else 1.0),
            supply_v=11.0 if n % 2 else 12.0,
        )
        for n, t in enumerate(times)
    }
    found = propose(chosen(runs), Asked(with_band=False))
    one = proposal(found, "half_turn_max_s")
    assert one.readings.at_v == 11.5
    assert one.today.high == pytest.approx(1.3)
    assert one.spread.mean == pytest.approx(fmean(times) * 1.3 / 1.2)
    curve = values_of(one, found.limits)["half_turn_max_s"]
    assert [v for v, _ in curve.points] == [8.0, 12.0, 16.0]
    assert curve.at(11.5) >= one.tolerance.high
    assert curve.at(11.5) == pytest.approx(one.tolerance.high, abs=0.006)
    assert curve.points[0][1] / curve.points[1][1] == pytest.approx(2.0 / 1.2, abs=0.01)
    assert "The supply was 11.0 to 12.0 V" in text_of(found)


def test_under_a_plain_limit_times_are_those_at_nominal_voltage_where_all_runs_have_them():
    text = (HEAD + HALF_TURNS).replace("[[8.0, 2.0], [12.0, 1.2], [16.0, 1.0]]", "1.2")
    plan = plan_from_text(text, Path("short.toml"))
    nominal = {"nominal_half_turn_s": 0.70, "nominal_half_turn_u_s": 0.02, "plan_text": text}
    runs = {f"U-{n}": unit_run(2.0 + n / 50, n, **nominal) for n in range(6)}
    one = proposal(propose(chosen(runs, plan), Asked()), "half_turn_max_s")
    assert (one.readings.nominal_v, set(one.readings.numbers)) == (12.0, {0.70})
    runs["U-0"] = unit_run(2.0, plan_text=text)
    one = proposal(propose(chosen(runs, plan), Asked()), "half_turn_max_s")
    assert (one.readings.nominal_v, set(one.readings.numbers)) == (None, {0.72})


# --- when there is none ------------------------------------------------------------------------


def test_too_few_units_and_units_that_read_the_same_set_no_limit():
    found = propose(chosen(drawn_runs(4)), Asked())
    assert all(one.method is Method.NONE for one in found.found)
    assert "no limit proposed: 4 units set no limit: 5 at least, better 20." in text_of(found)
    found = propose(chosen(drawn_runs(9)), Asked())
    assert proposal(found, "rest_max_a").why.startswith("all 9 units read the same")


def lopsided(values):
    return {f"U-{n:03d}": unit_run(float(v), n) for n, v in enumerate(values)}


def test_lopsided_values_go_by_their_logarithms_or_by_their_own_order():
    rng = np.random.default_rng(7)
    found = propose(chosen(lopsided(rng.lognormal(0.5, 0.5, 60))), Asked(0.95))
    one = proposal(found, "run_max_a")
    assert (one.method, one.look.refused, one.log_look.refused) == (Method.SKEWED, True, False)
    logs = np.log(one.readings.numbers)
    exact = np.exp(logs.mean() + factor(60, 0.95, 0.95, Side.HIGH) * logs.std(ddof=1))
    # Whose start is not known lies farther out than whose is, and both far beyond the normal limit.
    assert one.as_normal.high < 0.9 * exact
    assert exact < one.tolerance.high < 1.3 * exact
    assert one.risks.failed.producers <= one.risks.outright.producers
    # Two sorts of units: neither normal nor log-normal.
    two = np.concatenate([rng.normal(1.0, 0.05, 30), rng.normal(3.0, 0.05, 30)])
    one = proposal(propose(chosen(lopsided(two)), Asked(0.95)), "run_max_a")
    assert (one.method, one.tolerance.order) == (Method.ORDER, 1)
    assert one.tolerance.high == max(two)
    assert one.risks.not_passed is None
    found = propose(chosen(lopsided(two)), Asked(0.99))
    assert "asks for 299 units. What these 60 span holds 95.1 %" in text_of(found, plot=True)


def test_values_in_steps_go_half_a_step_farther_out_or_are_too_coarse():
    times_ms = [7, 8, 8, 9, 8, 8, 7, 8, 9, 8, 8, 8]
    runs = {f"U-{n:02d}": unit_run(2.0, n, response_s=ms / 1000) for n, ms in enumerate(times_ms)}
    found = propose(chosen(runs), Asked(), ["response_max_s"])
    one = proposal(found, "response_max_s")
    plain = fmean(one.readings.numbers) + factor(12, 0.99, 0.95, Side.HIGH) * one.spread.sd
    assert one.as_normal.high == pytest.approx(plain + 0.0005)
    limit = skewed_interval(one.readings.numbers, 0.99, 0.95, Side.HIGH).high
    assert one.tolerance.high == pytest.approx(limit + 0.0005)
    assert "the values come in steps of 0.001 or more (3 different ones)" in text_of(found)
    runs["U-00"] = unit_run(2.0, 0, response_s=0.008)
    for n in (3, 6, 8):
        runs[f"U-{n:02d}"] = unit_run(2.0, n, response_s=0.008 if n > 3 else 0.009)
    one = proposal(propose(chosen(runs), Asked(), ["response_max_s"]), "response_max_s")
    assert (one.method, one.why) == (Method.NONE, TOO_COARSE)
    # What differs by microseconds is no spread of units that are timed to four milliseconds.
    runs = {f"U-{n}": unit_run(2.0, n, response_s=0.002 + n * 1e-6) for n in range(8)}
    one = proposal(propose(chosen(runs), Asked(), ["response_max_s"]), "response_max_s")
    assert "far below what the rig can tell" in one.why


def test_one_that_stands_apart_is_named():
    runs = drawn_runs(20)
    runs["U-07"] = unit_run(4.0, 7)
    said = text_of(propose(chosen(runs), Asked(), ["run_max_a"]))
    assert "U-07 stands apart (Grubbs' G = " in said
    assert "leave it out with --without" in said


# --- in words and numbers ----------------------------------------------------------------------


def test_what_the_plan_has_not_is_proposed_only_if_asked_for():
    found = propose(chosen(drawn_runs(12)), Asked())
    assert {key for one in found.found for key in values_of(one, found.limits)} == {
        "half_turn_max_s",
        "run_max_a",
    }
    assert found.others == ("half_turn_min_s", "winding_min_ohm", "winding_max_ohm")
    asked = propose(chosen(drawn_runs(12)), Asked(), ["half_turn_min_s", "stall_min_a"])
    assert asked.unmeasured == ("stall_min_a",)
    least = values_of(asked.found[0], asked.limits)["half_turn_min_s"]
    # It follows the voltage as the longest does.
    assert [v for v, _ in least.points] == [8.0, 12.0, 16.0]
    assert least.at(12.0) < min(asked.found[0].readings.numbers)


def test_two_limits_of_one_value_are_two_sided():
    rng = np.random.default_rng(3)
    runs = {}
    for serial, run in drawn_runs(15).items():
        (measure,) = run.measures
        runs[serial] = replace(run, measures=(replace(measure, value=rng.normal(0.6, 0.02)),))
    keys = ["winding_min_ohm", "winding_max_ohm"]
    one = proposal(propose(chosen(runs), Asked(), keys), "winding_max_ohm")
    assert one.side is Side.BOTH
    assert one.tolerance.factor == pytest.approx(factor(15, 0.99, 0.95, Side.BOTH))
    assert one.proposed.low < min(one.readings.numbers) < max(one.readings.numbers)
    comments = comments_of(propose(chosen(runs), Asked(), keys))
    assert comments["winding_max_ohm"] == ["From 15 known good units, as winding_min_ohm"]
    alone = proposal(propose(chosen(runs), Asked(), keys[:1]), "winding_min_ohm")
    assert (alone.side, alone.proposed.high) == (Side.LOW, None)


def test_as_text_as_json_and_as_comments():
    found = propose(chosen(drawn_runs(12, simulated=True)), Asked())
    said = text_of(found, plot=True)
    assert "12 SIMULATED units, one run each, 2026-03-" in said
    assert "asked: at least 99 % of such units, with 95 % confidence" in said
    assert "if normal: mean + " in said
    assert "with room for skewness: " in said
    assert "; holds if such units' values are normal or skewed" in said
    assert "12 units can show little against it" in said
    assert "(guard band on top)" in said
    given = json.loads(json.dumps(proposals_object(found)))
    by_key = {key: one for one in given["limits"] for key in one["plan_limits"]}
    assert by_key["run_max_a"]["method"] == "skewed"
    assert (
        by_key["run_max_a"]["tolerance_if_normal"]["high"]
        < by_key["run_max_a"]["tolerance"]["high"]
    )
    assert by_key["run_max_a"]["risks"]["consumers_risk"] < 0.01
    assert len(by_key["run_max_a"]["values"]) == 12
    comment = comments_of(found)["run_max_a"]
    assert comment[0].startswith("From 12 SIMULATED known good units, 2026-03-")
    assert "99 % of such units, with 95 % confidence if such units' values are normal" in " ".join(
        comment
    )
    assert comment[-1] == "Was 7.0"
    assert PLAN.limits.run_max_a == 7.0


def test_a_run_without_a_verdict_is_named():
    runs = drawn_runs(6)
    runs["U-88"] = unit_run(2.2, 9)
    records = {run.summary.run_id: whole(run, serial) for serial, run in runs.items()}
    lines = [replace(run.summary, unit_serial=serial) for serial, run in runs.items()]
    lines[-1] = replace(lines[-1], verdict=None)
    found = choose(lines, records.__getitem__, PLAN, wanted=PASSES)
    assert found.remarks == ("1 run without a verdict left out: U-88.",)
