"""What of the load's current is friction, and how it grows with speed.

A unit turns one way only, and on its way to stop its lever passes the places it passed on its way
to run, the other way round: what a spring takes going it gives back coming, so the mean of both
ways is friction.  A kink or a cable that binds only takes: the least even stretch is friction.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from rig.analysis.followed import Followed
from rig.analysis.load_profile import PARTS, load_profile
from rig.analysis.model import Direction, UnitType
from rig.analysis.run_up_fit import RunUpFit
from rig.analysis.trace import FloatArray

# A level (A), its standard uncertainty by its shape, and its spread over the way.
_Level = tuple[float, float, float]

# So many parts of the way must be seen.
SEEN_LEAST = PARTS // 3
# Profiles whose spread differs by less than this part of the level are as even (guess).
AS_EVEN = 0.03
# Beyond this spread a load is called uneven (guess).
UNEVEN = 0.10
# Speeds must differ by this part to tell friction that grows with speed from friction that does
# not.
SPEEDS_APART = 0.15
# Where they do not: friction that grows with speed shortens the run-up by this part, standard
# uncertainty beside it, and is no more than that part of all friction (guesses).
VISCOUS_R, VISCOUS_R_U, VISCOUS_MOST = 0.02, 0.015, 0.35
# Ways whose levels differ by less than this part are alike (guess).
ALIKE = 0.10
# A spring or a kink leaves its mark on the level: this part of what the load varies (guess).
MARK = 0.02
# Where the two ways differ and neither law tells why, friction may be higher than the easier way by
# this part of what the mean of both is (standard, guess).
HELPED = 0.3
ONE_SPEED = (
    "all half-turns ran at about the same speed: half-turns at a second supply voltage, 3 V away "
    "or more, bring it"
)


@dataclass(frozen=True, slots=True)
class Friction:
    """``level_a`` the friction's current (A) at a back-EMF of ``emf_v`` (V).

    ``u_a`` is the standard uncertainty by what the load varies over the way; ``to_run_a`` and
    ``to_stop_a`` the level each way (A, None if not seen); ``per_v`` what of it grows with the
    back-EMF (A/V) and ``u_per_v``; ``told`` whether the traces show that, else it is a guess;
    ``uneven`` tells that the load is not level over the way.
    """

    level_a: float
    u_a: float
    emf_v: float
    to_run_a: float | None
    to_stop_a: float | None
    per_v: float
    u_per_v: float
    told: bool
    uneven: bool

    @property
    def dry_a(self) -> float:
        """What is left of it at a crawl (A)."""
        return max(self.level_a - self.per_v * self.emf_v, 0.0)


def find_friction(drives: list[Followed], fit: RunUpFit, unit: UnitType) -> Friction | None:
    """Return the friction of half-turns that went half round; None if none shows it."""
    seen = [(d, load_profile(d, fit)) for d in drives]
    seen = [(d, p) for d, p in seen if int(np.isfinite(p).sum()) >= SEEN_LEAST]
    if not seen:
        return None
    ways: dict[Direction, FloatArray] = {}
    for direction in Direction:
        stack = np.array([p for d, p in seen if d.drive.direction is direction])
        if len(stack):
            ways[direction] = _mean(stack)
    singles = {way: _level(profile) for way, profile in ways.items()}
    (level_a, own_u_a, _), used = _choose(ways, singles)
    levels = {way: level for way, (level, *_) in singles.items()}
    spread_a = max(spread for *_, spread in singles.values())
    spread_a = max(spread_a, max(levels.values()) - min(levels.values()))
    u_a = float(np.hypot(own_u_a, MARK * spread_a))
    emf_v = float(np.mean([d.running_v for d, _ in seen if d.drive.direction in used]))
    growth = _growth(seen)
    told = growth is not None
    if growth is None:
        growth = guess_growth(unit, level_a / emf_v)
    return Friction(
        level_a=level_a,
        u_a=u_a,
        emf_v=emf_v,
        to_run_a=levels.get(Direction.TO_RUN),
        to_stop_a=levels.get(Direction.TO_STOP),
        per_v=growth[0],
        u_per_v=growth[1],
        told=told,
        uneven=spread_a > UNEVEN * max(level_a, 1e-9),
    )


def guess_growth(unit: UnitType, friction_per_v: float) -> tuple[float, float]:
    """Return a guess at how friction grows with back-EMF (A/V), and its standard uncertainty.

    ``friction_per_v`` is all friction over the back-EMF (A/V).
    """
    part = min(1.0, VISCOUS_MOST * friction_per_v * unit.winding_ohm / VISCOUS_R)
    return part * VISCOUS_R / unit.winding_ohm, part * VISCOUS_R_U / unit.winding_ohm


def _mean(stack: FloatArray) -> FloatArray:
    count = np.isfinite(stack).sum(axis=0)
    total = np.nansum(stack, axis=0)
    mean: FloatArray = np.where(count > 0, total / np.maximum(count, 1), np.nan)
    return mean


def _choose(
    ways: dict[Direction, FloatArray], singles: dict[Direction, _Level]
) -> tuple[_Level, tuple[Direction, ...]]:
    """Return the level that is friction, and the ways that show it: both, or the easier one."""
    evenest = min(singles, key=lambda way: singles[way][2])
    if len(ways) == 1:
        return singles[evenest], (evenest,)
    both = 0.5 * (ways[Direction.TO_RUN] + ways[Direction.TO_STOP][::-1])
    if int(np.isfinite(both).sum()) < SEEN_LEAST:
        return singles[evenest], (evenest,)
    mean = _level(both)
    slack_a = AS_EVEN * mean[0]
    if mean[2] < singles[evenest][2] - slack_a:
        return mean, tuple(ways)  # a spring: each way is uneven, the mean of both is not
    even = [way for way in ways if singles[way][2] < singles[evenest][2] + slack_a]
    levels = [singles[way][0] for way in ways]
    if len(even) == 2 and abs(levels[0] - levels[1]) < ALIKE * mean[0]:
        return mean, tuple(ways)
    # What binds only takes, so the easier way is friction; unless a spring helps it.
    easier = min(even, key=lambda way: singles[way][0])
    level_a, u_a, spread_a = singles[easier]
    u_a = float(np.hypot(u_a, HELPED * max(mean[0] - level_a, 0.0)))
    return (level_a, u_a, spread_a), (easier,)


def _level(profile: FloatArray) -> _Level:
    """Return the level most of the way has, its uncertainty, and the spread of four fifths of it.

    The mean of the shortest interval that holds half the parts: a kink that binds on less than
    half of the way does not move it.
    """
    values = np.sort(profile[np.isfinite(profile)])
    half = len(values) // 2 + 1
    widths = values[half - 1 :] - values[: len(values) - half + 1]
    at = int(np.argmin(widths))
    near = values[at : at + half]
    spread = float(np.quantile(values, 0.9) - np.quantile(values, 0.1))
    return float(near.mean()), 0.5 * float(near[-1] - near[0]), spread


def _growth(seen: list[tuple[Followed, FloatArray]]) -> tuple[float, float] | None:
    """Return how friction grows with back-EMF (A/V) and its standard uncertainty.

    Least squares over the half-turns, each way with a level of its own; None if all ran alike.
    """
    over = spread = square = 0.0
    count = 0
    for direction in Direction:
        mine = [(d, p) for d, p in seen if d.drive.direction is direction]
        if len(mine) < 2:
            continue
        emf = np.array([d.running_v for d, _ in mine])
        if np.ptp(emf) < SPEEDS_APART * emf.max():
            continue
        levels = np.array([_level(p)[0] for _, p in mine])
        off, rest = emf - emf.mean(), levels - levels.mean()
        over += float(off @ off)
        spread += float(off @ rest)
        square += float(rest @ rest)
        count += len(mine) - 1
    if over <= 0.0:
        return None
    per_v = spread / over
    scatter = max(square - spread**2 / over, 0.0) / max(count - 1, 1)
    # Two levels of one unit agree to half a per cent at best (guess).
    least = (0.005 * float(np.mean([_level(p)[0] for _, p in seen]))) ** 2
    return max(per_v, 0.0), (max(scatter, least) / over) ** 0.5
