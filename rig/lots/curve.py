"""The operating characteristic of a lot's plan as a picture, drawn like those of `rig.picture`."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

import matplotlib as mpl
from matplotlib.figure import Figure

from rig.lots.worth import LotWorth
from rig.picture import CURRENT, FEED, LIMIT
from rig.quality.lots import oc_curve
from rig.records.lot_model import LotKept

if TYPE_CHECKING:
    from matplotlib.axes import Axes


_FEW = 20  # points that want to be large to be seen


def save_curve(path: Path, lot: LotKept, worth: LotWorth, title: str) -> None:
    """Draw the curve of a lot's plan into ``path`` (.png, .svg or .pdf)."""
    with mpl.rc_context({"font.size": 9, "axes.spines.top": False, "axes.spines.right": False}):
        figure = Figure(figsize=(7.5, 4.2), layout="constrained")
        axes = figure.add_subplot()
        draw_curve(axes, lot, worth)
        axes.set_title(title, loc="left", fontsize=8)
        figure.savefig(path, dpi=130)


def draw_curve(axes: Axes, lot: LotKept, worth: LotWorth) -> None:
    """Draw how likely which quality is accepted: of a process, and of this very lot.

    The lot has points for whole units only, and nothing between them.  Marked are the AQL and the
    qualities of ``worth``.
    """
    curve = oc_curve(lot.n, lot.ac, lot.size)
    axes.axvline(lot.aql, color=LIMIT, linewidth=0.9, linestyle=(0, (4, 2)))
    axes.annotate(
        f"AQL {lot.aql:g} %",
        (lot.aql, 0.0),
        xycoords=("data", "axes fraction"),
        xytext=(3, 4),
        textcoords="offset points",
        fontsize=7,
        color=LIMIT,
    )
    axes.plot(
        [point.percent for point in curve.process],
        [point.accepted for point in curve.process],
        color=CURRENT,
        linewidth=1.1,
        label="lots of a process (binomial)",
    )
    axes.plot(
        [point.percent for point in curve.lot],
        [point.accepted for point in curve.lot],
        color=FEED,
        linestyle="none",
        marker="o",
        clip_on=False,
        markersize=3.0 if len(curve.lot) <= _FEW else 1.8,
        label=f"this lot of {lot.size} (hypergeometric)",
    )
    for quality in worth.qualities:
        axes.plot([quality.percent], [quality.accepted], "o", color=CURRENT, markersize=3.5)
        axes.annotate(  # beside the AQL's line, never on it
            f"{100 * quality.accepted:g} % at {quality.percent:.3g} %",
            (max(quality.percent, lot.aql), quality.accepted),
            xytext=(5, 2),
            textcoords="offset points",
            fontsize=7,
            bbox={"facecolor": "white", "edgecolor": "none", "alpha": 0.85, "pad": 0.6},
        )
    axes.set_xlim(0.0, max(curve.process[-1].percent, 1.5 * lot.aql))
    axes.set_ylim(0.0, 1.02)
    axes.set_xlabel("nonconforming, %")
    axes.set_ylabel("accepted")
    axes.legend(loc="upper right", fontsize=7, frameon=False)
