"""What must stand beside a verdict: how the rig stood, and a sentence that is true by the rule."""

from __future__ import annotations

from dataclasses import replace

import pytest
from paper import text_of

from rig.analysis.checks import Check
from rig.analysis.model import Judgement, Verdict
from rig.quality.decision import DecisionRule, Rule
from rig.records.golden_said import GoldenStanding, said
from rig.sheets.label import LabelSize, label_of
from rig.sheets.letterhead import Letterhead
from rig.sheets.lot_report import lot_report
from rig.sheets.of_record import document_of
from rig.sheets.standing import standing_of
from rig.sheets.verdict_means import verdict_sentence

# A value well inside a limit of 1, one near it inside and outside, one well outside; U is 0.1.
VALUES = (0.5, 0.95, 1.05, 1.5)
HEAD = Letterhead("Low Meadow Pump Works")
TOLD = "Golden unit G-1: the last check was out of control."


def by_golden(run, standing):
    return replace(run, start=replace(run.start, golden=said(standing, TOLD, serial="G-1")))


@pytest.mark.parametrize(
    ("standing", "short"),
    [
        (GoldenStanding.OUT, "RIG OUT OF CONTROL"),
        (GoldenStanding.DUE, "golden check was due"),
        (GoldenStanding.IN_CONTROL, ""),
    ],
)
def test_a_rig_out_of_control_is_said_wherever_its_verdict_stands(store, made, standing, short):
    run_id = made[1]["new"]
    run = by_golden(store.run(run_id), standing)
    document = document_of(store, run, HEAD)
    assert document.data["standing"]["caution"] == short
    assert {"name": "Golden", "text": TOLD} in document.data["rig"]
    assert (
        lot_report([(run, store.checksum(run.run_id))], HEAD)
        .data["rows"][0]["why"]
        .startswith(short)
    )
    if standing is GoldenStanding.OUT:
        written = text_of(document.pdf())
        assert short in written
        assert TOLD in written
        plain, told = (
            label_of(one, store.checksum(run_id), LabelSize(62.0, 29.0, 203.0), HEAD)
            for one in (store.run(run_id), run)
        )
        assert plain != told


def test_what_golden_units_and_calibration_say_stand_side_by_side(store, made):
    real = store.run(made[1]["pass"])
    before = standing_of(real).cautions
    cautions = standing_of(by_golden(real, GoldenStanding.OUT)).cautions
    assert cautions == ("RIG OUT OF CONTROL", *before)


CLAIMS = tuple(
    f"{how} by more than the measurement is uncertain by"
    for how in ("Every limit of the plan was met", "At least one limit was broken")
)


@pytest.mark.parametrize("rule", Rule)
@pytest.mark.parametrize("factor", [1.0, 0.8])
def test_the_sentence_of_a_verdict_is_true_of_every_value_that_gets_it(rule, factor):
    """A value (limit <= 1, U = 0.1) is judged; the sentence claims no more than is so of it."""
    by = DecisionRule(rule, factor)
    for value in VALUES:
        check = Check("x", "x", "is", value, 0.1, "s", None, 1.0, rule=by)
        said = verdict_sentence(check.verdict, by)
        if said.startswith(CLAIMS):
            assert abs(value - 1.0) > 0.1
        if check.verdict is Verdict.PASS and value > 1.0:
            assert "may lie beyond its limit" in said
        if check.verdict is Verdict.FAIL and value < 1.0:
            assert "may lie within its limit" in said
        if "too close to a limit" in said:
            assert rule is Rule.GUARDED
    near = VALUES[1:3]
    verdicts = {Check("x", "x", "is", v, 0.1, "s", None, 1.0, rule=by).verdict for v in near}
    assert (Verdict.RETEST in verdicts) == (rule is Rule.GUARDED)


@pytest.mark.parametrize("rule", [*Rule, None])
def test_a_sheet_says_the_verdict_by_its_plans_rule_and_nothing_of_one_it_cannot_read(
    store, made, rule
):
    run = store.run(made[1]["pass"])
    text = "x = 1" if rule is None else f'{run.start.plan_text}\n[decision]\nrule = "{rule}"\n'
    for verdict in (Verdict.PASS, Verdict.FAIL):
        judged = replace(run.end, judgement=Judgement(verdict, ()))
        changed = replace(run, start=replace(run.start, plan_text=text), end=judged)
        sentence = standing_of(changed).sentence
        by = None if rule is None else DecisionRule(rule)
        assert sentence == verdict_sentence(verdict, by)
        if rule is None:
            assert not any(word in sentence for word in ("met", "broken", "within", "beyond"))
