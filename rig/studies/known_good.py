"""Limits proposed from the recorded runs of units that are known to be good."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from enum import StrEnum
from math import ceil, floor, isfinite, log, log10, sqrt
from statistics import fmean, harmonic_mean, stdev, variance

from scipy.special import ndtr

from rig.analysis.model import Limits, VoltageLimit
from rig.quality.decision import COVERAGE, DecisionRule
from rig.quality.normality import Look, look
from rig.quality.risk import (
    GlobalRisk,
    Production,
    global_risk,
    log_normal_production,
    normal_production,
)
from rig.quality.risk import Limits as Both
from rig.quality.skewed import Straightened, best_straightened, skewed_interval
from rig.quality.tolerance import Interval, Side, normal_interval, order_interval
from rig.studies.binding import BOUNDS, Bound, HeldValues, Readings, curve_of
from rig.studies.units import Chosen

LEAST_UNITS = 5
"""Fewer units set no limit worth the name (guess): at five, k is still near 6."""

MORE_UNITS = (10, 20, 30, 50, 100, 200)
"""What is shown of more units: how much nearer the limit would come."""


NOT_NORMAL = "the units' values are neither normal nor just skewed"
"""Why there is no limit where a sample's own order would need more units."""


READABLE = 0.05
"""A spread below this part of U is none that the rig can tell (guess)."""

COARSE = 2.0
"""Values in steps wider than so many standard deviations say too little of their spread.  Up to
there a limit half a step farther out holds what it says (simulated in the tests)."""

TOO_COARSE = "the values come in steps too coarse to tell their spread"


class Method(StrEnum):
    """By what a limit was worked out."""

    NORMAL = "normal"  # their skewness is on the other side, or none
    SKEWED = "skewed"  # as skewed as they may be, for all that they show
    ORDER = "order"  # the sample's own values, whatever the distribution
    NONE = "none"


@dataclass(frozen=True)
class Asked:
    """What is asked of the limits: they hold ``coverage`` of all such units with ``confidence``.

    ``with_band``: the plan's guard band is put on top, so that these pass outright.  The values are
    as measured, so the measurement's scatter is in the limit before the band takes it off again.
    """

    coverage: float = 0.99
    confidence: float = 0.95
    with_band: bool = True


@dataclass(frozen=True)
class Spread:
    """Mean and standard deviation over the units' values; ``within`` and ``between`` apart.

    ``within`` is the standard deviation of a unit's own values and ``between`` that of the units'
    means without it; None where no unit has two values.
    """

    count: int
    mean: float
    sd: float
    within: float | None
    between: float | None


@dataclass(frozen=True)
class Pair:
    """A lower and an upper limit in the values' unit; None where there is none."""

    low: float | None = None
    high: float | None = None

    def __bool__(self) -> bool:
        return self.low is not None or self.high is not None


@dataclass(frozen=True)
class Risks:
    """What the plan's rule would make of units like these at the proposed limit.

    ``waiting`` are the units of the sample that would not pass outright; ``not_passed`` the part of
    all such units.  ``outright`` counts a pass against anything else, ``failed`` a fail against
    anything else: of the first the consumer's risk is what passes and does not keep the limit, of
    the second the producer's is what fails and does.  None where no distribution was accepted.
    """

    waiting: tuple[str, ...]
    not_passed: float | None
    outright: GlobalRisk | None
    failed: GlobalRisk | None


@dataclass(frozen=True)
class Proposal:
    """What known good units say of one quantity's limits.

    ``look`` is at the values, ``log_look`` at their logarithms (from a start of the values' own)
    where they were refused as normal; ``tolerance`` are the limits as computed, ``as_normal`` what
    they would be if the values were known to be normal, ``proposed`` as rounded outwards, and
    ``today`` the plan's at the same voltage.  ``band`` is the guard band there.  ``why`` says why
    there is none.
    """

    readings: Readings
    side: Side
    spread: Spread
    look: Look | None
    log_look: Look | None
    method: Method
    tolerance: Interval | None
    as_normal: Interval | None
    today: Pair
    proposed: Pair
    band: float
    risks: Risks | None
    more: tuple[tuple[int, Interval], ...]
    why: str = ""

    @property
    def bound(self) -> Bound:
        """What the limits bind."""
        return self.readings.bound


@dataclass(frozen=True)
class Proposals:
    """What a set of known good units says of a plan's limits.

    ``others`` are limits that the runs could set too and that the plan has not.
    """

    chosen: Chosen
    asked: Asked
    limits: Limits
    found: tuple[Proposal, ...]
    unmeasured: tuple[str, ...]
    others: tuple[str, ...]
    supplies_v: tuple[float, float] | None


def propose(chosen: Chosen, asked: Asked, keys: Sequence[str] = ()) -> Proposals:
    """Return the limits that the chosen runs propose: for ``keys``, or for all that the plan has.

    Raises ValueError for a coverage or confidence that cannot be worked with.
    """
    limits = chosen.plan.analysis_limits()
    has = {key for bound in BOUNDS for key in bound.keys if getattr(limits, key) is not None}
    held = HeldValues(chosen.records, limits, chosen.plan.unit.nominal_v)
    found, unmeasured, others = [], [], []
    for bound in BOUNDS:
        wanted = [key for key in bound.keys if key in (keys or has)]
        side = _side(bound, wanted or bound.keys)
        readings = held.of(bound, side)
        if readings is None:
            unmeasured += wanted
        elif wanted:
            found.append(_proposal(readings, side, limits, asked))
        if readings is not None and not keys:
            others += [key for key in bound.keys if key not in has]
    return Proposals(
        chosen,
        asked,
        limits,
        tuple(found),
        tuple(unmeasured),
        tuple(others),
        held.supplies_v(),
    )


@dataclass(frozen=True)
class Outright:
    """What the plan's rule would make of good units at all the proposed limits together.

    ``waiting`` are the ``count`` units' own that would not pass outright by one limit or another.
    ``least`` and ``most`` are the part of all such units, whatever the limits have to do with each
    other (inequalities of Frechet and Bonferroni); None where a limit tells no such part.
    """

    count: int
    waiting: tuple[str, ...]
    least: float | None
    most: float | None


def outright_of(found: Proposals) -> Outright | None:
    """Return what all proposed limits together do to good units; None without a limit."""
    risks = [one.risks for one in found.found if one.risks is not None]
    if not risks:
        return None
    waiting = {serial for one in risks for serial in one.waiting}
    units = [run.start.unit_serial for run in found.chosen.records]
    parts = [one.not_passed for one in risks if one.not_passed is not None]
    whole = len(parts) == len(risks)
    return Outright(
        len(units),
        tuple(serial for serial in units if serial in waiting),
        max(parts) if whole else None,
        min(1.0, sum(parts)) if whole else None,
    )


def values_of(proposal: Proposal, limits: Limits) -> dict[str, float | VoltageLimit]:
    """Return the proposed limits by their keys in a plan.

    A limit that follows the voltage is the plan's own curve, scaled to meet the proposal at the
    voltage the runs were made at.
    """
    found: dict[str, float | VoltageLimit] = {}
    bound, proposed = proposal.bound, proposal.proposed
    for key, value in ((bound.low, proposed.low), (bound.high, proposed.high)):
        if key is None or value is None:
            continue
        at_v, curve = proposal.readings.at_v, curve_of(limits, bound)
        if curve is None or at_v is None:
            found[key] = value
            continue
        scale, step = value / curve.at(at_v), _step(proposal.spread.sd)
        up = key == bound.high
        found[key] = VoltageLimit(
            tuple((v, _outward(x * scale, step, up=up)) for v, x in curve.points)
        )
    return found


def _side(bound: Bound, keys: Sequence[str]) -> Side:
    if bound.low in keys and bound.high in keys:
        return Side.BOTH
    return Side.LOW if bound.low in keys else Side.HIGH


def _proposal(readings: Readings, side: Side, limits: Limits, asked: Asked) -> Proposal:
    numbers = readings.numbers
    spread = _spread(readings)
    today = _today(readings, side, limits)
    band = limits.rule.guard_band(readings.u or 0.0)

    def found(
        method: Method,
        interval: Interval | None,
        first: Look | None,
        second: Look | None,
        why: str = "",
    ) -> Proposal:
        proposed = _rounded(interval, spread.sd, band if asked.with_band else 0.0)
        if interval is not None and not proposed:
            why = "the limit comes out at zero or below, which is no limit"
        risks = None
        if proposed:
            risks = _risks(readings, proposed, limits.rule, method)
        by_values = method in (Method.NORMAL, Method.SKEWED)
        farther = 0.5 * first.step if first else 0.0
        return Proposal(
            readings,
            side,
            spread,
            first,
            second,
            method if proposed else Method.NONE,
            interval,
            _as_normal(numbers, asked, side, farther) if by_values else None,
            today,
            proposed,
            band,
            risks,
            _with_more(numbers, asked, side, farther) if by_values else (),
            why,
        )

    def by_values(first: Look, second: Look | None) -> Proposal:
        farther = 0.5 * first.step
        interval = _by_values(numbers, asked, side, farther)
        plain = interval == _as_normal(numbers, asked, side, farther)
        return found(Method.NORMAL if plain else Method.SKEWED, interval, first, second)

    if len(numbers) < LEAST_UNITS:
        few = f"{len(numbers)} unit{'s' if len(numbers) != 1 else ''} set no limit"
        return found(Method.NONE, None, None, None, f"{few}: {LEAST_UNITS} at least, better 20")
    same = f"all {len(numbers)} units read the same"
    if not spread.sd > 1e-9 * abs(spread.mean):
        return found(Method.NONE, None, None, None, f"{same}, so their spread is not known")
    if readings.u is not None and spread.sd < READABLE * readings.u:
        far = "what they differ by is far below what the rig can tell"
        return found(Method.NONE, None, None, None, f"{same}: {far}")
    first = look(numbers)
    if first.in_steps and first.step > COARSE * spread.sd:
        return found(Method.NONE, None, first, None, TOO_COARSE)
    if first.in_steps or not first.refused:
        return by_values(first, None)
    straight = best_straightened(numbers)
    second = look([straight.straight(number) for number in numbers])
    if not second.refused:
        return by_values(first, second)
    by_order = order_interval(numbers, asked.coverage, asked.confidence, side)
    if by_order is None:
        return found(Method.NONE, None, first, second, NOT_NORMAL)
    return found(Method.ORDER, by_order, first, second)


def _by_values(
    numbers: Sequence[float], asked: Asked, side: Side, farther: float, count: int | None = None
) -> Interval:
    """Return the limits that so many values like these set, ``farther`` out."""
    return _wider(skewed_interval(numbers, asked.coverage, asked.confidence, side, count), farther)


def _as_normal(numbers: Sequence[float], asked: Asked, side: Side, farther: float) -> Interval:
    return _wider(normal_interval(numbers, asked.coverage, asked.confidence, side), farther)


def _wider(interval: Interval, by: float) -> Interval:
    return Interval(
        None if interval.low is None else interval.low - by,
        None if interval.high is None else interval.high + by,
        interval.factor,
    )


def _with_more(
    numbers: Sequence[float], asked: Asked, side: Side, farther: float
) -> tuple[tuple[int, Interval], ...]:
    """Return where the limits would lie with more units of the same mean, spread and skewness."""
    counts = [count for count in MORE_UNITS if count >= 1.5 * len(numbers)][:2]
    return tuple((count, _by_values(numbers, asked, side, farther, count)) for count in counts)


def _spread(readings: Readings) -> Spread:
    numbers = readings.numbers
    sd = stdev(numbers) if len(numbers) > 1 else 0.0
    several = [each.values for each in readings.values if len(each.values) > 1]
    if len(several) < 2:
        return Spread(len(numbers), fmean(numbers), sd, None, None)
    free = sum(len(values) - 1 for values in several)
    within = sum((len(values) - 1) * variance(values) for values in several) / free
    means = variance([fmean(values) for values in several])
    between = max(0.0, means - within / harmonic_mean([len(values) for values in several]))
    return Spread(len(numbers), fmean(numbers), sd, sqrt(within), sqrt(between))


def _today(readings: Readings, side: Side, limits: Limits) -> Pair:
    """Return the plan's limits today, at the voltage that the values are referred to."""

    def of(key: str | None) -> float | None:
        limit = None if key is None else getattr(limits, key)
        if isinstance(limit, VoltageLimit):
            at_v = readings.at_v if readings.at_v is not None else limit.points[0][0]
            return limit.at(at_v)
        return None if limit is None else float(limit)

    bound = readings.bound
    return Pair(
        None if side is Side.HIGH else of(bound.low), None if side is Side.LOW else of(bound.high)
    )


def _rounded(interval: Interval | None, sd: float, band: float) -> Pair:
    """Return the limits rounded outwards, the guard band added; what is not above zero is none."""
    if interval is None:
        return Pair()
    step = _step(sd)

    def kept(value: float | None, *, up: bool) -> float | None:
        if value is None or not isfinite(value):
            return None
        rounded = _outward(value + band if up else value - band, step, up=up)
        return rounded if rounded > 0.0 else None

    return Pair(kept(interval.low, up=False), kept(interval.high, up=True))


def _step(sd: float) -> float:
    """Return a round step that costs a limit no more than a quarter of the spread."""
    if not sd > 0.0:
        return 1e-6
    fine = sd / 4.0
    decade = 10.0 ** floor(log10(fine))
    return max(part * decade for part in (1.0, 2.0, 5.0) if part * decade <= fine * (1.0 + 1e-9))


def _outward(value: float, step: float, *, up: bool) -> float:
    steps = value / step
    whole = ceil(steps - 1e-6) if up else floor(steps + 1e-6)
    return round(whole * step, max(0, -floor(log10(step))))


def _risks(readings: Readings, proposed: Pair, rule: DecisionRule, method: Method) -> Risks:
    def passes(value: float, u: float | None) -> bool:
        return rule.passes(value, u or 0.0, proposed.low, proposed.high) is True

    waiting = tuple(each.serial for each in readings.values if not passes(each.value, each.u))
    if method is Method.ORDER:
        return Risks(waiting, None, None, None)
    u = readings.u or 0.0
    accept = _moved(proposed, u, rule.acceptance_limit)
    reject = _moved(proposed, u, rule.rejection_limit)
    # As skewed as they look, where the limit allows for more.
    seen = best_straightened(readings.numbers)
    # The values as measured: what the sensor scatters is in their spread already.
    beyond = 0.0
    if accept.low is not None:
        beyond += float(ndtr((seen.straight(accept.low) - seen.centre) / seen.spread))
    if accept.high is not None:
        beyond += float(ndtr((seen.centre - seen.straight(accept.high)) / seen.spread))
    production, along = _production(seen)
    tolerance = along(Both(proposed.low, proposed.high))
    standard_u = u / COVERAGE
    return Risks(
        waiting,
        min(1.0, beyond),
        global_risk(production, standard_u, tolerance, along(accept)),
        global_risk(production, standard_u, tolerance, along(reject)),
    )


def _production(seen: Straightened) -> tuple[Production, Callable[[Both], Both]]:
    """Return how the units' values are spread, and what limits are on its axis.

    Of skewed values that begins where their distribution does, and goes the way of their tail.
    """
    if not seen.bend:
        return normal_production(seen.mean, seen.sd), lambda limits: limits
    sign = 1.0 if seen.up else -1.0

    def along(limits: Both) -> Both:
        low, high = (
            None if limit is None else sign * (limit - seen.start)
            for limit in (limits.low, limits.high)
        )
        return Both(low, high) if seen.up else Both(high, low)

    middle = log(seen.sd / seen.bend) + sign * seen.bend * seen.centre
    return log_normal_production(middle, seen.shape), along


def _moved(proposed: Pair, u: float, move: Callable[..., float]) -> Both:
    return Both(
        None if proposed.low is None else move(proposed.low, u, is_upper=False),
        None if proposed.high is None else move(proposed.high, u, is_upper=True),
    )
