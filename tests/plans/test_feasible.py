"""A plan against a rig: what cannot be run is refused before anything is fed."""

from __future__ import annotations

from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from drivers.ina219 import plan_sensor
from rig.feasible import cautions_on_rig, check_plan_on_rig, describe_sensor
from rig.plans import Plan, plan_from_text, shipped_plans
from rig.settings import RigSettings, settings_from_text, starter_text

QUALIFY = next(path for path in shipped_plans() if path.stem == "qualify").read_text()
NO_SUPPLY = ('kind = "scpi"', 'kind = "none"')


def changed(text: str, *changes: tuple[str, str]) -> str:
    for old, new in changes:
        assert old in text
        text = text.replace(old, new)
    return text


def rig(*changes: tuple[str, str]) -> RigSettings:
    return settings_from_text(changed(starter_text(), *changes), Path("rig.toml"))


def plan(*changes: tuple[str, str]) -> Plan:
    return plan_from_text(changed(QUALIFY, *changes), Path("q.toml"))


def found(a_plan: Plan, a_rig: RigSettings) -> list[str]:
    return [str(mistake) for mistake in check_plan_on_rig(a_plan, a_rig, a_rig.station())]


def test_the_starter_rig_runs_the_plan_with_and_without_a_programmable_supply() -> None:
    assert found(plan(), rig()) == []
    assert found(plan(), rig(NO_SUPPLY)) == []


@pytest.mark.parametrize(
    ("plan_change", "rig_change", "expected"),
    [
        (
            None,
            ("shunt_ohm = 0.005", "shunt_ohm = 0.1"),
            "station[1].battery_sensor.shunt_ohm: 0.1 ohm reads to 3.2 A at "
            "most, less than plan q needs: the plan's guard trips at 33 A; allowed: a shunt of "
            "0.0097 ohm or less",
        ),
        (
            None,
            ("shunt_w = 5 ", "shunt_w = 5\nmax_a = 19"),
            "station[1].battery_sensor.max_a: 19 A is less than plan q needs: the plan's guard "
            "trips at 33 A; allowed: 33 A or more, or no max_a at all",
        ),
        (
            # 28.2 A squared in 5 mohm.
            None,
            ("shunt_w = 5 ", "shunt_w = 1 "),
            "station[1].battery_sensor.shunt_w: the shunt is rated 1 W and would take 3.99 W at "
            "the stall current of 28.2 A; allowed: a shunt of 3.99 W or more, or of less "
            "resistance",
        ),
        (
            ("rest_max_a = 0.05 ", "rest_max_a = 0.002 "),
            None,
            "limits.rest_max_a: 0.002 A cannot be seen: the sensor of station A "
            "reads in steps of 0.002 A",
        ),
        (
            ('kind = "zero"\nduration_s = 1.0', 'kind = "rest_draw"'),
            ("# offset_u_a = 0.002", "offset_u_a = 0.03 #"),
            "limits.rest_max_a: 0.05 A is within the doubt of the sensor's zero (0.06 A), so that "
            'no unit could pass; allowed: more than 0.06 A, or a step of kind "zero" in the plan',
        ),
        (
            ("run_max_a = 7.0", "run_max_a = 12"),
            None,
            "limits.run_max_a: 12 A is more than the fuse of station A carries for good; "
            "allowed: up to 10 A",
        ),
        (
            None,
            ("max_v = 16.0", "max_v = 11"),
            "step[6].from_v: step 6 (Supply sweep) sets 12 V, more than the rig's supply may be "
            "set to (supply.max_v, 11 V); allowed: up to 11 V",
        ),
        (
            None,
            ("max_v = 16.0", "max_v = 11"),
            "supply.max_v: 11 V is less than the unit's nominal voltage (12 V); "
            "allowed: 12 V or more",
        ),
        (
            None,
            ("max_a = 40.0", "max_a = 10"),
            "supply.max_a: 10 A is less than the 28.2 A a unit draws at a start or a stall, so "
            "that the supply would hide both; allowed: 28.2 A or more",
        ),
        (
            ('needs_supply = "skip"', 'needs_supply = "refuse"'),
            NO_SUPPLY,
            "step[6].from_v: step 6 (Supply sweep) sets 12 V, and the rig's supply cannot be set "
            '(supply.kind is "none"); allowed: needs_supply = "skip" in this step, or a rig with '
            'a supply of kind "scpi"',
        ),
        (
            ("count = 6 ", "supply_v = 11\ncount = 6 "),
            NO_SUPPLY,
            "step[4].supply_v: step 4 (Half-turns) sets 11 V, and the rig's supply cannot be set",
        ),
        (
            ("\nstall_s = 0.2 ", "\nstall_s = 0.05 "),
            ("sample_hz = 1000", "sample_hz = 300"),
            "station[1].sample_hz: 300 Hz gives 15 samples in the plan's stall time of 0.05 s; "
            "allowed: 400 Hz or more, or a longer stall time in the plan",
        ),
        (
            ("over_current_s = 0.01", "over_current_s = 0.005"),
            ("sample_hz = 1000", "sample_hz = 250"),
            "guard.over_current_s: 0.005 s is shorter than two samples of station A (250 Hz); "
            "allowed: 0.008 s or more, or 0 to trip at the first sample",
        ),
        (
            # 28.2 A squared x 0.51 ohm x 0.25 s = 102 J into 1 J/K.
            ("heat_j_per_k = 120.0", "heat_j_per_k = 1.0"),
            None,
            "guard.stall_s: 0.25 s at the stall current of 28.2 A would warm the winding to 122 "
            "degrees Celsius; allowed: a time that keeps it below guard.winding_max_c (120)",
        ),
    ],
)
def test_each_reason_is_told_where_it_can_be_mended(
    plan_change: tuple[str, str] | None, rig_change: tuple[str, str] | None, expected: str
) -> None:
    lines = found(
        plan(*([plan_change] if plan_change else [])), rig(*([rig_change] if rig_change else []))
    )
    assert any(expected in line for line in lines), lines


def test_lines_are_those_of_the_file_that_can_be_mended() -> None:
    a_plan = plan(("run_max_a = 7.0", "run_max_a = 12"))
    a_rig = rig(("shunt_ohm = 0.005", "shunt_ohm = 0.1"), ("max_a = 40.0", "max_a = 10"))
    mistakes = check_plan_on_rig(a_plan, a_rig, a_rig.station())
    texts = {"q.toml": a_plan.text.splitlines(), "rig.toml": a_rig.text.splitlines()}
    for mistake in mistakes:
        assert mistake.line is not None
        line = texts[mistake.file][mistake.line - 1]
        assert line.startswith(mistake.key.rpartition(".")[2] + " = ")
    assert {mistake.file for mistake in mistakes} == {"q.toml", "rig.toml"}


def test_a_stall_held_longer_than_the_fuse_is_refused() -> None:
    # 28 A in a 3 A fuse is 930 %: open within 0.15 s (the latest of the sheets at 600 %).
    lines = found(plan(), rig(("fuse_a = 10 ", "fuse_a = 3 ")))
    assert [line.split(", ", 2)[2].split("; ")[0] for line in lines] == [
        "guard.stall_s: 0.25 s at the stall current of 28.2 A: the 3 A fuse of "
        "station A has opened after 0.15 s",
        "step[8].stall_s: 0.2 s at the stall current of 28 A: the 3 A fuse of "
        "station A has opened after 0.15 s",
        "limits.run_max_a: 7 A is more than the fuse of station A carries for good",
    ]


def test_a_supply_that_limits_the_jam_spares_the_fuse() -> None:
    changes = [
        ("current_limit_a = 28.0", "current_limit_a = 5.0"),
        ("stall_min_a = 17.0", "#"),
        ("stall_max_a = 26.0", "#"),
    ]
    lines = found(plan(*changes), rig(("fuse_a = 10 ", "fuse_a = 3 ")))
    assert not [line for line in lines if "step[8]" in line]
    without = found(plan(*changes), rig(("fuse_a = 10 ", "fuse_a = 3 "), NO_SUPPLY))
    assert [line for line in without if "step[8].stall_s" in line]


def test_all_reasons_are_told_at_once() -> None:
    lines = found(
        plan(("run_max_a = 7.0", "run_max_a = 12")),
        rig(("shunt_ohm = 0.005", "shunt_ohm = 0.1"), ("max_a = 40.0", "max_a = 10")),
    )
    keys = {line.split(", ", 2)[2].partition(":")[0] for line in lines}
    assert keys == {
        "station[1].battery_sensor.shunt_ohm",
        "station[1].battery_sensor.shunt_w",
        "limits.run_max_a",
        "supply.max_a",
    }


@pytest.mark.parametrize(
    ("width", "allowed"), [("guard_factor = 0", "more than 0"), ("risk = 0.5", "less than 0.5")]
)
def test_a_retest_for_ever_is_refused_before_anything_is_fed(width: str, allowed: str) -> None:
    table = f"[decision]\n{width}\n"
    (line,) = found(plan_from_text(f"{QUALIFY}\n{table}", Path("q.toml")), rig())
    assert "guarded without a guard band would test a value on the limit again for ever" in line
    assert line.endswith(f"allowed: {allowed}, or the rule simple_acceptance")
    one_edge = f'{table}rule = "guarded_acceptance"\n'
    assert found(plan_from_text(f"{QUALIFY}\n{one_edge}", Path("q.toml")), rig()) == []


def test_a_battery_above_the_plans_highest_supply_raises_the_stall_current() -> None:
    high = rig(NO_SUPPLY, ("battery_v = 12.6", "battery_v = 16"), ("shunt_w = 5 ", "shunt_w = 4 "))
    (line,) = found(plan(), high)
    assert "would take 4.92 W at the stall current of 31.4 A" in line  # 16 V / 0.51 ohm


def test_cautions_name_the_step_left_out_and_the_fuse_that_may_open() -> None:
    station = rig().station()
    assert not any("left out" in text for text in cautions_on_rig(plan(), rig(), station))
    bare = rig(NO_SUPPLY)
    texts = cautions_on_rig(plan(), bare, bare.station())
    assert "Step 6 (Supply sweep) is left out: the rig's supply cannot be set." in texts[-2]
    assert "Step 9 (Relay check) finds no voltages: the rig's supply cannot be set." in texts[-1]
    # 28.2 A is 282 % of 10 A; sheets give 0.15 s at 200 % and 0.08 s at 350 % at the earliest.
    assert (
        "A unit that jams stands still for up to 0.25 s at 28.2 A, which may open the 10 A fuse"
        in texts[0]
    )


def test_the_sensor_is_described_as_the_driver_will_set_it_up() -> None:
    # 320 mV is the smallest range that holds 33 A x 5 mohm; 10 uV / 5 mohm (TI SBOS448).
    assert describe_sensor(rig(), rig().station(), plan()) == (
        "Station A: shunt 5 mohm, reads to 64 A in steps of 2 mA; 4 W of its 5 W at the stall "
        "current of 28.2 A"
    )
    small = rig(("shunt_ohm = 0.005", "shunt_ohm = 0.1"))
    assert "reads at most 3.2 A" in describe_sensor(small, small.station(), plan())


@given(
    shunt_ohm=st.floats(1e-4, 1.0),
    over_current_a=st.floats(31.0, 200.0),
    gain=st.floats(0.8, 1.25),
    offset_a=st.floats(-5, 5),
)
def test_a_shunt_is_refused_if_and_only_if_the_driver_could_not_use_it(
    shunt_ohm: float, over_current_a: float, gain: float, offset_a: float
) -> None:
    a_plan = plan(("over_current_a = 33.0", f"over_current_a = {over_current_a!r}"))
    a_rig = rig(
        ("shunt_ohm = 0.005", f"shunt_ohm = {shunt_ohm!r}"),
        ("gain = 1.0 ", f"gain = {gain!r} "),
        ("offset_a = 0.0 ", f"offset_a = {offset_a!r} "),
    )
    refused = any("shunt_ohm" in line for line in found(a_plan, a_rig))
    try:
        plan_sensor(a_rig.station().battery_sensor.wiring(a_plan.largest_a))
    except Exception:
        assert refused
    else:
        assert not refused
