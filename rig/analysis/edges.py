"""Feed changes, cleaned of contact bounce, and the windows of a trace in which a unit may turn."""

from __future__ import annotations

from dataclasses import dataclass
from enum import Enum

import numpy as np

from rig.analysis.model import Direction
from rig.analysis.trace import BoolArray, FloatArray, Trace

# Feed contacts bounce for a few ms, and nobody makes and breaks a feed on purpose this fast (s).
BOUNCE_S = 0.050


class Cause(Enum):
    """What a window begins or ends with."""

    IGNITION = "ignition"
    BATTERY = "battery"
    TRACE = "trace"  # the trace begins or ends with the battery feed made


@dataclass(frozen=True, slots=True)
class Window:
    """Samples ``first`` to ``last`` (excluded) between two feed changes, battery feed made.

    ``start_s`` is the feed change: it lies between the last old and the first new sample, so the
    middle is taken, within ``start_half_s`` either way.  ``end_s`` is the change that ends it.
    """

    first: int
    last: int
    direction: Direction
    start_s: float
    start_half_s: float
    end_s: float
    begins: Cause
    ends: Cause

    @property
    def homing(self) -> bool:
        """The battery feed was made with the ignition broken: the unit may drive itself to stop."""
        return self.begins is Cause.BATTERY and self.direction is Direction.TO_STOP


def settled_changes(column: BoolArray, time_s: FloatArray) -> dict[int, bool]:
    """Return the first sample of every lasting change; a burst of bounce is one change or none.

    The change counts from its first touch or opening, as the unit feels it.  The value tells
    whether it bounced.
    """
    changes = np.flatnonzero(column[1:] != column[:-1]) + 1
    if len(changes) < 2:
        return dict.fromkeys(changes.tolist(), False)
    new_burst = np.concatenate(([True], np.diff(time_s[changes]) > BOUNCE_S))
    begins = np.flatnonzero(new_burst)
    count = np.diff(np.concatenate((begins, [len(changes)])))
    lasting = count % 2 == 1  # an even number of changes ends where it began
    return dict(zip(changes[begins[lasting]].tolist(), count[lasting] > 1, strict=True))


def find_windows(trace: Trace) -> list[Window]:
    """Return the windows in time order, those without movement included."""
    n = len(trace)
    if n < 2:
        return []
    battery = np.asarray(trace.battery_feed, dtype=np.bool_)
    ignition = np.asarray(trace.ignition_feed, dtype=np.bool_)
    battery_at = settled_changes(battery, trace.time_s)
    ignition_at = settled_changes(ignition, trace.time_s)
    is_fed, is_run = bool(battery[0]), bool(ignition[0])
    windows: list[Window] = []
    open_at = (0, Cause.TRACE, is_run, False) if is_fed else None
    for k in sorted(battery_at.keys() | ignition_at.keys()):
        was_fed = is_fed
        is_fed ^= k in battery_at
        is_run ^= k in ignition_at
        ends = Cause.IGNITION if is_fed else Cause.BATTERY
        if open_at is not None:
            windows.append(_window(trace.time_s, open_at, k, ends))
        begins = Cause.IGNITION if was_fed else Cause.BATTERY
        bounced = battery_at.get(k, False) or ignition_at.get(k, False)
        open_at = (k, begins, is_run, bounced) if is_fed else None
    if open_at is not None:
        windows.append(_window(trace.time_s, open_at, n, Cause.TRACE))
    return windows


def _window(
    time_s: FloatArray, opened: tuple[int, Cause, bool, bool], last: int, ends: Cause
) -> Window:
    first, begins, is_run, bounced = opened
    start_s, half_s = _change_s(time_s, first)
    end_s = float(time_s[-1]) if last >= len(time_s) else _change_s(time_s, last)[0]
    direction = Direction.TO_RUN if is_run else Direction.TO_STOP
    # A contact that bounces may have touched between two samples before.
    return Window(
        first, last, direction, start_s, half_s * (3.0 if bounced else 1.0), end_s, begins, ends
    )


def _change_s(time_s: FloatArray, first: int) -> tuple[float, float]:
    if first == 0:
        return float(time_s[0]), 0.0
    before, after = float(time_s[first - 1]), float(time_s[first])
    return 0.5 * (before + after), 0.5 * (after - before)
