"""Least squares where many records share a few parameters and have a few of their own.

Gauss-Newton with Marquardt's damping.  The own parameters of each record are eliminated first
(Schur complement), so that the work grows with the number of records and not with its square.
Residuals far out count less, by the loss 2 (root(1 + r2) - 1).  Any textbook of estimation.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from rig.analysis.trace import FloatArray

# Residuals beyond so many standard deviations count less.
SOFT = 2.0
ITERATIONS = 60
# The fit has come to rest when a step lowers the cost by less than this part.
AT_REST = 1e-7
DAMPING_LEAST, DAMPING_MOST = 1e-9, 1e9
# A parameter, or a mixture of them, that moves the residuals by less than this part of what each by
# itself does (squared) is not told: the finite slopes are no better than about 1e-16 squared.
TOLD_LEAST = 1e-12

# Residuals (in standard deviations) of the records' rows, and of rows that only shared parameters
# move, from shared parameters and own ones (a row for each record).
Residuals = Callable[[FloatArray, FloatArray], tuple[FloatArray, FloatArray]]


@dataclass(frozen=True, slots=True)
class SharedFit:
    """``shared`` and ``own`` (a row for each record) parameters; ``covariance`` of the shared ones.

    What nothing tells has a variance without end, or next to it.  ``misfit`` is the root mean
    square residual, in standard deviations.
    """

    shared: FloatArray
    own: FloatArray
    covariance: FloatArray
    misfit: float


@dataclass(frozen=True, slots=True)
class _Normal:
    """Normal equations: Gram matrices and gradients of shared (s) and own (o) parameters."""

    ss: FloatArray
    so: FloatArray
    oo: FloatArray
    s: FloatArray
    o: FloatArray


def fit_shared(
    residuals: Residuals,
    of: np.ndarray,
    first: tuple[FloatArray, FloatArray],
    steps: tuple[FloatArray, FloatArray],
) -> SharedFit | None:
    """Return the fit; None if it finds nothing finite.

    An own parameter that moves nothing stays where it began, and costs the others nothing.
    ``of`` says which record each of the records' rows belongs to.  ``first`` shared and own
    parameters to begin with, ``steps`` by how much to move them for a slope.
    """
    # A step may try parameters that overflow: its cost is then not lower, and it is not taken.
    with np.errstate(all="ignore"):
        return _fit(residuals, of, first, steps)


def _fit(
    residuals: Residuals,
    of: np.ndarray,
    first: tuple[FloatArray, FloatArray],
    steps: tuple[FloatArray, FloatArray],
) -> SharedFit | None:
    shared, own = first[0].copy(), first[1].copy()
    here = residuals(shared, own)
    cost = _cost(here)
    damping = 1e-3
    for _ in range(ITERATIONS):
        normal = _normal(residuals, of, shared, own, here, steps)
        lower = False
        while not lower and damping < DAMPING_MOST:
            change = _step(normal, damping)
            if change is not None:
                there = residuals(shared + change[0], own + change[1])
                new_cost = _cost(there)
                lower = bool(new_cost < cost)
            damping = damping / 5.0 if lower else damping * 4.0
        if not lower or change is None:
            break
        gain = (cost - new_cost) / max(cost, 1e-30)
        shared, own, here, cost = shared + change[0], own + change[1], there, new_cost
        damping = max(damping, DAMPING_LEAST)
        if gain < AT_REST:
            break
    if not (np.isfinite(cost) and np.isfinite(shared).all()):
        return None
    normal = _normal(residuals, of, shared, own, here, steps)
    rows = np.concatenate(here)
    square = float((_weight(rows) * rows**2).sum())
    square /= max(len(rows) - own.size - len(shared), 1)
    covariance = _covariance(normal)
    if covariance is None:
        return None
    return SharedFit(shared, own, covariance * max(square, 1.0), square**0.5)


def _cost(here: tuple[FloatArray, FloatArray]) -> float:
    return float(sum((np.sqrt(1.0 + (r / SOFT) ** 2) - 1.0).sum() for r in here))


def _weight(rows: FloatArray) -> FloatArray:
    weight: FloatArray = 1.0 / np.sqrt(1.0 + (rows / SOFT) ** 2)
    return weight


def _normal(
    residuals: Residuals,
    of: np.ndarray,
    shared: FloatArray,
    own: FloatArray,
    here: tuple[FloatArray, FloatArray],
    steps: tuple[FloatArray, FloatArray],
) -> _Normal:
    ns, no, n = len(shared), own.shape[1], len(own)
    slopes = np.empty((ns + no, len(here[0])))
    beside = np.empty((ns, len(here[1])))
    for k in range(ns):
        moved = shared.copy()
        moved[k] += steps[0][k]
        rows, others = residuals(moved, own)
        slopes[k] = (rows - here[0]) / steps[0][k]
        beside[k] = (others - here[1]) / steps[0][k]
    # An own parameter moves its record's rows only: those of all records are moved at once.
    for k in range(no):
        moved_own = own.copy()
        moved_own[:, k] += steps[1][k]
        slopes[ns + k] = (residuals(shared, moved_own)[0] - here[0]) / steps[1][k]
    weighted = slopes * _weight(here[0])
    gram = np.empty((ns + no, ns + no, n))
    for a in range(ns + no):
        for b in range(a, ns + no):
            gram[a, b] = gram[b, a] = np.bincount(of, weighted[a] * slopes[b], n)
    down = np.array([np.bincount(of, row * here[0], n) for row in weighted])
    beside_weighted = beside * _weight(here[1])
    return _Normal(
        ss=gram[:ns, :ns].sum(axis=2) + np.einsum("ar,br->ab", beside_weighted, beside),
        so=np.moveaxis(gram[:ns, ns:], 2, 0),
        oo=np.moveaxis(gram[ns:, ns:], 2, 0),
        s=down[:ns].sum(axis=1) + np.einsum("ar,r->a", beside_weighted, here[1]),
        o=down[ns:].T,
    )


def _reduced(normal: _Normal) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Return the shared parameters' equations with all own ones eliminated, and what that took."""
    across = _solved(normal.oo, np.swapaxes(normal.so, 1, 2))
    matrix = normal.ss - np.einsum("nak,nkb->ab", normal.so, across)
    down = normal.s - np.einsum("nka,nk->a", across, normal.o)
    return matrix, down, across


def _covariance(normal: _Normal) -> FloatArray | None:
    """Return the covariance of the shared parameters; None if the slopes are not finite.

    A start that stood still, say, does not depend on its load: the own parameters' equations then
    have no answer of their own, and a ridge too small to count gives them one.  What no residual
    tells of the shared ones has a variance of infinity, or of 1 / `TOLD_LEAST` times the usual.
    """
    oo = normal.oo.copy()
    at = np.arange(oo.shape[1])
    own = oo[:, at, at]
    oo[:, at, at] = np.where(own > 0.0, own * (1.0 + TOLD_LEAST), 1.0)
    alone = np.diag(normal.ss)
    told = alone > 0.0
    scale = np.sqrt(np.where(told, alone, 1.0))
    try:
        reduced = _reduced(_Normal(normal.ss, normal.so, oo, normal.s, normal.o))[0]
        part, along = np.linalg.eigh(reduced / np.outer(scale, scale))
    except np.linalg.LinAlgError:
        return None
    covariance = (along / np.maximum(part, TOLD_LEAST)) @ along.T / np.outer(scale, scale)
    covariance[np.diag(~told)] = np.inf
    return np.asarray(covariance, dtype=np.float64) if np.isfinite(part).all() else None


def _solved(matrix: FloatArray, right: FloatArray) -> FloatArray:
    return np.asarray(np.linalg.solve(matrix, right), dtype=np.float64)


def _step(normal: _Normal, damping: float) -> tuple[FloatArray, FloatArray] | None:
    """Return the changes of shared and own parameters; None if the equations have no answer."""
    more = 1.0 + damping
    ss = normal.ss + np.diag(damping * np.diag(normal.ss) + 1e-12)
    oo = normal.oo.copy()
    at = np.arange(oo.shape[1])
    oo[:, at, at] *= more
    oo[:, at, at] += 1e-12
    try:
        damped = _Normal(ss, normal.so, oo, normal.s, normal.o)
        matrix, down, across = _reduced(damped)
        shared = -_solved(matrix, down)
        own = -_solved(oo, normal.o[:, :, None])[:, :, 0]
    except np.linalg.LinAlgError:
        return None
    own = own - np.einsum("nka,a->nk", across, shared)
    if not (np.isfinite(shared).all() and np.isfinite(own).all()):
        return None
    return shared, own
