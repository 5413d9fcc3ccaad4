"""What of a step was held against the limits: the record says it, and a sheet goes by it."""

from __future__ import annotations

from dataclasses import replace

import pytest
from bench_runs import HALF_TURNS, HEAD, make_order, make_plan, make_settings

from rig.analysis.judge import judge_half_turns
from rig.analysis.model import Reason, Verdict
from rig.records.held import held_of
from rig.records.model import AGAIN, Held
from rig.sheets.measures import measure_rows
from rig.sheets.standing import standing_of
from rig.sheets.turns import turn_groups

REST = '[[step]]\nkind = "rest_draw"\nduration_s = 0.3\n'
SWEEP = '[[step]]\nkind = "supply_sweep"\nneeds_supply = "skip"\n'
LIMITS = make_plan(head=HEAD).analysis_limits()
RELAY = '[[step]]\nkind = "relay_check"\nneeds_supply = "skip"\npull_from_v = 6\nstep_v = 1.0\n'


@pytest.fixture
def run(carry_out):
    def carried(*steps, faults=()):
        settings = make_settings(sample_hz=200)
        return carry_out(
            make_order(make_plan(*steps, head=HEAD), faults=faults, settings=settings)
        ).record

    return carried


def test_a_half_turn_of_the_relay_check_decides_on_the_sheet_as_in_the_verdict(run):
    record = run(RELAY, HALF_TURNS, REST)
    assert [step.held for step in record.steps[-3:]] == [Held.ALL, Held.ALL, Held.MEASURES]
    relay = next(step for step in record.steps if step.kind == "relay_check")
    at_rest = replace(relay.half_turns[-1], rest_a=0.4)
    relay = replace(relay, half_turns=(*relay.half_turns[:-1], at_rest))
    plain = next(step for step in record.steps if step.kind == "half_turns")
    found = judge_half_turns([*relay.half_turns, *plain.half_turns], LIMITS)
    assert Verdict.FAIL in {reason.verdict for reason in found}
    for steps in ([relay, plain], [replace(relay, held=None), plain]):  # as an old record has it
        (row,) = [row for row in measure_rows(steps, LIMITS) if row["measure"] == "rest_a"]
        assert row["state"] == "broken"
        assert f"of {len(relay.half_turns) + len(plain.half_turns)}:" in row["where"]
        assert all(group["judged"] for column in turn_groups(steps)["columns"] for group in column)


def test_a_step_that_counted_for_nothing_is_met_by_nothing(run):
    turns = HALF_TURNS.replace("count = 2", "count = 4")
    record = run(REST, turns, faults=["supply-lost@5"])
    same = Reason(Verdict.RETEST, "The step counts for nothing.", "rig")
    judged = replace(record.end.judgement, reasons=(*record.end.judgement.reasons, same, same))
    record = replace(record, end=replace(record.end, judgement=judged))
    (step,) = [step for step in record.steps if step.kind == "half_turns"]
    assert any("counts for nothing" in reason.text for reason in record.end.judgement.reasons)
    assert step.held is Held.NOTHING
    told = standing_of(record).reasons
    assert len(told) == len(set(told))
    assert step.half_turns
    assert measure_rows([step], LIMITS) == []
    groups = [group for column in turn_groups([step])["columns"] for group in column]
    assert {(group["said"], group["judged"]) for group in groups} == {("counts for nothing", False)}


def test_a_repetition_clears_doubts_and_no_faults(run):
    (step,) = [step for step in run(HALF_TURNS).steps if step.kind == "half_turns"]
    again = replace(step, number=step.number + 1, title=step.title + AGAIN)
    for rest_a, state, of in ((0.4, "broken", 3), (0.05, "met", 2)):
        turns = (replace(step.half_turns[0], rest_a=rest_a), *step.half_turns[1:])
        rows = measure_rows([replace(step, half_turns=turns), again], LIMITS)
        (row,) = [row for row in rows if row["measure"] == "rest_a"]
        assert row["state"] == state
        assert f"of {of}:" in row["where"]


def test_a_rest_that_was_cut_short_is_judged_by_what_the_unit_did(run):
    record = run(REST, faults=["cam-welded"])
    step = record.steps[-1]
    assert record.end.judgement.verdict is Verdict.FAIL
    assert held_of(step) is Held.ALL


def test_a_step_that_was_skipped_was_held_against_nothing(carry_out):
    settings = make_settings(sample_hz=200, supply=False)
    record = carry_out(make_order(make_plan(SWEEP, HALF_TURNS), settings=settings)).record
    found = [(step.state, step.held) for step in record.steps if step.kind == "supply_sweep"]
    assert found == [("skipped", None)]
