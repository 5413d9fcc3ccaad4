"""Where a window's current begins, ends and drops out: the drive of one half-turn."""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise

import numpy as np

from rig.analysis.cutoff import Cut, find_cut
from rig.analysis.edges import Cause, Window
from rig.analysis.flow import NOISE_SIGMAS, Rest, see_flow
from rig.analysis.levels import level, median3, running_mean
from rig.analysis.model import UnitType
from rig.analysis.signal import Signal
from rig.analysis.trace import FloatArray

# The unit's relay lets go and throws over within this (s); a current that was flowing when the
# window began and falls within it belongs to the half-turn before (common relay data: 2 to 15 ms).
HAND_OVER_S = 0.040
# A motor whose feed was interrupted may still turn after this (s, guess: several times the
# mechanical time constant).
COASTS_S = 0.2
# Contacts of the unit's relay bounce for this long after the first current (s, common relay data).
MAKE_BOUNCE_S = 0.015
# A steady current below this part of the plan's stall current is leakage (guess).
LEAK_OF_STALL = 0.12
# No start of a motor peaks below this part of it, not even sampled at 200 Hz (guess).
START_OF_STALL = 0.05
# ... and, after a drive that went on to the feed change, below this part of that one's (guess).
LEAK_OF_BEFORE = 0.3
# A dropout is a fall below LOW of the running current, from above HIGH, at contact speed, in more
# samples than a spike of interference has.
LOW, HIGH = 0.15, 0.4
DROPOUT_SAMPLES = 2


@dataclass(frozen=True, slots=True)
class Drive:
    """The current of one window.  Sample numbers are those of the signal.

    ``begin`` to ``end`` (excluded) is the time current flowed, empty if none did; ``cut`` says how
    it ended, None if it flowed until the window's end.  ``carried`` tells that the motor was
    already turning when its current began.  ``above_a`` is the window's current above ``rest``.
    """

    window: Window
    first: int
    last: int
    rest: Rest
    above_a: FloatArray
    begin: int = 0
    end: int = 0
    begin_s: float = 0.0
    begin_half_s: float = 0.0
    running_a: float = 0.0
    cut: Cut | None = None
    carried: bool = False
    dropouts: int = 0
    longest_dropout_s: float = 0.0
    out: tuple[tuple[int, int], ...] = ()

    @property
    def flows(self) -> bool:
        """Whether any current flowed."""
        return self.end > self.begin

    def silenced(self) -> Drive:
        """Return the window without a drive."""
        return Drive(self.window, self.first, self.last, self.rest, self.above_a)

    @property
    def flows_to_end(self) -> bool:
        """Whether current flowed until the feed was changed or the trace ended."""
        return self.flows and self.cut is None


def trace_drive(
    signal: Signal, window: Window, rest: Rest, *, was_driving: bool, least_a: float
) -> Drive:
    """Return the drive in a window.

    ``rest`` as seen before it; ``was_driving`` tells that current flowed when it began;
    ``least_a`` is the current below which nothing flows.
    """
    first, last = signal.at_row(window.first), signal.at_row(window.last)
    time_s = signal.time_s[first:last]
    above_a = signal.current_a[first:last] - rest.level_a
    if last - first < 3:
        return Drive(window, first, last, rest, above_a)
    skip = _handed_over(time_s, above_a, rest.noise_a) if was_driving else 0
    goes_on = was_driving and skip == 0
    flow = see_flow(above_a[skip:], rest, signal.step_s, least_a)
    if flow is None:
        return Drive(window, first, last, rest, above_a)
    cut = find_cut(time_s[skip:], above_a[skip:], flow, rest.noise_a)
    onset = 0 if goes_on else _onset(above_a[skip:], flow.running_a, rest.noise_a)
    end = (last - first - skip) if cut is None else cut.last + 1
    if onset is None or end <= onset:
        return Drive(window, first, last, rest, above_a)
    # The first look at the running current may have been at leakage after parking: now it is known
    # which samples are the drive's.
    running_a = level(np.abs(above_a[skip + onset : skip + end]))
    begin = first + skip + onset
    before_s = signal.time_s[begin - 1] if onset or skip else window.start_s
    begin_s = 0.5 * float(before_s + signal.time_s[begin])
    out, longest_s = _dropouts(
        signal.time_s[begin : first + skip + end],
        above_a[skip + onset : skip + end],
        running_a,
        rest.noise_a,
    )
    return Drive(
        window=window,
        first=first,
        last=last,
        rest=rest,
        above_a=above_a,
        begin=begin,
        end=first + skip + end,
        begin_s=max(begin_s, window.start_s),
        begin_half_s=0.5 * float(signal.time_s[begin] - before_s),
        running_a=running_a,
        cut=cut,
        # After the relay's throw-over the motor still turns: it starts without an inrush.
        carried=was_driving and begin_s - window.start_s < COASTS_S,
        dropouts=len(out),
        longest_dropout_s=longest_s,
        out=tuple((begin + a, begin + b) for a, b in out),
    )


def is_leakage(drive: Drive, before: Drive | None, unit: UnitType) -> bool:
    """Whether a current is one that begins with the feed and stays: small, level, no inrush.

    A motor that starts from rest shows an inrush several times its running current, and one at
    standstill draws the better part of the plan's V/R.  One that was turning already goes on
    drawing what it drew in ``before``.
    """
    if not drive.flows or drive.window.begins is Cause.TRACE:
        return False
    stall_a = unit.nominal_v / unit.winding_ohm
    above_a = drive.above_a[drive.begin - drive.first : drive.end - drive.first]
    if not drive.carried and float(median3(above_a).max()) < START_OF_STALL * stall_a:
        return True
    if not drive.flows_to_end:
        return False
    steady_a = level(above_a)
    if drive.carried and (before is None or steady_a > LEAK_OF_BEFORE * before.running_a):
        return False
    if steady_a > LEAK_OF_STALL * stall_a:
        return False
    top_a = float(median3(above_a).max())
    return top_a < 1.3 * steady_a + NOISE_SIGMAS * drive.rest.noise_a


def _handed_over(time_s: FloatArray, above_a: FloatArray, noise_a: float) -> int:
    """Return the first sample at which a current that flowed before has ended; 0 if it goes on."""
    n = int(np.searchsorted(time_s, time_s[0] + HAND_OVER_S))
    if n < 3:
        return 0
    head = np.abs(running_mean(above_a[:n], 3))
    at_first = float(head[0])
    if at_first <= 2.0 * noise_a:
        return 1
    low = np.flatnonzero(head < max(2.0 * noise_a, LOW * at_first))
    return int(low[0]) if len(low) else 0


def _onset(above_a: FloatArray, running_a: float, noise_a: float) -> int | None:
    """Return the first sample in which current flows, single spikes left out."""
    size = np.abs(above_a)
    flows = size > max(NOISE_SIGMAS * noise_a, 0.1 * running_a)
    n = len(flows)
    # Bounce may open the contact again for a sample: two of three is enough to believe it.
    later = np.zeros(n, dtype=np.bool_)
    later[:-1] |= flows[1:]
    later[:-2] |= flows[2:]
    where = np.flatnonzero(flows & later)
    if len(where):
        return int(where[0])
    where = np.flatnonzero(size > 3.0 * noise_a)
    return int(where[0]) if len(where) else None


def _dropouts(
    time_s: FloatArray, above_a: FloatArray, running_a: float, noise_a: float
) -> tuple[list[tuple[int, int]], float]:
    """Return the stretches without current inside a drive, and the longest (s).

    Only falls at contact speed count: a cable that pulls the motor along lets the current fade.
    """
    low_a = max(4.0 * noise_a, LOW * running_a)
    high_a = max(8.0 * noise_a, HIGH * running_a)
    low = np.abs(above_a) < low_a
    low[time_s < time_s[0] + MAKE_BOUNCE_S] = False
    change = np.flatnonzero(low[1:] != low[:-1]) + 1
    found: list[tuple[int, int]] = []
    longest_s = 0.0
    for a, b in pairwise(change):
        if not low[a] or b - a < DROPOUT_SAMPLES:
            continue
        falls = above_a[max(a - 2, 0) : a].max() > high_a
        rises = above_a[b : b + 2].max() > high_a
        if falls and rises:
            found.append((int(a), int(b)))
            before_s = 0.5 * float(time_s[a - 1] + time_s[a])
            after_s = 0.5 * float(time_s[b - 1] + time_s[b])
            longest_s = max(longest_s, after_s - before_s)
    return found, longest_s
