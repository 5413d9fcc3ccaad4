"""Where values of a plan contradict each other.

A plan that cannot pass a sound unit, or whose guard would trip before a limit can be judged, is
refused before anything is fed.
"""

from __future__ import annotations

from collections.abc import Iterator
from typing import TYPE_CHECKING

from rig import plan_decision
from rig.analysis.faults.causes import CAUSES
from rig.analysis.model import VoltageLimit
from rig.plan_steps import (
    SUPPLY_HIGH_V,
    SUPPLY_LOW_V,
    JamStep,
    RelayCheckStep,
    RelaySwapStep,
    SupplySweepStep,
)
from rig.schema import Clash, KeyPath

if TYPE_CHECKING:
    from rig.plans import Plan


def clashes_of(plan: Plan) -> Iterator[Clash]:
    """Yield every contradiction in ``plan``."""
    yield from _order_clashes(plan)
    yield from _half_turn_clashes(plan)
    yield from _guard_clashes(plan)
    yield from _unit_clashes(plan)
    if not plan.steps:
        yield Clash((("step",),), "the plan has no step", "one [[step]] table or more")
    yield from _sweep_clashes(plan)
    yield from _jam_clashes(plan)
    yield from _relay_clashes(plan)
    yield from _length_clashes(plan)
    yield from _unmeasured(plan)
    yield from _isolation_clashes(plan)
    yield from plan_decision.clashes_of(plan.decision)


def _less(
    plan: Plan, small: KeyPath, large: KeyPath, *, equal: bool = False, why: str = ""
) -> Iterator[Clash]:
    """Yield a clash unless ``small`` is below ``large``; nothing if either is not given."""
    a, b = _value(plan, small), _value(plan, large)
    if a is None or b is None or a < b or (equal and a == b):
        return
    names = _name(small), _name(large)
    relation = "more than" if equal else "not less than"
    yield Clash(
        (small, large),
        f"{a:g} is {relation} {names[1]} ({b:g}){why}",
        f"{'up to' if equal else 'less than'} {b:g}, or a larger {names[1]}",
    )


def _value(plan: Plan, path: KeyPath) -> float | None:
    value: float | None = getattr(getattr(plan, str(path[0])), str(path[1]))
    return value


def _name(path: KeyPath) -> str:
    return f"{path[0]}.{path[1]}"


def _order_clashes(plan: Plan) -> Iterator[Clash]:
    """Limits that must stand in an order."""
    limits = "limits"
    yield from _less(plan, (limits, "stall_s"), (limits, "run_on_s"))
    yield from _less(plan, (limits, "rest_max_a"), (limits, "run_max_a"))
    yield from _less(plan, (limits, "run_max_a"), (limits, "peak_max_a"))
    yield from _less(plan, (limits, "rest_max_a"), (limits, "peak_max_a"))
    yield from _less(plan, (limits, "stall_min_a"), (limits, "stall_max_a"))
    yield from _less(plan, (limits, "winding_min_ohm"), (limits, "winding_max_ohm"))
    yield from _less(plan, (limits, "drop_out_min_v"), (limits, "pull_in_max_v"))
    yield from _less(plan, (limits, "coil_min_ohm"), (limits, "coil_max_ohm"))


def _half_turn_clashes(plan: Plan) -> Iterator[Clash]:
    limits = plan.limits
    most, least = limits.half_turn_max_s, limits.half_turn_min_s
    if least is not None:
        at_v = next((v for v in _voltages(most, least) if least.at(v) >= most.at(v)), None)
        if at_v is not None:
            yield Clash(
                (("limits", "half_turn_min_s"), ("limits", "half_turn_max_s")),
                f"{least.at(at_v):g} s at {at_v:g} V is not less than limits.half_turn_max_s "
                f"({most.at(at_v):g} s)",
                f"less than {most.at(at_v):g} s at {at_v:g} V",
            )
    longest_s = max(limit for _, limit in most.points)
    if limits.run_on_s <= longest_s:
        yield Clash(
            (("limits", "run_on_s"), ("limits", "half_turn_max_s")),
            f"{limits.run_on_s:g} s is not more than the longest half-turn allowed "
            f"(limits.half_turn_max_s, {longest_s:g} s): a slow unit would be told to run on",
            f"more than {longest_s:g} s",
        )
    shortest_s = min(limit for _, limit in most.points)
    if limits.response_max_s is not None and limits.response_max_s >= shortest_s:
        yield Clash(
            (("limits", "response_max_s"), ("limits", "half_turn_max_s")),
            f"{limits.response_max_s:g} s is not less than the shortest limits.half_turn_max_s "
            f"({shortest_s:g} s)",
            f"less than {shortest_s:g} s",
        )


def _voltages(*limits: VoltageLimit) -> list[float]:
    """Return the voltages where limits made of straight lines can cross soonest: their corners."""
    corners = {v for limit in limits for v, _ in limit.points}
    return sorted(corners | {SUPPLY_LOW_V, SUPPLY_HIGH_V})


def _guard_clashes(plan: Plan) -> Iterator[Clash]:
    """The guard must not trip before a limit is reached."""
    guard, limits = "guard", "limits"
    early = ", so the guard would cut before the limit is reached"
    yield from _less(plan, (limits, "stall_s"), (guard, "stall_s"), equal=True, why=early)
    yield from _less(plan, (limits, "run_on_s"), (guard, "run_on_s"), equal=True, why=early)
    yield from _less(plan, (guard, "stall_s"), (guard, "run_on_s"))
    for key in ("run_max_a", "peak_max_a", "stall_max_a"):
        yield from _less(plan, (limits, key), (guard, "over_current_a"), why=early)
    hot = ", which would burn the winding"
    yield from _less(plan, (guard, "winding_max_c"), ("unit", "winding_max_c"), equal=True, why=hot)


def _unit_clashes(plan: Plan) -> Iterator[Clash]:
    """The limits must let the nominal unit through."""
    unit, limits = "unit", "limits"
    nominal = ", so the nominal unit would fail"
    yield from _less(
        plan, (limits, "winding_min_ohm"), (unit, "winding_ohm"), equal=True, why=nominal
    )
    yield from _less(
        plan, (unit, "winding_ohm"), (limits, "winding_max_ohm"), equal=True, why=nominal
    )
    yield from _less(
        plan,
        (unit, "stall_a"),
        ("guard", "over_current_a"),
        why=", so every start would trip the guard",
    )


def _sweep_clashes(plan: Plan) -> Iterator[Clash]:
    lowest = plan.limits.lowest_supply_max_v
    for number, step in enumerate(plan.steps):
        if not isinstance(step, SupplySweepStep):
            continue
        at: KeyPath = ("step", number)
        ends = ((*at, "from_v"), (*at, "to_v"))
        if step.from_v <= step.to_v:
            yield Clash(
                ends,
                f"the sweep goes from {step.from_v:g} V to {step.to_v:g} V; it must go down",
                f"from_v above to_v ({step.to_v:g} V)",
            )
            continue
        if step.step_v > step.from_v - step.to_v:
            yield Clash(
                ((*at, "step_v"), *ends),
                f"{step.step_v:g} V is more than the whole sweep "
                f"({step.from_v:g} V to {step.to_v:g} V)",
                f"up to {step.from_v - step.to_v:g} V",
            )
        if lowest is not None and not step.to_v <= lowest <= step.from_v:
            yield Clash(
                (("limits", "lowest_supply_max_v"), *ends),
                f"{lowest:g} V is outside the sweep of step {number + 1} "
                f"({step.from_v:g} V to {step.to_v:g} V)",
                f"from {step.to_v:g} to {step.from_v:g} V",
            )


def _jam_clashes(plan: Plan) -> Iterator[Clash]:
    limits, guard = plan.limits, plan.guard
    for number, step in enumerate(plan.steps):
        if not isinstance(step, JamStep):
            continue
        at: KeyPath = ("step", number)
        if step.stall_s > limits.stall_s:
            yield Clash(
                ((*at, "stall_s"), ("limits", "stall_s")),
                f"{step.stall_s:g} s is longer than the plan's stall time "
                f"(limits.stall_s, {limits.stall_s:g} s)",
                f"up to {limits.stall_s:g} s",
            )
        if step.current_limit_a > guard.over_current_a:
            yield Clash(
                ((*at, "current_limit_a"), ("guard", "over_current_a")),
                f"{step.current_limit_a:g} A is more than the guard allows "
                f"(guard.over_current_a, {guard.over_current_a:g} A)",
                f"up to {guard.over_current_a:g} A",
            )
        if limits.stall_max_a is not None and step.current_limit_a <= limits.stall_max_a:
            yield Clash(
                ((*at, "current_limit_a"), ("limits", "stall_max_a")),
                f"{step.current_limit_a:g} A is not more than limits.stall_max_a "
                f"({limits.stall_max_a:g} A): a larger stall current could not be seen",
                f"more than {limits.stall_max_a:g} A",
            )


def _relay_clashes(plan: Plan) -> Iterator[Clash]:
    most, least = plan.limits.pull_in_max_v, plan.limits.drop_out_min_v
    for number, step in enumerate(plan.steps):
        if not isinstance(step, RelayCheckStep):
            continue
        at: KeyPath = ("step", number)
        ends = ((*at, "pull_from_v"), (*at, "pull_to_v"))
        if step.pull_from_v >= step.pull_to_v:
            yield Clash(
                ends,
                f"the supply goes from {step.pull_from_v:g} V to {step.pull_to_v:g} V; it must go "
                "up until the relay pulls in",
                f"pull_from_v below pull_to_v ({step.pull_to_v:g} V)",
            )
            continue
        if step.pull_to_v > plan.unit.nominal_v:
            yield Clash(
                ((*at, "pull_to_v"), ("unit", "nominal_v")),
                f"{step.pull_to_v:g} V is more than the unit's nominal voltage "
                f"({plan.unit.nominal_v:g} V)",
                f"up to {plan.unit.nominal_v:g} V",
            )
        if step.drop_to_v >= step.pull_to_v:
            yield Clash(
                ((*at, "drop_to_v"), (*at, "pull_to_v")),
                f"{step.drop_to_v:g} V is not below pull_to_v ({step.pull_to_v:g} V): no relay "
                "drops out above where it pulls in",
                f"below {step.pull_to_v:g} V",
            )
        if most is not None and not step.pull_from_v < most <= step.pull_to_v:
            yield Clash(
                (("limits", "pull_in_max_v"), *ends),
                f"{most:g} V is outside the trials of step {number + 1} "
                f"({step.pull_from_v:g} V to {step.pull_to_v:g} V)",
                f"above {step.pull_from_v:g} and up to {step.pull_to_v:g} V",
            )
        if least is not None and least < step.drop_to_v:
            yield Clash(
                (("limits", "drop_out_min_v"), (*at, "drop_to_v")),
                f"{least:g} V is below where the trials of step {number + 1} end "
                f"({step.drop_to_v:g} V)",
                f"{step.drop_to_v:g} V or more",
            )


def _length_clashes(plan: Plan) -> Iterator[Clash]:
    guard, most = plan.guard, plan.limits.half_turn_max_s
    half_turn_s = max(limit for _, limit in most.points)
    for number, step in enumerate(plan.steps):
        expected_s = step.expected_s(half_turn_s)
        if expected_s > guard.step_max_s:
            yield Clash(
                (("guard", "step_max_s"), ("step", number), ("limits", "half_turn_max_s")),
                f"{guard.step_max_s:g} s is shorter than step {number + 1} ({step.label}) may take "
                f"with a unit just within its limits ({expected_s:.0f} s)",
                f"{expected_s:.0f} s or more, or a shorter step",
            )


def _unmeasured(plan: Plan) -> Iterator[Clash]:
    """A limit that no step measures would look judged and never be."""
    kinds = {type(step) for step in plan.steps}
    # A step of unknown kind may be the one that measures it; other mistakes in steps do not matter.
    kind_keys: list[KeyPath] = [("step", number, "kind") for number in range(len(plan.steps))]
    for key, needed, words in (
        ("lowest_supply_max_v", SupplySweepStep, "supply_sweep"),
        ("stall_min_a", JamStep, "jam"),
        ("stall_max_a", JamStep, "jam"),
        ("winding_min_ohm", JamStep, "jam"),
        ("winding_max_ohm", JamStep, "jam"),
        ("swap_change_max", RelaySwapStep, "relay_swap"),
        ("pull_in_max_v", RelayCheckStep, "relay_check"),
        ("drop_out_min_v", RelayCheckStep, "relay_check"),
        ("coil_min_ohm", RelayCheckStep, "relay_check"),
        ("coil_max_ohm", RelayCheckStep, "relay_check"),
        ("operate_max_s", RelayCheckStep, "relay_check"),
        ("release_max_s", RelayCheckStep, "relay_check"),
    ):
        if getattr(plan.limits, key) is not None and needed not in kinds:
            yield Clash(
                (("limits", key), *kind_keys),
                "no step of the plan measures this",
                f'a step of kind "{words}" in the plan, or no such limit',
            )


def _isolation_clashes(plan: Plan) -> Iterator[Clash]:
    """An isolation in which nothing can be the cause."""
    possible = [weight for name, weight in plan.isolation.all_priors().items() if name in CAUSES]
    if not any(possible):
        path: KeyPath = ("isolation", "priors")
        yield Clash((path,), "no cause is left: every one is zero", "one cause or more above zero")
