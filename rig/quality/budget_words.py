"""Budgets as rows of text: for a sheet, a screen or a terminal."""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass

from rig.quality.budget import Budget, Component
from rig.quality.limit_budgets import LimitBudget


@dataclass(frozen=True, slots=True)
class ComponentRow:
    """A component as a line of a budget; ``share`` 0 to 1 of the variance."""

    name: str
    source: str
    kind: str
    shape: str
    spread: str
    divisor: str
    contribution: str
    dof: str
    share: float


@dataclass(frozen=True, slots=True)
class LimitRow:
    """A limit with its uncertainty, where a value passes and where it fails, and why no better."""

    label: str
    limit: str
    expanded_u: str
    guard_band: str
    passes: str
    fails: str
    largest: str


def component_rows(budget: Budget) -> Iterator[ComponentRow]:
    """Yield a row for each component, largest first."""
    for part in sorted(budget.components, key=lambda c: -c.contribution):
        yield ComponentRow(
            name=part.name,
            source=str(part.source),
            kind=part.kind,
            shape=str(part.shape),
            spread=_spread(part),
            divisor=f"{part.divisor:.3g}",
            contribution=two_digits(part.contribution, budget.unit),
            dof="" if math.isinf(part.dof) else f"{part.dof:.0f}",
            share=budget.share(part),
        )


def result_words(budget: Budget) -> str:
    """Return the combined and the expanded uncertainty with k and the degrees of freedom."""
    dof = budget.dof
    free = "" if math.isinf(dof) else f", {dof:.0f} degrees of freedom"
    return (
        f"combined {two_digits(budget.standard_u, budget.unit)}; expanded, k = {budget.k:.2f}"
        f"{free}: {two_digits(budget.expanded_u, budget.unit)}"
    )


def limit_row(limit: LimitBudget) -> LimitRow:
    """Return a limit's row."""
    unit, word = limit.budget.unit, "at most" if limit.is_upper else "at least"
    decimals = _decimals(limit.expanded_u)
    passes, fails = limit.acceptance_limit, limit.rejection_limit
    inside, outside = ("to", "from") if limit.is_upper else ("from", "to")
    return LimitRow(
        label=limit.label,
        limit=f"{word} {limit.limit:g} {unit}",
        expanded_u=two_digits(limit.expanded_u, unit),
        guard_band=two_digits(limit.guard_band, unit),
        passes=f"{inside} {passes:.{decimals}f}",
        fails=f"{outside} {fails:.{decimals}f}",
        largest=limit.largest_in_words(),
    )


def two_digits(value: float, unit: str) -> str:
    """Return an uncertainty with two digits (JCGM 100:2008, 7.2.6) and its unit."""
    return f"{value:.{_decimals(value)}f} {unit}"


def _decimals(value: float) -> int:
    if not value > 0.0 or not math.isfinite(value):
        return 0
    return min(max(1 - math.floor(math.log10(value)), 0), 9)


def _spread(part: Component) -> str:
    if part.unit == "1":
        return (
            f"{100.0 * part.spread:.3g} %"
            if part.spread >= 1e-3
            else f"{1e6 * part.spread:.3g} ppm"
        )
    return f"{part.spread:.3g} {part.unit}"
