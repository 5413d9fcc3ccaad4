"""Which limits speak of one half-turn, and its values for them."""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import replace

from rig.analysis.checks import Check, compare
from rig.analysis.model import HalfTurn, Limits, Outcome, Verdict, VoltageLimit
from rig.analysis.wording import with_u
from rig.quality.decision import DEFAULT_RULE, DecisionRule

# Response is known to the half-turn's own timing uncertainty or worse; without one, to this (s):
# one sample period at 200 Hz.
RESPONSE_U_S = 0.005
# Where the voltage is uncertain so is a limit that follows it: expanded, relative, of a half-turn
# recorded before its voltage's own uncertainty was (INA219 data sheet: 0.5 % of reading at most).
VOLTAGE_U_REL = 0.01


def checks_of(turn: HalfTurn, limits: Limits) -> Iterator[Check]:
    """Yield a check for every limit that applies to this half-turn."""
    for check in _checks(turn, limits):
        yield check if limits.rule == DEFAULT_RULE else replace(check, rule=limits.rule)


def _checks(turn: HalfTurn, limits: Limits) -> Iterator[Check]:
    if turn.outcome not in (Outcome.PARKED, Outcome.SLOW):
        if turn.outcome is Outcome.NO_MOVEMENT and turn.rest_a is not None:
            yield from _rest(turn, limits)
        return
    if turn.half_turn_s is None:  # slow, and the feed was taken away before it parked
        return
    yield from _times(turn, limits)
    yield from _rest(turn, limits)
    yield from _currents(turn, limits)
    yield from _others(turn, limits)


def _times(turn: HalfTurn, limits: Limits) -> Iterator[Check]:
    yield from _by_voltage(turn, limits.half_turn_max_s, limits.rule, is_max=True)
    if limits.half_turn_min_s is not None:
        yield from _by_voltage(turn, limits.half_turn_min_s, limits.rule, is_max=False)


def _by_voltage(
    turn: HalfTurn, limit: VoltageLimit, rule: DecisionRule, *, is_max: bool
) -> Iterator[Check]:
    """Check the time against a limit that follows the voltage, whose own error widens the band."""
    value, u_s = turn.half_turn_s, turn.half_turn_u_s
    limit_s: float | None = limit.points[0][1]
    off_s = 0.0
    if len(limit.points) > 1 and turn.supply_v is None:
        value = None  # which limit applies is not known
    elif turn.supply_v is not None:
        supply_v = turn.supply_v
        limit_s = limit.at(supply_v)
        off_v = _supply_u_v(turn, supply_v)
        off_s = 0.5 * abs(limit.at(supply_v + off_v) - limit.at(supply_v - off_v))
    low, high = (None, limit_s) if is_max else (limit_s, None)
    measure = "half_turn_s" if is_max else "half_turn_min_s"
    yield Check(
        measure,
        "half-turn time",
        "took",
        value,
        u_s,
        "s",
        low,
        high,
        turn.supply_v,
        limit_u=off_s,
        of_rig=_of_feed(turn, _at_nominal(turn, limit, rule, is_max=is_max), is_max=is_max),
        doubt=_by_feed(turn, _at_nominal(turn, limit, rule, is_max=is_max), is_max=is_max),
    )


def _supply_u_v(turn: HalfTurn, supply_v: float) -> float:
    """Return the expanded uncertainty of the supply voltage (V)."""
    return VOLTAGE_U_REL * supply_v if turn.supply_u_v is None else turn.supply_u_v


def _at_nominal(
    turn: HalfTurn, limit: VoltageLimit, rule: DecisionRule, *, is_max: bool
) -> Verdict | None:
    """Return how the half-turn stands to a plain limit at the voltage that this is meant at.

    That is the type's nominal voltage.  None where it is not known, or for a table, which follows
    the voltage.
    """
    nominal_s, u_s = turn.nominal_half_turn_s, turn.nominal_half_turn_u_s
    if len(limit.points) > 1 or nominal_s is None or u_s is None or not math.isfinite(u_s):
        return None
    limit_s = limit.points[0][1]
    low_s, high_s = (None, limit_s) if is_max else (limit_s, None)
    return compare(nominal_s, u_s, low_s, high_s, rule)


def _fed_less(turn: HalfTurn) -> bool:
    """Whether it was fed less than nominal: there it would have taken less time."""
    nominal_s, taken_s = turn.nominal_half_turn_s, turn.half_turn_s
    return nominal_s is not None and taken_s is not None and nominal_s < taken_s


def _fed_nominal(turn: HalfTurn) -> bool:
    """Whether it was fed its nominal voltage as far as the voltage is known.

    Then its time is told best by what it took: at nominal voltage it would have taken as much,
    within what that is uncertain by, and by no more than the voltage is (a motor's time changes
    about in proportion).
    """
    nominal_s, u_s, taken_s = turn.nominal_half_turn_s, turn.nominal_half_turn_u_s, turn.half_turn_s
    if nominal_s is None or u_s is None or taken_s is None:
        return False
    supply_v = turn.supply_v
    u_rel = VOLTAGE_U_REL if not supply_v else _supply_u_v(turn, supply_v) / supply_v
    return abs(nominal_s - taken_s) <= min(u_s, u_rel * taken_s)


def _of_feed(turn: HalfTurn, at_nominal: Verdict | None, *, is_max: bool) -> str:
    """Return what to do if a broken limit may be the feed's doing alone; else nothing.

    If the half-turn is not beyond the limit at nominal voltage by more than is uncertain, the unit
    has not been shown to be slow (or, fed more, to be quick).
    """
    if at_nominal in (None, Verdict.FAIL) or _fed_less(turn) is not is_max:
        return ""
    if is_max:
        why = "the feed was weak. Look at the supply, the fuse holder and the leads"
    else:
        why = "the feed was strong. Bring the supply to the nominal voltage"
    return f"{_would_take(turn)}: {why}, then test again."


def _by_feed(turn: HalfTurn, at_nominal: Verdict | None, *, is_max: bool) -> str:
    """Return why a limit that was kept may not be at nominal voltage; nothing if it is."""
    if at_nominal in (None, Verdict.PASS) or _fed_less(turn) is is_max or _fed_nominal(turn):
        return ""
    feed = "strong" if is_max else "weak"
    why = f"the feed was {feed}. Bring the supply to the nominal voltage"
    return f"{_would_take(turn)}: {why}, then test again."


def _would_take(turn: HalfTurn) -> str:
    assert turn.nominal_half_turn_s is not None
    taken = with_u(turn.nominal_half_turn_s, turn.nominal_half_turn_u_s, "s")
    return f"At its nominal voltage it would have taken about {taken}"


def _rest(turn: HalfTurn, limits: Limits) -> Iterator[Check]:
    if limits.rest_max_a is not None:
        yield Check(
            "rest_a",
            "rest current",
            "drew, at rest,",
            turn.rest_a,
            turn.rest_u_a,
            "A",
            high=limits.rest_max_a,
        )


def _currents(turn: HalfTurn, limits: Limits) -> Iterator[Check]:
    if limits.run_max_a is not None:
        yield Check(
            "run_a",
            "running current",
            "ran at",
            turn.run_a,
            turn.run_u_a,
            "A",
            high=limits.run_max_a,
        )
    if limits.peak_max_a is not None:
        yield Check(
            "peak_a",
            "inrush peak",
            "peaked at",
            turn.peak_a,
            turn.peak_u_a,
            "A",
            high=limits.peak_max_a,
        )


def _others(turn: HalfTurn, limits: Limits) -> Iterator[Check]:
    if limits.sag_max_v is not None:
        yield Check(
            "sag_v",
            "supply sag",
            "saw its feed fall by",
            turn.sag_v,
            turn.sag_u_v,
            "V",
            high=limits.sag_max_v,
            of_rig="Look at the supply, the fuse holder and the leads, then test again.",
        )
    if limits.response_max_s is not None:
        u_s = turn.half_turn_u_s if turn.half_turn_u_s is not None else RESPONSE_U_S
        yield Check(
            "response_s",
            "response delay",
            "answered after",
            turn.response_s,
            u_s,
            "s",
            high=limits.response_max_s,
        )
    if limits.dropouts_max is not None:
        yield Check(
            "dropouts",
            "number of dropouts",
            "lost its current",
            turn.dropouts,
            None,
            "",
            high=limits.dropouts_max,
            is_count=True,
        )
    if limits.dropout_max_s is not None and turn.dropouts:
        u_s = turn.half_turn_u_s if turn.half_turn_u_s is not None else RESPONSE_U_S
        yield Check(
            "longest_dropout_s",
            "longest dropout",
            "lost its current for",
            turn.longest_dropout_s,
            u_s,
            "s",
            high=limits.dropout_max_s,
        )
