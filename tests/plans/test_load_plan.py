"""Plans: what is read from them, where they are found, what does not fit."""

from __future__ import annotations

import pickle
from pathlib import Path

import pytest

from rig.analysis.model import Limits, UnitType, VoltageLimit
from rig.plans import (
    EnduranceStep,
    HalfTurnsStep,
    JamStep,
    LoadedStep,
    ParkCheckStep,
    Plan,
    PlanError,
    RelayCheckStep,
    RelaySwapStep,
    RestDrawStep,
    SupplySweepStep,
    VisualStep,
    ZeroStep,
    find_plan,
    list_plans,
    load_plan,
    plan_from_text,
    shipped_plans,
)

SMALLEST = """
title = "Quick look"
[unit]
type = "LM-12"
winding_ohm = 0.75
[limits]
half_turn_max_s = 1.2
[guard]
over_current_a = 30
[[step]]
kind = "half_turns"
"""


def read(text: str, name: str = "quick.toml") -> Plan:
    return plan_from_text(text, Path(name))


def mistakes(text: str) -> list[str]:
    with pytest.raises(PlanError) as caught:
        read(text)
    assert str(caught.value) == "\n".join(str(mistake) for mistake in caught.value.mistakes)
    return str(caught.value).splitlines()


def changed(old: str, new: str, text: str = SMALLEST) -> str:
    assert old in text
    return text.replace(old, new, 1)


def test_the_smallest_plan_gets_the_stated_defaults() -> None:
    plan = read(SMALLEST)
    assert (plan.name, plan.title) == ("quick", "Quick look")
    assert plan.steps == (HalfTurnsStep(count=6, pause_s=1.0),)
    assert plan.unit_type() == UnitType("LM-12", 12.0, 0.75, None, 30.0, 8.0)
    assert plan.analysis_limits() == Limits(VoltageLimit(((12.0, 1.2),)))
    assert plan.analysis_limits().half_turn_max_s.at(8.0) == 1.2


def test_a_plan_may_have_a_name_of_its_own() -> None:
    assert read('name = "quick look"\n' + SMALLEST).name == "quick look"


def test_every_limit_reaches_the_analysis() -> None:
    limits = """
half_turn_max_s = [[8, 2.0], [12, 1.2], [16.0, 1.0]]
half_turn_min_s = 0.3
run_on_s = 3.5
stall_s = 0.5
rest_max_a = 0.05
run_max_a = 5
peak_max_a = 25
sag_max_v = 1.5
response_max_s = 0.1
dropouts_max = 2
dropout_max_s = 0.01
lowest_supply_max_v = 9
stall_min_a = 12
stall_max_a = 20
winding_min_ohm = 0.6
winding_max_ohm = 0.95
swap_change_max = 0.1
"""
    steps = '[[step]]\nkind = "supply_sweep"\n[[step]]\nkind = "jam"\ncurrent_limit_a = 25\n'
    steps += '[[step]]\nkind = "relay_swap"\n'
    plan = read(changed("half_turn_max_s = 1.2", limits) + steps)
    assert plan.analysis_limits() == Limits(
        half_turn_max_s=VoltageLimit(((8.0, 2.0), (12.0, 1.2), (16.0, 1.0))),
        half_turn_min_s=VoltageLimit(((12.0, 0.3),)),
        run_on_s=3.5,
        stall_s=0.5,
        rest_max_a=0.05,
        run_max_a=5.0,
        peak_max_a=25.0,
        sag_max_v=1.5,
        response_max_s=0.1,
        dropouts_max=2,
        dropout_max_s=0.01,
        lowest_supply_max_v=9.0,
        stall_min_a=12.0,
        stall_max_a=20.0,
        winding_min_ohm=0.6,
        winding_max_ohm=0.95,
        swap_change_max=0.1,
    )
    # The guard's times are those of the limits unless the plan gives it its own.
    assert (plan.guard.stall_s, plan.guard.run_on_s) == (0.5, 3.5)


def test_the_guard_may_be_slower_than_the_limits() -> None:
    plan = read(changed("over_current_a = 30", "over_current_a = 30\nstall_s = 0.9\nrun_on_s = 5"))
    assert (plan.guard.stall_s, plan.guard.run_on_s) == (0.9, 5.0)
    assert (plan.limits.stall_s, plan.limits.run_on_s) == (0.4, 3.0)


def test_the_guards_temperature_is_the_units_unless_given() -> None:
    text = changed("winding_ohm = 0.75", "winding_ohm = 0.75\nwinding_max_c = 110")
    assert read(text).guard.winding_max_c == 110.0


def test_the_stall_current_follows_from_winding_and_highest_supply() -> None:
    # 14.4 V: a lead battery on charge (common practice, no published source).
    assert read(SMALLEST).unit.stall_a == pytest.approx(14.4 / 0.75)
    at_16_v = read(SMALLEST + "supply_v = 16\n")
    assert at_16_v.unit.stall_a == pytest.approx(16 / 0.75)
    assert (at_16_v.highest_v, at_16_v.largest_a) == (16.0, 30.0)
    known = changed("winding_ohm = 0.75", "winding_ohm = 0.75\nstall_a = 17")
    assert read(known).unit.stall_a == 17.0


def test_every_kind_of_step_is_read() -> None:
    head = SMALLEST.partition("[[step]]")[0].replace("[guard]", "[guard]\nstep_max_s = 9999")
    steps = """
[[step]]
kind = "visual"
checks = ["housing", "clamped"]
[[step]]
kind = "zero"
duration_s = 0.5
[[step]]
kind = "rest_draw"
duration_s = 3
supply_v = 13
[[step]]
kind = "half_turns"
title = "Warm up"
count = 8
pause_s = 0.5
supply_v = 11
[[step]]
kind = "supply_sweep"
from_v = 11
to_v = 8
step_v = 0.25
pause_s = 2
needs_supply = "skip"
[[step]]
kind = "loaded"
count = 2
pause_s = 1.5
load_nm = 2.5
supply_v = 12
[[step]]
kind = "park_check"
duration_s = 2
[[step]]
kind = "endurance"
cycles = 100
pause_s = 1
duty_max = 0.2
record_every = 5
[[step]]
kind = "jam"
supply_v = 12
current_limit_a = 25
stall_s = 0.2
rest_after_s = 20
[[step]]
kind = "relay_swap"
count = 3
pause_s = 0.7
[[step]]
kind = "relay_check"
pull_from_v = 5
pull_to_v = 9
drop_to_v = 1.5
step_v = 0.5
needs_supply = "skip"
"""
    plan = read(head + steps)
    assert plan.steps == (
        VisualStep(checks=("housing", "clamped")),
        ZeroStep(duration_s=0.5),
        RestDrawStep(duration_s=3.0, supply_v=13.0),
        HalfTurnsStep(title="Warm up", count=8, pause_s=0.5, supply_v=11.0),
        SupplySweepStep(from_v=11.0, to_v=8.0, step_v=0.25, pause_s=2.0, needs_supply="skip"),
        LoadedStep(count=2, pause_s=1.5, load_nm=2.5, supply_v=12.0),
        ParkCheckStep(duration_s=2.0),
        EnduranceStep(cycles=100, pause_s=1.0, duty_max=0.2, record_every=5),
        JamStep(supply_v=12.0, current_limit_a=25.0, stall_s=0.2, rest_after_s=20.0),
        RelaySwapStep(count=3, pause_s=0.7),
        RelayCheckStep(
            pull_from_v=5.0, pull_to_v=9.0, drop_to_v=1.5, step_v=0.5, needs_supply="skip"
        ),
    )
    assert plan.steps[3].label == "Warm up"
    assert plan.steps[4].label == "Supply sweep"
    assert pickle.loads(pickle.dumps(plan)) == plan


def test_a_relays_trials_end_where_they_say() -> None:
    step = RelayCheckStep(pull_from_v=4.0, pull_to_v=6.0, drop_to_v=1.0, step_v=0.5)
    assert step.pull_levels_v() == (4.0, 4.5, 5.0, 5.5, 6.0)
    assert step.drop_levels_v(2.5) == (2.5, 2.0, 1.5, 1.0)
    assert step.half_turns == 2


def test_a_sweep_ends_where_it_says() -> None:
    for step_v in (0.1, 0.25, 0.5, 1.0):
        levels = SupplySweepStep(from_v=12.0, to_v=7.0, step_v=step_v).levels_v()
        assert (levels[0], levels[-1]) == (12.0, 7.0)
        assert len(levels) == round(5 / step_v) + 1
    assert SupplySweepStep(from_v=12.0, to_v=7.0, step_v=2.0).levels_v() == (12.0, 10.0, 8.0)


# --- finding ----------------------------------------------------------------------------------


def test_a_plan_is_found_by_name_first_in_the_folders_given(tmp_path: Path) -> None:
    (tmp_path / "mine.toml").write_text(SMALLEST)
    (tmp_path / "qualify.toml").write_text(SMALLEST)
    (tmp_path / "rig.toml").write_text("")
    folders = [tmp_path, tmp_path / "not there"]
    assert find_plan("mine", folders) == tmp_path / "mine.toml"
    assert find_plan("mine.toml", folders) == tmp_path / "mine.toml"
    assert find_plan("qualify", folders) == tmp_path / "qualify.toml"
    assert find_plan(str(tmp_path / "mine.toml"), []) == tmp_path / "mine.toml"
    assert load_plan(find_plan("suspect", folders)).name == "suspect"
    assert sorted(list_plans(folders)) == ["endurance", "incoming", "mine", "qualify", "suspect"]


def test_a_plan_that_is_not_there_names_those_that_are(tmp_path: Path) -> None:
    with pytest.raises(PlanError) as caught:
        find_plan("qualfy", [tmp_path])
    assert str(caught.value) == (
        '"qualfy": there is no such plan (did you mean "qualify"?); allowed: the path of a plan, '
        "or one of endurance, incoming, qualify, suspect"
    )


@pytest.mark.parametrize(
    "name", ["", ".", "x" * 5000, "a\nb", "a\0b", "../..", "nowhere/plan.toml"]
)
def test_odd_names_of_plans_are_told_too(name: str) -> None:
    with pytest.raises(PlanError, match=r"^\"[^\n]*\": there is no such plan"):
        find_plan(name, [])


def test_the_shipped_plans_are_the_four() -> None:
    names = [path.stem for path in shipped_plans()]
    assert names == ["endurance", "incoming", "qualify", "suspect"]


# --- mistakes in single values ----------------------------------------------------------------


@pytest.mark.parametrize(
    ("old", "new", "expected"),
    [
        (
            "0.75",
            '"0.75"',
            'unit.winding_ohm: "0.75" is not a number; allowed: a number from 0.01 to 100 ohm',
        ),
        ("0.75", "true", "unit.winding_ohm: true is not a number"),
        ("0.75", "nan", "unit.winding_ohm: nan is not a finite number"),
        ("0.75", "-inf", "unit.winding_ohm: -inf is not a finite number"),
        (
            "= 1.2",
            "= 0",
            "limits.half_turn_max_s: 0 is too small; allowed: a number from 0.05 to 20 "
            "s, or a list of [volts, number] by rising volts",
        ),
        ("= 1.2", "= []", "limits.half_turn_max_s: the list is empty"),
        (
            "= 1.2",
            "= [[12, 1.2], [8, 2]]",
            "limits.half_turn_max_s: point 2: 8 V does not come after 12 V",
        ),
        (
            "= 1.2",
            "= [[8, 2], [8, 1]]",
            "limits.half_turn_max_s: point 2: 8 V does not come after 8 V",
        ),
        (
            "= 1.2",
            "= [[5, 2], [12, true], 3]",
            "limits.half_turn_max_s: point 1: 5 is not a voltage from 6 to 16 V; point "
            "2: true is not a number from 0.05 to 20 s; point 3 is 3 and not [volts, "
            "number]",
        ),
        (
            "= 1.2",
            "= [[8, 2, 1]]",
            "limits.half_turn_max_s: point 1 is a list and not [volts, number]",
        ),
        (
            "= 1.2",
            "= 1.2\ndropouts_max = 1.5",
            "limits.dropouts_max: 1.5 is not a whole number; allowed: a whole number "
            "from 0 to 1000",
        ),
        (
            "= 1.2",
            "= 1.2\nrest_max = 0.05",
            'limits.rest_max: this key is not known (did you mean "rest_max_a"?)',
        ),
        (
            "over_current_a = 30",
            "",
            "guard.over_current_a: this key is missing; allowed: a number above 0 and up to 200 A",
        ),
        (
            'kind = "half_turns"',
            "",
            'step[1]: this table has no "kind"; allowed: kind = one of "visual", "zero"',
        ),
        (
            'kind = "half_turns"',
            "kind = 3",
            "step[1]: the kind 3 is not known; allowed: kind = one of",
        ),
        (
            '"half_turns"',
            '"half_turn"',
            'step[1]: the kind "half_turn" is not known (did you mean "half_turns"?)',
        ),
        (
            '"half_turns"',
            '"half_turns"\ncount = 0',
            "step[1].count: 0 is too small; allowed: a whole number from 1 to 1000",
        ),
        (
            '"half_turns"',
            '"half_turns"\nsupply_v = 17',
            "step[1].supply_v: 17 is too large; allowed: a number from 6 to 16 V",
        ),
        (
            '"half_turns"',
            '"half_turns"\nsupply_v = 5.9',
            "step[1].supply_v: 5.9 is too small; allowed: a number from 6 to 16 V",
        ),
        (
            '"half_turns"',
            '"half_turns"\ncycles = 3',
            "step[1].cycles: this key is not known; allowed: count, kind, pause_s, supply_v, title",
        ),
        (
            '"half_turns"',
            '"visual"\nchecks = ["housing", "hosing", 3]',
            'step[1].checks: "hosing", 3 are not known; allowed: a list of checks out '
            'of "housing", ',
        ),
        ('"half_turns"', '"visual"\nchecks = []', "step[1].checks: the list is empty"),
        ('"half_turns"', '"visual"\nchecks = "housing"', 'step[1].checks: "housing" is not a list'),
        (
            '"half_turns"',
            '"visual"\nchecks = ["relay", "relay"]',
            'step[1].checks: "relay" stands in the list twice',
        ),
        (
            '"half_turns"',
            '"loaded"',
            "step[1].load_nm: this key is missing; allowed: a number above 0 and up to 20 N m",
        ),
        (
            '"half_turns"',
            '"endurance"\ncycles = 5\nduty_max = 1.5',
            "step[1].duty_max: 1.5 is too large; allowed: a number above 0 and up to 1",
        ),
        (
            '"half_turns"',
            '"supply_sweep"\nneeds_supply = "maybe"',
            'step[1].needs_supply: "maybe" is not known; allowed: one of "skip", "refuse"',
        ),
        (
            '[[step]]\nkind = "half_turns"',
            "[step]",
            "step: a table does not fit here; allowed: one or more tables, each under "
            "a heading in double brackets",
        ),
        ('[[step]]\nkind = "half_turns"', "", "step: this key is missing"),
        (
            "[guard]\nover_current_a = 30",
            "",
            "guard: this key is missing; allowed: a table with the keys "
            "over_current_a, over_current_s, stall_s, run_on_s, step_max_s, "
            "winding_max_c",
        ),
    ],
)
def test_each_mistake_is_told_where_it_is(old: str, new: str, expected: str) -> None:
    (line,) = mistakes(changed(old, new))
    assert line.startswith("quick.toml, ")
    assert expected in line


@pytest.mark.parametrize(
    ("old", "new", "unknown", "missing"),
    [
        ("winding_ohm", "winding", "unit.winding", "unit.winding_ohm"),
        ("[[step]]", "[[steps]]", "steps[1]", "step"),
        ("[limits]", "[limit]", "limit", "limits"),
    ],
)
def test_a_mistyped_key_is_unknown_and_the_right_one_missing(
    old: str, new: str, unknown: str, missing: str
) -> None:
    lines = mistakes(changed(old, new))
    hint = missing.rpartition(".")[2]
    assert any(f"{missing}: this key is missing; allowed: " in line for line in lines)
    assert any(
        f'{unknown.partition("[")[0]}: this key is not known (did you mean "{hint}"?)' in line
        for line in lines
    )
    assert len(lines) == 2


def test_a_plan_without_steps_is_told() -> None:
    text = SMALLEST.partition("[[step]]")[0]
    assert mistakes("step = []\n" + text) == [
        "quick.toml, line 1, step: the plan has no step; allowed: one [[step]] table or more"
    ]


def test_lines_and_keys_lead_to_the_mistake() -> None:
    text = SMALLEST + '[[step]]\nkind = "zero"\n\n[[step]]\nkind = "rest_draw"\nduration_s = -1\n'
    with pytest.raises(PlanError) as caught:
        read(text)
    (mistake,) = caught.value.mistakes
    assert mistake.key == "step[3].duration_s"
    assert text.splitlines()[(mistake.line or 0) - 1] == "duration_s = -1"
    assert (mistake.file, mistake.wrong) == ("quick.toml", "-1 is too small")
    assert mistake.allowed == "a number from 0.1 to 60 s"
