"""Mean stroke profiles, and where a half-turn departs from them.

Profiles of one type, or of one unit's own earlier runs, differ in two ways: as a whole (friction,
drag: one number a profile) and from place to place.  The two are kept apart: the first has as many
degrees of freedom as there are profiles less one, however many angles they have.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from scipy.special import ndtr, stdtrit

from rig.analysis.estimate import Estimate, unknown
from rig.analysis.levels import median, running_mean
from rig.analysis.model import Accuracy, Direction
from rig.analysis.stroke import GRID_DEG, StrokeProfile
from rig.analysis.trace import BoolArray, FloatArray

# Spread from place to place is taken from so many neighbouring steps together (20 degrees).
POOLED = 10
# ... of which so many are independent: what makes units differ goes over several steps (guess).
INDEPENDENT = 3
# A place departs beyond so many standard uncertainties over so many steps in a row, farther by
# Student's factor where few profiles tell the spread.  Measured on 2000 drawn comparisons each, 2
# to 20 references: shapes that differ over 6 degrees (half width) depart falsely in none with noise
# of half their size, in up to 0.7 % with little noise; over 14 degrees and little noise in 0.2 % (2
# references) to 3.4 %.
SIGMAS, IN_A_ROW = 3.5, 2
# A difference at all angles is beyond its uncertainty from 95.45 % on.
GENERAL_SIGMAS = 2.0


@dataclass(frozen=True, slots=True, eq=False)
class MeanProfile:
    """The mean of ``count`` profiles of one direction.

    ``profile`` is the mean, its ``load_u_a`` the uncertainty of one profile from noise divided by
    the root of their number; ``spread_a`` is the standard deviation from place to place between
    profiles (A), ``offset_spread_a`` that of their loads as a whole; both None with one profile.
    """

    profile: StrokeProfile
    count: int
    spread_a: FloatArray | None
    offset_spread_a: float | None


@dataclass(frozen=True, slots=True)
class Departure:
    """A stretch, ``from_deg`` to ``to_deg`` of the output's angle, with another load.

    ``load_a`` is the mean difference over it (A, positive = harder), the general difference taken
    off, ``load_u_a`` its standard uncertainty.
    """

    from_deg: float
    to_deg: float
    load_a: float
    load_u_a: float


@dataclass(frozen=True, slots=True)
class Comparison:
    """How a profile differs from a reference.

    ``general_a`` is the difference at all angles alike (A, positive = harder): friction or drag;
    ``is_general`` tells whether it is beyond its uncertainty.  ``departures`` are the places that
    differ besides.  ``missing`` says what the reference lacks.
    """

    direction: Direction
    general_a: Estimate
    is_general: bool
    departures: tuple[Departure, ...]
    missing: str = ""


def mean_profile(profiles: Sequence[StrokeProfile]) -> MeanProfile:
    """Return the mean of profiles of one direction, and how they spread.

    Raises ValueError without a profile, with both directions, or if friction was taken off some of
    them only.
    """
    if not profiles:
        raise ValueError("a mean needs at least one profile")
    first = profiles[0]
    if any(p.direction is not first.direction for p in profiles):
        raise ValueError("profiles to run and to stop have no common mean")
    if any(p.above_friction != first.above_friction for p in profiles):
        raise ValueError("friction is taken off some of these profiles and not off others")
    if len(profiles) == 1:
        return MeanProfile(first, 1, None, None)
    loads_a = np.stack([p.load_a for p in profiles])
    # A place that some did not see has another mixture: it is left out.
    mean_a = loads_a.mean(axis=0)
    n = len(profiles)
    u_a = np.sqrt((np.stack([p.load_u_a for p in profiles]) ** 2).sum(axis=0)) / n
    speed = np.stack([p.speed_deg_per_s for p in profiles]).mean(axis=0)
    current_a = np.stack([p.current_a for p in profiles]).mean(axis=0)
    off_a = loads_a - mean_a
    general_a = np.array([_middle(row) for row in off_a])
    shape2 = ((off_a - general_a[:, None]) ** 2).sum(axis=0) / (n - 1)
    known = np.isfinite(shape2)
    spread_a = np.full(len(shape2), np.nan)
    spread_a[known] = np.sqrt(running_mean(shape2[known], POOLED))
    return MeanProfile(
        profile=replace(
            first,
            half_turn=0,
            speed_deg_per_s=speed,
            current_a=current_a,
            load_a=mean_a,
            load_u_a=u_a,
        ),
        count=n,
        spread_a=spread_a,
        offset_spread_a=float(np.sqrt((general_a**2).sum() / (n - 1))),
    )


def compare_profiles(
    profile: StrokeProfile, reference: MeanProfile, accuracy: Accuracy | None = None
) -> Comparison:
    """Return where and by how much a profile departs from a reference beyond uncertainty.

    ``accuracy`` of the instrument that both were recorded with: its gain's error is in both and
    counts for their difference only, its zero's is in each recording anew.  Raises
    ValueError if the directions differ, or friction is taken off one of the two only.
    """
    mean, n = reference.profile, reference.count
    if profile.direction is not mean.direction:
        raise ValueError("a half-turn to run is not compared with one to stop")
    if profile.above_friction != mean.above_friction:
        raise ValueError("friction is taken off one of the two profiles and not off the other")
    off_a = profile.load_a - mean.load_a
    known = np.isfinite(off_a)
    if not known.any():
        nothing = unknown("A", "no angle was seen in both")
        return Comparison(profile.direction, nothing, False, (), nothing.missing)
    general_a = _middle(off_a)
    u_a = np.hypot(profile.load_u_a, mean.load_u_a)
    if reference.spread_a is None or reference.offset_spread_a is None:
        missing = "One profile is no reference: how far units differ is not known."
        general = Estimate(general_a, None, "A")
        return Comparison(profile.direction, general, False, (), missing)
    more = math.sqrt(1.0 + 1.0 / n)
    spread_a, read_a = more * reference.offset_spread_a, _read_u_a(u_a[known])
    u_a = np.hypot(u_a, more * reference.spread_a)
    if accuracy is not None:
        zero_a = more * accuracy.offset_u_a
        read_a = math.hypot(read_a, accuracy.gain_u_rel * general_a, zero_a)
    place_factor = student_factor(SIGMAS, INDEPENDENT * (n - 1))
    return Comparison(
        direction=profile.direction,
        general_a=Estimate(general_a, math.hypot(spread_a, read_a), "A"),
        is_general=abs(general_a)
        > math.hypot(student_factor(GENERAL_SIGMAS, n - 1) * spread_a, GENERAL_SIGMAS * read_a),
        departures=_departures(profile.angle_deg, off_a - general_a, place_factor * u_a, u_a),
    )


def student_factor(sigmas: float, freedom: int) -> float:
    """Return the coverage factor with the confidence of ``sigmas`` of the normal distribution.

    Student's t at ``freedom`` degrees of freedom (JCGM 100:2008, G.3).
    """
    return float(stdtrit(freedom, ndtr(sigmas)))


def _read_u_a(u_a: FloatArray) -> float:
    """Return what the readings' scatter leaves in a mean over places, place by place its own."""
    return float(np.sqrt((u_a**2).mean() / len(u_a)))


def _middle(values: FloatArray) -> float:
    return median(values[np.isfinite(values)])


def _departures(
    angle_deg: FloatArray, off_a: FloatArray, bound_a: FloatArray, u_a: FloatArray
) -> tuple[Departure, ...]:
    found = []
    for sign in (1.0, -1.0):
        beyond = np.nan_to_num(sign * off_a) > np.nan_to_num(bound_a, nan=np.inf)
        for first, last in _stretches(beyond):
            if last - first < IN_A_ROW:
                continue
            part = slice(first, last)
            found.append(
                Departure(
                    from_deg=float(angle_deg[first]) - 0.5 * GRID_DEG,
                    to_deg=float(angle_deg[last - 1]) + 0.5 * GRID_DEG,
                    load_a=float(off_a[part].mean()),
                    load_u_a=float(np.sqrt((u_a[part] ** 2).mean())),
                )
            )
    return tuple(sorted(found, key=lambda departure: departure.from_deg))


def _stretches(flags: BoolArray) -> list[tuple[int, int]]:
    change = np.flatnonzero(np.diff(np.concatenate(([False], flags, [False])).astype(np.int8)))
    return list(zip(change[::2].tolist(), change[1::2].tolist(), strict=True))
