"""Before and after, and lots: what changed is known or said not to be, and nothing is left out."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, datetime
from math import hypot, inf, sqrt
from uuid import uuid4

import numpy as np
import pytest
from bench_runs import make_plan
from paper import text_of
from scipy.stats import t

from rig.analysis.checks import Check
from rig.analysis.judge import measure_check
from rig.analysis.model import Direction, Judgement, Measure, Verdict
from rig.quality.decision import DecisionRule, Rule
from rig.records.columns import not_known
from rig.records.compare import change
from rig.records.model import AGAIN
from rig.sheets.before_after import NotOneUnitError, before_after, change_rows
from rig.sheets.figures import mark_svg
from rig.sheets.letterhead import Letterhead
from rig.sheets.lot_finding import LotFinding
from rig.sheets.lot_marks import across, lot_counts, lot_marks
from rig.sheets.lot_report import lot_report
from rig.sheets.measures import bar_of, counted, measure_name, measure_rows, other_measures
from rig.sheets.standing import marks_of
from rig.sheets.turns import turn_row
from rig.sheets.words import decision_rule

HEAD = Letterhead("Low Meadow Pump Works")


def test_a_rebuild_shows_what_it_changed(store, made):
    before, after = (store.run(made[1][name]) for name in ("slow", "rebuilt"))
    document = before_after(store, after, before, HEAD)
    said = text_of(document.pdf())
    for run in (before, after):
        assert str(run.run_id) in said
    assert "FAIL" in said
    assert "PASS" in said
    (row,) = [r for r in document.data["changes"] if r["name"] == "Half-turn time, to run"]
    assert row["verdict"] == "changed"
    assert row["difference"].startswith("-")
    assert row["difference"] in said


def test_the_difference_and_its_uncertainty_are_those_of_the_means(store, made):
    """Worked out here once more with NumPy and SciPy: GUM (JCGM 100:2008) 4.2.3, 5.1.2 and, for
    the few half-turns that tell the scatter, equation G.2b, for two means."""
    runs = [store.run(made[1][name]) for name in ("slow", "rebuilt")]
    means, us = [], []
    for run in runs:
        turns = [
            turn
            for step in run.steps
            if step.kind in ("half_turns", "park_check")
            for turn in step.half_turns
            if turn.direction is Direction.TO_RUN
        ]
        times = np.array([turn.half_turn_s for turn in turns])
        own = np.mean([turn.half_turn_u_s for turn in turns]) / 2.0
        scatter = times.std(ddof=1) / sqrt(len(times))
        dof = hypot(own, scatter) ** 4 / (scatter**4 / (len(times) - 1))
        means.append(times.mean())
        us.append(max(2.0, t.ppf(0.97725, int(dof))) * hypot(own, scatter))
    (row,) = [r for r in change_rows(*runs) if r["name"] == "Half-turn time, to run"]
    value, u = (float(part.split()[0]) for part in row["difference"].split(" ± "))
    assert value == pytest.approx(
        means[1] - means[0], abs=0.51 * 10 ** -len(row["difference"].split()[0].split(".")[1])
    )
    assert hypot(*us) <= u <= 2.0 * hypot(*us)


def turns_of(run, count, **values):
    """Return a run with ``count`` half-turns each way in its first step that has any, no more."""
    own = next(step for step in run.steps if step.half_turns)
    turns = [replace(turn, **values) for turn in own.half_turns[: 2 * count]]
    return replace(run, steps=(replace(own, half_turns=tuple(turns)),))


def test_few_half_turns_claim_no_change_that_they_cannot_know(store, made):
    before, after = (store.run(made[1][name]) for name in ("slow", "rebuilt"))

    def verdicts(count):
        rows = change_rows(turns_of(before, count), turns_of(after, count))
        return {row["verdict"] for row in rows if row["name"].startswith("Half-turn time")}

    assert verdicts(1) == {"one half-turn"}
    assert verdicts(2) == {"changed"}  # by far
    # Two that scatter: k is 14 by Student's t of one degree of freedom (t tables: 13.97).
    first = replace(before.steps[-1].half_turns[0], half_turn_u_s=1e-9)
    pair = (replace(first, half_turn_s=1.0), replace(first, number=2, half_turn_s=1.1))
    wide = replace(before, steps=(replace(before.steps[-1], half_turns=pair),))
    near = tuple(replace(turn, half_turn_s=turn.half_turn_s + 0.3) for turn in pair)
    other = replace(after, steps=(replace(before.steps[-1], half_turns=near),))
    (row,) = [r for r in change_rows(wide, other) if r["name"].startswith("Half-turn time")]
    assert row["verdict"] == "within U"
    assert row["before"] == "1.1 s ± 0.7 s"


def test_both_verdicts_stand_with_their_rule_and_half_turns_are_counted_as_the_means_have_them(
    store, made
):
    before, after = (turns_of(store.run(made[1][name]), 1) for name in ("slow", "rebuilt"))
    (step,) = after.steps
    again = replace(step, title=step.title + AGAIN, half_turns=step.half_turns[:1])
    document = before_after(store, before, replace(after, steps=(step, again)), HEAD)
    assert document.data["outcomes"][1] == "1 half-turn at plain work: 1 parked"
    assert "JCGM 106:2012" in document.data["rule"]
    assert document.data["sides"][0]["when"].endswith("UTC")


def test_a_value_that_is_no_number_is_left_out_of_means_and_spreads(store, made):
    runs = [store.run(made[1][name]) for name in ("slow", "rebuilt", "new", "pass", "fail")]
    odd = turns_of(runs[1], 2, half_turn_s=inf)
    names = [row["name"] for row in change_rows(turns_of(runs[0], 2, half_turn_s=inf), odd)]
    assert not any(name.startswith("Half-turn time") for name in names)
    assert lot_report(summed(store, [*runs, odd]), HEAD).data["spreads"]


def test_a_run_that_was_set_aside_is_in_no_spread(store, made):
    runs = [store.run(made[1][name]) for name in ("slow", "rebuilt", "new", "pass", "jammed")]
    runs = [replace(run, start=replace(run.start, simulated=False)) for run in runs]
    odd = turns_of(store.run(made[1]["rebuilt"]), 2, half_turn_s=9.0)
    odd = replace(odd, run_id=uuid4(), start=replace(odd.start, unit_serial="X-1"))
    odd = replace(odd, start=replace(odd.start, simulated=False))
    sums = {id(run): (run, "0" * 64) for run in (*runs, odd)}
    without = lot_report([sums[id(run)] for run in runs], HEAD).data
    counted = lot_report(sums.values(), HEAD).data
    told = lot_report(sums.values(), HEAD, set_aside={odd.run_id: "lever was tied"}).data
    assert without["spreads"]
    assert told["spreads"] == without["spreads"] != counted["spreads"]


def test_a_difference_is_as_uncertain_as_both_together():
    # JCGM 100:2008, 5.1.2, for the difference of two that are independent: 0.3 and 0.4 make 0.5.
    found = change("time", (1.0, 2.0), (0.3, 0.4), "s")
    assert found.difference == "+1.0 s ± 0.5 s"
    assert found.verdict == "changed"
    assert change("time", (1.0, 1.4), (0.3, 0.4), "s").verdict == "within U"
    assert change("time", (1.0, 1.4), (0.3, None), "s").verdict == ""


def test_two_units_are_no_before_and_after(store, made):
    with pytest.raises(NotOneUnitError, match=r"LM-12-0288 .* LM-12-0290"):
        before_after(store, store.run(made[1]["new"]), store.run(made[1]["jammed"]), HEAD)
    with pytest.raises(NotOneUnitError, match="one and the same run"):
        before_after(store, store.run(made[1]["new"]), store.run(made[1]["new"]), HEAD)


def test_one_side_that_was_simulated_marks_the_whole(store, made):
    document = before_after(store, store.run(made[1]["fail"]), store.run(made[1]["rebuilt"]), HEAD)
    assert [mark["word"] for mark in document.data["marks"]] == ["SIMULATED"]


def summed(store, runs):
    """Return runs with their checksums, as a report takes them."""
    return [(run, store.checksum(run.run_id)) for run in runs]


LOT = ("jammed", "short", "runs_on", "no_feed", "interrupted", "pass")


def test_a_lot_names_every_run_and_counts_what_each_got(store, made):
    runs = [store.run(made[1][name]) for name in LOT]
    document = lot_report(summed(store, runs), HEAD)
    said = text_of(document.pdf())
    for run in runs:
        assert run.start.unit_serial in said
        assert str(run.run_id)[:8] in said
    counts = {one["word"]: int(one["count"]) for one in document.data["counts"]}
    assert sum(counts.values()) == len(runs)
    assert (counts["PASS"], counts["FAIL"], counts["RETEST"]) == (1, 0, 0)
    assert counts["FAIL (SIMULATED)"] == 3
    assert counts["RETEST (INTERRUPTED)"] == 1
    assert "RETEST (INTERRUPTED)" in said
    assert document.data["finding"] is None


def dated(run, serial, day, plan="incoming", verdict=Verdict.PASS):
    start = replace(
        run.start, unit_serial=serial, plan_name=plan, started_at=datetime(2026, 5, day, tzinfo=UTC)
    )
    return replace(run, start=start, end=replace(run.end, judgement=Judgement(verdict, ())))


def test_a_lot_counts_its_units_by_their_last_run(store, made):
    """Whoever failed at first and passed when it was tested again is one unit that passed."""
    run = store.run(made[1]["pass"])
    runs = [
        dated(run, "A", 3),
        dated(run, "A", 1, verdict=Verdict.FAIL),
        dated(run, "B", 2),
        dated(run, "C", 2),
        dated(run, "C", 4, verdict=Verdict.FAIL),
    ]
    document = lot_report(summed(store, runs), HEAD)
    facts = {fact["name"]: fact["text"] for fact in document.data["facts"]}
    assert (facts["Units"], facts["Last run"]) == ("3 in 5 runs", "1 unit FAIL, 2 units PASS")
    assert "1 unit FAIL, 2 units PASS" in text_of(document.pdf())
    assert not any("plans" in spread["text"] for spread in document.data["spreads"])


def test_a_pass_by_one_plan_is_none_by_another(store, made):
    run = store.run(made[1]["pass"])
    runs = [dated(run, "A", 1, verdict=Verdict.FAIL), dated(run, "A", 2, plan="qualify")]
    data = lot_report(summed(store, runs), HEAD).data
    facts = {fact["name"]: fact["text"] for fact in data["facts"]}
    assert facts["Last run"] == "by incoming: 1 unit FAIL; by qualify: 1 unit PASS"
    assert data["spreads"][0]["text"].endswith("of different plans together: incoming, qualify")


def test_what_is_said_over_a_mixed_lot_is_true_of_it(store, made):
    runs = [store.run(made[1][name]) for name in (*LOT, "unfinished")]
    document = lot_report(summed(store, runs), HEAD)
    marks = {mark["word"]: mark["sentence"] for mark in document.data["marks"]}
    assert list(marks) == ["4 OF 7 SIMULATED", "1 OF 7 UNFINISHED", "1 OF 7 INTERRUPTED"]
    assert marks["4 OF 7 SIMULATED"].startswith("4 of 7 runs were made on a simulated bench")
    assert marks["1 OF 7 INTERRUPTED"].startswith("1 of 7 runs was interrupted")
    assert document.data["watermark"] == mark_svg("4 OF 7 SIMULATED")
    assert all(row["odd"] for row in document.data["rows"] if "(" in row["verdict"])
    said = text_of(document.pdf())
    assert "This run" not in said
    assert "No real unit" not in said


def test_a_spread_never_mixes_real_units_with_simulated_ones(store, made):
    runs = [store.run(made[1][name]) for name in ("pass", "retest", "new", "slow")]
    for some, count in ((runs, 2), (runs[2:], 2)):
        told = [spread["text"] for spread in lot_report(summed(store, some), HEAD).data["spreads"]]
        assert len(told) == 3
        assert all(f", {count} runs: " in text for text in told)


def test_runs_that_are_all_alike_and_one_alone_are_marked_as_a_whole(store, made):
    simulated = [store.run(made[1][name]) for name in ("jammed", "short")]
    (mark,) = lot_marks(simulated)
    assert mark.word == across([mark]) == "SIMULATED"
    assert mark.sentence.startswith("All 2 runs were made on a simulated bench")
    alone = [store.run(made[1]["interrupted"])]
    assert lot_marks(alone) == marks_of(alone[0])
    assert [one["word"] for one in lot_counts(simulated)] == ["FAIL (SIMULATED)"]


def test_a_verdict_that_nobody_knows_is_counted_too(store, made):
    run = store.run(made[1]["pass"])
    odd = replace(run, end=replace(run.end, judgement=Judgement(not_known(Verdict), ())))
    counts = {one["word"]: (one["count"], one["runs"]) for one in lot_counts([run, odd])}
    assert counts["NOT KNOWN"] == ("1", "run")
    assert sum(int(count) for count, _ in counts.values()) == 2


def test_what_is_said_of_a_whole_lot_has_its_place(store, made):
    finding = LotFinding("Accepted", "Of 6 tested none failed.", "The rule of the sample.")
    document = lot_report(summed(store, [store.run(made[1]["pass"])]), HEAD, finding=finding)
    said = text_of(document.pdf())
    assert "Accepted Of 6 tested none failed. The rule of the sample." in said


@pytest.mark.parametrize(
    ("rule", "inside", "outside"),
    [
        (Rule.GUARDED, True, True),
        (Rule.SIMPLE_ACCEPTANCE, False, False),
        (Rule.GUARDED_ACCEPTANCE, True, False),
        (Rule.GUARDED_REJECTION, False, True),
    ],
)
def test_a_bars_guard_lies_where_the_rule_puts_it(rule, inside, outside):
    for low, high in ((None, 2.0), (1.0, None)):
        check = Check("x", "x", "is", 1.5, 0.1, "s", low, high, rule=DecisionRule(rule))
        bar = bar_of(check)
        [(start, stop)], [limit] = bar["guards"], bar["limits"]
        assert (start < limit, stop > limit) == ((inside, outside) if high else (outside, inside))


def test_a_sheet_says_the_rule_of_its_plan():
    said = decision_rule(DecisionRule(Rule.GUARDED_ACCEPTANCE, 1.5))
    assert "k = 2" in said
    assert "w = 1.5 U" in said
    assert "guarded acceptance" in said


def test_a_bar_puts_value_and_limit_where_they_belong():
    bar = bar_of(Check("x", "x", "is", 1.0, 0.1, "s", None, 2.0))
    # From nothing to a third beyond the limit, so the limit lies at about three quarters.
    assert bar["from"] < bar["value"] < bar["to"] < bar["limits"][0]
    assert bar["value"] / bar["limits"][0] == pytest.approx(0.5, abs=0.01)
    assert bar["guards"][0][0] < bar["limits"][0] < bar["guards"][0][1]
    beyond = bar_of(Check("x", "x", "is", 9.0, 0.1, "s", None, 2.0))
    assert beyond["value"] > beyond["limits"][0]
    both = bar_of(Check("x", "x", "is", 1.5, None, "ohm", 1.0, 2.0))
    assert both["limits"][0] < both["value"] < both["limits"][1]
    none = bar_of(Check("x", "x", "is", None, None, "s", None, 2.0))
    assert none["value"] is None


def test_a_measure_has_one_name_on_every_document(store, made):
    """That of its limit, and of the verdict's sentence on it."""
    limits = replace(make_plan().analysis_limits(), winding_max_ohm=2.0, pull_in_max_v=8.0)
    for name, label in (
        ("winding_ohm", "winding, relay and leads"),
        ("relay_pull_in_v", "pull-in"),
    ):
        found = Measure(name, 1.0, name.rpartition("_")[2], 0.1)
        assert measure_name(found) == measure_check(found, limits).label
        assert label in measure_name(found)


@pytest.mark.parametrize(
    ("value", "u", "shown"),
    [
        (0.0, 0.00008, "0.00 mA ± 0.08 mA"),
        (-0.0004, None, "-0.40 mA"),
        (0.14, 0.004, "0.140 A ± 0.004 A"),
    ],
)
def test_a_current_about_zero_is_told_in_milliamperes(store, made, value, u, shown):
    step = next(step for step in store.run(made[1]["pass"]).steps if step.half_turns)
    measured = replace(step, measures=(Measure("zero_offset_a", value, "A", u),))
    (row,) = other_measures([measured], make_plan().analysis_limits())
    assert row["value"] == shown


def test_a_half_turn_has_one_uncertainty_on_a_sheet(store, made):
    step = next(step for step in store.run(made[1]["pass"]).steps if step.half_turns)
    turn = replace(step.half_turns[0], half_turn_s=0.7780, half_turn_u_s=0.0031, rest_a=inf)
    limits = make_plan().analysis_limits()
    (row, *_) = measure_rows([replace(step, half_turns=(turn,))], limits)
    told = turn_row(turn)
    assert row["value"] == "0.778 s ± 0.004 s"
    assert told["time"] == "0.778 ± 0.004"
    assert told["rest"] == "–"


def test_a_step_done_again_counts_once(store, made):
    steps = list(store.run(made[1]["new"]).steps)
    again = replace(steps[-1], number=99, title=steps[-1].title + AGAIN)
    kept = counted([*steps, again])
    assert [step.number for step in kept] == [*(step.number for step in steps[:-1]), 99]
