"""Lines to dots, for a whole series at once.

Coordinates are dots: x to the right, y downwards, the first dot at 0, its centre at 0.0.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike, NDArray

Floats = NDArray[np.float64]
Indices = NDArray[np.intp]
Flags = NDArray[np.bool_]

# Beyond this a line's direction no longer matters; keeps differences finite.
_FAR = 1e9
# Dots that a line may lean without leaning: dividing by less would overflow.
_LEVEL = 1e-9


def thinned(x: Floats, y: Floats) -> tuple[Floats, Floats]:
    """Return first, least, greatest and last point of every dot column, gaps (NaN) kept.

    What is drawn stays the same, to a dot: a column's line reaches from its least to its greatest
    value.  Where x goes back and forth, every stay in a column is a column of its own.
    """
    at = np.flatnonzero(np.isfinite(x) & np.isfinite(y))
    if len(at) < 2:
        return x, y
    x, y = x[at], y[at]
    column = np.floor(x + 0.5)
    # A gap inside a column ends the column's group too, else the group's line would close it.
    cut = np.diff(at) > 1
    starts = np.concatenate(([0], np.flatnonzero(cut | (np.diff(column) != 0)) + 1))
    ends = np.append(starts[1:], len(x)) - 1
    broken = np.append(cut, False)[ends]
    out_y = np.empty((len(starts), 5))
    out_y[:, 0] = y[starts]
    out_y[:, 1] = np.minimum.reduceat(y, starts)
    out_y[:, 2] = np.maximum.reduceat(y, starts)
    out_y[:, 3] = y[ends]
    out_y[:, 4] = np.where(broken, np.nan, y[ends])
    thin_x, thin_y = np.repeat(column[starts], 5), out_y.ravel()
    fresh = np.append(True, (thin_y[1:] != thin_y[:-1]) | (thin_x[1:] != thin_x[:-1]))
    return thin_x[fresh], thin_y[fresh]


def line_dots(x: ArrayLike, y: ArrayLike, width: int, height: int) -> tuple[Indices, Indices]:
    """Return the dots (x, y) of the line through points, in the line's order, inside the window.

    A point that is not finite is a gap: its neighbours are not joined.  A point with gaps on both
    sides is one dot.
    """
    points = np.array((x, y), dtype=np.float64)
    if width < 1 or height < 1 or points.size == 0:
        return np.empty(0, np.intp), np.empty(0, np.intp)
    edge = np.array([[width - 1.0], [height - 1.0]])
    start, end = _pieces(points)
    part_from, part_to = _inside(start, end, edge)
    seen = part_from <= part_to
    if not seen.all():
        start, end = start[:, seen], end[:, seen]
        part_from, part_to = part_from[seen], part_to[seen]
    delta = end - start
    first = np.where(part_from > 0.0, start + delta * part_from, start)
    last = np.where(part_to < 1.0, start + delta * part_to, end)
    # Rounding at the cut may end a hair outside.
    first, last = (np.minimum(np.maximum(np.floor(v + 0.5), 0.0), edge) for v in (first, last))
    # A piece that leaves the window has no follower to draw its last dot.
    return _steps(first, last, leaves=part_to < 1.0)


def _pieces(points: Floats) -> tuple[Floats, Floats]:
    """Return start and end of the pieces of a line: each from a point to the next.

    Of a run without gaps the last piece has no length: it is the last point alone.
    """
    whole: Flags = np.isfinite(points[0]) & np.isfinite(points[1])
    next_ = np.concatenate((points[:, 1:], points[:, -1:]), axis=1)
    if not whole.all():
        next_whole = np.append(whole[1:], False)
        next_ = np.where(next_whole, next_, points)
        points, next_ = points[:, whole], next_[:, whole]
    return np.clip(points, -_FAR, _FAR), np.clip(next_, -_FAR, _FAR)


def _inside(start: Floats, end: Floats, edge: Floats) -> tuple[Floats, Floats]:
    """Return which part of every piece, from 0 to 1, lies inside; from > to if none does."""
    delta = end - start
    level = np.abs(delta) < _LEVEL
    over = np.where(level, 1.0, delta)
    one, other = -start / over, (edge - start) / over
    within = (start >= 0.0) & (start <= edge)
    low = np.where(level, 0.0, np.minimum(one, other))
    high = np.where(level, np.where(within, 1.0, -1.0), np.maximum(one, other))
    # Two rows are faster taken apart than reduced along their short side.
    return np.maximum(np.maximum(*low), 0.0), np.minimum(np.minimum(*high), 1.0)


def _steps(first: Floats, last: Floats, *, leaves: Flags) -> tuple[Indices, Indices]:
    """Return the dots of pieces between whole dots, without each piece's last one."""
    delta = last - first
    steps = np.maximum(np.maximum(*np.abs(delta)), 1.0)
    counts = (steps + leaves).astype(np.intp)
    piece = np.repeat(np.arange(len(counts)), counts)
    step = np.arange(len(piece)) - np.repeat(np.cumsum(counts) - counts, counts)
    dots = np.floor(first[:, piece] + delta[:, piece] * (step / steps[piece]) + 0.5)
    across, down = dots.astype(np.intp)
    return across, down
