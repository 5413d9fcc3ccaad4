"""The shapes that a bump on a stroke profile may have, and which of them fits best."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np

from rig.analysis.trace import FloatArray

# How wide a bump may be (degrees, each about a fifth wider than the last), on what grid it begins.
WIDTHS_DEG = (4, 6, 8, 10, 12, 15, 18, 22, 26, 31, 37, 44, 53, 64, 77, 92, 110, 130, 150)
GRID_DEG = 2.0
# How far its load takes to set in and to end (degrees): no further than the bump is wide.
EDGES_DEG = (4.0, 8.0, 14.0, 24.0, 40.0)
# Steps by which the best shape's edges are then moved (degrees), each so often at most.
STEPS_DEG, FINE_DEG, MOVES = (4.0, 2.0, 1.0, 0.5, 0.25), (1.0, 0.25), 6
# The load before a bump must have been seen for this far (degrees): what is left of the run-up, if
# its time constant is not quite right, looks like one.
BEFORE_DEG = 6.0


class Span(NamedTuple):
    """A shape: from and to at half its height, and how far each edge takes (degrees)."""

    from_deg: float
    to_deg: float
    edge_deg: float


def spans_between(first_deg: float, last_deg: float) -> FloatArray:
    """Return all spans with hard edges on the grid between two angles, row by row."""
    starts = np.arange(first_deg, last_deg, GRID_DEG)
    begins = np.repeat(starts, len(WIDTHS_DEG))
    ends = begins + np.tile(np.array(WIDTHS_DEG), len(starts))
    fits = ends <= last_deg
    edges = np.full(int(fits.sum()), EDGES_DEG[0])
    return np.column_stack([begins[fits], ends[fits], edges])


def shapes_of(x_deg: FloatArray, spans: FloatArray) -> FloatArray:
    """Return spans' shapes row by row: 0 outside, 1 inside, half a cosine between."""
    from_deg, to_deg, edge_deg = spans[:, :1], spans[:, 1:2], spans[:, 2:]
    rise = np.clip((x_deg - from_deg) / edge_deg + 0.5, 0.0, 1.0)
    fall = np.clip((to_deg - x_deg) / edge_deg + 0.5, 0.0, 1.0)
    return np.asarray(0.5 - 0.5 * np.cos(np.pi * np.minimum(rise, fall)))


def refined(
    x: FloatArray, y: FloatArray, weight: FloatArray, model: FloatArray, span: FloatArray
) -> Span:
    """Return the span that fits best near another: its edges moved, in ever smaller steps."""
    q, _ = np.linalg.qr(model * weight[:, None])
    rest = y * weight - q @ (q.T @ (y * weight))
    best, best_score = Span(*span.tolist()), -np.inf
    for edge_deg in EDGES_DEG:
        if edge_deg > best.to_deg - best.from_deg:
            break
        steps_deg = STEPS_DEG if edge_deg == EDGES_DEG[0] else FINE_DEG
        found, score = _moved(x, rest, weight, q, best._replace(edge_deg=edge_deg), steps_deg)
        if score > best_score:
            best, best_score = found, score
    return best


def _moved(
    x: FloatArray,
    rest: FloatArray,
    weight: FloatArray,
    q: FloatArray,
    span: Span,
    steps_deg: tuple[float, ...],
) -> tuple[Span, float]:
    top = -np.inf
    for step in steps_deg:
        for _ in range(MOVES):
            moves = np.array([(a, b, 0.0) for a in (-step, 0, step) for b in (-step, 0, step)])
            spans = moves + np.array(span)
            shapes = shapes_of(x, spans) * weight
            left = shapes - (shapes @ q) @ q.T
            size = np.sqrt(np.maximum(np.einsum("ij,ij->i", left, left), 1e-12))
            score = (left @ rest) / size
            widths = spans[:, 1] - spans[:, 0]
            score[widths < max(WIDTHS_DEG[0], span.edge_deg)] = -np.inf
            score[spans[:, 0] < x[0] + BEFORE_DEG - 1.0] = -np.inf
            best = int(np.argmax(score))
            top = float(score[best])
            if best == len(moves) // 2:
                break
            span = Span(*spans[best].tolist())
    return span, top
