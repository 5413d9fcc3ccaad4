"""Join the traces of a run's steps into one."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from rig.analysis.trace import FlagArray, FloatArray, Trace


def joined(traces: Sequence[Trace]) -> Trace:
    """Return one trace in time order.

    Steps may share samples (the rest before an edge): the same instants are taken once.  A
    further column that a step lacks is NaN there.  Raises ValueError if two steps claim the same
    time with different instants, so that they cannot be on one time axis.
    """
    pieces: list[Trace] = []
    for trace in sorted((t for t in traces if len(t)), key=lambda t: float(t.time_s[0])):
        piece = _after(pieces[-1], trace) if pieces else trace
        if len(piece):
            pieces.append(piece)
    if len(pieces) == 1:
        return pieces[0]
    return Trace(
        _column([p.time_s for p in pieces]),
        _column([p.current_a for p in pieces]),
        _column([p.voltage_v for p in pieces]),
        np.concatenate([np.zeros(0, np.bool_), *(p.battery_feed for p in pieces)]),
        np.concatenate([np.zeros(0, np.bool_), *(p.ignition_feed for p in pieces)]),
        _flags(pieces),
        _extra(pieces),
    )


def _after(before: Trace, trace: Trace) -> Trace:
    shared = int(np.searchsorted(trace.time_s, before.time_s[-1], side="right"))
    if not np.isin(trace.time_s[:shared], before.time_s).all():
        raise ValueError("the traces of its steps overlap in time")
    return trace.rows(shared, len(trace))


def _column(columns: list[FloatArray]) -> FloatArray:
    return np.concatenate([np.zeros(0), *columns])


def _flags(pieces: list[Trace]) -> FlagArray | None:
    if all(piece.flags is None for piece in pieces):
        return None
    none_lost = (np.zeros(len(p), np.uint8) if p.flags is None else p.flags for p in pieces)
    flags: NDArray[np.uint8] = np.concatenate([*none_lost])
    return flags


def _extra(pieces: list[Trace]) -> dict[str, FloatArray]:
    names = dict.fromkeys(name for piece in pieces for name in piece.extra)
    return {
        name: _column([p.extra.get(name, np.full(len(p), np.nan)) for p in pieces])
        for name in names
    }
