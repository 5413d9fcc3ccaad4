"""What a limit binds of a run: one value a unit, the one that comes nearest to breaking it.

A limit must hold for every half-turn, and the half-turns of one unit are alike: taken as so many
values they would make a sample look larger than it is.  So of each unit its worst counts, taken
from the very checks by which the bench judges.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from statistics import median
from typing import Any

from rig.analysis.checks import Check
from rig.analysis.half_turn_checks import checks_of
from rig.analysis.judge import measure_check
from rig.analysis.model import HalfTurn, Limits, VoltageLimit
from rig.quality.tolerance import Side
from rig.records.held import counted, counts, is_judged
from rig.records.model import RunRecord


@dataclass(frozen=True)
class Bound:
    """A quantity that limits bind; ``checks`` are the measures that are held against them.

    ``low`` and ``high`` are the limits' keys in a plan, None where there is none.
    """

    label: str
    unit: str
    low: str | None
    high: str | None
    checks: tuple[str, ...]
    by_voltage: bool = False

    @property
    def keys(self) -> tuple[str, ...]:
        """Its keys in a plan's [limits]."""
        return tuple(key for key in (self.low, self.high) if key is not None)


BOUNDS = (
    Bound("Half-turn time", "s", None, "half_turn_max_s", ("half_turn_s",), by_voltage=True),
    Bound(
        "Half-turn time, least", "s", "half_turn_min_s", None, ("half_turn_min_s",), by_voltage=True
    ),
    Bound("Running current", "A", None, "run_max_a", ("run_a",)),
    Bound("Inrush peak", "A", None, "peak_max_a", ("peak_a",)),
    Bound("Rest draw", "A", None, "rest_max_a", ("rest_a", "rest_draw_a")),
    Bound("Response delay", "s", None, "response_max_s", ("response_s",)),
    Bound("Lowest working voltage", "V", None, "lowest_supply_max_v", ("lowest_supply_v",)),
    Bound("Stall current", "A", "stall_min_a", "stall_max_a", ("stall_current_a",)),
    Bound("Winding resistance", "ohm", "winding_min_ohm", "winding_max_ohm", ("winding_ohm",)),
    Bound("Relay's pull-in voltage", "V", None, "pull_in_max_v", ("relay_pull_in_v",)),
    Bound("Relay's drop-out voltage", "V", "drop_out_min_v", None, ("relay_drop_out_v",)),
    Bound("Relay coil's resistance", "ohm", "coil_min_ohm", "coil_max_ohm", ("relay_coil_ohm",)),
    Bound("Relay's operate time", "s", None, "operate_max_s", ("relay_operate_s",)),
    Bound("Relay's release time", "s", None, "release_max_s", ("relay_release_s",)),
)

OF_NO_UNIT = {
    "sag_max_v": "the supply's sag is the feed's more than the unit's",
    "dropouts_max": "dropouts are counted, and a good unit has none",
    "dropout_max_s": "a good unit has no dropouts to measure",
    "swap_change_max": "it compares with a known good relay, not with other units",
}
"""Limits that known good units do not set, and why."""

BOUND_BY_KEY = {key: bound for bound in BOUNDS for key in bound.keys}


@dataclass(frozen=True)
class UnitValue:
    """A unit's value that the limit binds, its expanded uncertainty, and all that its run has."""

    serial: str
    value: float
    u: float | None
    values: tuple[float, ...]


@dataclass(frozen=True)
class Readings:
    """One value a unit, in the order of the runs; ``missing`` are the units that have none.

    ``at_v`` is the supply (V) that times are referred to by the plan's own curve, ``nominal_v``
    that at which they would have been taken; None where they are as taken.
    """

    bound: Bound
    values: tuple[UnitValue, ...]
    missing: tuple[str, ...]
    at_v: float | None = None
    nominal_v: float | None = None

    @property
    def numbers(self) -> list[float]:
        """The values alone."""
        return [each.value for each in self.values]

    @property
    def u(self) -> float | None:
        """The expanded uncertainty of a typical value, None if none is known."""
        known = [each.u for each in self.values if each.u is not None and math.isfinite(each.u)]
        return median(known) if known else None


_Found = tuple[Check, HalfTurn | None]


class HeldValues:
    """What runs of one plan have to hold against limits, whether the plan has these or not."""

    def __init__(
        self, records: Sequence[RunRecord], limits: Limits, nominal_v: float = 12.0
    ) -> None:
        self._limits, self._nominal_v = limits, nominal_v
        every = _every(limits)
        self._held = [(run.start.unit_serial, list(_checks(run, every))) for run in records]

    def of(self, bound: Bound, side: Side, middle: float | None = None) -> Readings | None:
        """Return a value a unit, the worst for a limit on this side; None if no unit has one.

        Of two limits that is the one farthest from the ``middle`` between them, or, where there are
        none yet, from the middle of all values.
        """
        found = {
            serial: [(c, turn) for c, turn in held if c.measure in bound.checks and _known(c)]
            for serial, held in self._held
        }
        all_found = [each for values in found.values() for each in values]
        if not all_found:
            return None
        at_v = nominal_v = None
        limit = curve_of(self._limits, bound)
        if limit is not None:
            at_v = self._supply_v(all_found)
        elif bound.by_voltage and all(_has_nominal(turn) for _, turn in all_found):
            nominal_v = self._nominal_v

        def number(each: _Found) -> tuple[float, float | None]:
            check, turn = each
            assert check.value is not None
            if at_v is not None and limit is not None:
                of_limit = check.low if check.high is None else check.high
                scale = limit.at(at_v) / of_limit if of_limit else math.nan
                return check.value * scale, check.expanded_u * scale
            if nominal_v is not None and turn is not None:
                assert turn.nominal_half_turn_s is not None
                return turn.nominal_half_turn_s, turn.nominal_half_turn_u_s
            return check.value, None if check.u is None else check.expanded_u

        numbers = {serial: [number(each) for each in values] for serial, values in found.items()}
        if middle is None:
            middle = median(value for values in numbers.values() for value, _ in values)
        return Readings(
            bound,
            tuple(
                _worst(serial, values, side, middle) for serial, values in numbers.items() if values
            ),
            tuple(serial for serial, values in numbers.items() if not values),
            at_v,
            nominal_v,
        )

    def _supply_v(self, found: Sequence[_Found]) -> float:
        """Return the supply that the half-turns were made at, to a tenth of a volt."""
        supplies_v = [turn.supply_v for _, turn in found if turn and turn.supply_v is not None]
        return round(median(supplies_v), 1) if supplies_v else self._nominal_v

    def supplies_v(self) -> tuple[float, float] | None:
        """Return the lowest and highest supply of the half-turns (V); None if not known."""
        found = [
            turn.supply_v
            for _, held in self._held
            for _, turn in held
            if turn is not None and turn.supply_v is not None
        ]
        return (min(found), max(found)) if found else None


def curve_of(limits: Limits, bound: Bound) -> VoltageLimit | None:
    """Return how a quantity's limit follows the voltage; None if it does not.

    A least half-turn time that the plan has not would follow it as the longest does.
    """
    if not bound.by_voltage:
        return None
    limit: VoltageLimit = getattr(limits, bound.keys[0]) or limits.half_turn_max_s
    return limit if len(limit.points) > 1 else None


def _worst(
    serial: str, values: Sequence[tuple[float, float | None]], side: Side, middle: float
) -> UnitValue:
    if side is Side.BOTH:
        value, u = max(values, key=lambda each: abs(each[0] - middle))
    else:
        worst = max if side is Side.HIGH else min
        value, u = worst(values, key=lambda each: each[0])
    return UnitValue(serial, value, u, tuple(each for each, _ in values))


def _every(limits: Limits) -> Limits:
    """Return limits of everything, where there are none such as hold always."""
    free: dict[str, Any] = {
        key: math.inf if key == bound.high else -math.inf
        for bound in BOUNDS
        for key in bound.keys
        if getattr(limits, key) is None
    }
    free["half_turn_min_s"] = limits.half_turn_min_s or limits.half_turn_max_s
    return replace(limits, **free)


def _checks(run: RunRecord, limits: Limits) -> Iterator[_Found]:
    for step in counted(run.steps):
        if is_judged(step):
            for turn in step.half_turns:
                yield from ((check, turn) for check in checks_of(turn, limits))
        if counts(step):
            for measure in step.measures:
                check = measure_check(measure, limits)
                if check is not None:
                    yield check, None


def _known(check: Check) -> bool:
    return check.value is not None and math.isfinite(check.value)


def _has_nominal(turn: HalfTurn | None) -> bool:
    return turn is not None and turn.nominal_half_turn_s is not None
