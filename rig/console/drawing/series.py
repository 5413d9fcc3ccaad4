"""What a trace drawing is given: series, limits, marks and the window to draw."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from rig.console.drawing.raster import Flags, Floats

Tone = Literal["now", "before", "other"]
"""The series that matters; fainter ones behind it; a second one laid over it."""

Quantity = Literal["current", "voltage"]


@dataclass(frozen=True, eq=False)
class Series:
    """Values over time: ``time_s`` (s, not falling), ``value`` (A or V by ``quantity``).

    NaN in ``value`` is a lost sample and shows as a gap.  ``clipped``: the samples at which the
    sensor was at the end of its range.
    """

    time_s: Floats
    value: Floats
    tone: Tone = "now"
    label: str = ""
    quantity: Quantity = "current"
    clipped: Flags | None = None

    def within(self, start_s: float, end_s: float) -> Series:
        """Return the part in a window of time, with one sample more on either side, if any."""
        first = int(np.searchsorted(self.time_s, start_s, side="left"))
        last = int(np.searchsorted(self.time_s, end_s, side="right"))
        part = slice(max(0, first - 1), last + 1) if first < last else slice(0, 0)
        clipped = None if self.clipped is None else self.clipped[part]
        return Series(
            self.time_s[part], self.value[part], self.tone, self.label, self.quantity, clipped
        )

    @property
    def clipped_at(self) -> int | None:
        """The index of the first clipped sample that has a value; None without one."""
        if self.clipped is None:
            return None
        at = np.flatnonzero(self.clipped & np.isfinite(self.value))
        return int(at[0]) if len(at) else None

    @property
    def clipped_value(self) -> Floats:
        """The values of clipped samples, all others NaN."""
        if self.clipped is None:
            return np.full(len(self.value), np.nan)
        return np.where(self.clipped, self.value, np.nan)

    def extremes(self) -> tuple[float, float] | None:
        """Return the least and the greatest value, None without any."""
        whole: NDArray[np.float64] = self.value[np.isfinite(self.value)]
        return (float(whole.min()), float(whole.max())) if len(whole) else None


@dataclass(frozen=True)
class LimitLine:
    """A limit: of the current (A, drawn across) or of time (s, drawn down), with its label."""

    value: float
    axis: Literal["current", "time"]
    label: str


@dataclass(frozen=True)
class Mark:
    """A moment (s) at which something went wrong, and the word for it."""

    time_s: float
    text: str


@dataclass(frozen=True)
class Window:
    """The stretch of time to draw, s; the axis counts from ``zero_s``.

    Raises ValueError unless the start lies before the end.
    """

    start_s: float
    end_s: float
    zero_s: float = 0.0

    def __post_init__(self) -> None:
        if not self.start_s < self.end_s:
            raise ValueError(
                f"a window of time needs its start before its end, not "
                f"{self.start_s} s and {self.end_s} s"
            )
