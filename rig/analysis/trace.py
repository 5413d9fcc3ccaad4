"""The trace: current and voltage of a run with the feed changes on the same time axis."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

FloatArray = NDArray[np.float64]
BoolArray = NDArray[np.bool_]
FlagArray = NDArray[np.uint8]

# Sample flags; the same numbers as the drivers report.
CLIPPED = 1
LOST = 2
RESET = 4
STUCK = 8


@dataclass(frozen=True)
class Trace:
    """Samples in time order.

    ``time_s`` seconds from any origin, strictly increasing, any rate, not necessarily even;
    ``current_a`` amperes in the battery feed, NaN where the sensor gave nothing; ``voltage_v``
    volts at the unit's battery feed; ``battery_feed`` and ``ignition_feed`` the state of each
    feed at the sample, on the contact side (declared relay delay already taken off).
    ``flags`` per sample, 0 = good.  ``extra`` holds further columns, kept and not used.

    Raises ValueError if the arrays differ in length or time runs backwards.
    """

    time_s: FloatArray
    current_a: FloatArray
    voltage_v: FloatArray
    battery_feed: BoolArray
    ignition_feed: BoolArray
    flags: FlagArray | None = None
    extra: Mapping[str, FloatArray] = field(default_factory=dict)

    def __post_init__(self) -> None:
        n = len(self.time_s)
        columns = (self.current_a, self.voltage_v, self.battery_feed, self.ignition_feed)
        if any(len(column) != n for column in columns):
            raise ValueError("the columns of a trace must all have the same length")
        if self.flags is not None and len(self.flags) != n:
            raise ValueError("a trace's flags must be as many as its samples")
        if n > 1 and not bool(np.all(np.diff(self.time_s) > 0)):
            raise ValueError("the times of a trace must increase from row to row")

    def __len__(self) -> int:
        return len(self.time_s)

    def between(self, start_s: float, end_s: float) -> Trace:
        """Return the samples with ``start_s <= time < end_s``."""
        a, b = np.searchsorted(self.time_s, [start_s, end_s], side="left")
        return self.rows(int(a), int(b))

    def rows(self, first: int, last: int) -> Trace:
        """Return samples ``first`` to ``last`` (excluded)."""
        s = slice(first, last)
        return Trace(
            self.time_s[s],
            self.current_a[s],
            self.voltage_v[s],
            self.battery_feed[s],
            self.ignition_feed[s],
            None if self.flags is None else self.flags[s],
            {name: column[s] for name, column in self.extra.items()},
        )
