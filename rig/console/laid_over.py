"""Two half-turns of the same kind laid over each other, their feed changes at 0 s.  Pure."""

from __future__ import annotations

from rig.analysis.model import Limits
from rig.analysis.trace import Trace
from rig.analysis.where_wrong import limit_moment_s, stretch
from rig.analysis.wording import amount
from rig.console.drawing.series import LimitLine, Series, Tone, Window
from rig.console.trace_picture import Picture
from rig.records.compare import Pair


def laid_over(
    pair: Pair, traces: tuple[Trace, Trace], limits: Limits | None, labels: tuple[str, str]
) -> Picture:
    """Return both traces with their feed changes at 0 s; ``limits`` are the later run's."""
    sides = (pair.before, pair.after)
    tones: tuple[Tone, Tone] = ("other", "now")
    spans: list[tuple[float, float]] = []
    series: list[Series] = []
    for side, trace, label, tone in zip(sides, traces, labels, tones, strict=True):
        start_s, end_s = stretch(side.turn, limits, trace)
        part = trace.between(start_s, end_s)
        spans.append((start_s - side.turn.start_s, end_s - side.turn.start_s))
        if len(part):
            series.append(Series(part.time_s - side.turn.start_s, part.current_a, tone, label))
    lines = []
    if limits is not None:
        limit_s = limit_moment_s(pair.after.turn, limits) - pair.after.turn.start_s
        lines.append(LimitLine(limit_s, "time", f"limit {amount(limit_s, 's')}"))
    window = Window(min(start for start, _ in spans), max(end for _, end in spans))
    nothing = "" if series else "No trace of these half-turns was kept."
    return Picture(pair.title, tuple(series), tuple(lines), (), window, nothing)
