"""Where a unit binds, how hard, which way round, and whether in its cable or in itself.

A kink in the cable sits at one lever position, which is passed both ways.  A damaged tooth of the
output wheel comes by once in a turn, so it is met on one way only, cable or not (`stroke` has the
geometry).  One way only may also be a cable that catches in one direction: shape alone does not
tell.  What does is to unhook the cable: a bind that goes with it was the cable's.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from enum import StrEnum

import numpy as np

from rig.analysis.bumps import Bump, find_bumps
from rig.analysis.estimate import Estimate, unknown
from rig.analysis.model import Direction
from rig.analysis.stroke import HALF_TURN_DEG, StrokeProfile, lever_deg
from rig.analysis.stroke_mean import mean_profile
from rig.analysis.trace import BoolArray, FloatArray

# Standard uncertainty of a bind's place (degrees): measured on the simulated unit and on ngspice's,
# 200 Hz to 1 kHz, errors up to 3 degrees.
PLACE_U_DEG = 1.5
# Binds are at one place if their lever positions differ by less than so many standard
# uncertainties.
SAME = 3.0
# A bind is there in another profile from this part of its height on, and gone below this one; in
# between it is not said (guesses).
THERE, GONE = 0.5, 0.2
# A bind must show in this part of the half-turns that went its way.
SHOWS_IN = 0.75
# Beside a bind, this far from its edges and this wide (degrees), the load is compared with it.
BESIDE_DEG, BESIDE_WIDTH_DEG = 4.0, 16.0

UNHOOK = (
    "Unhook the cable (or take the load off) and run the plan's half_turns step again: a bind that "
    "stays is in the unit, one that goes is in the cable."
)


class Site(StrEnum):
    """Where a bind is."""

    CABLE = "cable"
    UNIT = "unit"
    UNTOLD = "untold"


@dataclass(frozen=True, slots=True)
class Bind:
    """A place where the load stands above its course.

    ``lever_deg`` its middle as a lever position, 0 (stop) to 180 (run), with the standard
    uncertainty ``lever_u_deg``; ``width_deg`` at half its height.  ``to_run_a`` and ``to_stop_a``
    how much more current it takes each way (A), without a value where it does not bind that way
    or was not seen; ``nm_per_a`` turns that into torque at the output.  ``site`` is where it is,
    ``why`` in plain words what says so; ``missing`` what would tell where it does not.
    """

    lever_deg: float
    lever_u_deg: float
    width_deg: float
    to_run_a: Estimate
    to_stop_a: Estimate
    nm_per_a: Estimate
    site: Site
    why: str
    missing: str = ""

    @property
    def directions(self) -> tuple[Direction, ...]:
        """Which way or ways it binds."""
        both = ((Direction.TO_RUN, self.to_run_a), (Direction.TO_STOP, self.to_stop_a))
        return tuple(direction for direction, height in both if height.known)

    def torque_nm(self, direction: Direction) -> Estimate:
        """Return how much more torque it takes at the output (N m), the gear's losses left out."""
        height = self.to_run_a if direction is Direction.TO_RUN else self.to_stop_a
        return _product(height, self.nm_per_a)


def find_binds(
    profiles: Sequence[StrokeProfile], bare: Sequence[StrokeProfile] = ()
) -> tuple[Bind, ...]:
    """Return the binds of a unit in the order of the lever's position.

    ``profiles`` are those of half-turns as the unit was tested, ``bare`` those with the cable
    unhooked or the load off.  Either may be empty: with ``bare`` alone every bind is the unit's,
    with ``profiles`` alone it is not told.  Half-turns of one way are looked at together, and a
    bind must show in most of them.  None is found in the run-up, the first 5 to 15 degrees.
    """
    found = [_Seen(bump, profile, bool(profiles)) for bump, profile in _bumps(profiles or bare)]
    if profiles and bare:
        own = [_Seen(bump, profile, False) for bump, profile in _bumps(bare)]
        found += [one for one in own if not any(one.is_same(other) for other in found)]
    binds = [_bind(group, profiles, bare) for group in _grouped(found)]
    return tuple(sorted(binds, key=lambda bind: bind.lever_deg))


@dataclass(frozen=True, slots=True)
class _Seen:
    """A bump of one way round, on the mean of its profiles; ``hooked`` if cable or load was on."""

    bump: Bump
    profile: StrokeProfile
    hooked: bool

    @property
    def place_deg(self) -> float:
        return float(lever_deg(np.array(self.bump.centre_deg)))

    @property
    def place_u_deg(self) -> float:
        """Of the place: as measured, and what is not known of where the half-turn began."""
        left = 1.0 - (self.bump.centre_deg % HALF_TURN_DEG) / HALF_TURN_DEG
        return math.hypot(PLACE_U_DEG, left * self.profile.start_u_deg)

    def is_at(self, other: _Seen) -> bool:
        """Whether another is at the same lever position."""
        apart_deg = abs(self.place_deg - other.place_deg)
        return apart_deg < SAME * math.hypot(self.place_u_deg, other.place_u_deg)

    def is_same(self, other: _Seen) -> bool:
        """Whether another is the same, the same way round."""
        return self.profile.direction is other.profile.direction and self.is_at(other)


def _bumps(profiles: Sequence[StrokeProfile]) -> list[tuple[Bump, StrokeProfile]]:
    found = []
    for direction in Direction:
        mine = [p for p in profiles if p.direction is direction]
        if not mine:
            continue
        mean = mean_profile(mine).profile
        for bump in find_bumps(mean):
            shows = [_contrast(p, bump) for p in mine]
            there = sum(c is not None and c[0] > THERE * bump.height_a for c in shows)
            if there >= SHOWS_IN * len(mine):
                found.append((bump, mean))
    return found


def _grouped(found: Sequence[_Seen]) -> list[list[_Seen]]:
    """Put binds at one lever position, one each way, together."""
    groups: list[list[_Seen]] = []
    for one in found:
        home = next((group for group in groups if _joins(one, group)), None)
        if home is None:
            groups.append([one])
        else:
            home.append(one)
    return groups


def _joins(one: _Seen, group: Sequence[_Seen]) -> bool:
    first = group[0]
    other_way = len(group) == 1 and one.profile.direction is not first.profile.direction
    return other_way and one.is_at(first) and one.hooked == first.hooked


def _contrast(profile: StrokeProfile, bump: Bump) -> tuple[float, float] | None:
    """Return how far the load in a bump's place stands above that beside it (A, standard u)."""
    angle_deg, load_a = profile.angle_deg, profile.load_a
    known = np.isfinite(load_a)
    margin = min(2.0, 0.25 * bump.width_deg)
    inside = known & (angle_deg > bump.from_deg + margin) & (angle_deg < bump.to_deg - margin)
    reach = BESIDE_DEG + BESIDE_WIDTH_DEG
    before = _between(angle_deg, bump.from_deg - reach, bump.from_deg - BESIDE_DEG) & known
    after = _between(angle_deg, bump.to_deg + BESIDE_DEG, bump.to_deg + reach) & known
    sides = [side for side in (before, after) if side.any()]
    if not inside.any() or not sides:
        return None
    beside_a = float(np.mean([load_a[side].mean() for side in sides]))
    u2 = _mean_u2(profile.load_u_a, inside) + _mean_u2(profile.load_u_a, before | after)
    return float(load_a[inside].mean()) - beside_a, math.sqrt(u2)


def _between(angle_deg: FloatArray, from_deg: float, to_deg: float) -> BoolArray:
    return np.asarray((angle_deg >= from_deg) & (angle_deg <= to_deg))


def _mean_u2(u_a: FloatArray, part: BoolArray) -> float:
    return float((u_a[part] ** 2).mean() / np.count_nonzero(part))


def _bind(
    group: Sequence[_Seen], profiles: Sequence[StrokeProfile], bare: Sequence[StrokeProfile]
) -> Bind:
    heights = {
        one.profile.direction: Estimate(one.bump.height_a, one.bump.height_u_a, "A")
        for one in group
    }
    site, why, missing = _site(group, profiles, bare)
    none = unknown("A", "It does not bind this way, or no half-turn this way was seen.")
    return Bind(
        lever_deg=float(np.mean([one.place_deg for one in group])),
        lever_u_deg=max(one.place_u_deg for one in group),
        width_deg=float(np.mean([one.bump.width_deg for one in group])),
        to_run_a=heights.get(Direction.TO_RUN, none),
        to_stop_a=heights.get(Direction.TO_STOP, none),
        nm_per_a=group[0].profile.nm_per_a,
        site=site,
        why=why,
        missing=missing,
    )


def _site(
    group: Sequence[_Seen], profiles: Sequence[StrokeProfile], bare: Sequence[StrokeProfile]
) -> tuple[Site, str, str]:
    """Return where a bind is, what says so, and what is missing to say it."""
    if not group[0].hooked:
        return Site.UNIT, "It binds with nothing hooked on.", ""
    looks = (
        "It binds at the same lever position both ways, as a kinked cable does."
        if len(group) > 1
        else "It binds one way only, as a damaged tooth does, or a cable that catches one way."
        if len({p.direction for p in profiles}) > 1
        else "Only half-turns one way were seen."
    )
    if not bare:
        return Site.UNTOLD, looks, UNHOOK
    stays = [part for one in group for part in _stays(one, bare)]
    if len(stays) < len(group):
        return Site.UNTOLD, looks, "Half-turns both ways with the cable unhooked are missing."
    if all(part > THERE for part in stays):
        return Site.UNIT, "It stays when nothing is hooked on.", ""
    if all(part < GONE for part in stays):
        return Site.CABLE, "It goes when the cable is unhooked.", ""
    part = 100.0 * max(stays)
    why = f"It is weaker, but not gone, when the cable is unhooked: {part:.0f} % of it stays."
    return Site.UNTOLD, why, "Look at both: the unit's gear and the cable."


def _stays(one: _Seen, bare: Sequence[StrokeProfile]) -> list[float]:
    """Return which part of a bind is there unhooked; nothing if the profiles cannot tell."""
    mine = [p for p in bare if p.direction is one.profile.direction]
    if not mine:
        return []
    hooked = _contrast(one.profile, one.bump)
    alone = _contrast(mean_profile(mine).profile, one.bump)
    if hooked is None or alone is None or 2.0 * alone[1] > GONE * hooked[0]:
        return []
    return [alone[0] / hooked[0]]


def _product(one: Estimate, other: Estimate) -> Estimate:
    if one.value is None or other.value is None:
        return unknown("N m", one.missing or other.missing)
    value = one.value * other.value
    u = math.hypot((one.u or 0.0) * other.value, one.value * (other.u or 0.0))
    return Estimate(value, u, "N m")
