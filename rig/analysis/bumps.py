"""Bumps on a stroke profile: where over the angle the load stands above its smooth course.

The smooth course is that of a drag and a spring on a crank: a constant and the first harmonics of
the output's angle (a crank that stretches a spring gives sin a and sin 2a; one that pulls the motor
along for a while, more).  A bump is a load that sets in, stays and ends within the half-turn.  All
beginnings and ends on a grid are tried, the best is taken in, and so on while the next is beyond
noise: least squares, step by step.  How many harmonics there are is chosen by Schwarz's criterion,
which prefers few parameters (G. Schwarz, Annals of Statistics 6, 1978; from memory).
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np

from rig.analysis.bump_shapes import BEFORE_DEG, Span, refined, shapes_of, spans_between
from rig.analysis.levels import MAD_TO_SIGMA, median
from rig.analysis.stroke import StrokeProfile
from rig.analysis.trace import FloatArray

# A bump stands out by so much.  Many shapes are tried, on several smooth courses, and the noise is
# that of what they leave, so that noise alone is a bump more often than a normal distribution has
# it.  Measured on 5000 drawn profiles each of 2.5 A with a smooth course of 0.2 A: white noise of
# 0.02 A made one in none of them, of 0.06 A in 1.6 %, of 0.12 A in 0.4 %, of 0.3 A in none.
# Profiles of simulated units at 500 Hz have 0.01 A.
SIGMAS = 5.0
# Neighbouring steps of a profile share noise: the slope of the speed is taken over two steps.
SHARED = 2.0
# What is left of a shape when the smooth course is taken off must be this part of it (guess).
LEFT_LEAST = 0.25
# After a bump is found nothing is looked for so near its edges (degrees): they may be softer than
# the shape's, or harder.
NEAR_EDGE_DEG = 6.0
MOST = 6
# Lower than this part of the usual current it is no bind that anybody would look for, and the
# motor's model is no better; so is one beside another of which it is this part (guesses).
LEAST, LEAST_OF_OTHER = 0.05, 0.15
# A bump lies inside another if its edges are no further outside (degrees).
HOLDS_DEG = 2.0
# Touching bumps whose heights differ by less than this part are one (guess).
ALIKE = 0.4
# One whose edges take longer than this (degrees) must be seen to set in and to end, if only partly.
SOFT_DEG = 8.0
# Beside a bump: from its foot so far (degrees) ...
SIDE_DEG = 6.0
# ... the load inside must stand above that on either side by this part of the height (guess).
OUT = 0.3
# A dip is looked for so far before a bump, compared with the load so far before (degrees), and is
# one from this part of the bump's height (guess).
DIP_DEG, DIP = (8.0, 24.0), 0.5
# Fewer points than this tell nothing.
POINTS = 24


@dataclass(frozen=True, slots=True)
class Bump:
    """From where to where (degrees of the profile's angle), and how high (A, standard u).

    ``edge_deg`` is how far its load takes to set in and to end.
    """

    from_deg: float
    to_deg: float
    edge_deg: float
    height_a: float
    height_u_a: float

    @property
    def centre_deg(self) -> float:
        """Its middle (degrees)."""
        return 0.5 * (self.from_deg + self.to_deg)

    @property
    def width_deg(self) -> float:
        """Its width at half its height (degrees)."""
        return self.to_deg - self.from_deg


def find_bumps(profile: StrokeProfile) -> list[Bump]:
    """Return the bumps of a profile in the order of the angle."""
    known = np.isfinite(profile.load_a)
    if np.count_nonzero(known) < POINTS:
        return []
    x, y = profile.angle_deg[known], profile.load_a[known]
    weight = _weights(profile.load_u_a[known])
    least_a = LEAST * median(profile.current_a[known])
    spans = spans_between(float(x[0]) + BEFORE_DEG, float(x[-1]))
    shapes = shapes_of(x, spans)
    course = _smooth(x)
    best = _Fit([], math.inf)
    for n in COURSES:
        if n > FEW_COLUMNS and not best.bumps:
            break  # more harmonics only explain bumps away
        fit = _fit(x, y, weight, course[:, :n], spans, shapes)
        best = min(best, fit, key=lambda fit: fit.cost)
    bumps = best.bumps
    return [bump for bump in bumps if bump.height_a > least_a]


@dataclass(frozen=True, slots=True)
class _Fit:
    """Bumps on one kind of smooth course, and how well both explain the profile."""

    bumps: list[Bump]
    cost: float


def _fit(
    x: FloatArray,
    y: FloatArray,
    weight: FloatArray,
    smooth: FloatArray,
    spans: FloatArray,
    shapes: FloatArray,
) -> _Fit:
    found: list[Span] = []
    open_ = np.ones(len(x), dtype=np.bool_)
    while len(found) < MOST and np.count_nonzero(open_) >= POINTS:
        model = _model(x, smooth, found)
        best = _best(model, shapes, y, weight * open_)
        if best is None:
            break
        span = refined(x, y, weight * open_, model, spans[best])
        found.append(span)
        for edge_deg in (span.from_deg, span.to_deg):
            open_ &= np.abs(x - edge_deg) > max(NEAR_EDGE_DEG, 0.5 * span.edge_deg)
    return _measured(x, y, weight, smooth, found)


def _model(x: FloatArray, smooth: FloatArray, found: list[Span]) -> FloatArray:
    return np.column_stack([smooth, *(shapes_of(x, np.array([span]))[0] for span in found)])


def _weights(u_a: FloatArray) -> FloatArray:
    usual = median(u_a)
    return np.asarray(1.0 / np.maximum(u_a / max(usual, 1e-9), 1.0))


# How many columns of the smooth course are tried: even, up to two harmonics, up to four.
COURSES, FEW_COLUMNS = (1, 3, 5, 7, 9), 5


def _smooth(x_deg: FloatArray) -> FloatArray:
    a = np.radians(x_deg)
    waves = [wave(k * a) for k in range(1, COURSES[-1] // 2 + 1) for wave in (np.cos, np.sin)]
    return np.column_stack([np.ones_like(a), *waves])


def _best(model: FloatArray, shapes: FloatArray, y: FloatArray, weight: FloatArray) -> int | None:
    """Return the shape that explains most of what the model leaves, if it is beyond noise."""
    q, _ = np.linalg.qr(model * weight[:, None])
    rest = y * weight - q @ (q.T @ (y * weight))
    weighted = shapes * weight
    left = weighted - (weighted @ q) @ q.T
    size2 = np.einsum("ij,ij->i", left, left)
    full2 = np.einsum("ij,ij->i", weighted, weighted)
    told = size2 > LEFT_LEAST**2 * np.maximum(full2, 1e-12)
    if not told.any():
        return None
    score = np.where(told, (left @ rest) / np.sqrt(np.maximum(size2, 1e-12)), -np.inf)
    best = int(np.argmax(score))
    # The noise as it is once the shape is taken in.
    after = rest - left[best] * (left[best] @ rest) / size2[best]
    sigma = _sigma(after[weight > 0.0])
    return best if score[best] > SIGMAS * math.sqrt(SHARED) * sigma else None


def _sigma(rest: FloatArray) -> float:
    return max(MAD_TO_SIGMA * median(np.abs(rest)), 1e-6)


def _measured(
    x: FloatArray,
    y: FloatArray,
    weight: FloatArray,
    smooth: FloatArray,
    found: list[Span],
) -> _Fit:
    """Fit smooth course and all bumps together; keep those that still stand above noise.

    The cost is Schwarz's criterion with the mean deviation for the scatter.
    """
    n, parts = len(y), smooth.shape[1]
    model = _model(x, smooth, found) * weight[:, None]
    fit, *_ = np.linalg.lstsq(model, y * weight, rcond=None)
    rest = y * weight - model @ fit
    scatter = max(float(np.abs(rest).mean()), 1e-6)
    cost = 2.0 * n * math.log(scatter) + (parts + 4 * len(found)) * math.log(n)
    sigma = math.sqrt(SHARED) * _sigma(rest)
    u = sigma * np.sqrt(np.diag(np.linalg.pinv(model.T @ model)))
    bumps = [
        Bump(*span, float(height), float(height_u))
        for span, height, height_u in zip(found, fit[parts:], u[parts:], strict=True)
        if height > SIGMAS * height_u
    ]
    whole = _joined(_topped(bumps))
    sound = [b for b in whole if _stands_out(x, y, b) and not _follows_a_dip(x, y, b)]
    return _Fit(sound, cost)


def _stands_out(x: FloatArray, y: FloatArray, bump: Bump) -> bool:
    """Whether the load is higher inside than on either side.

    A spring that helps as far as it can makes a slope with a foot and a shoulder, which no few
    harmonics follow: what stands on the slope is not higher than what comes after.
    """
    from_deg, to_deg, foot_deg = bump.from_deg, bump.to_deg, 0.5 * bump.edge_deg
    far_deg = foot_deg + SIDE_DEG
    inside = y[(x > from_deg) & (x < to_deg)]
    before = y[(x < from_deg - foot_deg) & (x > from_deg - far_deg)]
    after = y[(x > to_deg + foot_deg) & (x < to_deg + far_deg)]
    if bump.edge_deg > SOFT_DEG:
        before, after = (before if len(before) else y[:2]), (after if len(after) else y[-2:])
    if len(inside) == 0:
        return False
    return all(
        inside.mean() > side.mean() + OUT * bump.height_a for side in (before, after) if len(side)
    )


def _follows_a_dip(x: FloatArray, y: FloatArray, bump: Bump) -> bool:
    """Whether the current dropped out just before: then the rotor was sped up again, not loaded."""
    from_deg = bump.from_deg
    just = y[(x < from_deg + 0.5 * bump.edge_deg) & (x > from_deg - DIP_DEG[0])]
    before = y[(x <= from_deg - DIP_DEG[0]) & (x > from_deg - DIP_DEG[1])]
    if len(just) == 0 or len(before) == 0:
        return False
    return float(just.min()) < median(before) - DIP * bump.height_a


def _joined(bumps: list[Bump]) -> list[Bump]:
    """Return bumps with those made one that touch and are about as high: one that is not square."""
    out: list[Bump] = []
    for bump in bumps:
        last = out[-1] if out else None
        if last is not None and bump.from_deg - last.to_deg < NEAR_EDGE_DEG and _alike(bump, last):
            main = max(bump, last, key=lambda b: b.width_deg)
            out[-1] = replace(main, from_deg=last.from_deg, to_deg=bump.to_deg)
        else:
            out.append(bump)
    return out


def _alike(one: Bump, other: Bump) -> bool:
    return abs(one.height_a - other.height_a) < ALIKE * max(one.height_a, other.height_a)


def _topped(bumps: list[Bump]) -> list[Bump]:
    """Return bumps without those that are only what another's shape leaves over.

    One that lies inside another is its top; a low one beside another is its foot.
    """
    out: list[Bump] = []
    for bump in sorted(bumps, key=lambda bump: bump.from_deg - bump.to_deg):  # the widest first
        inside = [k for k, other in enumerate(out) if _holds(other, bump)]
        if inside:
            other = out[inside[0]]
            out[inside[0]] = replace(other, height_a=other.height_a + bump.height_a)
        else:
            out.append(bump)
    alone = [bump for bump in out if not any(_is_foot(bump, other) for other in out)]
    return sorted(alone, key=lambda bump: bump.from_deg)


def _holds(other: Bump, bump: Bump) -> bool:
    return other.from_deg - HOLDS_DEG <= bump.from_deg and bump.to_deg <= other.to_deg + HOLDS_DEG


def _is_foot(bump: Bump, other: Bump) -> bool:
    apart_deg = max(bump.from_deg, other.from_deg) - min(bump.to_deg, other.to_deg)
    return apart_deg < NEAR_EDGE_DEG and bump.height_a < LEAST_OF_OTHER * other.height_a
