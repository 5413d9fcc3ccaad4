"""The back-EMF constant from the way that is known: from one cut-off of the cam to the next.

Between two cut-offs lie 180 degrees, between every second pair 360 exactly, whatever the cam.  The
integral of the back-EMF over a drive, and over the coasting after the cut-off before it, is the
constant times that way.  Coasting is not seen; it follows from back-EMF at the cut-off, inertia
and friction.  A unit whose cam shorts the armature at park coasts much less, which no trace shows
directly: half-turns at two supply voltages do, or the unit type's nominal value if the two
differ enough.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from rig.analysis.backemf import integral
from rig.analysis.followed import Followed
from rig.analysis.friction import Friction
from rig.analysis.model import Direction, UnitType
from rig.analysis.run_up_fit import RunUpFit

HALF_TURN_DEG = 180.0
# Cam edges lie within this of their place (standard uncertainty, degrees, guess).
CAM_U_DEG = 1.0
# A first drive begins where it had parked, or where somebody moved it by hand (degrees, guess).
START_U_DEG = 5.0
# A coast is known to this part of itself: friction falls with speed, contacts arc (guess).
COAST_U = 0.15
# Integrals of one unit's half-turns scatter by this part at least (guess).
SCATTER_LEAST = 0.003
# A unit's constant differs from its type's by this (standard, guess); it only tells apart whether
# the unit brakes at park, and is not mixed into the result.
NOMINAL_U = 0.06
# The cam shorts the armature so long after the cut-off, if it does (s, guess).
BRAKE_AFTER_S = 0.001


@dataclass(frozen=True, slots=True)
class EmfConstant:
    """``emf_vs_per_rev`` and what its standard uncertainty is made of (V s per revolution).

    ``braked`` is the share of belief (0 to 1) that the cam shorts the armature at park;
    ``vs_of`` how much the integrals change per ohm.
    """

    emf_vs_per_rev: float
    u_scatter: float
    u_cam: float
    u_coast: float
    per_ohm: float
    driven_s: float
    braked: float


@dataclass(frozen=True, slots=True)
class _Way:
    """One half-turn: its integral (V s), charge (C), and the coasts that come before it."""

    direction: Direction
    vs: float
    charge_c: float
    free_vs: float
    short_vs: float
    start_u: float
    driven_s: float


def find_emf_constant(
    drives: list[Followed],
    fit: RunUpFit,
    friction: Friction,
    unit: UnitType,
) -> EmfConstant | None:
    """Return the constant from the half-turns among ``drives`` (of all traces, in time order)."""
    ways = _ways(drives, fit, friction)
    if not ways:
        return None
    braked, turn_vs = unit.brake_at_park, unit.turn_vs
    kinds = (False, True) if braked is None else (braked,)
    found = [_with(ways, turn_vs, braked=kind) for kind in kinds]
    least = min(doubt for *_, doubt in found)
    shares = np.array([math.exp(-0.5 * (doubt - least)) for *_, doubt in found])
    shares /= shares.sum()
    values = np.array([value for value, *_ in found])
    value = float(shares @ values)
    apart = float(np.sqrt(shares @ (values - value) ** 2))
    u_scatter, u_cam, coast_vs = (
        float(shares @ np.array([row[k] for row in found])) for k in (1, 2, 3)
    )
    charge_c = float(np.mean([w.charge_c for w in ways]))
    return EmfConstant(
        emf_vs_per_rev=value,
        u_scatter=u_scatter,
        u_cam=u_cam,
        u_coast=math.hypot(apart, COAST_U * 2.0 * coast_vs),
        per_ohm=-2.0 * charge_c,
        driven_s=float(np.mean([w.driven_s for w in ways])),
        braked=float(shares[-1]) if braked is None else float(braked),
    )


def _ways(drives: list[Followed], fit: RunUpFit, friction: Friction) -> list[_Way]:
    ways: list[_Way] = []
    before: Followed | None = None
    for followed in drives:
        drive = followed.drive
        at_first = before is None or before.drive.trace != drive.trace
        known = not at_first and drive.follows and before is not None and before.drive.whole
        if drive.whole and drive.cut_s is not None and (known or at_first):
            last = before if known and before is not None else followed
            vs, charge_c, driven_s = _integral(followed, fit)
            free_vs, short_vs = _coasts(last, fit, friction)
            start_u = 0.0 if known else START_U_DEG / HALF_TURN_DEG
            ways.append(_Way(drive.direction, vs, charge_c, free_vs, short_vs, start_u, driven_s))
        before = followed
    return ways


def _integral(followed: Followed, fit: RunUpFit) -> tuple[float, float, float]:
    """Return the back-EMF integral (V s), the charge (C) and the time (s) of a drive."""
    drive = followed.drive
    assert drive.cut_s is not None
    first = max(drive.begin - 1, 0)
    time_s, current_a = drive.time_s[first:], followed.current_a[first:].copy()
    if drive.begin > 0:
        current_a[0] = 0.0
    drop_v = current_a * followed.loop_ohm[first:]
    left_s = drive.cut_s - float(time_s[-1])
    charge_c = integral(time_s, current_a) + float(current_a[-1]) * left_s
    drop_vs = integral(time_s, drop_v) + float(drop_v[-1]) * left_s
    driven_s = drive.cut_s - drive.begin_s
    vs = followed.volts * driven_s - drop_vs - fit.henry * float(current_a[-1])
    return vs, charge_c, driven_s


def _coasts(followed: Followed, fit: RunUpFit, friction: Friction) -> tuple[float, float]:
    """Return the back-EMF's integral after a drive's cut-off, open and with the armature shorted.

    Open: C de/dt = -(d + g e), which integrates to C (e - d/g ln(1 + g e/d))/g.  Shorted: the same
    with 1/R more in g.
    """
    tail = max(len(followed.emf_v) // 20, 3)
    emf = max(float(np.median(followed.emf_v[-tail:])), 0.0)
    dry_a = max(friction.dry_a, 1e-3)
    free_vs = _slowing_vs(emf, dry_a, friction.per_v, fit.farad)
    short_vs = _slowing_vs(emf, dry_a, friction.per_v + 1.0 / fit.ohm, fit.farad)
    return free_vs, min(short_vs + BRAKE_AFTER_S * emf, free_vs)


def _slowing_vs(emf_v: float, dry_a: float, per_v: float, farad: float) -> float:
    if per_v * emf_v < 1e-3 * dry_a:
        return farad * emf_v**2 / (2.0 * dry_a)
    return farad / per_v * (emf_v - dry_a / per_v * math.log1p(per_v * emf_v / dry_a))


def _with(
    ways: list[_Way], turn_vs: float | None, *, braked: bool
) -> tuple[float, float, float, float, float]:
    """Return constant, uncertainties of scatter and cam, coast (V s), and what speaks against it.

    All of it under one belief about the brake.
    """
    coasts = np.array([w.short_vs if braked else w.free_vs for w in ways])
    values = 2.0 * (np.array([w.vs for w in ways]) + coasts)
    means: list[tuple[float, float, float]] = []
    against = 0.0
    for direction in Direction:
        here = np.array([w.direction is direction for w in ways])
        if not here.any():
            continue
        mine = values[here]
        start = np.array([w.start_u for w in ways])[here]
        weight = 1.0 / (SCATTER_LEAST**2 + start**2)
        mean = float(weight @ mine / weight.sum())
        off = (mine - mean) * np.sqrt(weight) / mean
        against += float(off @ off)
        scatter = max(1.0, float(off @ off) / max(len(mine) - 1, 1)) ** 0.5
        means.append((mean, mean * scatter / float(weight.sum()) ** 0.5, float(start.min())))
    if turn_vs is not None:
        middle = float(np.mean([m for m, *_ in means]))
        against += ((middle / (2.0 * turn_vs) - 1.0) / NOMINAL_U) ** 2
    coast_vs = float(coasts.mean())
    cam = CAM_U_DEG / HALF_TURN_DEG
    both = len(means) == 2 and all(start == 0.0 for *_, start in means)
    if both:  # a whole turn is 360 degrees, wherever the cam's edges lie
        value = 0.5 * (means[0][0] + means[1][0])
        u_scatter = 0.5 * math.hypot(means[0][1], means[1][1])
        return value, u_scatter, 0.0, coast_vs, against
    weights = np.array([1.0 / (u**2 + (cam * m) ** 2) for m, u, _ in means])
    value = float(weights @ np.array([m for m, *_ in means]) / weights.sum())
    u_scatter = float((weights**2 @ np.array([u**2 for _, u, _ in means])) ** 0.5 / weights.sum())
    return value, u_scatter, cam * value, coast_vs, against
