"""Every limit that a plan can have is bound to a quantity, or said to be none of a unit's."""

from rig.analysis.judge import measure_label
from rig.plans import LimitSettings
from rig.studies.binding import BOUND_BY_KEY, BOUNDS, OF_NO_UNIT

OUTCOMES = {"run_on_s", "stall_s"}  # they say what an outcome is; nothing is measured against them


def test_every_limit_of_a_plan_is_accounted_for():
    assert BOUND_BY_KEY.keys().isdisjoint(OF_NO_UNIT)
    assert {*BOUND_BY_KEY, *OF_NO_UNIT, *OUTCOMES} == set(LimitSettings.model_fields)


def test_every_measure_of_a_bound_is_one_that_is_judged():
    turns = {"half_turn_s", "half_turn_min_s", "run_a", "peak_a", "rest_a", "response_s"}
    for bound in BOUNDS:
        for name in bound.checks:
            assert name in turns or measure_label(name), name
