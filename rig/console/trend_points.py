"""A unit's history as points of a trend: one measure, its uncertainty and its limit.  Pure."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from rig.analysis.model import Limits
from rig.analysis.wording import amount
from rig.records.model import UnitHistory, UnitRun
from rig.run_values import MEASURES, RunMeasure, RunValue, limits_of_plan, value_of


def limit_of(
    runs: Sequence[UnitRun], measure: RunMeasure, limits: Mapping[str, Limits | None]
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
    limits = {text: limits_of_plan(text, name) for text, name in plans.items()}
    return Trends(
        history,
        {m.name: tuple(value_of(run, m) for run in runs) for m in MEASURES},
        {m.name: limit_of(runs, m, limits) for m in MEASURES},
    )
