"""The last minute of samples, copied out of the bench's ring as they come."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from rig.bench.ring import COLUMNS, SampleRing

KEPT = 65_536  # samples: a minute at 1 kHz, more than any half-turn and its rests

Column = NDArray[np.float64]


class Tail:
    """Samples of the job that is on, oldest first; `column` gives one of `ring.COLUMNS`."""

    def __init__(self) -> None:
        self._rows = np.empty((2 * KEPT, len(COLUMNS)))
        self.clear()

    def clear(self) -> None:
        """Forget everything: another job begins."""
        self._first = self._end = 0
        self._seen = 0
        self.lost = 0

    def skip(self, ring: SampleRing) -> None:
        """Forget everything, and take no notice of what is in ``ring`` already: of another job."""
        self.clear()
        self._seen = ring.written

    def __len__(self) -> int:
        return self._end - self._first

    def take(self, ring: SampleRing) -> int:
        """Copy what is new in ``ring``; return how many samples were new."""
        before = self._seen
        self._seen, rows = ring.since(before)
        new = len(rows)
        self.lost += self._seen - before - new
        self.add(rows)
        return new

    def add(self, rows: NDArray[np.float64]) -> None:
        """Append ``rows`` of `ring.COLUMNS`."""
        rows = rows[-KEPT:]
        new = len(rows)
        if self._end + new > len(self._rows):
            # Once in a minute: move what is kept to the front, so that a column is one slice.
            kept = min(len(self), KEPT)
            self._rows[:kept] = self._rows[self._end - kept : self._end]
            self._first, self._end = 0, kept
        self._rows[self._end : self._end + new] = rows
        self._end += new
        self._first = max(self._first, self._end - KEPT)

    def column(self, name: str, since_s: float = float("-inf")) -> Column:
        """Return column ``name`` of the samples at or after ``since_s`` (bench clock, s)."""
        first = self._first
        if since_s > float("-inf"):
            first += int(np.searchsorted(self._rows[first : self._end, 0], since_s))
        return self._rows[first : self._end, COLUMNS.index(name)]

    def last(self, name: str) -> float:
        """Return the newest value of column ``name``, NaN if there is none."""
        return float(self._rows[self._end - 1, COLUMNS.index(name)]) if len(self) else float("nan")
