"""The public JSON of a judgement: the names and meanings here are a contract and are kept.

One object: ``verdict`` ('pass', 'fail', 'retest'), ``reasons`` (list of strings), ``decision`` (the
rule, see `decision_object`) and ``half_turns`` (list of objects, see `half_turn_object`).
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import asdict
from math import isfinite
from typing import Any

from rig.analysis.half_turn_checks import checks_of
from rig.analysis.model import HalfTurn, Judgement, Limits, Outcome, Reason, Verdict
from rig.quality.calibration import Standing
from rig.quality.calibration_words import standing_words
from rig.quality.decision import COVERAGE, DecisionRule


def half_turn_object(turn: HalfTurn) -> dict[str, Any]:
    """Return one half-turn as the contract has it.

    ``half_turn_s`` is null unless the unit parked (``parked`` or ``slow``); ``half_turn_u_s`` is
    its expanded uncertainty (k = 2).  Currents in A, charge in C, energy in J, sag in V; null
    where a value could not be measured.  Further keys are the other measures of `HalfTurn`.
    """
    fields = asdict(turn)
    for name, value in fields.items():
        if isinstance(value, float) and not isfinite(value):
            fields[name] = None
    timed = turn.outcome in (Outcome.PARKED, Outcome.SLOW)
    fields["direction"] = str(turn.direction)
    fields["outcome"] = str(turn.outcome)
    if not timed:
        fields["half_turn_s"] = fields["half_turn_u_s"] = None
    return fields


def calibration_object(standing: Standing | None) -> dict[str, Any] | None:
    """Return how a station's calibration stood: null where that was not kept.

    ``state`` is 'never', 'in_force', 'overdue', 'rig_changed' or 'dated_ahead'; ``text`` says it in
    words.  ``gain`` and ``offset_a`` are null where the rig file's were used: in all but 'in_force'
    and 'overdue'.
    """
    if standing is None:
        return None
    made, current, voltage = standing.calibration, standing.current, standing.voltage
    return {
        "state": str(standing.state),
        "text": standing_words(standing),
        "on": standing.on.isoformat(),
        "calibration": None if made is None else str(made.calibration_id),
        "made_at": None if made is None else made.made_at.isoformat(),
        "due": None if made is None else made.due.isoformat(),
        "gain": None if current is None else current.gain,
        "gain_u_rel": None if current is None else current.gain_u_rel,
        "offset_a": None if current is None else current.offset,
        "offset_u_a": None if current is None else current.offset_u,
        "voltage_gain": None if voltage is None else voltage.gain,
        "voltage_offset_v": None if voltage is None else voltage.offset,
    }


def deciding(judgement: Judgement) -> list[Reason]:
    """Return the reasons that speak for the verdict: of a fail or a retest, not what was met."""
    if judgement.verdict is Verdict.PASS:
        return list(judgement.reasons)
    return [reason for reason in judgement.reasons if reason.verdict is not Verdict.PASS]


def decision_object(rule: DecisionRule) -> dict[str, Any]:
    """Return the rule of a verdict: its name, its guard band in parts of U, U's k, and words."""
    return {
        "rule": str(rule.rule),
        "guard_factor": rule.factor,
        "risk": rule.risk,
        "k": COVERAGE,
        "words": rule.words(),
    }


def check_objects(half_turns: Iterable[HalfTurn], limits: Limits) -> list[dict[str, Any]]:
    """Return every comparison of a half-turn's value with its limits.

    ``u`` is expanded and has the limit's own in it; ``conformance`` the probability that the true
    value keeps the limits.  Numbers that are not known are null.
    """
    return [
        {
            "half_turn": turn.number,
            "measure": check.measure,
            "value": check.value,
            "u": check.expanded_u if isfinite(check.expanded_u) else None,
            "unit": check.unit,
            "low": check.low,
            "high": check.high,
            "verdict": str(check.verdict),
            "conformance": check.conformance,
        }
        for turn in half_turns
        for check in checks_of(turn, limits)
    ]


def judgement_object(
    judgement: Judgement, half_turns: Iterable[HalfTurn], rule: DecisionRule | None
) -> dict[str, Any]:
    """Return verdict, reasons, rule (None: not known) and half-turns as the contract has them."""
    return {
        "verdict": str(judgement.verdict),
        "reasons": [reason.text for reason in deciding(judgement)],
        "decision": None if rule is None else decision_object(rule),
        "half_turns": [half_turn_object(turn) for turn in half_turns],
    }
