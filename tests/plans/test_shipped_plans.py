"""The plans and rig file that ship: sound, feasible together, and met by a sound unit."""

from __future__ import annotations

import math
from pathlib import Path

import pytest

from rig.feasible import check_plan_on_rig
from rig.newrig import FolderError, make_rig_folder
from rig.plans import (
    EnduranceStep,
    Plan,
    RelayCheckStep,
    SupplySweepStep,
    list_plans,
    load_plan,
    shipped_plans,
)
from rig.settings import load_settings, settings_from_text, starter_settings, starter_text
from rig.visual import VISUAL_CHECKS

PLANS = [load_plan(path) for path in shipped_plans()]

# The unit type LM-12 of ours: constants as the simulated bench and the netlists have them.
WINDING_OHM, K_VS, GEAR, FRICTION_NM, DRAG_NMS = 0.51, 0.0293, 80.0, 0.044, 2.9e-5
LEADS_OHM = 0.05 + 0.005  # battery 0.02, wiring, feed fuse and contacts 0.03, shunt 0.005
CABLE_NM = 3.6 / GEAR  # its heaviest cable, at the rotor


def steady(supply_v: float, load_nm: float) -> tuple[float, float]:
    """Return running current (A) and half-turn time (s) of a DC motor in its steady state.

    V = R i + K w and K i = torque + b w (textbook relations of the permanent-magnet motor).
    """
    ohm = WINDING_OHM + LEADS_OHM
    torque_nm = FRICTION_NM + load_nm
    w = (supply_v * K_VS - ohm * torque_nm) / (K_VS**2 + ohm * DRAG_NMS)
    return (torque_nm + DRAG_NMS * w) / K_VS, math.pi * GEAR / w


@pytest.mark.parametrize("plan", PLANS, ids=lambda plan: plan.name)
def test_each_plan_runs_on_the_starter_rig(plan: Plan) -> None:
    rig = starter_settings()
    assert check_plan_on_rig(plan, rig, rig.station()) == ()
    battery = settings_from_text(
        starter_text().replace('kind = "scpi"', 'kind = "none"'), Path("rig.toml")
    )
    assert check_plan_on_rig(plan, battery, battery.station()) == ()


@pytest.mark.parametrize("plan", PLANS, ids=lambda plan: plan.name)
@pytest.mark.parametrize("supply_v", [8.0, 10.0, 12.0, 12.6, 14.4, 16.0])
@pytest.mark.parametrize("load_nm", [0.0, CABLE_NM])
def test_a_sound_unit_is_well_within_the_limits(
    plan: Plan, supply_v: float, load_nm: float
) -> None:
    run_a, half_turn_s = steady(supply_v, load_nm)
    limits = plan.limits
    # A tenth to spare for the start (motor time constant 14 ms), wear and temperature.
    assert 1.1 * half_turn_s < limits.half_turn_max_s.at(supply_v)
    if limits.half_turn_min_s is not None:
        assert half_turn_s > 1.1 * limits.half_turn_min_s.at(supply_v)
    assert limits.run_max_a is not None
    assert 1.3 * run_a < limits.run_max_a
    assert limits.peak_max_a is not None
    assert supply_v / (WINDING_OHM + LEADS_OHM) < limits.peak_max_a


@pytest.mark.parametrize("plan", PLANS, ids=lambda plan: plan.name)
def test_the_unit_is_the_same_in_every_plan(plan: Plan) -> None:
    assert plan.unit == PLANS[0].unit
    assert plan.unit.type == "LM-12"
    assert plan.unit.winding_ohm == WINDING_OHM
    assert plan.unit.turn_vs == pytest.approx(K_VS * GEAR * math.pi, rel=1e-3)


@pytest.mark.parametrize("supply_v", [12.0, 12.6])
def test_the_jam_limits_hold_a_sound_unit(supply_v: float) -> None:
    limits = next(plan for plan in PLANS if plan.name == "qualify").limits
    stall_a = supply_v / (WINDING_OHM + LEADS_OHM)
    assert limits.stall_min_a is not None
    assert limits.stall_max_a is not None
    assert 1.1 * limits.stall_min_a < stall_a < limits.stall_max_a / 1.1


def test_qualify_measures_all_and_leaves_out_only_the_sweep() -> None:
    plan = next(plan for plan in PLANS if plan.name == "qualify")
    kinds = [step.kind for step in plan.steps]
    assert kinds == [
        "visual", "zero", "rest_draw", "half_turns", "park_check", "supply_sweep", "loaded", "jam",
        "relay_check",
    ]  # fmt: skip
    needs = [
        step.needs_supply
        for step in plan.steps
        if isinstance(step, SupplySweepStep | RelayCheckStep)
    ]
    assert needs == ["skip", "skip"]
    # The coil of a relay such as the unit's makes at 8 V or less (TE V23234 data sheet, coil 001).
    assert plan.limits.lowest_supply_max_v is not None
    assert plan.limits.lowest_supply_max_v > 8.0
    assert plan.limits.pull_in_max_v is not None
    assert plan.limits.pull_in_max_v > 8.0


def test_endurance_keeps_the_winding_cool() -> None:
    plan = next(plan for plan in PLANS if plan.name == "endurance")
    step = next(step for step in plan.steps if isinstance(step, EnduranceStep))
    run_a, _ = steady(12.6, CABLE_NM)
    rise_k = run_a**2 * WINDING_OHM * step.duty_max * plan.unit.cooling_k_per_w
    assert 20 + rise_k < 0.5 * plan.guard.winding_max_c


def test_every_check_asks_for_a_yes_and_says_what_a_no_means() -> None:
    used = {name for plan in PLANS for step in plan.steps for name in getattr(step, "checks", ())}
    assert used <= set(VISUAL_CHECKS)
    for name, check in VISUAL_CHECKS.items():
        assert check.name == name
        assert check.question.endswith("?")
        assert check.fault_text.endswith(".")
        assert check.look_for.endswith(".")


# --- the new rig folder -----------------------------------------------------------------------


def test_a_new_rig_folder_can_be_used_as_it_is(tmp_path: Path) -> None:
    folder = tmp_path / "bench" / "one"
    written = make_rig_folder(folder)
    assert all(path.is_file() and folder in path.parents for path in written)
    rig = load_settings(folder / "rig.toml")
    assert rig.logs.is_dir()
    plans = list_plans([rig.plans])
    assert {path.parent for path in plans.values()} == {folder / "test_plans"}
    for path in plans.values():
        assert check_plan_on_rig(load_plan(path), rig, rig.station()) == ()


def test_a_new_rig_folder_overwrites_nothing_and_says_what_is_there(tmp_path: Path) -> None:
    (tmp_path / "test_plans").mkdir()
    for name in ("rig.toml", "test_plans/qualify.toml"):
        (tmp_path / name).write_text("mine")
    with pytest.raises(FolderError) as caught:
        make_rig_folder(tmp_path)
    assert str(caught.value).splitlines() == [
        f"{tmp_path / name}: this file is there already and is not overwritten"
        for name in ("rig.toml", "test_plans/qualify.toml")
    ]
    assert sorted(path.name for path in tmp_path.rglob("*") if path.is_file()) == [
        "qualify.toml",
        "rig.toml",
    ]
    assert (tmp_path / "rig.toml").read_text() == "mine"


def test_what_else_is_in_the_folder_is_left_alone(tmp_path: Path) -> None:
    (tmp_path / "notes.txt").write_text("mine")
    make_rig_folder(tmp_path)
    assert (tmp_path / "notes.txt").read_text() == "mine"


def test_a_folder_that_cannot_be_made_is_told(tmp_path: Path) -> None:
    with pytest.raises(FolderError, match=r"the rig folder cannot be made: File name too long"):
        make_rig_folder(tmp_path / ("x" * 300))
    (tmp_path / "file").write_text("")
    with pytest.raises(FolderError, match=r"the rig folder cannot be made: Not a directory"):
        make_rig_folder(tmp_path / "file" / "bench")
