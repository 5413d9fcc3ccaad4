"""`halfturn budget`: what a station's readings are worth, and where limits pass and fail."""

from __future__ import annotations

import argparse
import json
import textwrap
from collections.abc import Iterator
from math import isfinite
from typing import Any

from rig.commands import exits
from rig.commands.check_calibration import standing_today
from rig.commands.common import plan_of, records_path, settings_or_starter
from rig.commands.exits import CommandError
from rig.commands.streams import say
from rig.contract import decision_object
from rig.feasible import check_plan_on_rig
from rig.quality.budget import Budget
from rig.quality.budget_words import component_rows, limit_row, result_words
from rig.quality.calibration_words import standing_words
from rig.quality.limit_budgets import LimitBudget, never_passed
from rig.quality.uncertainty import Budgets, budgets_of
from rig.schema import MistakesError

_WIDTH = 80


def run(options: argparse.Namespace) -> int:
    """Print the budgets; 0 unless plan or rig file have mistakes."""
    name, *more = options.plan
    if more:
        raise CommandError(
            exits.USAGE, f"a budget is of one plan at a time: give `halfturn budget {name}` alone."
        )
    settings = settings_or_starter(options)
    station = settings.station(options.station)
    plan = plan_of(name, settings)
    mistakes = check_plan_on_rig(plan, settings, station)
    if mistakes:
        raise MistakesError(mistakes)
    stands = standing_today(settings, station, records_path(options, settings))
    budgets = budgets_of(station, plan, stands)
    say(
        json.dumps(_object(budgets), indent=2)
        if options.json
        else "\n".join(_lines(budgets, standing_words(stands)))
    )
    return exits.PASS


# --- as text ------------------------------------------------------------------------------------


def _lines(budgets: Budgets, stands: str) -> Iterator[str]:
    yield f"Station {budgets.station}, plan {budgets.plan}"
    yield from _wrapped(stands)
    yield from _wrapped(budgets.rule.words())
    for budget in budgets.all:
        yield ""
        yield from _budget_lines(budget)
    yield ""
    yield "At the plan's limits"
    yield _limit_line("", "limit", "U", "w", "passes", "fails")
    for limit in budgets.limits:
        row = limit_row(limit)
        limit_is = f"{'<=' if limit.is_upper else '>='} {limit.limit:g} {limit.budget.unit}"
        u, w = row.expanded_u, row.guard_band.split()[0]
        yield _limit_line(row.label, limit_is, u, w, row.passes, row.fails)
    for caution in never_passed(budgets.limits):
        yield from _wrapped(f"CAUTION: {caution}", "  ", "    ")
    yield ""
    yield "What U is made of there"
    for limit in _each_reason_once(budgets.limits):
        yield from _wrapped(f"{limit.label}: {limit.largest_in_words()}.", "  ", "    ")


def _budget_lines(budget: Budget) -> Iterator[str]:
    yield f"{budget.quantity.capitalize()} at {budget.value:g} {budget.unit}"
    for row in component_rows(budget):
        yield (
            f"  {row.name:<33.33} {row.source:<11} {row.kind} {row.shape:<11} {row.spread:>10}"
            f" {100 * row.share:>4.0f} %"
        )
    yield f"  {result_words(budget)}"


def _limit_line(label: str, limit: str, u: str, w: str, passes: str, fails: str) -> str:
    return f"  {label:<25.25}{limit:<12}{u:>9} {w:>7} {passes:<11} {fails}".rstrip()


def _each_reason_once(limits: tuple[LimitBudget, ...]) -> Iterator[LimitBudget]:
    """Leave out limits of the same thing at other values with the same component leading."""
    said: set[tuple[str, str]] = set()
    for limit in limits:
        largest = limit.budget.largest
        key = (limit.label.split(" at ")[0], "" if largest is None else largest.name)
        if key not in said:
            said.add(key)
            yield limit


def _wrapped(text: str, first: str = "", later: str = "") -> list[str]:
    return textwrap.wrap(
        text, _WIDTH, initial_indent=first, subsequent_indent=later, break_on_hyphens=False
    )


# --- as JSON ------------------------------------------------------------------------------------


def _object(budgets: Budgets) -> dict[str, Any]:
    return {
        "station": budgets.station,
        "plan": budgets.plan,
        "calibrated": budgets.calibrated,
        "decision": decision_object(budgets.rule),
        "budgets": [_budget_object(budget) for budget in budgets.all],
        "limits": [_limit_object(limit) for limit in budgets.limits],
        "cautions": list(never_passed(budgets.limits)),
    }


def _budget_object(budget: Budget) -> dict[str, Any]:
    return {
        "quantity": budget.quantity,
        "value": budget.value,
        "unit": budget.unit,
        "standard_u": budget.standard_u,
        "degrees_of_freedom": _number(budget.dof),
        "k": budget.k,
        "expanded_u": budget.expanded_u,
        "components": [
            {
                "name": part.name,
                "source": str(part.source),
                "type": part.kind,
                "distribution": str(part.shape),
                "spread": part.spread,
                "spread_unit": part.unit,
                "divisor": part.divisor,
                "standard_u": part.standard_u,
                "sensitivity": part.sensitivity,
                "contribution": part.contribution,
                "degrees_of_freedom": _number(part.dof),
                "share": budget.share(part),
            }
            for part in budget.components
        ],
    }


def _limit_object(limit: LimitBudget) -> dict[str, Any]:
    return {
        "limit": limit.key,
        "label": limit.label,
        "is_upper": limit.is_upper,
        "value": limit.limit,
        "unit": limit.budget.unit,
        "expanded_u": limit.expanded_u,
        "guard_band": limit.guard_band,
        "acceptance_limit": limit.acceptance_limit,
        "rejection_limit": limit.rejection_limit,
        "largest": limit.largest_in_words(),
        "budget": _budget_object(limit.budget),
    }


def _number(value: float) -> float | None:
    return value if isfinite(value) else None
