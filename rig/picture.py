"""A picture of a trace: current, voltage, feeds, half-turns and limits on one time axis."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

import matplotlib as mpl
import numpy as np
from matplotlib.figure import Figure

from rig.analysis.model import HalfTurn, Limits, Outcome
from rig.analysis.trace import Trace

if TYPE_CHECKING:
    from matplotlib.axes import Axes

# Ours: dark blue current, ochre limits, grey feeds; outcomes are told in words, not by colour.
CURRENT = "#1f3b57"
LIMIT = "#b5651d"
FEED = "#8a8f94"
BAND = "#dfe7ec"
_LOST = "#7a1f3d"
_LIMIT_LABEL = "half-turn time limit"


@dataclass(frozen=True)
class Panel:
    """One trace to be drawn, with its half-turns and limits."""

    trace: Trace
    half_turns: Sequence[HalfTurn]
    limits: Limits
    title: str


def save_picture(
    path: Path, trace: Trace, half_turns: Sequence[HalfTurn], limits: Limits, *, title: str
) -> None:
    """Draw one trace into ``path`` (.png, .svg or .pdf by its suffix)."""
    save_panels(path, [Panel(trace, half_turns, limits, title)], title="")


def save_panels(path: Path, panels: Sequence[Panel], *, title: str) -> None:
    """Draw several traces below each other into ``path`` (.png, .svg or .pdf)."""
    with mpl.rc_context({"font.size": 9, "axes.spines.top": False, "axes.spines.right": False}):
        figure = Figure(figsize=(11, 1.0 + 3.0 * max(len(panels), 1)), layout="constrained")
        rows = figure.subplots(max(len(panels), 1), 1, squeeze=False)[:, 0]
        for axes, panel in zip(rows, panels, strict=False):
            draw_panel(axes, panel)
        if title:
            figure.suptitle(title)
        figure.savefig(path, dpi=130)


def draw_panel(axes: Axes, panel: Panel) -> None:
    """Draw one trace with its feeds, half-turns and limits."""
    trace = panel.trace
    origin_s = float(trace.time_s[0]) if len(trace) else 0.0
    time_s = trace.time_s - origin_s
    top_a = max(5.0, float(np.nan_to_num(trace.current_a).max(initial=0.0)) * 1.25)
    axes.plot(time_s, trace.current_a, color=CURRENT, linewidth=0.9, label="current")
    for level, (feed, name) in enumerate(
        ((trace.battery_feed, "battery feed"), (trace.ignition_feed, "ignition feed")), start=1
    ):
        base = -0.09 * top_a * level
        axes.fill_between(
            time_s, base, base + feed * 0.06 * top_a, step="post", color=FEED, linewidth=0
        )
        axes.annotate(
            name, (1.005, base), xycoords=("axes fraction", "data"), fontsize=7, color=FEED
        )
    starts_s = [turn.start_s - origin_s for turn in panel.half_turns]
    ends_s = [*starts_s[1:], float(time_s[-1]) if len(trace) else 1.0]
    for turn, next_s in zip(panel.half_turns, ends_s, strict=False):
        _mark(axes, turn, panel.limits, origin_s, next_s, top_a)
    axes.set_ylim(-0.22 * top_a, top_a)
    axes.set_yticks([tick for tick in axes.get_yticks() if 0 <= tick <= top_a])
    if panel.half_turns:
        axes.legend(
            loc="lower right",
            bbox_to_anchor=(1.0, 1.0),
            fontsize=7,
            frameon=False,
            ncols=2,
            borderaxespad=0.2,
        )
    axes.set_xlim(0.0, float(time_s[-1]) if len(trace) > 1 else 1.0)
    axes.set_ylabel("current, A")
    axes.set_xlabel("time, s")
    axes.set_title(panel.title, loc="left")


def _mark(
    axes: Axes, turn: HalfTurn, limits: Limits, origin_s: float, next_s: float, top_a: float
) -> None:
    start_s = turn.start_s - origin_s
    # Without a cut-off of its own, up to where the next one begins or the trace ends.
    end_s = turn.end_s - origin_s if turn.end_s is not None else next_s
    axes.axvspan(start_s, end_s, color=BAND, linewidth=0, zorder=0)
    good = turn.outcome is Outcome.PARKED
    text = str(turn.outcome).replace("_", " ")
    if turn.half_turn_s is not None:
        text += f"\n{turn.half_turn_s:.3f} s"
    axes.annotate(
        text,
        (start_s, top_a * 0.98),
        xytext=(3, 0),  # beside the inrush, which stands at the very start
        textcoords="offset points",
        fontsize=7,
        va="top",
        color=CURRENT if good else _LOST,
        fontweight="normal" if good else "bold",
    )
    limit_s = start_s + limits.half_turn_max_s.at(turn.supply_v or 12.0)
    first = not any(line.get_label() == _LIMIT_LABEL for line in axes.get_lines())
    axes.plot(
        [limit_s, limit_s],
        [0, top_a * 0.55],
        color=LIMIT,
        linewidth=1.0,
        linestyle="--",
        label=_LIMIT_LABEL if first else None,
    )
