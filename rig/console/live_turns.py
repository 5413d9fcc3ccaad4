"""The half-turns as they happen, cut out of the live samples: what Live and By hand draw."""

from __future__ import annotations

from collections import deque
from dataclasses import dataclass, replace
from math import inf

import numpy as np

from rig.analysis.lever import Lever, LeverEstimator
from rig.analysis.lever_samples import End
from rig.analysis.model import UnitType
from rig.console.tail import Column, Tail

# So many earlier half-turns are kept for either direction.
KEPT = 3
# What is shown of the time before a feed change, and at most after it (s).
LEAD_S, LONGEST_S = 0.05, 6.0
# An earlier half-turn is kept as the least and greatest of so many stretches: finer than any dot.
STRETCHES = 400
# Current for less than this is no part of a half-turn (s).
DRIVEN_S = 0.1


@dataclass(frozen=True, slots=True)
class Turn:
    """A feed change that may turn the unit: when (bench clock, s), which way, and what came of it.

    ``by_ignition``: the ignition feed changed with the battery feed on, which must turn a unit;
    else the battery feed was made, which turns one that is not parked where it should be.
    ``flowed_until_s`` when current flowed last, None: not at all.  ``ended_s`` when the next feed
    change came, None: it is the present one.
    """

    start_s: float
    to_run: bool
    by_ignition: bool
    flowed_until_s: float | None = None
    ended_s: float | None = None

    @property
    def driven_s(self) -> float | None:
        """How long from the feed change to the last current, s; None if none flowed."""
        return None if self.flowed_until_s is None else self.flowed_until_s - self.start_s


@dataclass(frozen=True, slots=True)
class Thinned:
    """Fewer points that draw the same picture; times in s."""

    time_s: Column
    value: Column


class TurnFollower:
    """Follows one job's samples; `take` is called with the tail as often as one likes."""

    def __init__(self, unit: UnitType) -> None:
        self._estimator = LeverEstimator(unit)
        self._seen_s = -inf
        self._feeds = (False, False)
        self._earlier: dict[bool, deque[Thinned]] = {
            way: deque(maxlen=KEPT) for way in (False, True)
        }
        self.lever = Lever()
        self.last_parked: End | None = None
        self.turn: Turn | None = None

    def earlier(self, to_run: bool) -> list[Thinned]:
        """Return the current (A) of the last half-turns of one direction, the oldest first.

        They are over; times count from their feed changes.
        """
        return list(self._earlier[to_run])

    def take(self, tail: Tail) -> None:
        """Follow what is new in ``tail``."""
        since_s = float(np.nextafter(self._seen_s, inf))
        time_s = tail.column("time_s", since_s)
        if not len(time_s):
            return
        battery, ignition = (
            tail.column("battery_feed", since_s),
            tail.column("ignition_feed", since_s),
        )
        self._seen_s = float(time_s[-1])
        first = 0
        for index in _changes(battery, ignition, self._feeds):
            self._follow(tail, since_s, first, index)
            self._on_change(tail, float(time_s[index]), battery[index] > 0.5, ignition[index] > 0.5)
            first = index
        self._follow(tail, since_s, first, len(time_s))

    def _follow(self, tail: Tail, since_s: float, first: int, end: int) -> None:
        if end == first:
            return
        part = slice(first, end)
        names = ("time_s", "current_a", "voltage_v", "battery_feed", "ignition_feed")
        columns = (tail.column(name, since_s)[part] for name in (*names, "at_run", "at_stop"))
        self.lever = self._estimator.feed(*columns)
        self.last_parked = self.lever.parked or self.last_parked
        turn, flowed_s = self.turn, self._estimator.flowed_until_s
        if turn is None or turn.ended_s is not None or flowed_s is None:
            return
        if flowed_s > turn.start_s:
            self.turn = replace(turn, flowed_until_s=flowed_s)

    def _on_change(self, tail: Tail, time_s: float, battery: bool, ignition: bool) -> None:
        had_battery, had_ignition = self._feeds
        self._feeds = (bool(battery), bool(ignition))
        turn = self.turn
        if turn is not None and turn.ended_s is None:
            self.turn = replace(turn, ended_s=time_s)
            self._keep(tail, self.turn)
        if not battery:
            return
        by_ignition = had_battery and ignition != had_ignition
        self.turn = Turn(time_s, bool(ignition), by_ignition)

    def _keep(self, tail: Tail, turn: Turn) -> None:
        if turn.ended_s is None or (turn.driven_s or 0.0) < DRIVEN_S:
            return
        from_s = turn.start_s - LEAD_S
        time_s, current_a = tail.column("time_s", from_s), tail.column("current_a", from_s)
        end = int(np.searchsorted(time_s, min(turn.ended_s, turn.start_s + LONGEST_S)))
        kept = thinned(time_s[:end] - turn.start_s, current_a[:end])
        self._earlier[turn.to_run].append(kept)


def _changes(battery: Column, ignition: Column, before: tuple[bool, bool]) -> list[int]:
    """Return where a feed differs from the sample before; ``before`` the first."""
    feeds = (battery > 0.5) + 2 * (ignition > 0.5)
    first = before[0] + 2 * before[1]
    found: list[int] = np.flatnonzero(np.diff(feeds, prepend=first)).tolist()
    return found


def thinned(time_s: Column, value: Column) -> Thinned:
    """Return the least and the greatest value of each of `STRETCHES` stretches, in time order.

    A stretch with a lost sample keeps the loss, so that a gap stays one.
    """
    width = len(time_s) // STRETCHES
    if width < 4:
        return Thinned(time_s.copy(), value.copy())
    count = len(time_s) // width
    rows = value[: count * width].reshape(count, width)
    pick = np.sort(np.stack([rows.argmin(axis=1), rows.argmax(axis=1)], axis=1), axis=1)
    index = (pick + width * np.arange(count)[:, None]).ravel()
    rest = np.arange(count * width, len(time_s))
    index = np.concatenate((index, rest))
    return Thinned(time_s[index], value[index])
