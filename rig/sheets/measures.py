"""Each measure against its limit: the value that came closest, and where it lies as a bar."""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from typing import Any

from rig.analysis.checks import Check
from rig.analysis.half_turn_checks import checks_of
from rig.analysis.judge import measure_check, measure_label
from rig.analysis.model import HalfTurn, Limits, Measure, Verdict
from rig.analysis.wording import direction_words, with_u
from rig.records.held import counted, counts, is_judged
from rig.records.model import StepRecord

_SEVERITY = {Verdict.FAIL: 0, Verdict.RETEST: 1, Verdict.PASS: 2}
_STATES = {Verdict.PASS: "met", Verdict.FAIL: "broken", Verdict.RETEST: "not certain"}


_SMALL_A = 0.001
_LABELS = {"half_turn_min_s": "Half-turn time, least"}


@dataclass
class Closest:
    """One measure over the half-turns of a run: how many, and where it came closest."""

    check: Check
    turn: HalfTurn | None
    count: int = 0

    def add(self, check: Check, turn: HalfTurn | None) -> None:
        """Count a check in, and keep it if it is closer to its limit."""
        self.count += 1
        if _rank(check) < _rank(self.check):
            self.check, self.turn = check, turn


def _rank(check: Check) -> tuple[int, float]:
    return _SEVERITY[check.verdict], check.margin


def measure_rows(steps: Sequence[StepRecord], limits: Limits) -> list[dict[str, Any]]:
    """Return a row for each measure that the plan limits, in the order of first appearance.

    Of a step that was done again only what failed counts: a repetition clears doubts, no faults.
    """
    return [_row(group) for group in closest_checks(steps, limits)]


def closest_checks(steps: Sequence[StepRecord], limits: Limits) -> list[Closest]:
    """Return what `measure_rows` shows, as checks with their numbers."""
    groups: dict[str, Closest] = {}
    last = {step.number for step in counted(steps)}
    judged = [*_turn_checks(steps, limits), *_run_checks(steps, limits)]
    for step, check, turn in judged:
        if step.number in last or check.verdict is Verdict.FAIL:
            groups.setdefault(check.measure, Closest(check, turn)).add(check, turn)
    return list(groups.values())


_Judged = tuple[StepRecord, Check, HalfTurn | None]


def _turn_checks(steps: Sequence[StepRecord], limits: Limits) -> Iterable[_Judged]:
    for step in filter(is_judged, steps):
        for turn in step.half_turns:
            for check in checks_of(turn, limits):
                yield step, check, turn


def _run_checks(steps: Sequence[StepRecord], limits: Limits) -> Iterable[_Judged]:
    for step in filter(counts, steps):
        for measure in step.measures:
            check = measure_check(measure, limits)
            if check is not None:
                yield step, check, None


def other_measures(steps: Sequence[StepRecord], limits: Limits) -> list[dict[str, str]]:
    """Return what was measured without a limit: name and value, once each."""
    return [
        {"name": measure_name(measure), "value": _other_value(measure.value, measure)}
        for measure in unlimited(steps, limits)
        if measure.value is not None
    ]


def unlimited(steps: Sequence[StepRecord], limits: Limits | None) -> list[Measure]:
    """Return what was measured without a limit (None: nothing has one), the last of each name."""
    found: dict[str, Measure] = {}
    for measure in _measures(steps):
        if measure.value is None or (limits and measure_check(measure, limits)):
            continue
        found[measure_name(measure)] = measure
    return list(found.values())


def _other_value(value: float, measure: Measure) -> str:
    """Return a value as it is printed; a current about zero, as a sensor's zero is, in mA."""
    u = measure.u
    if measure.unit == "A" and abs(value) + (u or 0.0) < _SMALL_A:
        return with_u(1000.0 * value, None if u is None else 1000.0 * u, "mA")
    return with_u(value, u, _unit(measure.unit))


def _measures(steps: Sequence[StepRecord]) -> Iterable[Measure]:
    return (measure for step in counted(steps) if counts(step) for measure in step.measures)


_NAMES = {
    "zero_offset_a": "sensor's zero, taken off",
    "relay_coil_a": "relay coil's current",
    "relay_extra_contact_ohm": "own relay's contact above the good one's",
    "direct_feed_a": "motor fed directly",
}


def measure_name(measure: Measure) -> str:
    """Return a measure's name in words, the same wherever it stands."""
    known = measure_label(measure.name) or _NAMES.get(measure.name)
    return known or measure.name.removesuffix(f"_{measure.unit.lower()}").replace("_", " ")


def _unit(unit: str) -> str:
    return "Ω" if unit == "ohm" else unit


def _row(group: Closest) -> dict[str, Any]:
    check, turn = group.check, group.turn
    nearest = "closest" if check.verdict is Verdict.PASS else "worst"
    where = ""
    if turn is not None:
        which = f"no. {turn.number} {direction_words(turn.direction)}"
        where = f"{nearest} of {group.count}: {which}" if group.count > 1 else which
        if check.limit_at_v is not None:
            where += f", at {check.limit_at_v:.1f} V"
    elif group.count > 1:
        where = f"{nearest} of {group.count}"
    return {
        "measure": check.measure,
        "name": _LABELS.get(check.measure, check.label[:1].upper() + check.label[1:]),
        "where": where,
        "value": _shown(check),
        "limit": limit_words(check),
        "state": _state(check),
        "bar": bar_of(check),
    }


def _state(check: Check) -> str:
    """Return how a value stands; by some rules it fails or passes within a guard band."""
    if check.verdict is Verdict.FAIL and check.margin > 0.0 and not check.is_count:
        return "too near"
    if check.verdict is Verdict.PASS and check.margin < 0.0:
        return "not broken"
    return _STATES[check.verdict]


def _shown(check: Check) -> str:
    return check.shown().replace(" ohm", " Ω")


def limit_words(check: Check) -> str:
    """Return the limit as a table has it: "≤ 1.20 s", "0.65 to 0.95 Ω"."""
    unit = _unit(check.unit)
    if check.is_count:
        return f"≤ {check.high:.0f}"
    if check.low is not None and check.high is not None:
        return f"{with_u(check.low, None, '')} to {with_u(check.high, None, unit)}"
    if check.high is not None:
        return f"≤ {with_u(check.high, check.limit_u, unit)}"
    assert check.low is not None
    return f"≥ {with_u(check.low, check.limit_u, unit)}"


def bar_of(check: Check) -> dict[str, Any]:
    """Return where value, uncertainty, limits and guard bands lie, as parts of the bar's length.

    ``value``, ``from`` and ``to`` (the uncertainty's ends) are None where nothing was measured;
    ``allowed`` is the stretch within the limits, ``guards`` one [from, to] for each limit.
    """
    value = check.value if check.value is not None and math.isfinite(check.value) else None
    u = 0.0 if check.u is None or not math.isfinite(check.u) else abs(check.u)
    band = math.hypot(u, check.limit_u)
    ends = [] if value is None else [value - u, value + u]
    low, high = check.low, check.high
    if low is not None and high is not None:
        room = max(high - low, 1e-12)
        start, stop = low - 0.4 * room, high + 0.4 * room
    else:
        limit = high if high is not None else low
        assert limit is not None
        start, stop = 0.0, 1.35 * limit if limit > 0 else 1.0
    start, stop = min([start, *ends]), max([stop, *ends])
    stop += 0.04 * (stop - start)

    def at(number: float) -> float:
        return round(min(max((number - start) / (stop - start), 0.0), 1.0), 4)

    def guard(limit: float) -> list[float]:
        ends = [
            where(limit, band, is_upper=limit == high)
            for where in (check.rule.acceptance_limit, check.rule.rejection_limit)
        ]
        return [at(min(limit, *ends)), at(max(limit, *ends))]

    limits = [limit for limit in (low, high) if limit is not None]
    return {
        "value": None if value is None else at(value),
        "from": None if value is None else at(value - u),
        "to": None if value is None else at(value + u),
        "allowed": [at(start if low is None else low), at(stop if high is None else high)],
        "limits": [at(limit) for limit in limits],
        "guards": [guard(limit) for limit in limits],
    }
