"""From measures and limits to reasons and a verdict.

The plan's decision rule says what a value near its limit means.  Without one, a unit fails on what
was measured of it beyond the uncertainty, passes if everything asked was met by more than the
uncertainty, and is tested again otherwise.  What the rig did (no feed, a sensor lost or clipped)
neither fails nor passes it.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace

from rig.analysis.checks import Check, compare
from rig.analysis.half_turn_checks import checks_of
from rig.analysis.model import HalfTurn, Judgement, Limits, Measure, Outcome, Reason, Verdict
from rig.analysis.wording import named, outcome_words

__all__ = [
    "Tally",
    "combine",
    "compare",
    "judge_half_turns",
    "judge_measures",
    "measure_check",
    "one_line_a_pass",
]

# Estimated angle below which a half-turn may not have been a whole one.  A type's turn_vs is
# nominal: units differ from it by a sixth (guess); one that is confirmed by others reads near 180.
WHOLE_TURN_DEG = 150.0

_SEVERITY = {Verdict.FAIL: 0, Verdict.RETEST: 1, Verdict.PASS: 2}

# What the operator does about an outcome that is not the unit's.
_RETEST_HINTS = {
    Outcome.NO_FEED: "Check the rig's fuse, supply and wiring, then test again.",
    Outcome.NOT_MEASURED: "Test again.",
}
_FAILED = {
    Outcome.STALLED: "stalled",
    Outcome.RUNS_ON: "runs on past its park position",
    Outcome.STOPS_SHORT: "stops short of its park position",
    Outcome.NO_MOVEMENT: "did not move",
}
# Measures of a whole run: name -> label, lower and upper limit by their names in Limits.
_MEASURES: dict[str, tuple[str, str | None, str | None]] = {
    "rest_draw_a": ("rest draw", None, "rest_max_a"),
    "lowest_supply_v": ("lowest working voltage", None, "lowest_supply_max_v"),
    "stall_current_a": ("stall current", "stall_min_a", "stall_max_a"),
    # Measured at the feed: what the relay's contacts and the leads have is in it.
    "winding_ohm": (
        "resistance of winding, relay and leads",
        "winding_min_ohm",
        "winding_max_ohm",
    ),
    "relay_swap_change": ("change with the known good relay", None, "swap_change_max"),
    "relay_pull_in_v": ("relay's pull-in voltage", None, "pull_in_max_v"),
    "relay_drop_out_v": ("relay's drop-out voltage", "drop_out_min_v", None),
    "relay_coil_ohm": ("relay coil's resistance", "coil_min_ohm", "coil_max_ohm"),
    "relay_operate_s": ("relay's operate time", None, "operate_max_s"),
    "relay_release_s": ("relay's release time", None, "release_max_s"),
}


def measure_label(name: str) -> str:
    """Return what a measure of a whole run is called, empty for one that has no limit."""
    return _MEASURES[name][0] if name in _MEASURES else ""


def judge_half_turns(half_turns: Sequence[HalfTurn], limits: Limits) -> tuple[Reason, ...]:
    """Return the reasons that half-turns give: every failure and doubt, and one line a pass."""
    if not half_turns:
        text = "No half-turn was found, so nothing could be judged. Test again."
        return (Reason(Verdict.RETEST, text, "outcome"),)
    tally = Tally(limits)
    tally.add(half_turns)
    return tally.reasons()


class Tally:
    """The reasons that half-turns give, without the half-turns: a run may have 100 000 of them."""

    def __init__(self, limits: Limits) -> None:
        self.limits = limits
        self._reasons: list[Reason] = []
        self._passed: dict[str, _Passed] = {}

    def add(self, half_turns: Iterable[HalfTurn]) -> None:
        """Judge more half-turns."""
        for turn in half_turns:
            self._reasons.extend(_outcome_reasons(turn))
            for check in checks_of(turn, self.limits):
                if check.verdict is Verdict.PASS:
                    passed = self._passed.setdefault(check.measure, _Passed(turn, check))
                    passed.add(turn, check)
                else:
                    text = check.sentence(named(turn))
                    self._reasons.append(Reason(check.verdict, text, check.measure, turn.number))

    def reasons(self, more: Sequence[HalfTurn] = ()) -> tuple[Reason, ...]:
        """Return the reasons so far, those of ``more`` half-turns with them; none of none."""
        tally = self
        if more:
            tally = Tally(self.limits)
            tally._reasons = list(self._reasons)
            tally._passed = {name: replace(passed) for name, passed in self._passed.items()}
            tally.add(more)
        bad = {reason.measure for reason in tally._reasons}
        passes = (of.reason() for measure, of in tally._passed.items() if measure not in bad)
        return (*tally._reasons, *passes)


@dataclass
class _Passed:
    """What was in order on every half-turn: how many, and where it came closest to the limit."""

    turn: HalfTurn
    check: Check
    count: int = 0

    def add(self, turn: HalfTurn, check: Check) -> None:
        self.count += 1
        if check.margin < self.check.margin:
            self.turn, self.check = turn, check

    def reason(self) -> Reason:
        turn, check = self.turn, self.check
        of = f"all {self.count} half-turns" if self.count > 1 else "the half-turn"
        text = (
            f"{_met(check)} on {of}; closest: {named(turn)[0].lower()}{named(turn)[1:]}, "
            f"{check.shown()}, {check.allowed()}."
        )
        return Reason(Verdict.PASS, text, check.measure, turn.number)


def _met(check: Check) -> str:
    # By guarded rejection a value may pass a little beyond its limit.
    met = "within the limit" if check.margin >= 0.0 else "not shown to be beyond the limit"
    return f"{check.label[0].upper()}{check.label[1:]} {met}"


def one_line_a_pass(
    reasons: Sequence[Reason], measures: Iterable[Measure], limits: Limits
) -> list[Reason]:
    """Return ``reasons`` with one pass for a measure of the run that passed several times.

    ``measures`` are those that made reasons; a reason that none of them made stays as it is.
    """
    checks = [check for m in measures if (check := measure_check(m, limits)) is not None]
    made_by = {reason_of(check): check for check in checks}
    passed: dict[str, list[Check]] = {}
    for reason in reasons:
        if reason.verdict is Verdict.PASS and reason in made_by:
            passed.setdefault(reason.measure, []).append(made_by[reason])
    told: set[str] = set()
    kept = []
    for reason in reasons:
        alike = passed.get(reason.measure, ()) if reason in made_by else ()
        if reason.verdict is not Verdict.PASS or len(alike) < 2:
            kept.append(reason)
        elif reason.measure not in told:
            told.add(reason.measure)
            kept.append(_several(alike))
    return kept


def _several(checks: Sequence[Check]) -> Reason:
    closest = min(checks, key=lambda check: check.margin)
    text = (
        f"{_met(closest)} all {len(checks)} times; closest: {closest.shown()}, {closest.allowed()}."
    )
    return Reason(Verdict.PASS, text, closest.measure)


def _outcome_reasons(turn: HalfTurn) -> Iterable[Reason]:
    who, note = named(turn), f" {turn.note}" if turn.note else ""
    if turn.outcome in _FAILED:
        text = f"{who} {_FAILED[turn.outcome]}.{note}"
        yield Reason(Verdict.FAIL, text, "outcome", turn.number)
    elif turn.outcome in _RETEST_HINTS:
        words = outcome_words(turn.outcome)
        text = f"{who}: {words}.{note} {_RETEST_HINTS[turn.outcome]}"
        yield Reason(Verdict.RETEST, text, "outcome", turn.number)
    elif turn.outcome is Outcome.SLOW and turn.half_turn_s is None:
        yield Reason(Verdict.FAIL, f"{who} is slow.{note}", "half_turn_s", turn.number)
    elif turn.turned_deg is not None and turn.turned_deg < WHOLE_TURN_DEG:
        text = (
            f"{who} parked after about {turn.turned_deg:.0f} degrees of 180 by its type's turn_vs, "
            "and no other half-turn of the trace shows more. Test again with several half-turns, "
            "or correct turn_vs in the plan."
        )
        yield Reason(Verdict.RETEST, text, "turned_deg", turn.number)


def judge_measures(measures: Iterable[Measure], limits: Limits) -> tuple[Reason, ...]:
    """Return a reason for every measure that the limits speak of."""
    checks = (measure_check(measure, limits) for measure in measures)
    return tuple(reason_of(check) for check in checks if check is not None)


def reason_of(check: Check) -> Reason:
    """Return what a check of a run's measure says of the unit."""
    return Reason(check.verdict, check.sentence(f"The {check.label}"), check.measure)


def measure_check(measure: Measure, limits: Limits) -> Check | None:
    """Return how a measure of a run stands to its limits; None if they do not speak of it."""
    if measure.name not in _MEASURES:
        return None
    label, low_name, high_name = _MEASURES[measure.name]
    low = getattr(limits, low_name) if low_name else None
    high = getattr(limits, high_name) if high_name else None
    if low is None and high is None:
        return None
    return Check(
        measure.name,
        label,
        "is",
        measure.value,
        measure.u,
        measure.unit,
        low,
        high,
        rule=limits.rule,
    )


def combine(reasons: Iterable[Reason]) -> Judgement:
    """Return the verdict that the reasons amount to, with the reasons worst first."""
    ordered = tuple(sorted(reasons, key=lambda reason: _SEVERITY[reason.verdict]))
    if not ordered:
        nothing = Reason(Verdict.RETEST, "Nothing was judged. Test again.")
        return Judgement(Verdict.RETEST, (nothing,))
    return Judgement(ordered[0].verdict, ordered)
