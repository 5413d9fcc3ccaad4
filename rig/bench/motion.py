"""A running judgement of what the unit is doing, from one sample to the next.

Only for control: when to go on and when the guard must act.  What is recorded and judged comes
from `rig.analysis`, which sees the whole trace.
"""

from __future__ import annotations

from dataclasses import dataclass

from rig.bench.requests import Sample

# Guesses, wide of any sound unit: smoothing long against commutation ripple and noise, short
# against a half-turn.  A motor's current begins above the first share of what the type draws at
# standstill (less is a leak) and has ended below the second (a cable may help it along).
SMOOTH_S = 0.010
PEAK_SMOOTH_S = 0.002  # an inrush lasts some tens of milliseconds
# Standing still for the guard: a winding 50 K warmer draws a sixth less (copper, 0.393 %/K).
NEAR_STALL_SHARE = 0.8
STARTS_SHARE = 0.03
ENDS_SHARE = 0.015
LEAK_AFTER_S = 0.6  # no cable helps for so long without the motor taking up again
FLOWING_MIN_A = 0.15  # a sensor's offset and noise stay below it
# A relay takes some 10 ms to change over and the current dips to nothing while it does.
SETTLED_S = 0.10


@dataclass(slots=True)
class MotionWatch:
    """Follows the current since the last feed change.

    ``flowing`` tells whether the motor draws; ``parked`` whether it drew and has been at rest for
    `SETTLED_S`; ``near_stall_s`` for how long (s) the current has been close to V/R.
    """

    winding_ohm: float
    flowing: bool = False
    has_flowed: bool = False
    changed_s: float = 0.0
    near_stall_s: float = 0.0
    _rest_a: float = 0.0
    _smooth_a: float = 0.0
    _low_since_s: float = 0.0
    _fast_a: float = 0.0
    _peak_siemens: float = 0.0
    _last_s: float | None = None
    _quiet_since_s: float = 0.0
    _feeds: tuple[bool, bool] = (False, False)

    def update(self, sample: Sample) -> None:
        """Take in one good sample."""
        last = self._last_s
        self._last_s = sample.time_s
        dt = 0.0 if last is None else sample.time_s - last
        feeds = (sample.battery_feed, sample.ignition_feed)
        if feeds != self._feeds:
            self._on_feed_change(sample, feeds)
        share = dt / (SMOOTH_S + dt)
        self._smooth_a += share * (sample.current_a - self._smooth_a)
        self._fast_a += dt / (PEAK_SMOOTH_S + dt) * (sample.current_a - self._fast_a)
        drawn = self._smooth_a - self._rest_a
        was_flowing = self.flowing
        self.flowing = self._flows(drawn, sample)
        if self.flowing:
            self.has_flowed = True
        elif was_flowing:
            self._quiet_since_s = sample.time_s
        self._watch_stall(sample, dt)

    def _flows(self, drawn_a: float, sample: Sample) -> bool:
        stall_a = sample.voltage_v / self.winding_ohm
        if drawn_a > max(FLOWING_MIN_A, STARTS_SHARE * stall_a):
            self._low_since_s = sample.time_s
            return True
        if not self.flowing or drawn_a <= max(FLOWING_MIN_A, ENDS_SHARE * stall_a):
            return False
        return sample.time_s - self._low_since_s < LEAK_AFTER_S

    def _on_feed_change(self, sample: Sample, feeds: tuple[bool, bool]) -> None:
        if not self.flowing:
            self._rest_a = self._smooth_a if self._feeds[0] else 0.0
        self._feeds = feeds
        self.changed_s = self._quiet_since_s = sample.time_s
        self.has_flowed = self.flowing
        self.near_stall_s = self._peak_siemens = 0.0

    def _watch_stall(self, sample: Sample, dt: float) -> None:
        if not sample.battery_feed or sample.voltage_v < 1.0:
            self.near_stall_s = 0.0
            return
        siemens = self._smooth_a / sample.voltage_v
        self._peak_siemens = max(self._peak_siemens, self._fast_a / sample.voltage_v)
        # The yardstick is what the unit itself drew at standstill, its inrush: a unit with bad
        # contacts draws less than its type, one with shorted turns more.  Below a third of the
        # type's V/R an inrush was missed rather than seen.
        yardstick = max(self._peak_siemens, 0.35 / self.winding_ohm)
        if siemens > NEAR_STALL_SHARE * yardstick:
            self.near_stall_s += dt
        else:
            self.near_stall_s = 0.0

    def quiet_s(self, time_s: float) -> float:
        """Return for how long (s) no motor current has flowed since the feed change."""
        return 0.0 if self.flowing else time_s - max(self._quiet_since_s, self.changed_s)

    def parked(self, time_s: float) -> bool:
        """Tell whether the motor drew current and has been at rest since."""
        return self.has_flowed and self.quiet_s(time_s) >= SETTLED_S
