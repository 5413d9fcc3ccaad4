"""A plan in plain words: nothing that a plan may hold is left unsaid."""

from __future__ import annotations

import pytest

from rig.console.plan_words import (
    _LIMITS,
    _NOT_JUDGED,
    decided_by,
    duration_words,
    guard_words,
    limit_words,
    not_judged,
    step_words,
)
from rig.plans import DecisionSettings, LimitSettings, load_plan, shipped_plans

PLANS = [load_plan(path) for path in shipped_plans()]


def test_every_limit_a_plan_may_set_has_words():
    fields = LimitSettings.model_fields
    assert set(_LIMITS) == set(fields)
    optional = {name for name, field in fields.items() if field.default is None}
    assert set(_NOT_JUDGED) == optional


@pytest.mark.parametrize("plan", PLANS, ids=lambda plan: plan.name)
def test_each_limit_is_either_judged_or_said_not_to_be(plan):
    judged, left_out = limit_words(plan.limits), not_judged(plan.limits)
    assert len(judged) + len(left_out) == len(LimitSettings.model_fields)
    assert not any("{" in words or "None" in words for _, words in judged)


def test_a_rule_of_a_plans_own_is_told_and_the_usual_one_is_not():
    assert {decided_by(plan.decision) for plan in PLANS} == {""}
    own = DecisionSettings(rule="guarded_rejection", guard_factor=1.5)
    assert "w = 1.5 U" in decided_by(own)


def test_steps_say_their_numbers():
    said = {step.kind: step_words(step) for plan in PLANS for step in plan.steps}
    assert said["loaded"] == "you hang 2 N m on the lever; 4 to and fro"
    assert "down to 7 V" in said["supply_sweep"]
    assert "250 times to run and back, fed at most 25 % of the time" in said["endurance"]
    assert said["relay_swap"].startswith("4 with the unit's own relay, 4 with a known good one")
    assert "above 33 A for 10 ms" in guard_words(PLANS[0].guard)


@pytest.mark.parametrize(
    ("duration_s", "words"),
    [
        (0.3, "0.3 s"),
        (9.8, "10 s"),
        (99.4, "99 s"),
        (100.0, "2 min"),
        (3599.0, "1 h"),
        (4500.0, "1 h 15 min"),
        (7200.0, "2 h"),
    ],
)
def test_lengths_of_time_are_said_as_people_do(duration_s, words):
    assert duration_words(duration_s) == words
