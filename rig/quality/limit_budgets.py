"""For each limit of a plan: how well a value there is known, and where it begins to pass and fail.

What is measured by several readings together (a resistance, a sag) is put together here as the
analysis does it.  What only a trace shows (a slow run-down, a commutator's hum) is not in it: the
uncertainty of a unit's own value may be larger.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass

from rig.analysis.at_voltage import TAU_S
from rig.analysis.model import Limits, UnitType, VoltageLimit
from rig.analysis.wording import amount
from rig.quality.budget import Budget, Component, Shape, Source
from rig.quality.decision import COVERAGE, DecisionRule
from rig.quality.instrument import Instrument


@dataclass(frozen=True, slots=True)
class LimitBudget:
    """A limit with the budget of a value that lies on it.

    ``key`` is the limit's name in the plan, ``label`` what it limits.
    """

    key: str
    label: str
    budget: Budget
    is_upper: bool
    rule: DecisionRule

    @property
    def limit(self) -> float:
        """The limit, in the budget's unit."""
        return self.budget.value

    @property
    def expanded_u(self) -> float:
        """U there, k = 2: what the checks decide by, few readings or many."""
        return COVERAGE * self.budget.standard_u

    @property
    def guard_band(self) -> float:
        """w there, in the limit's unit."""
        return self.rule.guard_band(self.expanded_u)

    @property
    def acceptance_limit(self) -> float:
        """Where a value no longer passes."""
        return self.rule.acceptance_limit(self.limit, self.expanded_u, is_upper=self.is_upper)

    @property
    def rejection_limit(self) -> float:
        """Where a value fails."""
        return self.rule.rejection_limit(self.limit, self.expanded_u, is_upper=self.is_upper)

    def largest_in_words(self) -> str:
        """Return the largest component, its share, and what would make it smaller."""
        largest = self.budget.largest
        if largest is None:
            return ""
        share = f"{largest.name}: {100.0 * self.budget.share(largest):.0f} % of it"
        return f"{share}; to do better, {largest.remedy}" if largest.remedy else share

    def in_words(self) -> str:
        """Return limit, U and acceptance limit in one line."""
        unit = self.budget.unit
        word = "at most" if self.is_upper else "at least"
        return (
            f"{self.label}, {word} {amount(self.limit, unit)}: U {amount(self.expanded_u, unit)}, "
            f"w {amount(self.guard_band, unit)}"
        )


@dataclass(frozen=True, slots=True)
class Situation:
    """A station and a plan's numbers, as far as budgets need them.

    ``trial_step_v`` (V) is by how much the supply changes between two trials of a relay, None
    without such a step; ``coil`` the ignition feed's sensor, None if there is none.
    """

    instrument: Instrument
    coil: Instrument | None
    unit: UnitType
    limits: Limits
    stall_a: float
    trial_step_v: float | None

    @property
    def run_a(self) -> float:
        """A running current (A): the plan's limit, or a quarter of the stall current (guess)."""
        return self.limits.run_max_a or 0.25 * self.stall_a


Maker = Callable[[Situation, float], Budget]


def limit_budgets(at: Situation) -> Iterator[LimitBudget]:
    """Yield a budget for every limit that is held against an uncertain value."""
    limits = at.limits
    for key, is_upper in (("half_turn_max_s", True), ("half_turn_min_s", False)):
        limit: VoltageLimit | None = getattr(limits, key)
        for volts, _ in () if limit is None else limit.points:
            assert limit is not None
            budget = _half_turn(at, limit, volts)
            where = f" at {volts:g} V" if len(limit.points) > 1 else ""
            yield LimitBudget(key, f"half-turn time{where}", budget, is_upper, limits.rule)
    for key, label, is_upper, make in _MAKERS:
        value: float | None = getattr(limits, key)
        if value is not None and (at.coil is not None or not key.startswith("coil_")):
            yield LimitBudget(key, label, make(at, value), is_upper, limits.rule)


def never_passed(limits: Sequence[LimitBudget]) -> Iterator[str]:
    """Yield a sentence for each value that passes nowhere: its guard bands leave nothing."""
    for upper in limits:
        if not upper.is_upper:
            continue
        lowers = [one for one in limits if not one.is_upper and one.label == upper.label]
        edge = max((one.acceptance_limit for one in lowers), default=0.0)
        if edge < upper.acceptance_limit:
            continue
        unit, largest = upper.budget.unit, upper.budget.largest
        most, band = f"at most {upper.limit:g} {unit}", amount(upper.guard_band, unit)
        left = f"{most} leaves nothing above 0 within a guard band of {band}"
        for one in lowers:
            least = f"at least {one.limit:g} {unit}"
            left = f"{least} and {most} leave nothing between guard bands of {band}"
        remedy = f"{largest.remedy}, " if largest is not None and largest.remedy else ""
        yield (
            f"No {upper.label} can pass: {left}. To do better, {remedy}widen the limits or choose "
            "another rule ([decision] in the plan)."
        )


# --- one maker a kind of value ----------------------------------------------------------------


def _half_turn(at: Situation, limit: VoltageLimit, volts: float) -> Budget:
    """The time, and the limit's own doubt where it follows the voltage."""
    time = at.instrument.time_budget(limit.at(volts))
    u_v = at.instrument.voltage_budget(volts).standard_u
    off_v = COVERAGE * u_v
    slope = abs(limit.at(volts + off_v) - limit.at(volts - off_v)) / (2.0 * off_v)
    if slope == 0.0:
        return time
    supply = Component(
        "supply voltage, which the limit follows",
        u_v,
        "V",
        Shape.NORMAL,
        Source.MEASURED,
        sensitivity=slope,
        remedy="calibrate the station's voltage",
    )
    return Budget(time.quantity, time.value, time.unit, (*time.components, supply))


def _time(at: Situation, value_s: float) -> Budget:
    return at.instrument.time_budget(value_s)


def _relay_time(at: Situation, value_s: float) -> Budget:
    whole = at.instrument.time_budget(value_s)
    return Budget("time", value_s, "s", whole.components[:-1])  # from contact to first current


def _current(at: Situation, value_a: float) -> Budget:
    return at.instrument.current_budget(value_a)


def _peak(at: Situation, value_a: float) -> Budget:
    """A single reading, and the true peak lies between two of them."""
    plain = at.instrument.current_budget(value_a, readings=1)
    fall_a = max(value_a - at.run_a, 0.0) * at.instrument.time.sample_s / TAU_S
    missed = Component(
        "peak between two samples",
        fall_a / COVERAGE,
        "A",
        Shape.NORMAL,
        Source.GUESS,
        remedy="sample more often (sample_hz)",
    )
    return Budget("current", value_a, "A", (*plain.components, missed))


def _winding(at: Situation, ohm: float) -> Budget:
    return _resistance(at, at.instrument, ohm, "winding")


def _coil(at: Situation, ohm: float) -> Budget:
    assert at.coil is not None
    return _resistance(at, at.coil, ohm, "coil")


def _resistance(at: Situation, amps: Instrument, ohm: float, of: str) -> Budget:
    """Voltage over current, at nominal voltage: relative parts of both."""
    volts = at.unit.nominal_v
    current_a = volts / ohm
    side = amps.current
    offsets: tuple[Component, ...]
    if of == "coil":  # its zero is looked at in the trace
        offsets = (side.fed_zero_part(volts), side.scatter_part("noise", 1))
    else:
        offsets = side.offset_parts()
    parts = [part.scaled(ohm) for part in side.gain_parts()]
    parts += [side.heat_part(current_a).scaled(ohm)]
    parts += [part.scaled(ohm / current_a) for part in offsets]
    parts += [part.scaled(ohm) for part in at.instrument.voltage.gain_parts()]
    parts += [part.scaled(ohm / volts) for part in at.instrument.voltage.offset_parts()]
    return Budget("resistance", ohm, "ohm", tuple(parts))


def _voltage(at: Situation, value_v: float) -> Budget:
    return at.instrument.voltage_budget(value_v)


def _trial_voltage(at: Situation, value_v: float) -> Budget:
    plain = at.instrument.voltage_budget(value_v)
    if at.trial_step_v is None:
        return plain
    step = Component(
        "step from trial to trial",
        0.5 * at.trial_step_v,
        "V",
        Shape.RECTANGULAR,
        Source.DECLARED,
        remedy="choose a smaller step_v in the plan",
    )
    return Budget("voltage", value_v, "V", (*plain.components, step))


def _sag(at: Situation, value_v: float) -> Budget:
    """The source's resistance, from the fall between rest and running, times the peak."""
    voltage = at.instrument.voltage
    peak_a = at.stall_a
    source_ohm = value_v / peak_a
    by_ohm = peak_a / at.run_a
    root2 = math.sqrt(2.0)
    parts = [part.scaled(value_v) for part in voltage.gain_parts()]
    # Two voltages at rest and running, and again through the resistance.
    parts += [part.scaled(math.hypot(root2, root2 * by_ohm)) for part in voltage.offset_parts()]
    peak = at.instrument.current_budget(peak_a, readings=1)
    # What makes the current better makes this so.
    better = "" if peak.largest is None else peak.largest.remedy
    parts.append(
        Component(
            "peak current",
            peak.standard_u,
            "A",
            Shape.NORMAL,
            Source.MEASURED,
            source_ohm,
            remedy=better,
        )
    )
    return Budget("voltage", value_v, "V", tuple(parts))


_MAKERS: tuple[tuple[str, str, bool, Maker], ...] = (
    ("rest_max_a", "rest current", True, _current),
    ("run_max_a", "running current", True, _current),
    ("peak_max_a", "inrush peak", True, _peak),
    ("sag_max_v", "supply sag", True, _sag),
    ("response_max_s", "response delay", True, _time),
    ("dropout_max_s", "longest dropout", True, _time),
    ("lowest_supply_max_v", "lowest working voltage", True, _voltage),
    ("stall_min_a", "stall current", False, _current),
    ("stall_max_a", "stall current", True, _current),
    ("winding_min_ohm", "winding resistance", False, _winding),
    ("winding_max_ohm", "winding resistance", True, _winding),
    ("pull_in_max_v", "relay's pull-in voltage", True, _trial_voltage),
    ("drop_out_min_v", "relay's drop-out voltage", False, _trial_voltage),
    ("coil_min_ohm", "relay coil's resistance", False, _coil),
    ("coil_max_ohm", "relay coil's resistance", True, _coil),
    ("operate_max_s", "relay's operate time", True, _relay_time),
    ("release_max_s", "relay's release time", True, _relay_time),
)
