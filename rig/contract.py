"""The public JSON of a judgement: the names and meanings here are a contract and are kept.

One object: ``verdict`` ('pass', 'fail', 'retest'), ``reasons`` (list of strings) and
``half_turns`` (list of objects, see `half_turn_object`).
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import asdict
from math import isfinite
from typing import Any

from rig.analysis.model import HalfTurn, Judgement, Outcome, Reason, Verdict
from rig.quality.calibration import Standing
from rig.quality.calibration_words import standing_words


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

    ``state`` is 'never', 'in_force', 'overdue' or 'rig_changed'; ``text`` says it in words.  In the
    first and the last ``gain`` and ``offset_a`` are null: the rig file's were used.
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


def judgement_object(judgement: Judgement, half_turns: Iterable[HalfTurn]) -> dict[str, Any]:
    """Return verdict, reasons and half-turns as the contract has them."""
    return {
        "verdict": str(judgement.verdict),
        "reasons": [reason.text for reason in deciding(judgement)],
        "half_turns": [half_turn_object(turn) for turn in half_turns],
    }
