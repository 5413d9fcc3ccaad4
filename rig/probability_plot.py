"""A picture of how units' values spread: a normal probability plot for each quantity."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

import matplotlib as mpl
import numpy as np
from matplotlib.figure import Figure
from numpy.typing import NDArray

from rig.picture import BAND, CURRENT, FEED, LIMIT
from rig.quality.normality import plot_places

if TYPE_CHECKING:
    from matplotlib.axes import Axes

_COLUMNS = 2
_TICKS = (0.001, 0.01, 0.05, 0.2, 0.5, 0.8, 0.95, 0.99, 0.999)


@dataclass(frozen=True)
class SpreadPanel:
    """One quantity: a value a unit, and the limits to be drawn beside them, by what they are."""

    title: str
    unit: str
    values: Sequence[float]
    today: Sequence[float] = ()
    proposed: Sequence[float] = ()


def save_probability_plots(path: Path, panels: Sequence[SpreadPanel], *, title: str) -> None:
    """Draw the panels into ``path`` (.png, .svg or .pdf by its suffix); one at least."""
    rows = -(-len(panels) // _COLUMNS)
    columns = min(_COLUMNS, len(panels))
    with mpl.rc_context({"font.size": 9, "axes.spines.top": False, "axes.spines.right": False}):
        figure = Figure(figsize=(5.5 * columns, 0.7 + 3.1 * rows), layout="constrained")
        places = figure.subplots(rows, columns, squeeze=False).ravel()
        for axes, panel in zip(places, panels, strict=False):
            _draw(axes, panel)
        for axes in places[len(panels) :]:
            axes.set_axis_off()
        figure.suptitle(title)
        figure.savefig(path, dpi=130)


def _draw(axes: Axes, panel: SpreadPanel) -> None:
    values = np.sort(np.asarray(panel.values, dtype=np.float64))
    mean, sd = float(values.mean()), float(values.std(ddof=1)) if len(values) > 1 else 0.0
    places = plot_places(len(values)) if len(values) > 1 else np.zeros(1)
    reach = max(2.6, float(places[-1]) * 1.1)
    if sd > 0.0:
        line = np.array([-reach, reach])
        axes.plot(mean + sd * line, line, color=FEED, linewidth=0.9, label="normal")
    axes.plot(values, places, "o", color=CURRENT, markersize=4)
    low, high = _span(values, panel.proposed)
    for limits, style, name in (
        ([limit for limit in panel.today if low <= limit <= high], "--", "limit today"),
        (panel.proposed, "-", "proposed"),
    ):
        for number, limit in enumerate(limits):
            label = name if not number else None
            axes.axvline(limit, color=LIMIT, linestyle=style, linewidth=1.1, label=label)
    axes.set_xlim(low, high)
    _scale(axes, panel, reach)
    axes.set_xlabel(panel.unit)
    axes.set_title(panel.title, loc="left", fontsize=9)
    if axes.get_legend_handles_labels()[0]:
        axes.legend(fontsize=7, frameon=False, loc="lower right")


def _span(values: NDArray[np.float64], proposed: Sequence[float]) -> tuple[float, float]:
    near = [float(values[0]), float(values[-1]), *proposed]
    room = max(max(near) - min(near), 1e-9)
    return min(near) - 0.25 * room, max(near) + 0.25 * room


def _scale(axes: Axes, panel: SpreadPanel, reach: float) -> None:
    """Show shares on the normal axis, and a limit of today that lies far out by an arrow."""
    from scipy.special import ndtri

    ticks = [(float(ndtri(part)), part) for part in _TICKS if abs(float(ndtri(part))) <= reach]
    axes.set_yticks([place for place, _ in ticks], [f"{100 * part:g} %" for _, part in ticks])
    axes.set_ylim(-reach, reach)
    axes.grid(color=BAND, linewidth=0.7)
    low, high = axes.get_xlim()
    for limit in panel.today:
        if not low <= limit <= high:
            right = limit > high
            axes.annotate(
                f"today {limit:.4g} →" if right else f"← today {limit:.4g}",
                (1.0 if right else 0.0, 1.0),
                xycoords="axes fraction",
                ha="right" if right else "left",
                va="bottom",
                fontsize=7,
                color=LIMIT,
            )
