"""A unit's history as points of a trend: one measure, its uncertainty and its limit.  Pure."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from math import isfinite
from pathlib import Path
from statistics import median

from rig.analysis.model import Direction, HalfTurn, Limits
from rig.analysis.wording import amount
from rig.plans import PlanError, plan_from_text
from rig.records.model import UnitHistory, UnitRun

Values = list[tuple[float, float | None]]
"""Values with their expanded uncertainties."""


@dataclass(frozen=True)
class TrendMeasure:
    """A measure whose trend can be shown; ``of`` takes its values out of a run."""

    name: str
    label: str
    unit: str
    of: Callable[[UnitRun], Values]
    limit: Callable[[Limits, UnitRun], float | None]


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
    supplies_v = [turn.supply_v for turn in run.half_turns if turn.supply_v is not None]
    if not supplies_v:
        return None
    return limits.half_turn_max_s.at(median(supplies_v))


MEASURES = (
    TrendMeasure("to_run", "Half-turn time to run", "s", _times(Direction.TO_RUN), _time_limit),
    TrendMeasure("to_stop", "Half-turn time to stop", "s", _times(Direction.TO_STOP), _time_limit),
    TrendMeasure(
        "run",
        "Running current",
        "A",
        _turns(lambda t: t.run_a, lambda t: t.run_u_a),
        lambda limits, _: limits.run_max_a,
    ),
    TrendMeasure(
        "peak",
        "Inrush peak",
        "A",
        _turns(lambda t: t.peak_a, lambda t: t.peak_u_a),
        lambda limits, _: limits.peak_max_a,
    ),
    TrendMeasure("rest", "Rest draw", "A", _rest, lambda limits, _: limits.rest_max_a),
    TrendMeasure(
        "winding",
        "Winding resistance",
        "ohm",
        _measures("winding_ohm"),
        lambda limits, _: limits.winding_max_ohm,
    ),
    TrendMeasure(
        "stall",
        "Stall current",
        "A",
        _measures("stall_current_a"),
        lambda limits, _: limits.stall_max_a,
    ),
    TrendMeasure(
        "lowest",
        "Lowest working voltage",
        "V",
        _measures("lowest_supply_v"),
        lambda limits, _: limits.lowest_supply_max_v,
    ),
)
"""What a history can be followed by, the usual ones first."""


def value_of(run: UnitRun, measure: TrendMeasure) -> RunValue | None:
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


def limit_of(
    runs: Sequence[UnitRun], measure: TrendMeasure, limits: Mapping[str, Limits | None]
) -> tuple[float, str] | None:
    """Return the limit of the newest run (they come newest first) that has one, with its label."""
    for run in runs:
        its_limits = limits[run.plan_text]
        limit = measure.limit(its_limits, run) if its_limits else None
        if limit is not None:
            return limit, f"limit {amount(limit, measure.unit)}"
    return None


@dataclass(frozen=True)
class Trends:
    """A unit's history with every run's value of every measure, and each measure's limit."""

    history: UnitHistory
    values: Mapping[str, tuple[RunValue | None, ...]]
    limits: Mapping[str, tuple[float, str] | None]


def trends_of(history: UnitHistory) -> Trends:
    """Return the trends of a history; takes a while for hundreds of runs."""
    runs = history.runs
    plans = {run.plan_text: run.summary.plan_name for run in runs}
    limits = {text: _limits(text, name) for text, name in plans.items()}
    return Trends(
        history,
        {m.name: tuple(value_of(run, m) for run in runs) for m in MEASURES},
        {m.name: limit_of(runs, m, limits) for m in MEASURES},
    )


def _limits(plan_text: str, name: str) -> Limits | None:
    try:
        return plan_from_text(plan_text, Path(f"{name}.toml")).analysis_limits()
    except PlanError:  # an older program's plan
        return None
