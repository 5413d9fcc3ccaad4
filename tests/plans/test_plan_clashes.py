"""Values of a plan that contradict each other: refused, each with both sides named."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from rig.plans import Mistake, Plan, PlanError, plan_from_text, shipped_plans

QUALIFY = next(path for path in shipped_plans() if path.stem == "qualify").read_text()


def read(text: str) -> Plan:
    return plan_from_text(text, Path("q.toml"))


def mistakes(text: str) -> list[str]:
    with pytest.raises(PlanError) as caught:
        read(text)
    return str(caught.value).splitlines()


def with_values(**values: str) -> str:
    """Return the qualify plan with keys changed; ``limits__stall_s="3"`` is stall_s of [limits]."""
    lines = QUALIFY.splitlines()
    for name, value in values.items():
        table, _, key = name.partition("__")
        table, _, count = table.partition("_")
        header = f'kind = "{table}_{count}"' if count else f"[{table}]"
        if header not in QUALIFY:
            header = f'kind = "{table}"'
        start = lines.index(header)
        for at in range(start + 1, len(lines)):
            if lines[at].startswith(f"{key} ="):
                lines[at] = f"{key} = {value}"
                break
            if lines[at].startswith("["):
                lines.insert(start + 1, f"{key} = {value}")
                break
        else:
            lines.append(f"{key} = {value}")
    return "\n".join(lines)


def test_the_plan_that_these_tests_change_is_sound() -> None:
    assert read(QUALIFY).limits.stall_s == 0.25
    assert read(with_values(limits__stall_s="0.22")).limits.stall_s == 0.22


@pytest.mark.parametrize(
    ("values", "key", "wrong"),
    [
        (
            {"limits__half_turn_min_s": "[[8.0, 0.5], [12.0, 1.3]]"},
            "limits.half_turn_min_s",
            "1.3 s at 12 V is not less than limits.half_turn_max_s (1.2 s); "
            "allowed: less than 1.2 s at 12 V",
        ),
        (
            # Below 8 V the longest is flat at 2 s and the shortest rises: they cross between.
            {"limits__half_turn_min_s": "[[6.0, 2.5], [8.0, 0.5]]"},
            "limits.half_turn_min_s",
            "2.5 s at 6 V is not less than limits.half_turn_max_s (2 s)",
        ),
        (
            {"limits__run_on_s": "2.0", "guard__run_on_s": "3"},
            "limits.run_on_s",
            "2 s is not more than the longest half-turn allowed (limits.half_turn_max_s, 2 s): a "
            "slow unit would be told to run on; allowed: more than 2 s",
        ),
        (
            {"limits__response_max_s": "1.0"},
            "limits.response_max_s",
            "1 s is not less than the shortest limits.half_turn_max_s (1 s); allowed: less than 1",
        ),
        (
            {"limits__rest_max_a": "8"},
            "limits.rest_max_a",
            "8 is not less than limits.run_max_a (7); allowed: less than 7, or a larger "
            "limits.run_max_a",
        ),
        ({"limits__run_max_a": "30"}, "limits.run_max_a", "30 is not less than limits.peak_max_a"),
        (
            {"limits__stall_min_a": "26"},
            "limits.stall_min_a",
            "26 is not less than limits.stall_max_a (26)",
        ),
        (
            {"limits__winding_min_ohm": "0.55"},
            "limits.winding_min_ohm",
            "0.55 is more than unit.winding_ohm (0.51), so the nominal unit would fail",
        ),
        (
            {"limits__winding_max_ohm": "0.5"},
            "unit.winding_ohm",
            "0.51 is more than limits.winding_max_ohm (0.5), so the nominal unit would fail",
        ),
        (
            {"guard__stall_s": "0.22"},
            "limits.stall_s",
            "0.25 is more than guard.stall_s (0.22), so the guard would cut before the limit is "
            "reached; allowed: up to 0.22, or a larger guard.stall_s",
        ),
        (
            {"guard__run_on_s": "2.5"},
            "limits.run_on_s",
            "3 is more than guard.run_on_s (2.5), so the guard would cut before",
        ),
        (
            {"limits__peak_max_a": "33"},
            "limits.peak_max_a",
            "33 is not less than guard.over_current_a (33), so the guard would cut before",
        ),
        (
            {"unit__stall_a": "33"},
            "unit.stall_a",
            "33 is not less than guard.over_current_a (33), so every start would trip the guard",
        ),
        (
            {"unit__winding_max_c": "100"},
            "guard.winding_max_c",
            "120 is more than unit.winding_max_c (100), which would burn the winding",
        ),
        (
            {"supply_sweep__from_v": "7", "limits__lowest_supply_max_v": "7"},
            "step[6].from_v",
            "the sweep goes from 7 V to 7 V; it must go down; allowed: from_v above to_v (7 V)",
        ),
        (
            {"supply_sweep__to_v": "14"},
            "step[6].from_v",
            "the sweep goes from 12 V to 14 V; it must go down; allowed: from_v above to_v (14 V)",
        ),
        (
            {"supply_sweep__to_v": "8.5", "supply_sweep__step_v": "4"},
            "step[6].step_v",
            "4 V is more than the whole sweep (12 V to 8.5 V); allowed: up to 3.5 V",
        ),
        (
            {"limits__lowest_supply_max_v": "13"},
            "limits.lowest_supply_max_v",
            "13 V is outside the sweep of step 6 (12 V to 7 V); allowed: from 7 to 12 V",
        ),
        (
            {"jam__stall_s": "0.5"},
            "step[8].stall_s",
            "0.5 s is longer than the plan's stall time (limits.stall_s, 0.25 s); "
            "allowed: up to 0.25 s",
        ),
        (
            {"jam__current_limit_a": "34"},
            "step[8].current_limit_a",
            "34 A is more than the guard allows (guard.over_current_a, 33 A); allowed: up to 33 A",
        ),
        (
            {"jam__current_limit_a": "26"},
            "step[8].current_limit_a",
            "26 A is not more than limits.stall_max_a (26 A): a larger stall current could not be",
        ),
        (
            {"relay_check__step_v": "0.25\npull_from_v = 10"},
            "step[9].pull_from_v",
            "the supply goes from 10 V to 10 V; it must go up until the relay pulls in",
        ),
        (
            {"relay_check__step_v": "0.25\npull_to_v = 13"},
            "step[9].pull_to_v",
            "13 V is more than the unit's nominal voltage (12 V); allowed: up to 12 V",
        ),
        (
            {"limits__pull_in_max_v": "11"},
            "limits.pull_in_max_v",
            "11 V is outside the trials of step 9 (4 V to 10 V); allowed: above 4 and up to 10 V",
        ),
        (
            {"limits__drop_out_min_v": "0.5"},
            "limits.drop_out_min_v",
            "0.5 V is below where the trials of step 9 end (1 V); allowed: 1 V or more",
        ),
        (
            {"limits__drop_out_min_v": "9"},
            "limits.drop_out_min_v",
            "9 is not less than limits.pull_in_max_v (8.5)",
        ),
        (
            {"half_turns__count": "200"},
            "guard.step_max_s",
            "300 s is shorter than step 4 (Half-turns) may take with a unit just within its "
            "limits (600 s); allowed: 600 s or more, or a shorter step",
        ),
    ],
)
def test_each_clash_is_told_with_both_sides(values: dict[str, str], key: str, wrong: str) -> None:
    (line,) = mistakes(with_values(**values))
    assert f"{key}: {wrong}" in line


@pytest.mark.parametrize(
    ("limit", "step"),
    [
        ("lowest_supply_max_v", "supply_sweep"),
        ("stall_min_a", "jam"),
        ("stall_max_a", "jam"),
        ("winding_min_ohm", "jam"),
        ("winding_max_ohm", "jam"),
        ("swap_change_max", "relay_swap"),
        ("pull_in_max_v", "relay_check"),
        ("drop_out_min_v", "relay_check"),
        ("coil_min_ohm", "relay_check"),
        ("coil_max_ohm", "relay_check"),
        ("operate_max_s", "relay_check"),
        ("release_max_s", "relay_check"),
    ],
)
def test_a_limit_that_no_step_measures_is_told(limit: str, step: str) -> None:
    values = {"lowest_supply_max_v": 9, "stall_min_a": 12, "stall_max_a": 20} | dict.fromkeys(
        ("coil_min_ohm", "coil_max_ohm"), 85
    )
    value = values.get(limit, 0.51)
    text = f"""
title = "Quick look"
unit = {{type = "LM-12", winding_ohm = 0.51}}
limits = {{half_turn_max_s = 1.2, {limit} = {value}}}
guard = {{over_current_a = 30}}
step = [{{kind = "half_turns"}}]
"""
    assert mistakes(text) == [
        f"q.toml, line 4, limits.{limit}: no step of the plan measures this; allowed: a step of "
        f'kind "{step}" in the plan, or no such limit'
    ]


def test_stall_time_and_run_on_time_must_stand_in_order() -> None:
    text = with_values(limits__half_turn_max_s="0.9", limits__run_on_s="1", limits__stall_s="1.5")
    lines = mistakes(text)
    assert any(
        "limits.stall_s: 1.5 is not less than limits.run_on_s (1); allowed: less than 1" in line
        for line in lines
    )


def test_all_clashes_are_told_at_once_beside_other_mistakes() -> None:
    text = with_values(
        limits__rest_max_a="8",
        limits__sag_max_v='"much"',
        limits__stall_min_a="27",
        guard__winding_max_c="140",
        half_turns__count="-3",
        jam__stall_s="0.5",
        jam__rest_after="3",
    )
    assert [line.split(", ", 2)[2].partition(":")[0] for line in mistakes(text)] == [
        "limits.rest_max_a",
        "limits.sag_max_v",
        "limits.stall_min_a",
        "guard.winding_max_c",
        "step[4].count",
        "step[8].rest_after",
        "step[8].stall_s",
    ]


def test_a_clash_with_a_value_that_is_wrong_itself_is_not_told_twice() -> None:
    # With the default 0.4 s in place of the wrong limit, 0.5 s of the jam would look too long.
    (line,) = mistakes(with_values(limits__stall_s="5", jam__stall_s="0.39"))
    assert "limits.stall_s: 5 is too large" in line
    # The mistyped key is told, not that the guard's 0.35 s is below the default that remains.
    text = with_values(guard__stall_s="0.35").replace("stall_s = 0.25 ", "stal_s = 0.2 ", 1)
    (line,) = mistakes(text)
    assert 'limits.stal_s: this key is not known (did you mean "stall_s"?)' in line


times = st.floats(0.06, 1.9).map(lambda value: round(value, 3))


@given(limit_s=times, guard_s=times, jam_s=times)
def test_stall_times_are_taken_if_and_only_if_they_stand_in_order(
    limit_s: float, guard_s: float, jam_s: float
) -> None:
    text = with_values(
        limits__stall_s=str(limit_s), guard__stall_s=str(guard_s), jam__stall_s=str(jam_s)
    )
    expected = (jam_s > limit_s) + (limit_s > guard_s)
    found: tuple[Mistake, ...] = ()
    try:
        read(text)
    except PlanError as problem:
        found = problem.mistakes
    assert len(found) == expected


# Half volts and twentieths of a second, so that points of both limits often coincide.
points = st.lists(st.tuples(st.integers(12, 32), st.integers(6, 40)), min_size=1, max_size=4)


@given(points, points)
def test_half_turn_limits_are_taken_if_and_only_if_they_do_not_cross(
    least: list[tuple[int, int]], most: list[tuple[int, int]]
) -> None:
    low, high = (
        np.array([(v / 2, dict(limit)[v] / 20) for v in sorted(dict(limit))])
        for limit in (least, most)
    )
    text = f"""
title = "Quick look"
unit = {{type = "LM-12", winding_ohm = 0.51}}
limits = {{half_turn_max_s = {high.tolist()}, half_turn_min_s = {low.tolist()}}}
guard = {{over_current_a = 30}}
step = [{{kind = "half_turns"}}]
"""
    # Straight lines between the points and flat outside, by numpy; a grid that has every corner.
    grid_v = np.linspace(6, 16, 201)
    crosses = np.interp(grid_v, *low.T) > np.interp(grid_v, *high.T) - 1e-9
    try:
        read(text)
    except PlanError:
        assert crosses.any()
    else:
        assert not crosses.any()
