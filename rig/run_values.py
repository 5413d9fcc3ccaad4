"""What a run measured, one value a measure: for histories and for studies of the rig.  Pure."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from math import isfinite
from pathlib import Path
from statistics import median

from rig.analysis.model import Direction, HalfTurn, Limits, VoltageLimit
from rig.plans import PlanError, plan_from_text
from rig.records.model import UnitRun

Values = list[tuple[float, float | None]]
"""Values with their expanded uncertainties."""


@dataclass(frozen=True)
class RunMeasure:
    """A measure that a run has one value of.

    ``of`` takes its values out of a run; ``limit`` and ``low`` are the highest and the lowest that
    the plan allows (None: it does not say).
    """

    name: str
    label: str
    unit: str
    of: Callable[[UnitRun], Values]
    limit: Callable[[Limits, UnitRun], float | None]
    low: Callable[[Limits, UnitRun], float | None] = lambda _limits, _run: None


@dataclass(frozen=True)
class RunValue:
    """A run's value: the median of ``count`` values, with the uncertainty of a typical one.

    Half-turns of a run share the sensor's and the relays' errors, so the median of many is not
    known better than one of them.
    """

    run: UnitRun
    value: float
    u: float | None
    count: int


def _times(direction: Direction) -> Callable[[UnitRun], Values]:
    def values(run: UnitRun) -> Values:
        return [
            (turn.half_turn_s, turn.half_turn_u_s)
            for turn in run.half_turns
            if turn.direction is direction and turn.half_turn_s is not None
        ]

    return values


def _turns(
    value: Callable[[HalfTurn], float | None], u: Callable[[HalfTurn], float | None]
) -> Callable[[UnitRun], Values]:
    def values(run: UnitRun) -> Values:
        found = ((value(turn), u(turn)) for turn in run.half_turns)
        return [(v, its_u) for v, its_u in found if v is not None]

    return values


def _measures(name: str) -> Callable[[UnitRun], Values]:
    def values(run: UnitRun) -> Values:
        return [(m.value, m.u) for m in run.measures if m.name == name and m.value is not None]

    return values


def _rest(run: UnitRun) -> Values:
    """The steps that measure the rest draw; where none did, the rests between half-turns."""
    return _measures("rest_draw_a")(run) or _turns(lambda t: t.rest_a, lambda t: t.rest_u_a)(run)


def _time_limit(limits: Limits, run: UnitRun) -> float | None:
    return _at_supply(limits.half_turn_max_s, run)


def _least_time(limits: Limits, run: UnitRun) -> float | None:
    return _at_supply(limits.half_turn_min_s, run)


def _at_supply(limit: VoltageLimit | None, run: UnitRun) -> float | None:
    supplies_v = [turn.supply_v for turn in run.half_turns if turn.supply_v is not None]
    return limit.at(median(supplies_v)) if limit is not None and supplies_v else None


MEASURES = (
    RunMeasure(
        "to_run", "Half-turn time to run", "s", _times(Direction.TO_RUN), _time_limit, _least_time
    ),
    RunMeasure(
        "to_stop",
        "Half-turn time to stop",
        "s",
        _times(Direction.TO_STOP),
        _time_limit,
        _least_time,
    ),
    RunMeasure(
        "run",
        "Running current",
        "A",
        _turns(lambda t: t.run_a, lambda t: t.run_u_a),
        lambda limits, _: limits.run_max_a,
    ),
    RunMeasure(
        "peak",
        "Inrush peak",
        "A",
        _turns(lambda t: t.peak_a, lambda t: t.peak_u_a),
        lambda limits, _: limits.peak_max_a,
    ),
    RunMeasure("rest", "Rest draw", "A", _rest, lambda limits, _: limits.rest_max_a),
    RunMeasure(
        "zero",
        "Sensor's zero",
        "A",
        _measures("zero_offset_a"),
        lambda _limits, _run: None,
    ),
    RunMeasure(
        "winding",
        "Winding resistance",
        "ohm",
        _measures("winding_ohm"),
        lambda limits, _: limits.winding_max_ohm,
        lambda limits, _: limits.winding_min_ohm,
    ),
    RunMeasure(
        "stall",
        "Stall current",
        "A",
        _measures("stall_current_a"),
        lambda limits, _: limits.stall_max_a,
        lambda limits, _: limits.stall_min_a,
    ),
    RunMeasure(
        "lowest",
        "Lowest working voltage",
        "V",
        _measures("lowest_supply_v"),
        lambda limits, _: limits.lowest_supply_max_v,
    ),
)
"""What a unit can be followed by over its runs, the usual ones first."""

BY_NAME = {measure.name: measure for measure in MEASURES}


def value_of(run: UnitRun, measure: RunMeasure) -> RunValue | None:
    """Return a run's value of a measure, None if it has none."""
    values = [(value, u) for value, u in measure.of(run) if isfinite(value)]
    if not values:
        return None
    known_u = [u for _, u in values if u is not None and isfinite(u)]
    return RunValue(
        run,
        median(value for value, _ in values),
        median(known_u) if known_u else None,
        len(values),
    )


def limits_of_plan(plan_text: str, name: str) -> Limits | None:
    """Return the limits of a plan as recorded; None if this program cannot read it."""
    try:
        return plan_from_text(plan_text, Path(f"{name}.toml")).analysis_limits()
    except PlanError:  # an older program's plan
        return None
