"""Plans with a limit laid next to what a unit truly does, so that it hangs on the uncertainty."""

from __future__ import annotations

from math import isfinite
from pathlib import Path

from drawn_units import Drawn
from true_breaches import Standing
from watched_runs import Ran, all_standings, plan_text

from rig.plans import PlanError, plan_from_text


def limits_near(drawn: Drawn, ran: Ran, limits: dict[str, str]) -> dict[str, str] | None:
    """Return limits with one laid next to what the unit did; None if nothing was measured."""
    mine = [s for s in all_standings(drawn, ran) if s.limit == drawn.close and s.u > 0.0]
    if not mine:
        return None
    worst = max(mine, key=lambda s: s.excess)
    limit = _at(limits[drawn.close], worst)
    sign = -1.0 if drawn.close == "half_turn_min_s" else 1.0
    wanted = limit + sign * (worst.excess - drawn.close_u * worst.u)
    if not isfinite(wanted) or wanted <= 0.0:
        return None
    near = dict(limits)
    if limits[drawn.close].startswith("["):
        factor = wanted / limit
        points = ", ".join(f"[{v}, {x * factor:.6f}]" for v, x in _points(limits[drawn.close]))
        near[drawn.close] = f"[{points}]"
    else:
        near[drawn.close] = f"{wanted:.6f}"
    try:
        plan_from_text(plan_text(drawn, near), Path("campaign.toml"))
    except PlanError:  # such a plan contradicts itself: the usual limits serve
        return None
    return near


def _points(text: str) -> list[tuple[float, float]]:
    numbers = [float(x) for x in text.replace("[", " ").replace("]", " ").replace(",", " ").split()]
    return list(zip(numbers[::2], numbers[1::2], strict=True))


def _at(text: str, stand: Standing) -> float:
    """Return the limit that a standing was compared with."""
    if not text.startswith("["):
        return float(text)
    sign = -1.0 if stand.limit == "half_turn_min_s" else 1.0
    return stand.true - sign * stand.excess
