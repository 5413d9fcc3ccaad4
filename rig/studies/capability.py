"""How the units of a lot or a month lie in their plan's limits, if they are in control at all."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from statistics import fmean, stdev

from rig.analysis.model import Limits, VoltageLimit
from rig.quality.capability import CONFIDENCE, LEAST, Performance, performance
from rig.quality.control_chart import ALARMS, Signal, in_hindsight
from rig.quality.decision import COVERAGE
from rig.quality.normality import Look, look
from rig.quality.tolerance import Side
from rig.studies.binding import BOUNDS, Bound, HeldValues, Readings
from rig.studies.units import Chosen


@dataclass(frozen=True)
class OutOfControl:
    """A unit's value, in the order of the runs, that chance alone would not give."""

    serial: str
    signal: Signal


@dataclass(frozen=True)
class Capability:
    """One quantity against its limits; ``why`` says why there is no index, "" if there is one.

    ``broken`` are the units beyond a limit as measured.  ``share_of_u`` is what part of the
    values' variance is the measurement's, if it scatters as much as it is uncertain (0 to 1);
    None without a known uncertainty.
    """

    readings: Readings
    side: Side
    low: float | None
    high: float | None
    mean: float
    sd: float
    look: Look | None
    signals: tuple[OutOfControl, ...]
    index: Performance | None
    broken: tuple[str, ...]
    share_of_u: float | None
    why: str = ""

    @property
    def bound(self) -> Bound:
        """What the limits bind."""
        return self.readings.bound

    @property
    def in_control(self) -> bool:
        """Whether nothing in the order of the runs speaks against one steady process."""
        return not self.signals

    @property
    def tells_beyond(self) -> bool:
        """Whether a part of all units beyond the limits may be told: steady, normal values."""
        refused = self.look is not None and self.look.refused and not self.look.in_steps
        return self.index is not None and self.in_control and not refused


@dataclass(frozen=True)
class CapabilityStudy:
    """Every quantity that the plan limits and the runs measured.

    ``unmeasured`` are limits that no run has a value for; ``stopped`` units that did not park, in
    words: they have no values to stand for them.
    """

    chosen: Chosen
    limits: Limits
    confidence: float
    found: tuple[Capability, ...]
    unmeasured: tuple[str, ...]
    stopped: tuple[str, ...]


def capability_rows(
    chosen: Chosen, confidence: float = CONFIDENCE, stopped: Sequence[str] = ()
) -> CapabilityStudy:
    """Return how the chosen runs lie in the limits of their plan, quantity by quantity."""
    limits = chosen.plan.analysis_limits()
    held = HeldValues(chosen.records, limits, chosen.plan.unit.nominal_v)
    found, unmeasured = [], []
    for bound in BOUNDS:
        keys = [key for key in bound.keys if getattr(limits, key) is not None]
        if not keys:
            continue
        side = Side.BOTH if len(keys) == 2 else Side.HIGH if keys[0] == bound.high else Side.LOW
        readings = held.of(bound, side, _middle(bound, limits))
        if readings is None:
            unmeasured += keys
        else:
            found.append(_capability(readings, side, limits, confidence))
    return CapabilityStudy(
        chosen, limits, confidence, tuple(found), tuple(unmeasured), tuple(stopped)
    )


def _capability(readings: Readings, side: Side, limits: Limits, confidence: float) -> Capability:
    numbers, bound = readings.numbers, readings.bound
    low, high = _limit(bound.low, readings, limits), _limit(bound.high, readings, limits)
    mean, sd = fmean(numbers), stdev(numbers) if len(numbers) > 1 else 0.0
    broken = tuple(
        each.serial
        for each in readings.values
        if (low is not None and each.value < low) or (high is not None and each.value > high)
    )
    index, seen, why = None, None, ""
    signals: tuple[OutOfControl, ...] = ()
    if len(numbers) < LEAST:
        few = "1 value is" if len(numbers) == 1 else f"{len(numbers)} values are"
        why = f"{few} too few for an index; {LEAST} at least"
    elif not sd > 1e-9 * abs(mean):
        why = f"all {len(numbers)} units read the same, so their spread is not known"
    else:
        index, seen = performance(numbers, low, high, confidence), look(numbers)
        signals = _signals(readings, seen.step)
    u = readings.u
    share = None if u is None or not sd > 0.0 else min(1.0, (u / COVERAGE / sd) ** 2)
    return Capability(readings, side, low, high, mean, sd, seen, signals, index, broken, share, why)


def _limit(key: str | None, readings: Readings, limits: Limits) -> float | None:
    limit = None if key is None else getattr(limits, key)
    if isinstance(limit, VoltageLimit):
        at_v = readings.at_v if readings.at_v is not None else limit.points[0][0]
        return limit.at(at_v)
    return None if limit is None else float(limit)


def _middle(bound: Bound, limits: Limits) -> float | None:
    """Return the middle between two limits: what is farthest from it is nearest to breaking one."""
    low, high = (getattr(limits, key) if key else None for key in (bound.low, bound.high))
    return None if low is None or high is None else 0.5 * (low + high)


def _signals(readings: Readings, step: float) -> tuple[OutOfControl, ...]:
    """Return what of the values, in the order of the runs, no steady process would give."""
    return tuple(
        OutOfControl(each.serial, signal)
        for each, point in zip(readings.values, in_hindsight(readings.numbers, step), strict=True)
        for signal in point.signals
        if signal in ALARMS
    )
