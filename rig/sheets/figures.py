"""The pictures of a sheet as SVG, in the drawing language of `rig.picture`.

Text stays text and is set in the sheet's own font.  The same run makes the same bytes.
"""

from __future__ import annotations

import io
import re
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import matplotlib as mpl
import numpy as np
from matplotlib.figure import Figure
from matplotlib.font_manager import FontProperties
from matplotlib.textpath import TextPath
from matplotlib.ticker import MaxNLocator

from rig.analysis.model import Direction, HalfTurn, Limits, Outcome, Reason, Verdict
from rig.analysis.trace import Trace
from rig.analysis.wording import direction_words
from rig.diagnosis.model import Diagnosis
from rig.lots.curve import draw_curve
from rig.lots.worth import LotWorth
from rig.picture import BAND, CURRENT, FEED, LIMIT, Panel, draw_panel
from rig.records.lot_model import LotKept

if TYPE_CHECKING:
    from matplotlib.axes import Axes

FONT = "Libertinus Serif"
SEEN_S = 6.0
"""So long a stretch of trace is drawn at most: a half-turn stays a centimetre wide or more."""
POINTS_MOST = 3000
"""Points drawn of a longer stretch, about: more than a printer shows."""
MARKED_MOST = 20
"""Half-turns marked at most."""
HEIGHT_IN = 1.42

_STYLE: dict[Any, Any] = {
    "font.size": 8,
    "axes.titlesize": 8,
    "axes.labelsize": 8,
    "xtick.labelsize": 7,
    "ytick.labelsize": 7,
    "axes.spines.top": False,
    "axes.spines.right": False,
    "axes.linewidth": 0.5,
    "xtick.major.width": 0.5,
    "ytick.major.width": 0.5,
    "svg.fonttype": "none",
    "svg.hashsalt": "halfturn",
    "figure.dpi": 72,
}


@dataclass(frozen=True)
class TraceFigure:
    """A stretch of a step's trace as SVG, and what is seen on it in words."""

    svg: str
    caption: str


def deciding_turn(reasons: Sequence[Reason], turns: Sequence[HalfTurn]) -> HalfTurn | None:
    """Return the half-turn that the verdict hangs on most: of the worst reason that names one.

    Without any, the first that did not park, else the first.
    """
    by_number = {turn.number: turn for turn in turns}
    for verdict in (Verdict.FAIL, Verdict.RETEST, Verdict.PASS):
        for reason in reasons:
            if reason.verdict is verdict and reason.half_turn in by_number:
                return by_number[reason.half_turn]
    odd = [turn for turn in turns if turn.outcome is not Outcome.PARKED]
    return next(iter(odd or turns), None)


def trace_figure(
    trace: Trace, turns: Sequence[HalfTurn], turn: HalfTurn, limits: Limits, width_in: float
) -> TraceFigure:
    """Return the trace around ``turn``, one half-turn of ``turns``, those of the same step."""
    start_s, end_s = _window(trace, turns, turn)
    part = trace.between(start_s, end_s)
    seen = [one for one in turns if start_s <= one.start_s < end_s][:MARKED_MOST]
    with _figure(width_in, HEIGHT_IN) as figure:
        axes = figure.add_subplot()
        draw_panel(axes, Panel(_thinned(part), seen, limits, ""))
        for text in list(axes.texts):
            if text.get_text().endswith("feed"):
                text.remove()  # too close to each other here: the caption says it
        svg = _svg(figure)
    numbers = (
        f"half-turn {seen[0].number}"
        if len(seen) == 1
        else (f"half-turns {seen[0].number} to {seen[-1].number}" if seen else "trace")
    )
    return TraceFigure(svg, numbers)


def _window(trace: Trace, turns: Sequence[HalfTurn], turn: HalfTurn) -> tuple[float, float]:
    first_s, last_s = float(trace.time_s[0]), float(trace.time_s[-1])
    if last_s - first_s <= SEEN_S:
        return first_s, last_s + 1e-6
    start_s = max(first_s, turn.start_s - 0.15)
    end_s = start_s + SEEN_S
    if end_s > last_s:
        start_s, end_s = max(first_s, last_s - SEEN_S), last_s + 1e-6
    cut = [one for one in turns if start_s <= one.start_s < end_s < (one.end_s or last_s)]
    if cut and cut[0] is not turn and cut[0].start_s > turn.start_s:
        end_s = cut[0].start_s - 0.02  # a half-turn is seen whole or not at all
    return start_s, end_s


def _thinned(trace: Trace) -> Trace:
    """Return the trace with few enough points to draw: least and most current of each stretch."""
    count = len(trace)
    if count <= POINTS_MOST:
        return trace
    each = -(-count // (POINTS_MOST // 2))
    kept = set()
    current = np.nan_to_num(trace.current_a)
    for at in range(0, count, each):
        part = current[at : at + each]
        kept |= {at + int(part.argmin()), at + int(part.argmax())}
    index = np.array(sorted(kept | {0, count - 1}))
    return Trace(
        trace.time_s[index],
        trace.current_a[index],
        trace.voltage_v[index],
        trace.battery_feed[index],
        trace.ignition_feed[index],
    )


def stroke_figure(found: Diagnosis, width_in: float) -> str:
    """Return the load over the lever's position, both ways; empty without a stroke."""
    if not found.strokes:
        return ""
    with _figure(width_in, HEIGHT_IN) as figure:
        axes = figure.add_subplot()
        for stroke in found.strokes:
            profile = stroke.profile
            to_run = profile.direction is Direction.TO_RUN
            axes.plot(
                profile.lever_deg,
                profile.load_a,
                color=CURRENT,
                linewidth=1.0 if to_run else 0.8,
                linestyle="-" if to_run else (0, (4, 2)),
                label=direction_words(profile.direction),
            )
        for bind in found.binds:
            axes.axvline(bind.lever_deg, color=LIMIT, linewidth=0.8, linestyle=(0, (2, 2)))
            axes.annotate(
                "binds",
                (bind.lever_deg, 1.0),
                xycoords=("data", "axes fraction"),
                xytext=(3, -2),
                textcoords="offset points",
                va="top",
                fontsize=7,
            )
        _lever_axis(axes)
        return _svg(figure)


def curve_figure(lot: LotKept, worth: LotWorth, width_in: float) -> str:
    """Return the operating characteristic of a lot's plan."""
    with _figure(width_in, 2.1) as figure:
        draw_curve(figure.add_subplot(), lot, worth)
        return _svg(figure)


def mark_svg(words: str) -> str:
    """Return words as outlines, to be laid across a page: no reader of text stumbles over them."""
    path = TextPath(
        (0, 0), words, size=100, prop=FontProperties(family="DejaVu Serif", weight="bold")
    )
    box = path.get_extents()
    parts = []
    for points, code in path.iter_segments(curves=True, simplify=False):
        sign = {1: "M", 2: "L", 3: "Q", 4: "C"}.get(int(code), "Z")
        numbers = " ".join(f"{number:.1f}" for number in points) if sign != "Z" else ""
        parts.append(sign + numbers)
    return (
        f'<svg xmlns="http://www.w3.org/2000/svg" '
        f'width="{box.width:.1f}" height="{box.height:.1f}" '
        f'viewBox="{box.x0:.1f} {-box.y1:.1f} {box.width:.1f} {box.height:.1f}">'
        f'<path transform="scale(1,-1)" d="{"".join(parts)}" fill="#ececec"/></svg>'
    )


def _lever_axis(axes: Axes) -> None:
    axes.set_xlim(0, 180)
    axes.set_xticks(range(0, 181, 60))
    axes.set_ylim(0.0, max(1.2 * axes.get_ylim()[1], 1.0))
    axes.set_xlabel("lever, degrees (0 stop, 180 run)")
    axes.set_ylabel("load, A")
    _legend_above(axes)


def _legend_above(axes: Axes) -> None:
    axes.legend(
        loc="lower right",
        fontsize=7,
        frameon=False,
        ncols=2,
        bbox_to_anchor=(1.0, 1.0),
        borderaxespad=0.2,
    )


def before_after_figure(traces: Sequence[Trace], width_in: float) -> str:
    """Return the current of two half-turns over each other, the feed change at 0 s."""
    before, after = map(_thinned, traces)
    with _figure(width_in, HEIGHT_IN) as figure:
        axes = figure.add_subplot()
        axes.plot(before.time_s, before.current_a, color=FEED, linewidth=0.9, label="before")
        axes.plot(after.time_s, after.current_a, color=CURRENT, linewidth=1.0, label="after")
        axes.set_ylim(bottom=0.0)
        axes.set_xlim(min(before.time_s[0], after.time_s[0]), None)
        axes.set_xlabel("time from the feed change, s")
        axes.set_ylabel("current, A")
        _legend_above(axes)
        return _svg(figure)


def spread_figure(values: Sequence[float], label: str) -> str:
    """Return how values spread as a histogram; the number of bins by Sturges' rule."""
    with _figure(2.1, 1.3) as figure:
        axes = figure.add_subplot()
        axes.hist(values, bins="sturges", color=BAND, edgecolor=CURRENT, linewidth=0.6)
        axes.yaxis.set_major_locator(MaxNLocator(4, integer=True))
        axes.xaxis.set_major_locator(MaxNLocator(4))
        axes.set_xlabel(label)
        axes.set_ylabel("runs")
        return _svg(figure)


@contextmanager
def _figure(width_in: float, height_in: float) -> Iterator[Figure]:
    with mpl.rc_context(_STYLE):
        yield Figure(figsize=(width_in, height_in), layout="constrained")


def _svg(figure: Figure) -> str:
    out = io.StringIO()
    figure.savefig(out, format="svg", transparent=True, metadata={"Date": None, "Creator": None})
    # Measured in the font that matplotlib brings, set in the sheet's.
    return re.sub(r"'DejaVu Sans'[^;\"]*", f"'{FONT}'", out.getvalue())
