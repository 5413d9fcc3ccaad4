"""A straight line through points of known uncertainty."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

FloatArray = NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class StraightLine:
    """y = ``intercept`` + ``slope`` x, with the covariance matrix of both, and the residuals."""

    intercept: float
    slope: float
    covariance: tuple[tuple[float, float], tuple[float, float]]
    residuals: tuple[float, ...]


def fit_line(
    x: Sequence[float], y: Sequence[float], own_u: Sequence[float], common_u: Sequence[float]
) -> StraightLine:
    """Return the weighted least-squares line through ``y`` over ``x``.

    ``own_u`` is each y's standard uncertainty that no other shares, ``common_u`` what all share
    (one instrument's error: fully correlated, in proportion to these).  Weights are the inverse
    squares of ``own_u`` alone: a common error moves points together and is no reason to trust one
    less.  The parameters are linear in y, so their covariance is A V A', with V the full covariance
    of the y (JCGM 100:2008, 5.2.2 and H.3; the estimator is that of NIST/SEMATECH e-Handbook of
    Statistical Methods, 4.4.3.2).  Raises ValueError for fewer than two different x, or an
    ``own_u`` that is not above zero.
    """
    xs, ys, own, common = (np.asarray(v, dtype=np.float64) for v in (x, y, own_u, common_u))
    if len(set(xs.tolist())) < 2:
        raise ValueError("a line needs points at two different readings")
    if not (own > 0).all():
        raise ValueError("each point needs an uncertainty above zero")
    # About the weighted mean and scaled: readings of 60 and 61 would lose digits otherwise.
    weight = 1.0 / own**2
    centre = float((weight * xs).sum() / weight.sum())
    span = float(np.abs(xs - centre).max())
    columns = np.column_stack([np.ones_like(xs), (xs - centre) / span]) / own[:, None]
    solver = np.linalg.pinv(columns) / own[None, :]  # y -> parameters of the scaled line
    level, rise = solver @ ys
    # Back to the line in x itself: slope = rise / span, intercept = level - slope * centre.
    back = np.array([[1.0, -centre / span], [0.0, 1.0 / span]])
    spread = np.diag(own**2) + np.outer(common, common)
    covariance = back @ solver @ spread @ solver.T @ back.T
    slope = float(rise) / span
    residuals = ys - (level + rise * (xs - centre) / span)
    return StraightLine(
        intercept=float(level) - slope * centre,
        slope=slope,
        covariance=(
            (float(covariance[0, 0]), float(covariance[0, 1])),
            (float(covariance[1, 0]), float(covariance[1, 1])),
        ),
        residuals=tuple(float(r) for r in residuals),
    )
