"""Does the fuse open before a jammed unit's winding is too hot?"""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from enum import StrEnum

from rig.analysis.fuse import BLADE, COMMON_RATINGS_A, FuseSeries, Span, opens_after
from rig.analysis.model import UnitType
from rig.analysis.winding_heat import StallHeat, Winding, corners, stall_heat, winding_of

HORIZON_S = 3600.0
"""What has not happened within an hour of a stall is taken not to happen."""

CAUTION = (
    "CAUTION: this is a calculation, not a protection. A stalled winding gets hot enough to burn "
    "and to set things on fire, and a battery delivers hundreds of amperes into a short: fuse it "
    "at its terminal. Wire and fuse sizes follow local codes; leave what you are not sure of to "
    "licensed practice."
)


class Protection(StrEnum):
    """What a fuse does for a winding whose motor is jammed."""

    PROTECTS = "protects"
    MAY_NOT = "may_not_protect"
    DOES_NOT = "does_not_protect"


@dataclass(frozen=True, slots=True)
class FuseRace:
    """One fuse rating (A) against one winding.

    ``fuse_s`` when the fuse opens and ``winding_s`` when the winding reaches ``max_c`` (degrees
    Celsius), each from the earliest to the latest that uncertainties and the fuse's gates leave.
    ``stall_a`` is the current at the beginning, least and most.
    """

    rating_a: float
    stall_a: tuple[float, float]
    fuse_s: Span
    winding_s: Span
    max_c: float
    protection: Protection

    def sentence(self) -> str:
        """Return the two times and what they mean, in plain words."""
        hot = f"the winding reaches {self.max_c:g} degrees Celsius {_when(self.winding_s)}"
        if math.isinf(self.fuse_s.low_s):
            opens = "need not open at all"
        elif math.isinf(self.fuse_s.high_s):
            opens = f"opens after {_s(self.fuse_s.low_s)} at the earliest, and need not open at all"
        else:
            opens = f"opens {_when(self.fuse_s)}"
        return f"A {self.rating_a:g} A fuse {opens}; {hot}. {_MEANS[self.protection]}"


_MEANS = {
    Protection.PROTECTS: "It protects the winding of a jammed unit.",
    Protection.MAY_NOT: (
        "It may not protect the winding of a jammed unit: fuses differ, and the current falls as "
        "the copper warms."
    ),
    Protection.DOES_NOT: (
        "It does not protect the winding of a jammed unit: it is too big. Fit a smaller one."
    ),
}


def race(
    winding: Winding,
    supply_v: float,
    lead_ohm: float,
    ratings_a: Sequence[float] = COMMON_RATINGS_A,
    series: FuseSeries = BLADE,
) -> tuple[FuseRace, ...]:
    """Return for each rating whether its fuse opens before the winding reaches its limit.

    ``supply_v`` (V) at rest, ``lead_ohm`` of source, leads and fuse together.  Winding and fuse
    see the same current, so they are compared corner by corner of what resistance, heat capacity
    and temperature may be: a fuse protects if it does in every corner at its latest, and does not
    if in no corner it does at its earliest.
    """
    stalls = [stall_heat(corner, supply_v, lead_ohm, HORIZON_S) for corner in corners(winding)]
    return tuple(_race(rating_a, winding.max_c, stalls, series) for rating_a in ratings_a)


def largest_that_protects(races: Iterable[FuseRace]) -> float | None:
    """Return the largest rating (A) that protects, None if none does."""
    return max((r.rating_a for r in races if r.protection is Protection.PROTECTS), default=None)


@dataclass(frozen=True, slots=True)
class FittedFuse:
    """The fuse in a rig against the winding of its unit type as it ought to be.

    ``race`` on ``supply_v`` (V); ``protects_a`` (A) is the largest common rating that protects,
    None if none does.  ``any_unit`` is what that rating does for any cold unit of the type, within
    the tolerances of `winding_of`: a weak one may draw too little for it.
    """

    race: FuseRace
    supply_v: float
    protects_a: float | None
    any_unit: Protection | None

    @property
    def over_rated(self) -> bool:
        """Whether it is bigger than what protects: its slowest does not open in time."""
        if self.race.protection is Protection.PROTECTS:
            return False
        if self.protects_a is None:
            return self.race.protection is Protection.DOES_NOT
        return self.race.rating_a > self.protects_a


def fitted_fuse(
    fitted_a: float, unit: UnitType, max_c: float, lead_ohm: float, series: FuseSeries = BLADE
) -> FittedFuse:
    """Return how a fuse of ``fitted_a`` (A) stands to a unit type behind a sound feed.

    The type's nominal data at its nominal voltage and 20 degrees Celsius: neither a worn unit nor
    a bad joint, which let less current flow, must make a right fuse look too big.  ``max_c`` is
    what the winding may reach, ``lead_ohm`` source, leads and fuse.
    """
    winding = Winding(unit.winding_ohm, unit.heat_j_per_k, unit.cooling_k_per_w, max_c)
    others = tuple(rating_a for rating_a in COMMON_RATINGS_A if rating_a != fitted_a)
    [own, *common] = race(winding, unit.nominal_v, lead_ohm, (fitted_a, *others), series)
    if fitted_a in COMMON_RATINGS_A:
        common.append(own)
    protects_a = largest_that_protects(common)
    any_unit = None
    if protects_a is not None:
        whole = winding_of(unit, max_c)
        any_unit = race(whole, unit.nominal_v, lead_ohm, (protects_a,), series)[0].protection
    return FittedFuse(own, unit.nominal_v, protects_a, any_unit)


def _race(
    rating_a: float, max_c: float, stalls: Sequence[StallHeat], series: FuseSeries
) -> FuseRace:
    opens = [opens_after(s.time_s, s.current_a, rating_a, series) for s in stalls]
    if all(_before(o.high_s, s.hot_s) for o, s in zip(opens, stalls, strict=True)):
        protection = Protection.PROTECTS
    elif not any(_before(o.low_s, s.hot_s) for o, s in zip(opens, stalls, strict=True)):
        protection = Protection.DOES_NOT
    else:
        protection = Protection.MAY_NOT
    currents_a = [float(s.current_a[0]) for s in stalls]
    return FuseRace(
        rating_a,
        (min(currents_a), max(currents_a)),
        Span(min(o.low_s for o in opens), max(o.high_s for o in opens)),
        Span(min(s.hot_s for s in stalls), max(s.hot_s for s in stalls)),
        max_c,
        protection,
    )


def _before(opens_s: float, hot_s: float) -> bool:
    """Whether the winding is spared; one that never gets too hot needs no fuse."""
    return opens_s < hot_s or math.isinf(hot_s)


def _when(span: Span) -> str:
    if math.isinf(span.low_s):
        return "not at all within an hour"
    if math.isinf(span.high_s):
        return f"after {_s(span.low_s)} at the earliest"
    return f"after {_s(span.low_s)} to {_s(span.high_s)}"


def number(time_s: float) -> str:
    """Return a time (s) as a number of two digits or more."""
    return f"{time_s:.0f}" if time_s >= 10.0 else f"{time_s:.2g}"


def _s(time_s: float) -> str:
    return f"{number(time_s)} s"
