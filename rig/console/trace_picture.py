"""What a `TraceView` is given to show a passage of a run's trace.  Pure: it may run in a thread."""

from __future__ import annotations

from dataclasses import dataclass
from math import inf

import numpy as np

from rig.analysis.measures import SETTLE_S
from rig.analysis.model import HalfTurn, Limits, Reason
from rig.analysis.trace import CLIPPED, Trace
from rig.analysis.where_wrong import limit_moment_s, spots, stretch
from rig.analysis.wording import amount, named
from rig.console.drawing.series import LimitLine, Mark, Series, Tone, Window
from rig.console.passage import Passage

# How much of a step's end is shown for a run that ended there (s).
LAST_S = 4.0
# A picture needs some width even of a trace that is a few samples long (s).
LEAST_S = 0.05
_CURRENT_LIMITS = {
    "rest_a": ("rest_max_a", "at rest"),
    "rest_draw_a": ("rest_max_a", "at rest"),
    "peak_a": ("peak_max_a", "peak"),
    "stall_current_a": ("stall_max_a", "stall"),
}
_USUAL_LIMIT = ("run_max_a", "running")


@dataclass(frozen=True)
class Picture:
    """Series, limits, marks and window to draw; ``title`` says what of, ``nothing`` why not."""

    title: str
    series: tuple[Series, ...] = ()
    limits: tuple[LimitLine, ...] = ()
    marks: tuple[Mark, ...] = ()
    window: Window | None = None
    nothing: str = ""


def picture(
    passage: Passage, trace: Trace, limits: Limits, reason: Reason | None = None
) -> Picture:
    """Return the picture of a passage, marked where it went wrong by ``reason``."""
    turn = passage.turn
    if turn is None:
        return _of_step(passage, trace, limits, reason)
    start_s, end_s = stretch(turn, limits, trace)
    part = trace.between(start_s, end_s)
    title = f"{named(turn)}, {passage.title}"
    if not len(part):
        return Picture(title, nothing="No trace of this half-turn was kept.")
    series = [*of_trace(part)]
    if passage.usual is not None:
        series.insert(0, _behind(passage.usual, turn, trace, limits))
    lines = [_time_limit(turn, limits), *_current_limit(reason, limits, _USUAL_LIMIT)]
    marks = spots(reason, turn, limits, trace) if reason else ()
    return Picture(
        title,
        tuple(series),
        tuple(lines),
        tuple(Mark(spot.time_s, spot.text) for spot in marks),
        Window(start_s, end_s, turn.start_s),
    )


def of_trace(part: Trace, tone: Tone = "now", shift_s: float = 0.0) -> tuple[Series, ...]:
    """Return current and, where it was recorded, voltage, later by ``shift_s``."""
    time_s = part.time_s + shift_s
    clipped = None if part.flags is None else (part.flags & CLIPPED) > 0
    series = [Series(time_s, part.current_a, tone, "current", clipped=clipped)]
    if np.isfinite(part.voltage_v).any():
        series.append(Series(time_s, part.voltage_v, tone, "voltage", "voltage"))
    return tuple(series)


def _behind(usual: HalfTurn, turn: HalfTurn, trace: Trace, limits: Limits) -> Series:
    """The one that was in order, laid under this one at the feed change."""
    part = trace.between(*stretch(usual, limits, trace))
    label = f"half-turn {usual.number}, parked"
    return Series(part.time_s - usual.start_s + turn.start_s, part.current_a, "before", label)


def _time_limit(turn: HalfTurn, limits: Limits) -> LimitLine:
    moment_s = limit_moment_s(turn, limits)
    return LimitLine(moment_s, "time", f"limit {amount(moment_s - turn.start_s, 's')}")


def _current_limit(
    reason: Reason | None, limits: Limits, usual: tuple[str, str] | None = None
) -> list[LimitLine]:
    named_so = _CURRENT_LIMITS.get(reason.measure if reason else "", usual)
    limit_a: float | None = getattr(limits, named_so[0]) if named_so else None
    if named_so is None or limit_a is None:
        return []
    return [LimitLine(limit_a, "current", f"{named_so[1]} {amount(limit_a, 'A')}")]


def _of_step(passage: Passage, trace: Trace, limits: Limits, reason: Reason | None) -> Picture:
    start_s, end_s, title = _span(passage, trace)
    part = trace.between(start_s, end_s)
    if not len(part):
        return Picture(title, nothing="This step kept no trace.")
    first_s, last_s = float(part.time_s[0]), float(part.time_s[-1])
    end_s = max(last_s, first_s + LEAST_S)
    marks = (Mark(last_s, "ended here"),) if passage.at_end else ()
    return Picture(
        title,
        of_trace(part),
        tuple(_current_limit(reason, limits)),
        marks,
        Window(first_s, end_s, first_s),
    )


def _span(passage: Passage, trace: Trace) -> tuple[float, float, str]:
    if passage.rest_after is not None:
        turn = passage.rest_after
        parked_s = turn.end_s if turn.end_s is not None else turn.start_s
        until_s = inf if passage.rest_until_s is None else passage.rest_until_s
        title = f"At rest after half-turn {turn.number}, {passage.title}"
        return parked_s + SETTLE_S, until_s, title
    if passage.at_end and len(trace):
        return float(trace.time_s[-1]) - LAST_S, inf, f"The last seconds, {passage.title}"
    return -inf, inf, passage.title
