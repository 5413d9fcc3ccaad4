"""Where the lever is, sample by sample, from current and voltage alone: a picture, not a judgement.

V = R i + K w, so the integral of V - R i since the drive began is the angle turned times the motor
constant (`backemf` says more).  A unit turns one way only, and its own cam ends each half-turn at
one of two places: that anchors the angle anew each time.  What is recorded and judged comes from
`half_turns`, which sees the whole trace.
"""

from __future__ import annotations

from collections import deque
from dataclasses import dataclass
from math import nan

import numpy as np
from numpy.typing import ArrayLike

from rig.analysis.levels import median
from rig.analysis.lever_samples import Drive, End, Rest, filled, read_state, runs, states_of
from rig.analysis.model import UnitType
from rig.analysis.trace import FloatArray

# A motor draws more than this share of V/R, and more than a sensor's offset and noise (A).
FLOWS_SHARE, FLOWS_MIN_A = 0.025, 0.15
# Below this share of the voltage the back-EMF is the resistance's error: the rotor stands.
STANDS_SHARE = 0.08
# A relay takes some 10 ms to change over, a brush loses touch for a few: longer is at rest (s).
SETTLED_S = 0.05
# Fed for so long and nothing drawn: parked where the ignition feed says, or dead (s).
REST_SEEN_S = 0.3
# A drive of this part of the way that ends by itself has parked; one of more than this ran past,
# or the resistance is far from nominal (worn brushes make one of 1.2).
FULL_PART, PAST_PART = 0.85, 1.4
# Less of the way than this is no half-turn, however wrong the scale is (shorted turns halve it).
ODD_PART = 0.4
# Less than this is a spike or a nudge against the brake, and the lever stays where it was.
NUDGE_DEG, NUDGE_S = 3.0, 0.02
# No unit turns half round in less at its nominal voltage (s, guess).
SHORTEST_S = 0.05
# With the feed gone the rotor runs out within some tenths of a second, as a generator (s, V).
COAST_S, COAST_V = 0.3, 0.5
# Samples further apart are a gap: nothing is known of what was in it (s).
GAP_S = 0.05
# The scale is learned from the last few half-turns.
LEARNED = 5
# How far off the angle may be while it turns (k = 2), by a scale learned and by the plan's alone:
# measured on the simulated unit and on ngspice's, which overruns its park by up to 17 degrees.
LEARNED_U_DEG, PLAN_U_DEG = 12.0, 22.0
# A current this many standard deviations above rest is not noise; so many samples tell them.
NOISES, NOISE_SAMPLES = 4.0, 10


PARK_DEG: dict[End, float] = {"stop": 0.0, "run": 180.0}


@dataclass(frozen=True, slots=True)
class Lever:
    """Where the lever is thought to be.

    ``angle_deg`` from 0 (stop) over 180 (run) to below 360, always rising; None: not known.
    ``u_deg`` its expanded uncertainty (k = 2), None at a park.  ``parked`` at which end it rests,
    None: at neither.  ``sure`` is False as long as no full half-turn and no jig switch has
    confirmed the end it started from.  ``turning`` tells that motor current flows, ``still_s`` for
    how long (s) it has flowed without turning the rotor.  ``past_park``: it turned beyond its park
    position; ``short``: the current ended by itself before it.
    """

    angle_deg: float | None = None
    u_deg: float | None = None
    parked: End | None = None
    sure: bool = False
    turning: bool = False
    still_s: float = 0.0
    past_park: bool = False
    short: bool = False


class LeverEstimator:
    """Follows one unit through blocks of new samples; how they are cut makes no difference."""

    def __init__(self, unit: UnitType) -> None:
        self._unit = unit
        self._learned: deque[float] = deque(maxlen=LEARNED)
        self._time_s = nan
        self._voltage_v = unit.nominal_v
        self._feeds = (False, False)
        self._switch: dict[End, bool | None] = {}
        # Where the lever was when the present drive began, or is while there is none.
        self._angle_deg: float | None = None
        self._parked: End | None = None
        self._sure = False
        self._drive: Drive | None = None
        self._emf_v = 0.0
        # The drive before, if it ended by itself, but not where it was expected to.
        self._odd: Drive | None = None
        self._rest = Rest()
        self._rest_a = self._noise_a = 0.0
        self._flowed_until_s: float | None = None

    @property
    def turn_vs(self) -> float | None:
        """The back-EMF integral that is taken for 180 degrees now, V s; None: not known yet."""
        return median(np.array(self._learned)) if self._learned else self._unit.turn_vs

    @property
    def flowed_until_s(self) -> float | None:
        """When motor current flowed last (s on the samples' clock), None: never yet."""
        return self._flowed_until_s

    @property
    def lever(self) -> Lever:
        """Where the lever is after the last sample fed."""
        drive, angle_deg = self._drive, self._angle_deg
        known = angle_deg is not None
        u_deg = (LEARNED_U_DEG if self._learned else PLAN_U_DEG) if known else None
        sure = self._sure and known
        if drive is None:
            if self._parked is not None:
                sure = sure and self._switch.get(self._parked) is not False
                return Lever(angle_deg, None, self._parked, sure)
            return Lever(angle_deg, u_deg, None, sure, short=self._odd is not None)
        turning = not drive.coasting
        still_s = drive.still_s if turning else 0.0
        turned_deg = self._turned_deg(drive)
        if angle_deg is None or turned_deg is None:
            return Lever(turning=turning, still_s=still_s)
        past = turned_deg > PAST_PART * drive.way_deg
        angle_deg = (angle_deg + (turned_deg if past else min(turned_deg, drive.way_deg))) % 360.0
        return Lever(angle_deg, u_deg, None, sure, turning, still_s, past)

    def feed(
        self,
        time_s: FloatArray,
        current_a: FloatArray,
        voltage_v: FloatArray,
        battery_feed: ArrayLike,
        ignition_feed: ArrayLike,
        at_run: FloatArray | None = None,
        at_stop: FloatArray | None = None,
    ) -> Lever:
        """Take in samples that follow those fed before; columns as in a trace.

        ``at_run`` and ``at_stop`` are the jig's switches, 0 or 1, NaN where not wired.
        """
        states = states_of(battery_feed, ignition_feed, at_run, at_stop)
        known = np.isfinite(time_s) & np.isfinite(current_a)
        if not known.all():
            time_s, current_a, voltage_v = time_s[known], current_a[known], voltage_v[known]
            states = states[known]
        if len(time_s):
            voltage_v = filled(voltage_v, self._voltage_v)
            self._voltage_v = float(voltage_v[-1])
            self._stretches(time_s, current_a, voltage_v, states)
        return self.lever

    def _stretches(
        self, time_s: FloatArray, current_a: FloatArray, voltage_v: FloatArray, states: FloatArray
    ) -> None:
        """Go through the samples, one stretch of unchanged feeds and switches after the other."""
        before_s = time_s[0] if np.isnan(self._time_s) else self._time_s
        dt_s = np.minimum(np.diff(time_s, prepend=before_s), GAP_S)
        self._time_s = float(time_s[-1])
        for first, end in runs(states):
            feeds, at_run, at_stop = read_state(states[first])
            self._switch = {"run": at_run, "stop": at_stop}
            if feeds != self._feeds:
                self._on_feeds(feeds)
            part = slice(first, end)
            if feeds[0]:
                self._fed(time_s[part], dt_s[part], current_a[part], voltage_v[part])
            else:
                self._unfed(dt_s[part], current_a[part], voltage_v[part])

    # --- feeds --------------------------------------------------------------------------------

    def _on_feeds(self, feeds: tuple[bool, bool]) -> None:
        had_battery, self._feeds = self._feeds[0], feeds
        self._learn_rest()
        drive = self._drive
        if drive is None:
            return
        if drive.idle_s > 0.0 and not drive.coasting:
            self._settle(drive)
        elif had_battery and not feeds[0]:
            drive.coasting = True
        else:
            self._leave_off(drive)

    def _fed(
        self, time_s: FloatArray, dt_s: FloatArray, current_a: FloatArray, voltage_v: FloatArray
    ) -> None:
        floor_a = max(FLOWS_MIN_A, NOISES * self._noise_a)
        least_a = np.maximum(floor_a, FLOWS_SHARE * voltage_v / self._unit.winding_ohm)
        flows = current_a - self._rest_a > least_a
        for first, end in runs(flows):
            part = slice(first, end)
            if flows[first]:
                self._flows(dt_s[part], current_a[part] - self._rest_a, voltage_v[part])
                self._flowed_until_s = float(time_s[end - 1])
            else:
                self._quiet(dt_s[part], current_a[part])

    def _unfed(self, dt_s: FloatArray, current_a: FloatArray, voltage_v: FloatArray) -> None:
        drive = self._drive
        if drive is None:
            self._rests(dt_s, current_a)
            return
        # Nothing flows, so the voltage at the unit is the back-EMF itself, if it shows at all.
        late = drive.idle_s + np.cumsum(dt_s) > COAST_S
        over = late | ~((voltage_v > COAST_V) & (voltage_v < self._unit.nominal_v * 1.5))
        count = int(np.argmax(over)) if over.any() else len(over)
        drive.vs += float(np.dot(voltage_v[:count], dt_s[:count]))
        drive.idle_s += float(dt_s[:count].sum())
        if count < len(over):
            self._leave_off(drive)
            self._rests(dt_s[count:], current_a[count:])

    # --- current ------------------------------------------------------------------------------

    def _flows(self, dt_s: FloatArray, current_a: FloatArray, voltage_v: FloatArray) -> None:
        drive = self._drive
        if drive is None:
            drive = self._begin()
        emf_v = voltage_v - self._unit.winding_ohm * current_a
        emf_v = np.where(emf_v > STANDS_SHARE * voltage_v, emf_v, 0.0)
        # Through a drop-out the rotor turns on: what came before it bridges it.
        drive.vs += drive.idle_s * self._emf_v
        drive.idle_s = 0.0
        before_v = np.concatenate(([self._emf_v], emf_v[:-1]))
        drive.vs += float(0.5 * np.dot(before_v + emf_v, dt_s))
        drive.flowed_s += float(dt_s.sum())
        turns = np.flatnonzero(emf_v)
        if len(turns):
            drive.still_s = 0.0
            dt_s = dt_s[turns[-1] + 1 :]
        drive.still_s += float(dt_s.sum())
        self._emf_v = float(emf_v[-1])

    def _quiet(self, dt_s: FloatArray, current_a: FloatArray) -> None:
        drive = self._drive
        if drive is not None:
            idle_s = drive.idle_s + np.cumsum(dt_s)
            count = int(np.searchsorted(idle_s, SETTLED_S)) + 1
            drive.idle_s = float(idle_s[min(count, len(idle_s)) - 1])
            if drive.idle_s < SETTLED_S:
                return
            self._settle(drive)
            dt_s, current_a = dt_s[count:], current_a[count:]
        self._rests(dt_s, current_a)

    def _rests(self, dt_s: FloatArray, current_a: FloatArray) -> None:
        """At rest: learn what the sensor shows then, and where the unit must be parked."""
        if not len(dt_s):
            return
        rest = self._rest
        rest.count += len(current_a)
        rest.lasted_s += float(dt_s.sum())
        rest.sum_a += float(current_a.sum())
        rest.squares_a2 += float(np.dot(current_a, current_a))
        if self._feeds[0] and self._angle_deg is None and rest.lasted_s >= REST_SEEN_S:
            self._park(self._target(), sure=False)
        for end, made in self._switch.items():
            if made:
                self._park(end, sure=True)

    # --- drives -------------------------------------------------------------------------------

    def _target(self) -> End:
        return "run" if self._feeds[1] else "stop"

    def _begin(self) -> Drive:
        self._take_odd()
        way_deg = 180.0
        if self._angle_deg is not None:
            way_deg = (PARK_DEG[self._target()] - self._angle_deg) % 360.0
            way_deg = way_deg if way_deg > 1.0 else 360.0
        self._emf_v = 0.0
        from_park = self._parked is not None and way_deg == 180.0
        self._drive = Drive(self._target(), way_deg, from_park)
        return self._drive

    def _learn_rest(self) -> None:
        rest, self._rest = self._rest, Rest()
        if rest.count >= NOISE_SAMPLES:
            mean_a = rest.sum_a / rest.count
            self._rest_a = min(max(mean_a, -1.0), 1.0)
            self._noise_a = max(rest.squares_a2 / rest.count - mean_a * mean_a, 0.0) ** 0.5

    def _take_odd(self) -> None:
        """Current flows: see whether the drive before had parked after all.

        It had run out of one track, and now the other conducts.  They meet at the park alone.
        """
        odd, self._odd = self._odd, None
        if odd is None or not self._feeds[0] or odd.target == self._target():
            return
        if (self._turned_deg(odd) or 0.0) >= ODD_PART * odd.way_deg:
            self._park(odd.target, sure=True)
            if odd.from_park:
                self._learned.append(odd.vs)

    def _turned_deg(self, drive: Drive) -> float | None:
        turn_vs = self.turn_vs
        return None if turn_vs is None else 180.0 * drive.vs / turn_vs

    def _settle(self, drive: Drive) -> None:
        """The current ended by itself: parked, or stopped short."""
        turned_deg = self._turned_deg(drive)
        self._drive = None
        if drive.flowed_s < NUDGE_S or self._is_nudge(drive, turned_deg):
            return
        if turned_deg is None or self._angle_deg is None:
            self._park(drive.target, sure=False)  # an end seen, but not from where
        elif FULL_PART <= turned_deg / drive.way_deg <= PAST_PART:
            self._park(drive.target, sure=True)
        else:
            self._angle_deg, self._parked = (self._angle_deg + turned_deg) % 360.0, None
            self._odd = drive
            return
        if drive.from_park:
            self._learned.append(drive.vs)

    def _is_nudge(self, drive: Drive, turned_deg: float | None) -> bool:
        if turned_deg is None:
            return drive.vs < SHORTEST_S * self._unit.nominal_v
        return turned_deg < NUDGE_DEG

    def _leave_off(self, drive: Drive) -> None:
        """The drive was cut off by the rig: the lever is where it was left."""
        turned_deg = self._turned_deg(drive)
        self._drive = None
        if drive.flowed_s < NUDGE_S:
            return
        self._parked = None
        if self._angle_deg is None or turned_deg is None:
            self._angle_deg = None
        elif turned_deg > PAST_PART * drive.way_deg:
            self._angle_deg = (self._angle_deg + turned_deg) % 360.0
        else:
            self._angle_deg = (self._angle_deg + min(turned_deg, drive.way_deg)) % 360.0

    def _park(self, end: End, *, sure: bool) -> None:
        self._angle_deg, self._parked, self._sure = PARK_DEG[end], end, sure
