"""Steps in which somebody looks or swaps: visual, relay_swap."""

from __future__ import annotations

from statistics import median

from rig.analysis.model import HalfTurn, Measure, Outcome, Reason, Verdict
from rig.analysis.motor import identify
from rig.analysis.relay import extra_contact_ohm
from rig.analysis.trace import Trace
from rig.bench.requests import OFF, Ask, Drive
from rig.bench.steps.moves import (
    ask_done,
    ask_undone,
    restore_supply,
    series,
    supply,
    survive,
    turns_of,
)
from rig.bench.steps.work import Findings, PlainGuard, StepContext
from rig.plans import RelaySwapStep, VisualStep
from rig.quality.decision import COVERAGE
from rig.visual import VISUAL_CHECKS, VisualCheck

_GOOD = frozenset({Outcome.PARKED})
_UNSURE = frozenset({Outcome.NO_FEED, Outcome.NOT_MEASURED})


def question_of(check: VisualCheck) -> Ask:
    """Return the question of a check, with what each answer means where a meter is read."""
    return Ask(
        "inspect",
        f"{check.question} {check.reads}".rstrip(),
        check.answers,
        {"check": check.name},
    )


class Visual(PlainGuard):
    """Asks for each visual check, one by one."""

    def __init__(self, step: VisualStep) -> None:
        self.step = step
        self._answers: dict[str, str] = {}

    def drive(self, ctx: StepContext) -> Drive:
        """Ask; no feed is made."""
        for name in self.step.checks:
            check = VISUAL_CHECKS[name]
            self._answers[name] = yield question_of(check)

    def find(self, ctx: StepContext, trace: Trace) -> Findings:
        """A fault of the unit fails it; a fault of its surroundings asks for another test."""
        found = Findings(answers=dict(self._answers))
        for name, answer in self._answers.items():
            check = VISUAL_CHECKS[name]
            if answer in ("fault", "low"):
                verdict = Verdict.FAIL if check.of_unit else Verdict.RETEST
                found.reasons.append(Reason(verdict, check.means(answer), name))
            elif answer == "cannot":
                found.reasons.append(
                    Reason(Verdict.RETEST, f"Not looked at: {check.question}", name)
                )
        return found


class RelaySwap(PlainGuard):
    """The unit's own relay against the rig's known good one."""

    def __init__(self, step: RelaySwapStep) -> None:
        self.step = step
        self._swapped_s = float("inf")
        self._left = ""

    def drive(self, ctx: StepContext) -> Drive:
        """Turn with the own relay, then with the known good one, then put the own one back."""
        changed = yield from supply(ctx, self.step.supply_v)
        yield from survive(series(ctx, self.step.count, self.step.pause_s))
        yield from ask_done(
            "fit_known_good_relay",
            "Take out the unit's own relay and fit the rig's known good one.",
        )
        sample = yield OFF
        self._swapped_s = sample.time_s
        yield from survive(series(ctx, self.step.count, self.step.pause_s))
        if changed:
            yield from restore_supply(ctx)
        if not (yield from ask_undone("fit_own_relay", "Put the unit's own relay back.")):
            self._left = "The rig's known good relay is still in the unit."

    def find(self, ctx: StepContext, trace: Trace) -> Findings:
        """Compare the two; the order of suspicion is common practice, no published source."""
        first = trace.between(float("-inf"), self._swapped_s)
        second = trace.between(self._swapped_s, float("inf"))
        own, good = turns_of(ctx, first), turns_of(ctx, second)
        found = Findings(half_turns=(*own, *good), judged=False, left_behind=self._left)
        if not good:
            found.judged = True
            return found
        reason = _compare(own, good)
        if reason is not None:
            found.reasons.append(reason)
        change = _relative_change(own, good)
        if change is not None:
            found.measures.append(change)
            found.measures.append(_extra_contact(ctx, first, second))
        return found


def _compare(own: tuple[HalfTurn, ...], good: tuple[HalfTurn, ...]) -> Reason | None:
    if any(t.outcome in _UNSURE for t in (*own, *good)):
        return Reason(
            Verdict.RETEST,
            "Own and known good relay could not be compared: the feed or the sensor failed.",
            "relay_swap",
        )
    own_ok = bool(own) and all(t.outcome in _GOOD for t in own)
    if own_ok and all(t.outcome in _GOOD for t in good):
        return None
    if all(t.outcome in _GOOD for t in good):
        return Reason(
            Verdict.FAIL,
            "The unit works with the known good relay and not with its own: its relay is bad. "
            "Replace the relay and test again.",
            "relay_swap",
        )
    if own_ok:
        return Reason(
            Verdict.RETEST,
            "The unit works with its own relay and not with the known good one: check how the "
            "known good relay was fitted.",
            "relay_swap",
        )
    return Reason(
        Verdict.FAIL,
        "The unit does not work with the known good relay either: the unit itself is bad, not "
        "its relay.",
        "relay_swap",
    )


def _extra_contact(ctx: StepContext, own: Trace, good: Trace) -> Measure:
    """Return how much more the own relay's contact adds to the circuit (ohm); told, not judged."""
    mine, theirs = (identify([trace], ctx.unit, ctx.accuracy) for trace in (own, good))
    extra = extra_contact_ohm(mine, theirs)
    u_ohm = None if extra.u is None else COVERAGE * extra.u
    return Measure("relay_extra_contact_ohm", extra.value, "ohm", u_ohm)


def _relative_change(own: tuple[HalfTurn, ...], good: tuple[HalfTurn, ...]) -> Measure | None:
    own_s = [t.half_turn_s for t in own if t.half_turn_s is not None]
    good_s = [t.half_turn_s for t in good if t.half_turn_s is not None]
    if not own_s or not good_s:
        return None
    base_s = median(good_s)
    spread = (max(good_s) - min(good_s)) / base_s
    return Measure("relay_swap_change", median(own_s) / base_s - 1.0, "1", spread)
