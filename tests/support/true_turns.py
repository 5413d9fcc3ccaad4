"""What a unit truly did, half-turn by half-turn, from the world's own state.

Nothing here comes from `rig.analysis`: times are those of contacts, currents and voltages those of
the feed without sensor, noise and sampling.
"""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise
from math import inf, nan

import numpy as np
from witness import State, Witness

# A contact that closes bounces for a millisecond or so: a change counts from its first touch (s).
BOUNCE_S = 0.010
# The unit's own relay bounces, and its arc is out, within this of the first current (s).
MAKE_S = 0.015
# Feeds that go within this of one another (s) leave no rest to look at between them.
BRIEF_S = 0.05
# After a cut-off the current counts as at rest from here on (s).
REST_S = 0.010
# A plateau lies between these parts of the time in which current flows.
PLATEAU = (0.25, 0.95)


@dataclass(frozen=True)
class Gap:
    """A time (s) without motor current inside a half-turn."""

    time_s: float
    length_s: float


@dataclass(frozen=True)
class TrueTurn:
    """One window between two changes of the true contacts, battery feed made.

    ``start_s`` first touch or opening; ``end_s`` the next change.  ``first_s`` and ``last_s`` when
    motor current began and ended for good (NaN: never flowed), ``by_itself`` whether the unit ended
    it; ``from_ignition`` whether an ignition change began it.  ``held_s`` how long it stood still,
    fed, at the end; ``turned_deg`` all the way, ``rest_deg`` where it was at the end; for
    ``live_part`` of the window's time the unit was connected.  Currents and voltages of the feed,
    NaN if there is nothing to take them from.
    """

    to_run: bool
    from_ignition: bool
    start_s: float
    end_s: float
    first_s: float = nan
    last_s: float = nan
    by_itself: bool = False
    carried: bool = False
    held_s: float = 0.0
    turned_deg: float = 0.0
    rest_deg: float = 0.0
    live_part: float = 1.0
    peak_a: float = nan
    run_a: float = nan
    rest_a: float = nan
    supply_v: float = nan
    sag_v: float = nan
    gaps: tuple[Gap, ...] = ()

    @property
    def flows(self) -> bool:
        """Whether motor current flowed."""
        return self.first_s == self.first_s

    @property
    def time_s(self) -> float:
        """From the contact to the cam's cut-off, or to the end of the window."""
        return (self.last_s if self.by_itself else self.end_s) - self.start_s

    @property
    def off_deg(self) -> float:
        """How far from its end it rests; negative: short of it."""
        return (self.rest_deg - (180.0 if self.to_run else 0.0) + 180.0) % 360.0 - 180.0


@dataclass
class Feed:
    """The true waveform of the feed."""

    time_s: np.ndarray
    current_a: np.ndarray
    voltage_v: np.ndarray
    fine_s: float = 2e-4

    def at(self, first_s: float, last_s: float) -> tuple[np.ndarray, np.ndarray]:
        """Return currents and voltages at even fine steps from ``first_s`` to ``last_s``."""
        steps = np.arange(first_s, last_s, self.fine_s)
        return (
            np.interp(steps, self.time_s, self.current_a),
            np.interp(steps, self.time_s, self.voltage_v),
        )

    def nodes(self, first_s: float, last_s: float) -> tuple[np.ndarray, np.ndarray]:
        """Return currents and voltages at the world's own steps, jumps included."""
        part = slice(*np.searchsorted(self.time_s, (first_s, last_s)))
        return self.current_a[part], self.voltage_v[part]


def true_turns(witness: Witness) -> list[TrueTurn]:
    """Return the windows of a run in time order, whether anything moved in them or not."""
    times, currents, volts = witness.waveform()
    feed = Feed(times, currents, volts)
    states = witness.states
    end_s = max(witness.world.now_s, states[-1].time_s)
    found = []
    for window in _windows(states, end_s):
        found.append(_turn(window, states, feed))
    return found


@dataclass(frozen=True)
class _Window:
    start_s: float
    end_s: float
    to_run: bool
    from_ignition: bool


def _settled(states: list[State], of, end_s: float) -> list[tuple[float, bool]]:
    """Return the lasting changes of one contact, each from its first touch or opening."""
    changes = [(b.time_s, of(b)) for a, b in pairwise(states) if of(a) != of(b)]
    settled: list[tuple[float, bool]] = []
    k = 0
    while k < len(changes):
        begin_s = changes[k][0]
        last = k
        while last + 1 < len(changes) and changes[last + 1][0] - begin_s < BOUNCE_S:
            last += 1
        if (last - k) % 2 == 0:
            settled.append((begin_s, changes[last][1]))
        k = last + 1
    return settled


def _windows(states: list[State], end_s: float) -> list[_Window]:
    battery = [(t, "battery", on) for t, on in _settled(states, lambda s: s.connected, end_s)]
    ignition = [(t, "ignition", on) for t, on in _settled(states, lambda s: s.ignition, end_s)]
    fed, run = states[0].connected, states[0].ignition
    windows, opened = [], None
    for time_s, which, on in sorted(battery + ignition):
        was_fed = fed
        if which == "battery":
            fed = on
        else:
            run = on
        if opened is not None:
            windows.append(_Window(opened[0], time_s, *opened[1:]))
        opened = (time_s, run, was_fed and which == "ignition") if fed else None
    if opened is not None:
        windows.append(_Window(opened[0], end_s, *opened[1:]))
    return windows


def _turn(window: _Window, states: list[State], feed: Feed) -> TrueTurn:
    start_s, end_s = window.start_s, window.end_s
    times = [s.time_s for s in states]
    first = int(np.searchsorted(times, start_s, side="left"))
    after = int(np.searchsorted(times, end_s, side="left"))
    before = states[max(first - 1, 0)]
    inside = states[first:after]
    closing = states[min(after, len(states) - 1)]  # angle and travel as the window ends
    spans = _spans([before, *inside], start_s, end_s)
    # What still flows as the ignition changes belongs to the half-turn before, until the unit's
    # relay lets go.
    carried = bool(before.fed) and window.from_ignition
    fed = [(a, b) for a, b, s in spans if s.fed]
    if carried and fed and fed[0][0] <= start_s:
        handed = fed[0][1] - start_s < 0.040
        fed = fed[1:] if handed else fed
        # The relay's own bounce may let the old contact speak once more.
    fed = _joined(fed)
    live = sum(b - a for a, b, s in spans if s.connected) / max(end_s - start_s, 1e-9)
    turn = {
        "to_run": window.to_run,
        "from_ignition": window.from_ignition,
        "start_s": start_s,
        "end_s": end_s,
        "carried": carried,
        "turned_deg": closing.travel_deg - before.travel_deg,
        "rest_deg": closing.angle_deg,
        "live_part": live,
    }
    if not fed and end_s - start_s < BRIEF_S:
        return TrueTurn(**turn)
    if not fed:
        amps, volts = feed.at(0.5 * (start_s + end_s), end_s)
        turn |= {"rest_a": _median(amps), "supply_v": _median(volts)}
        return TrueTurn(**turn)
    first_s, last_s = fed[0][0], fed[-1][1]
    by_itself = last_s < end_s - 1e-6 and spans[-1][2].connected
    turn |= {"first_s": first_s, "last_s": last_s, "by_itself": by_itself}
    # How long it stood still, fed, at the end.
    still_from_s = inf
    for a, b, s in reversed(spans):
        if b <= first_s or not (s.fed and s.held):
            break
        still_from_s = a
    if still_from_s < end_s:
        turn["held_s"] = end_s - still_from_s
    peaks, _ = feed.nodes(first_s, last_s)
    amps, volts = feed.at(first_s, last_s)
    if len(amps) >= 10:
        low, high = (int(part * len(amps)) for part in PLATEAU)
        turn |= {
            "peak_a": float(max(peaks.max(initial=-inf), amps.max())),
            "run_a": _median(amps[low:high]),
            "supply_v": _median(volts),
        }
        _, before_v = feed.at(start_s - 0.05, start_s)
        _, down_v = feed.nodes(first_s, last_s)
        if window.from_ignition and len(before_v):
            turn["sag_v"] = _median(before_v) - float(min(down_v.min(initial=inf), volts.min()))
    if by_itself and end_s - last_s > REST_S + 0.02:
        turn["rest_a"] = _median(feed.at(last_s + REST_S, end_s)[0])
    turn["gaps"] = tuple(Gap(b, c - b) for (_, b), (c, _) in pairwise(fed) if b > first_s + MAKE_S)
    return TrueTurn(**turn)


def _spans(states: list[State], start_s: float, end_s: float):
    """Return (from, to, state) for all the time of a window; only what lasts."""
    found = []
    for a, b in pairwise([*states, None]):
        begin_s = max(a.time_s, start_s)
        until_s = end_s if b is None else min(b.time_s, end_s)
        if until_s > begin_s:
            found.append((begin_s, until_s, a))
    return found


def _joined(spans: list[tuple[float, float]]) -> list[tuple[float, float]]:
    """Join stretches that touch."""
    out: list[tuple[float, float]] = []
    for a, b in spans:
        if out and a - out[-1][1] < 1e-9:
            out[-1] = (out[-1][0], b)
        else:
            out.append((a, b))
    return out


def _median(values: np.ndarray) -> float:
    return float(np.median(values)) if len(values) else nan
