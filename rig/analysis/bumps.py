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
from dataclasses import dataclass

import numpy as np

from rig.analysis.levels import MAD_TO_SIGMA, median
from rig.analysis.stroke import StrokeProfile
from rig.analysis.trace import FloatArray

# Shapes tried: how wide (degrees, each about a fifth wider than the last), on what grid they begin,
# and how soft their edges are.
WIDTHS_DEG = (4, 6, 8, 10, 12, 15, 18, 22, 26, 31, 37, 44, 53, 64, 77, 92, 110, 130, 150)
GRID_DEG, EDGE_DEG = 2.0, 4.0
# Steps by which the best shape's edges are then moved (degrees), each so often at most.
STEPS_DEG, MOVES = (4.0, 2.0, 1.0, 0.5, 0.25), 6
# A bump is one if noise alone would make it once in some thousand profiles: about 200 independent
# shapes are tried, each normal, so that 5 sigma are 6e-5 (normal distribution, one-sided).
SIGMAS = 5.0
# Neighbouring steps of a profile share noise: the slope of the speed is taken over two steps.
SHARED = 2.0
# What is left of a shape when the smooth course is taken off must be this part of it (guess).
LEFT_LEAST = 0.25
# After a bump is found nothing is looked for so near its edges (degrees): they may be softer than
# the shape's, or harder.
NEAR_EDGE_DEG = 6.0
MOST = 6
# The load before a bump must have been seen for this far (degrees): what is left of the run-up, if
# its time constant is not quite right, looks like one.
BEFORE_DEG = 6.0
# Lower than this part of the usual current it is no bind that anybody would look for, and the
# motor's model is no better; so is one that overlaps another of which it is this part: it is that
# one's shape (guesses).
LEAST, LEAST_OF_OTHER = 0.05, 0.15
# Touching bumps whose heights differ by less than this part are one (guess).
ALIKE = 0.4
# Beside a bump: from so far to so far from its edge (degrees).
SIDE_DEG = 2.0, 8.0
# ... the load inside must stand above that on either side by this part of the height (guess).
OUT = 0.3
# A dip is looked for so far before a bump, compared with the load so far before (degrees), and is
# one from this part of the bump's height (guess).
DIP_DEG, DIP = (8.0, 24.0), 0.5
# Fewer points than this tell nothing.
POINTS = 24


@dataclass(frozen=True, slots=True)
class Bump:
    """From where to where (degrees of the profile's angle), and how high (A, standard u)."""

    from_deg: float
    to_deg: float
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
    spans = _spans(float(x[0]) + BEFORE_DEG, float(x[-1]))
    shapes = _shape(x, spans[:, :1], spans[:, 1:])
    course = _smooth(x)
    fits = [_fit(x, y, weight, course[:, :n], spans, shapes) for n in COURSES]
    bumps = min(fits, key=lambda fit: fit.cost).bumps
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
    found: list[tuple[float, float]] = []
    open_ = np.ones(len(x), dtype=np.bool_)
    while len(found) < MOST and np.count_nonzero(open_) >= POINTS:
        model = _model(x, smooth, found)
        best = _best(model, shapes, y, weight * open_)
        if best is None:
            break
        span = _refined(x, y, weight * open_, model, spans[best])
        found.append(span)
        for edge in span:
            open_ &= np.abs(x - edge) > NEAR_EDGE_DEG
    return _measured(x, y, weight, smooth, found)


def _model(x: FloatArray, smooth: FloatArray, found: list[tuple[float, float]]) -> FloatArray:
    taken = [_shape(x, np.array([[a]]), np.array([[b]]))[0] for a, b in found]
    return np.column_stack([smooth, *taken])


def _weights(u_a: FloatArray) -> FloatArray:
    usual = median(u_a)
    return np.asarray(1.0 / np.maximum(u_a / max(usual, 1e-9), 1.0))


# How many columns of the smooth course are tried: even, and up to four harmonics.
COURSES = (1, 3, 5, 7, 9)


def _smooth(x_deg: FloatArray) -> FloatArray:
    a = np.radians(x_deg)
    waves = [wave(k * a) for k in range(1, COURSES[-1] // 2 + 1) for wave in (np.cos, np.sin)]
    return np.column_stack([np.ones_like(a), *waves])


def _spans(first_deg: float, last_deg: float) -> FloatArray:
    starts = np.arange(first_deg, last_deg, GRID_DEG)
    widths = np.array(WIDTHS_DEG)
    begins = np.repeat(starts, len(widths))
    ends = begins + np.tile(widths, len(starts))
    fits = ends <= last_deg
    return np.column_stack([begins[fits], ends[fits]])


def _shape(x_deg: FloatArray, from_deg: FloatArray, to_deg: FloatArray) -> FloatArray:
    """Return shapes row by row: 0 outside, 1 inside, a straight edge between."""
    rise = np.clip((x_deg - from_deg) / EDGE_DEG + 0.5, 0.0, 1.0)
    fall = np.clip((to_deg - x_deg) / EDGE_DEG + 0.5, 0.0, 1.0)
    return np.asarray(np.minimum(rise, fall))


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


def _refined(
    x: FloatArray, y: FloatArray, weight: FloatArray, model: FloatArray, span: FloatArray
) -> tuple[float, float]:
    """Return the span whose edges fit best, sought in ever smaller steps."""
    q, _ = np.linalg.qr(model * weight[:, None])
    rest = y * weight - q @ (q.T @ (y * weight))
    begin, end = float(span[0]), float(span[1])
    for step in STEPS_DEG:
        for _ in range(MOVES):
            moves = np.array([(a, b) for a in (-step, 0.0, step) for b in (-step, 0.0, step)])
            spans = moves + np.array([begin, end])
            shapes = _shape(x, spans[:, :1], spans[:, 1:]) * weight
            left = shapes - (shapes @ q) @ q.T
            size = np.sqrt(np.maximum(np.einsum("ij,ij->i", left, left), 1e-12))
            score = (left @ rest) / size
            score[spans[:, 1] - spans[:, 0] < WIDTHS_DEG[0]] = -np.inf
            score[spans[:, 0] < x[0] + BEFORE_DEG - 1.0] = -np.inf
            best = int(np.argmax(score))
            if best == len(moves) // 2:
                break
            begin, end = float(spans[best, 0]), float(spans[best, 1])
    return begin, end


def _measured(
    x: FloatArray,
    y: FloatArray,
    weight: FloatArray,
    smooth: FloatArray,
    found: list[tuple[float, float]],
) -> _Fit:
    """Fit smooth course and all bumps together; keep those that still stand above noise.

    The cost is Schwarz's criterion with the mean deviation for the scatter.
    """
    n, parts = len(y), smooth.shape[1]
    model = _model(x, smooth, found) * weight[:, None]
    fit, *_ = np.linalg.lstsq(model, y * weight, rcond=None)
    rest = y * weight - model @ fit
    scatter = max(float(np.abs(rest).mean()), 1e-6)
    cost = 2.0 * n * math.log(scatter) + (parts + 3 * len(found)) * math.log(n)
    sigma = math.sqrt(SHARED) * _sigma(rest)
    u = sigma * np.sqrt(np.diag(np.linalg.pinv(model.T @ model)))
    bumps = [
        Bump(a, b, float(height), float(height_u))
        for (a, b), height, height_u in zip(found, fit[parts:], u[parts:], strict=True)
        if height > SIGMAS * height_u
        and _stands_out(x, y, a, b, float(height))
        and not _follows_a_dip(x, y, a, float(height))
    ]
    alone = [bump for bump in bumps if not any(_belongs(bump, other) for other in bumps)]
    return _Fit(_joined(sorted(alone, key=lambda bump: bump.from_deg)), cost)


def _stands_out(
    x: FloatArray, y: FloatArray, from_deg: float, to_deg: float, height_a: float
) -> bool:
    """Whether the load is higher inside than on either side.

    A spring that helps as far as it can makes a slope with a foot and a shoulder, which no few
    harmonics follow: what stands on the slope is not higher than what comes after.
    """
    inside = y[(x > from_deg) & (x < to_deg)]
    before = y[(x < from_deg - SIDE_DEG[0]) & (x > from_deg - SIDE_DEG[1])]
    after = y[(x > to_deg + SIDE_DEG[0]) & (x < to_deg + SIDE_DEG[1])]
    if len(inside) == 0:
        return False
    return all(
        inside.mean() > side.mean() + OUT * height_a for side in (before, after) if len(side)
    )


def _follows_a_dip(x: FloatArray, y: FloatArray, from_deg: float, height_a: float) -> bool:
    """Whether the current dropped out just before: then the rotor was sped up again, not loaded."""
    just = y[(x < from_deg + 0.5 * EDGE_DEG) & (x > from_deg - DIP_DEG[0])]
    before = y[(x <= from_deg - DIP_DEG[0]) & (x > from_deg - DIP_DEG[1])]
    if len(just) == 0 or len(before) == 0:
        return False
    return float(just.min()) < median(before) - DIP * height_a


def _joined(bumps: list[Bump]) -> list[Bump]:
    """Return bumps with those made one that touch and are about as high: one that is not square."""
    out: list[Bump] = []
    for bump in bumps:
        last = out[-1] if out else None
        if last is not None and bump.from_deg - last.to_deg < NEAR_EDGE_DEG and _alike(bump, last):
            main = max(bump, last, key=lambda b: b.width_deg)
            out[-1] = Bump(last.from_deg, bump.to_deg, main.height_a, main.height_u_a)
        else:
            out.append(bump)
    return out


def _alike(one: Bump, other: Bump) -> bool:
    return abs(one.height_a - other.height_a) < ALIKE * max(one.height_a, other.height_a)


def _belongs(bump: Bump, other: Bump) -> bool:
    """Whether a bump is only what another's shape leaves over."""
    apart_deg = max(bump.from_deg, other.from_deg) - min(bump.to_deg, other.to_deg)
    near = apart_deg < NEAR_EDGE_DEG
    return near and bump.height_a < LEAST_OF_OTHER * other.height_a
