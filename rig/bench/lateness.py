"""How late the control loop is, cycle by cycle, at a cost of about a microsecond.

In real time only: in virtual time nothing is ever late, and nothing is measured.
"""

from __future__ import annotations

from rig.records.lateness import Lateness, Spread

# Eight bins to each doubling, so a bin's width is an eighth of its lower edge at most; whole
# microseconds below 16.  The last edge is beyond an hour.
_SHARE_BITS = 3
_US_MAX = (1 << 32) - 1
_BINS = (32 - _SHARE_BITS + 1) << _SHARE_BITS


class Spreading:
    """Counts times in bins that are wider the longer they are; `add` makes no object that stays."""

    __slots__ = ("_counts", "_max_s")

    def __init__(self) -> None:
        self._counts = [0] * _BINS
        self._max_s = 0.0

    def add(self, time_s: float) -> None:
        """Count one time (s); a negative one counts as none at all."""
        if time_s <= 0.0:
            self._counts[0] += 1
            return
        if time_s > self._max_s:
            self._max_s = time_s
        us = min(int(time_s * 1e6), _US_MAX)
        shift = us.bit_length() - _SHARE_BITS - 1
        if shift > 0:
            us = (shift << _SHARE_BITS) + (us >> shift)
        self._counts[us] += 1

    def result(self) -> Spread:
        """Return what was counted, by the upper edges of the bins that hold anything."""
        return Spread(
            self._max_s,
            tuple((upper_s(index), count) for index, count in enumerate(self._counts) if count),
        )


def upper_s(index: int) -> float:
    """Return the upper edge (s) of bin ``index``."""
    edge = index + 1
    if edge >> (_SHARE_BITS + 1):
        shift = (edge >> _SHARE_BITS) - 1
        edge = (edge - (shift << _SHARE_BITS)) << shift
    return edge / 1e6


class LatenessMeter:
    """Measures the loop's cycles against their deadlines, `period_s` apart."""

    def __init__(self, period_s: float) -> None:
        self.period_s = period_s
        self._woken = Spreading()
        self._done = Spreading()
        self._cycles = 0
        self._lost = 0
        self._lost_fed = 0
        self._excused = True  # what came before the first cycle is no lateness

    def excuse(self) -> None:
        """Leave the next cycle out: something held the loop with the feeds off, as is meant."""
        self._excused = True

    def cycle(self, woken_s: float, done_s: float, lost: int, *, fed: bool) -> None:
        """Take one cycle: how long after its deadline it woke and was done (s).

        ``lost`` deadlines had passed besides when it began, and were given up.
        """
        if self._excused:
            self._excused = False
            return
        self._cycles += 1
        self._woken.add(woken_s)
        self._done.add(done_s)
        if lost:
            self._lost += lost
            if fed:
                self._lost_fed += lost

    def result(self) -> Lateness | None:
        """Return what was measured, None if there was no cycle."""
        if not self._cycles:
            return None
        return Lateness(
            self.period_s,
            self._cycles,
            self._lost,
            self._lost_fed,
            self._woken.result(),
            self._done.result(),
        )
