"""The table `[decision]` of a plan."""

from __future__ import annotations

from pathlib import Path

import pytest

from rig.plans import Plan, PlanError, load_plan, plan_from_text, shipped_plans
from rig.quality.decision import DEFAULT_RULE, DecisionRule, Rule

QUALIFY = next(path for path in shipped_plans() if path.stem == "qualify").read_text()


def decided(table: str) -> Plan:
    return plan_from_text(f"{QUALIFY}\n[decision]\n{table}\n", Path("q.toml"))


@pytest.mark.parametrize("path", shipped_plans(), ids=lambda path: path.stem)
def test_a_plan_without_the_table_decides_as_ever(path: Path) -> None:
    assert load_plan(path).analysis_limits().rule == DEFAULT_RULE


def test_the_commented_table_of_the_shipped_plan_can_be_used() -> None:
    said = [line.removeprefix("# ") for line in QUALIFY.splitlines()]
    start = said.index("[decision]")
    rule, factor, risk = said[start + 1 : start + 4]
    assert decided(f"{rule}\n{factor}").analysis_limits().rule == DecisionRule(
        Rule.GUARDED_ACCEPTANCE, 1.0
    )
    of_risk = decided(f"{rule}\n{risk}").analysis_limits().rule
    assert f"{of_risk.factor:.2f}" == "0.82"


@pytest.mark.parametrize("rule", Rule)
def test_every_rule_reaches_the_analysis(rule: Rule) -> None:
    assert decided(f'rule = "{rule}"').analysis_limits().rule == DecisionRule(rule)


@pytest.mark.parametrize(
    ("table", "wrong"),
    [
        ('rule = "guard"', 'decision.rule: "guard" is not known; allowed: one of "guarded", '),
        ("rule = 1", "decision.rule: 1 is not known"),
        ("guard_factor = -0.1", "guard_factor: -0.1 is too small; allowed: a number from 0 to 3"),
        ("guard_factor = 3.1", "guard_factor: 3.1 is too large; allowed: a number from 0 to 3"),
        ("risk = 0", "risk: 0 is too small; allowed: a number from 0.0001 to 0.5"),
        ("risk = 0.6", "risk: 0.6 is too large; allowed: a number from 0.0001 to 0.5"),
        ("factor = 1", 'decision.factor: this key is not known (did you mean "guard_factor"?)'),
        (
            "risk = 0.05\nguard_factor = 1.5",
            "decision.guard_factor: guard_factor and risk both say how wide the guard band is; "
            "allowed: one of them",
        ),
        (
            'rule = "simple_acceptance"\nrisk = 0.05',
            "decision.risk: simple_acceptance has no guard band; allowed: no risk, or one of the "
            "rules guarded, guarded_acceptance, guarded_rejection",
        ),
    ],
)
def test_a_mistake_is_told_with_what_is_allowed(table: str, wrong: str) -> None:
    with pytest.raises(PlanError) as caught:
        decided(table)
    assert wrong in str(caught.value)
