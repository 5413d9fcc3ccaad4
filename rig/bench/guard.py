"""The guard: judges every sample and says when the feeds must go."""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from math import inf

from drivers import CLIPPED, LOST, RESET, STUCK
from rig.analysis.copper import PER_K
from rig.analysis.soundness import UNREAL
from rig.bench.errors import Trip, TripKind
from rig.bench.motion import MotionWatch
from rig.bench.requests import Sample

AMBIENT_C = 20.0  # the bench's room; the estimate is of the rise above it
_BLIND = LOST | RESET  # flags of samples without a current
LOST_SAMPLES = 3  # a sample that decides may be three periods old at most
# Current without voltage: not read for so long (s) it is not read at all, and no stall is seen.
# Longer than it takes to read the voltage anew at 200 Hz (10 samples, twice), shorter than a stall.
UNREAL_S = 0.12
# Relay release, motor current's decay and a dead-man drop-out are over by then (s).
WELDED_AFTER_S = 0.25
# With the supply on and the feeds off, a welded feed relay has been seen within this time (s).
PROVE_OFF_S = WELDED_AFTER_S + 0.1
WELDED_A = 0.5  # well above a zeroed sensor's offset, well below any motor current
WELDED_V = 3.0  # well above what a disconnected lead picks up, well below any supply
# A gap between two samples counts for no more than this: the voltage is renewed with every tenth
# sample, and what it was before a machine stood still says nothing of the time since.
LIVE_GAP_S = 0.02
LATE_S = 0.10  # the shortest hold time of a dead-man timer: beyond it the master relay may be off


@dataclass(frozen=True, slots=True)
class GuardLimits:
    """What the guard allows, in s, A and degrees Celsius; the names are those of the plan."""

    over_current_a: float
    over_current_s: float
    stall_s: float
    run_on_s: float
    step_max_s: float
    winding_max_c: float
    winding_ohm: float
    heat_j_per_k: float
    cooling_k_per_w: float

    def for_step(self, **changes: float) -> GuardLimits:
        """Return these limits with some changed for one step."""
        return replace(self, **changes)


@dataclass(slots=True)
class Guard:
    """Watches one run; `check` is called with every sample, before the step sees it.

    The winding estimate carries over from step to step: a unit does not cool because a new step
    begins.
    """

    limits: GuardLimits
    fresh_s: float = inf  # how old the last good sample may be with a feed on (s)
    motion: MotionWatch = field(init=False)
    winding_c: float = AMBIENT_C
    _last_s: float | None = None
    _last_good_s: float | None = None
    _over_current_s: float = 0.0
    _lost: int = 0
    _live_s: float = 0.0
    _unreal_since_s: float | None = None
    _step_began_s: float | None = None

    def __post_init__(self) -> None:
        self.motion = MotionWatch(self.limits.winding_ohm)

    def begin_step(self, time_s: float, limits: GuardLimits) -> None:
        """Start a step at ``time_s`` under ``limits``."""
        self.limits = limits
        self._step_began_s = time_s

    def exclude(self, duration_s: float) -> None:
        """Leave ``duration_s`` (s), spent waiting for somebody or something, out of the step's."""
        if self._step_began_s is not None:
            self._step_began_s += duration_s

    def end_step(self) -> None:
        """End the step: its time no longer counts."""
        self._step_began_s = None

    def check(self, sample: Sample, *, fed: bool, ignition: bool = False) -> Trip | None:
        """Judge one sample; ``fed`` tells whether the battery feed is commanded on.

        With the ``ignition`` feed alone a lost sensor counts as well, and nothing else.

        Emergency stop comes first, then the sensor, then what the current says.
        """
        t = sample.time_s
        last, self._last_s = self._last_s, t
        dt = 0.0 if last is None else t - last
        if sample.emergency_stop:
            return Trip(
                TripKind.EMERGENCY_STOP,
                t,
                "Emergency stop is pressed (or its wire is broken). Feeds are off. Make the jig "
                "safe, release the button, then start the run again.",
            )
        trip = self._sensor(sample, fed or ignition) or (self._late(t, dt) if fed else None)
        if trip is not None or sample.flags & _BLIND:
            return trip
        good, self._last_good_s = self._last_good_s, t
        dt = 0.0 if good is None else t - good  # what passed while blind counts as well
        self.motion.update(sample)
        self._warm(sample, dt)
        if not fed:
            self._over_current_s = 0.0
            self._unreal_since_s = None
            return self._welded(sample, dt)
        self._live_s = 0.0
        return (
            self._current(sample, dt)
            or self._voltage(sample)
            or self._times(sample)
            or self._temperature(sample)
        )

    def may_feed(self, time_s: float) -> Trip | None:
        """Return why the battery feed must not be made now, None if it may: a sensor is needed."""
        return self._sensor_lost(time_s, LOST) if self._lost >= LOST_SAMPLES else None

    def _sensor(self, sample: Sample, fed: bool) -> Trip | None:
        if not sample.flags & (_BLIND | STUCK):
            self._lost = 0
            return None
        self._lost += 1
        if not fed:
            return None
        # A bus that is held makes a cycle last longer: what counts then is time, not samples.
        good_s = self._last_good_s
        old = good_s is not None and sample.time_s - good_s > self.fresh_s
        if self._lost < LOST_SAMPLES and not (sample.flags & _BLIND and old):
            return None
        return self._sensor_lost(sample.time_s, sample.flags)

    @staticmethod
    def _sensor_lost(time_s: float, flags: int) -> Trip:
        why = (
            "does not answer"
            if flags & LOST
            else "fell back to its power-on state"
            if flags & RESET
            else "repeats itself or reads nonsense"
        )
        return Trip(
            TripKind.SENSOR_LOST,
            time_s,
            f"The current sensor {why}. Feeds are off, since nothing may be fed unmeasured. "
            "Check the sensor's plug, its I2C wiring and its 3.3 V, then start again.",
        )

    @staticmethod
    def _late(t: float, dt: float) -> Trip | None:
        if dt <= LATE_S:
            return None
        return Trip(
            TripKind.LOOP_LATE,
            t,
            f"The control loop was held up for {dt:.2f} s with a feed on. Feeds are off. Close "
            "other programs on this computer, then start again.",
        )

    def _welded(self, sample: Sample, dt: float) -> Trip | None:
        flows = sample.current_a >= WELDED_A
        if not flows and not sample.voltage_v >= WELDED_V:
            self._live_s = 0.0
            return None
        self._live_s += min(dt, LIVE_GAP_S)
        if self._live_s < WELDED_AFTER_S:
            return None
        live = sample.voltage_v >= WELDED_V
        what = (
            f"{sample.current_a:.1f} A flows"
            if flows
            else f"{sample.voltage_v:.1f} V stands at the unit"
        )
        text = (
            f"{what} although the battery feed is off: its relay may be welded. Pull the supply "
            "now, then replace the feed relay."
        )
        if not live:  # most likely the sensor, but nobody should rely on that
            text = (
                f"The current sensor reads {sample.current_a:.1f} A although the battery feed is "
                "off. Pull the supply now: the feed relay may be welded. No voltage is read at the "
                "unit, so it may be the sensor: check its leads, its shunt and its 3.3 V."
            )
        return Trip(TripKind.LIVE_WITH_FEED_OFF, sample.time_s, text)

    def _voltage(self, sample: Sample) -> Trip | None:
        """Current that comes from no voltage: the voltage is not read, so no stall would show."""
        least_v = UNREAL * self.limits.winding_ohm * sample.current_a
        if sample.current_a < WELDED_A or sample.voltage_v >= least_v:
            self._unreal_since_s = None
            return None
        if self._unreal_since_s is None:
            self._unreal_since_s = sample.time_s
        if sample.time_s - self._unreal_since_s < UNREAL_S:
            return None
        return Trip(
            TripKind.VOLTAGE_MISSING,
            sample.time_s,
            f"{sample.current_a:.1f} A flows while the voltage reads {sample.voltage_v:.1f} V: the "
            "sensor does not see the feed's voltage, and no stall would be noticed. Feeds are off. "
            "Check the lead to the sensor's voltage input, then start again.",
        )

    def _current(self, sample: Sample, dt: float) -> Trip | None:
        limits = self.limits
        clipped = bool(sample.flags & CLIPPED)
        over = sample.current_a > limits.over_current_a or clipped
        self._over_current_s = self._over_current_s + dt if over else 0.0
        if self._over_current_s >= limits.over_current_s and clipped:
            return Trip(
                TripKind.SENSOR_CLIPPED,
                sample.time_s,
                f"The current sensor has been at the end of its range ({sample.current_a:.1f} A) "
                f"for {self._over_current_s:.2f} s, so the true current is not known. Feeds are "
                "off. Check the sensor's leads; if they are sound, fit a smaller shunt.",
            )
        if self._over_current_s >= limits.over_current_s:
            return Trip(
                TripKind.OVER_CURRENT,
                sample.time_s,
                f"{sample.current_a:.1f} A for {self._over_current_s:.2f} s is over the plan's "
                f"{limits.over_current_a:g} A. Feeds are off. Look for a short in the unit or its "
                "lead before feeding it again.",
            )
        if self.motion.near_stall_s >= limits.stall_s:
            return Trip(
                TripKind.STALL,
                sample.time_s,
                f"The unit drew {sample.current_a:.1f} A at {sample.voltage_v:.1f} V for "
                f"{self.motion.near_stall_s:.2f} s, about what it draws standing still: it is "
                "jammed or nearly so. Feeds are off. Let the winding cool, and look for what "
                "blocks the lever, cable or gear.",
            )
        return None

    def _times(self, sample: Sample) -> Trip | None:
        limits = self.limits
        turning_s = sample.time_s - self.motion.changed_s
        if self.motion.flowing and turning_s > limits.run_on_s:
            return Trip(
                TripKind.RUN_ON,
                sample.time_s,
                f"The unit still draws {sample.current_a:.1f} A {turning_s:.1f} s after the feed "
                f"change and has not parked (limit {limits.run_on_s:g} s). Feeds are off. Its cam "
                "switch or its relay does not open.",
            )
        if self._step_began_s is not None:
            step_s = sample.time_s - self._step_began_s
            if step_s > limits.step_max_s:
                return Trip(
                    TripKind.OVER_TIME,
                    sample.time_s,
                    f"The step has lasted {step_s:.0f} s, over the plan's {limits.step_max_s:g} s. "
                    "Feeds are off. Raise guard.step_max_s in the plan if the step is meant to "
                    "last so long.",
                )
        return None

    def _temperature(self, sample: Sample) -> Trip | None:
        if self.winding_c <= self.limits.winding_max_c:
            return None
        return Trip(
            TripKind.OVER_TEMPERATURE,
            sample.time_s,
            f"The winding is estimated at {self.winding_c:.0f} degrees, over the plan's "
            f"{self.limits.winding_max_c:g}. Feeds are off. Let the unit cool before going on.",
        )

    def _warm(self, sample: Sample, dt: float) -> None:
        # One heat store, heated by I2R, cooled to the room: dT = (i2 R(T) - (T - Ta)/Rth) dt/C.
        limits = self.limits
        rise_k = self.winding_c - AMBIENT_C
        ohm = limits.winding_ohm * (1.0 + PER_K * rise_k)
        heat_w = sample.current_a * sample.current_a * ohm - rise_k / limits.cooling_k_per_w
        self.winding_c += heat_w * dt / limits.heat_j_per_k
