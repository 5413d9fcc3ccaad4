"""A verdict's reasons, and a run's half-turns, as lines to walk through."""

from __future__ import annotations

import re
from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass

from rig.analysis.checks import Check
from rig.analysis.half_turn_checks import checks_of
from rig.analysis.judge import measure_check
from rig.analysis.model import REPEATED, HalfTurn, Limits, Outcome, Reason, Verdict
from rig.analysis.wording import amount, direction_words, named, outcome_words, with_u
from rig.console.passage import Passage, Passages, StepFound

CAUSE = "isolation"
"""The measure of the reason that tells what an isolation came to."""
_NAMES = {
    "outcome": "what it did",
    "half_turn_s": "half-turn time",
    "half_turn_min_s": "half-turn time",
    "turned_deg": "angle turned",
    "guard": "rig's guard",
    "run": "the run",
    "relay_swap": "own relay",
    "relay_swap_change": "change by relay",
    "relay_check": "own relay",
    "relay_pull_in_v": "relay pull-in",
    "relay_drop_out_v": "relay drop-out",
    "relay_coil_ohm": "relay coil",
    "relay_operate_s": "relay operates",
    "relay_release_s": "relay releases",
    "lowest_supply_v": "lowest voltage",
    "park_position": "park position",
    "stays_parked": "stays parked",
    "zero_offset_a": "sensor's zero",
    "supply_sweep": "lowest voltage",
    CAUSE: "isolation",
    REPEATED: "step repeated",
}
# How a sentence begins that tells somebody to do something.
_DO = (
    *("Charge", "Check", "Choose", "Clean", "Confirm", "Correct", "Dry", "Find", "Fit", "Free"),
    *("Give", "Keep", "Lay", "Let", "Lock", "Look", "On the vehicle,", "Open", "Press", "Pull"),
    *("Put", "Repair", "Repeat", "Replace", "Start", "Switch", "Take", "Test", "Then isolate"),
)
_DOES = tuple(f"{verb} " for verb in _DO)


@dataclass(frozen=True)
class Row:
    """One line: what it says for or against the unit, of which half-turn, measured and allowed.

    ``text`` is the whole sentence, ``next_step`` what it tells to try.  ``reason`` is None for a
    half-turn that is only listed; ``passage`` None where no trace speaks of it.
    """

    says: str
    half_turn: str
    measure: str
    measured: str
    limit: str
    text: str
    next_step: str
    verdict: Verdict | None
    reason: Reason | None
    passage: Passage | None


def reason_rows(
    reasons: Sequence[Reason], steps: Sequence[StepFound], limits: Limits | None
) -> list[Row]:
    """Return a row for every reason, in their order, but for what an isolation came to, which is
    first; ``limits`` None: the plan cannot be read.
    """
    reasons = sorted(reasons, key=lambda reason: reason.measure != CAUSE)
    passages = Passages(steps, limits)
    said: Counter[str] = Counter()
    rows = []
    for reason in reasons:
        passage = passages.of(reason, said[reason.text]) if limits else None
        said[reason.text] += 1
        rows.append(_reason_row(reason, passage, steps, limits))
    return rows


def _reason_row(
    reason: Reason, passage: Passage | None, steps: Sequence[StepFound], limits: Limits | None
) -> Row:
    turn = passage.turn if passage and reason.half_turn else None
    measured, limit = _values(reason, turn, steps, limits)
    text, next_step = parted(reason.text)
    return Row(
        says="cause" if reason.measure == CAUSE else str(reason.verdict),
        half_turn=_which(turn) if turn else str(reason.half_turn or ""),
        measure=_name(reason, turn, limits),
        measured=measured,
        limit=limit,
        text=text,
        next_step=next_step,
        verdict=reason.verdict,
        reason=reason,
        passage=passage,
    )


def turn_rows(steps: Sequence[StepFound]) -> list[Row]:
    """Return a row for every half-turn of a run, in their order."""
    passages = Passages(steps, None)
    turns = [turn for step in steps for turn in step.half_turns]
    return [_turn_row(turn, passages.of_turn(turn.number)) for turn in turns]


def _turn_row(turn: HalfTurn, passage: Passage | None) -> Row:
    time = (
        "no time" if turn.half_turn_s is None else with_u(turn.half_turn_s, turn.half_turn_u_s, "s")
    )
    running = "" if turn.run_a is None else f"running {with_u(turn.run_a, turn.run_u_a, 'A')}"
    peak = "" if turn.peak_a is None else f"peak {with_u(turn.peak_a, turn.peak_u_a, 'A')}"
    supply = "" if turn.supply_v is None else f"at {turn.supply_v:.1f} V"
    words = outcome_words(turn.outcome)
    facts = ", ".join(fact for fact in (words, time, peak, running, supply) if fact)
    return Row(
        says="",
        half_turn=_which(turn),
        measure=words,
        measured=time,
        limit=passage.title if passage else "",
        text=f"{named(turn)}: {facts}. {turn.note}".strip(),
        next_step="",
        verdict=None,
        reason=None,
        passage=passage,
    )


def cause_of(reasons: Sequence[Reason]) -> str:
    """Return what an isolation came to, in a sentence; empty if there is none among them."""
    texts = (reason.text for reason in reasons if reason.measure == CAUSE)
    # Its probabilities end it; what to do comes after them.
    return next((text.partition("%).")[0] + "%)." for text in texts if "%)." in text), "")


def parted(text: str) -> tuple[str, str]:
    """Part a reason's text into what was found and what to try next (either may be empty)."""
    sentences = re.split(r"(?<=[.?!]) (?=[A-Z])", text)
    tells = [sentence for sentence in sentences if not sentence.startswith(_DOES)]
    does = [sentence for sentence in sentences if sentence.startswith(_DOES)]
    return " ".join(tells), " ".join(does)


def _which(turn: HalfTurn) -> str:
    return f"{turn.number} {direction_words(turn.direction)}"


def _name(reason: Reason, turn: HalfTurn | None, limits: Limits | None) -> str:
    check = _check(reason, turn, limits) if turn and limits else None
    if reason.measure in _NAMES or not reason.measure:
        return _NAMES.get(reason.measure, "")
    return check.label if check else _plain(reason.measure)


def _plain(name: str) -> str:
    """Return a measure's own name in words, its unit left out."""
    return re.sub(r"_(s|a|v|ohm|deg)$", "", name).replace("_", " ")


def _check(reason: Reason, turn: HalfTurn, limits: Limits) -> Check | None:
    return next((c for c in checks_of(turn, limits) if c.measure == reason.measure), None)


def _values(
    reason: Reason, turn: HalfTurn | None, steps: Sequence[StepFound], limits: Limits | None
) -> tuple[str, str]:
    """Return what was measured and what is allowed, in words; empty where nothing was."""
    if limits is None:
        return "", ""
    check = _check(reason, turn, limits) if turn else _run_check(reason, steps, limits)
    if check is not None:
        return check.shown(), _allowed(check)
    if turn is None:
        return "", ""
    if reason.measure == "turned_deg" and turn.turned_deg is not None:
        return f"{turn.turned_deg:.0f} degrees", "180 degrees"
    words = outcome_words(turn.outcome)
    if turn.outcome is Outcome.RUNS_ON:
        return words, f"park within {limits.run_on_s:g} s"
    return words, "parked"


def _run_check(reason: Reason, steps: Sequence[StepFound], limits: Limits) -> Check | None:
    """The check of a whole run's measure: the one that is told, if there are several."""
    found = [
        check
        for step in steps
        for measure in step.measures
        if measure.name == reason.measure and (check := measure_check(measure, limits)) is not None
    ]
    alike = [check for check in found if check.is_told_in(reason.text)]
    return next(iter(alike or found), None)


def _allowed(check: Check) -> str:
    low, limit = check.low, check.nearest
    if limit is None:
        return ""
    if low is not None and check.high is not None:
        return f"{amount(low, '')} to {amount(check.high, check.unit)}"
    word = "at least" if limit == low else "at most"
    return f"{word} {limit:.0f}" if check.is_count else f"{word} {amount(limit, check.unit)}"
