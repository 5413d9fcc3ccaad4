"""Values of a plan that follow from others when the plan leaves them out."""

from __future__ import annotations

from typing import Any

from rig.plan_steps import SUPPLY_HIGH_V, SUPPLY_LOW_V
from rig.schema import Number

STALL_S = Number(0.05, 2, "s")
RUN_ON_S = Number(0.5, 30, "s")
# 200 degrees is above every insulation class that such a motor is wound with (guess).
WINDING_C = Number(40, 200, "degrees Celsius")
OHMS = Number(0.01, 100, "ohm")

CHARGING_V = 14.4
"""A lead battery on charge, V (common practice, no published source): the highest supply of a plan
that sets none higher."""


def completed(plan: dict[str, Any]) -> dict[str, Any]:
    """Return ``plan`` with the guard's times, its temperature and the stall current filled in.

    A value is only taken over if it is allowed, so that a mistake is told once.
    """
    limits, unit, guard = (_table(plan, name) for name in ("limits", "unit", "guard"))
    taken: dict[str, Any] = {}
    for key, source, kind in (
        ("stall_s", limits, STALL_S),
        ("run_on_s", limits, RUN_ON_S),
        ("winding_max_c", unit, WINDING_C),
    ):
        if kind.holds(source.get(key)):
            taken[key] = source[key]
    filled = dict(plan)
    if isinstance(plan.get("guard"), dict):
        filled["guard"] = {**taken, **guard}
    if isinstance(plan.get("unit"), dict):
        ohm: Any = unit.get("winding_ohm")
        # Nothing is allowed for leads and contacts: the worst case.
        stall_a = _highest_v(plan) / ohm if OHMS.holds(ohm) else 1.0
        filled["unit"] = {"stall_a": min(stall_a, 200.0), **unit}
    return filled


def _table(plan: dict[str, Any], name: str) -> dict[str, Any]:
    table = plan.get(name)
    return table if isinstance(table, dict) else {}


def _highest_v(plan: dict[str, Any]) -> float:
    steps = plan.get("step")
    volts = Number(SUPPLY_LOW_V, SUPPLY_HIGH_V)
    found = [CHARGING_V]
    for step in steps if isinstance(steps, list | tuple) else ():
        if isinstance(step, dict):
            found += [step[key] for key in ("supply_v", "from_v") if volts.holds(step.get(key))]
    return float(max(found))
