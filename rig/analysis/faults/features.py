"""From a guided test's trace, or from the answer to a look, to its features.

Features have no unit: currents are conductances times the type's winding resistance, times are
volt-seconds against the type's ``turn_vs``, both as natural logarithms, so that they carry from
one unit type and one supply to another.  Shares are 0 to 1.
"""

from __future__ import annotations

from math import isfinite, log, nan

import numpy as np

from rig.analysis.faults.guided import TESTS
from rig.analysis.faults.model import Observation
from rig.analysis.faults.turns_features import draw_scale, turns_features, volts_of
from rig.analysis.half_turns import find_half_turns
from rig.analysis.model import Accuracy, HalfTurn, Limits, Outcome, UnitType
from rig.analysis.rest import readable, rest_draw, zero_offset
from rig.analysis.stall import stall_and_winding
from rig.analysis.trace import FloatArray, Trace

ANSWERS: dict[str, dict[str, float]] = {
    "ok": {"fault": 0.0},
    "fault": {"fault": 1.0},
    "low": {"fault": 1.0, "low": 1.0},
    "cannot": {"fault": nan},
}
# What is left of the motor's current is looked at over this last part of a direct feed.
LAST_PART = 0.4
# Less than this part of V/R is no current of a motor.
FLOWS_PART = 0.02
# Fewer samples of a direct feed tell nothing.
LEAST_SAMPLES = 20
# So long after a direct feed (s) the motor's own voltage is looked at: the contact has opened, and
# the next reading of the voltage, every tenth sample, has been made.
COAST_S = (0.012, 0.035)


def features_of(
    test: str, trace: Trace, unit: UnitType, limits: Limits, accuracy: Accuracy
) -> Observation:
    """Return the features of a guided test that made ``trace``; ValueError for a look.

    The trace is of this test alone, from before its first feed to after its last.
    """
    kind = TESTS[test].kind
    if kind == "look":
        raise ValueError(f"{test} is a look: its answer tells, not a trace")
    if kind == "direct":
        found = _direct(trace, unit)
    else:
        turns = find_half_turns(trace, unit, limits, accuracy)
        volts = TESTS[test].supply_v or unit.nominal_v
        if kind == "rest":
            found = _rest(trace, turns, unit, accuracy)
        elif kind == "jam":
            found = _jam(trace, unit, accuracy)
        else:
            found = turns_features(trace, turns, unit, volts)
    return Observation(test, {name: value for name, value in found.items() if isfinite(value)})


def answer_of(test: str, answer: str) -> Observation:
    """Return what the answer to a look tells: ``ok``, ``fault``, ``low`` or ``cannot`` (not seen).

    ValueError if the test is no look or the answer none of these.
    """
    if not TESTS[test].is_look:
        raise ValueError(f"{test} is no look: its trace tells")
    if answer not in ANSWERS:
        raise ValueError(f"the answer {answer!r} should be one of {', '.join(ANSWERS)}")
    return Observation(test, ANSWERS[answer])


def _rest(
    trace: Trace, turns: tuple[HalfTurn, ...], unit: UnitType, accuracy: Accuracy
) -> dict[str, float]:
    draw_a = rest_draw(trace, accuracy).value
    moved = [turn for turn in turns if turn.outcome is not Outcome.NO_MOVEMENT]
    still = not any(turn.cut_by_rig for turn in turns)
    return {
        "volts": volts_of(trace, unit) / unit.nominal_v,
        "moves": float(bool(moved)),
        "stalls": float(any(t.outcome is Outcome.STALLED for t in turns)),
        "runs_on": float(any(t.outcome is Outcome.RUNS_ON for t in turns)),
        "draw": draw_scale(draw_a, unit) if draw_a is not None and still else nan,
    }


def _jam(trace: Trace, unit: UnitType, accuracy: Accuracy) -> dict[str, float]:
    made = np.flatnonzero(trace.ignition_feed)
    if not len(made):  # something flowed already before the ignition, and the rig cut it off
        return {"cut_before": 1.0}
    part = trace.rows(int(made[0]), int(made[-1]) + 1)
    stall, winding = stall_and_winding(part, accuracy)
    ohm = winding.value
    flows = stall.value is not None and stall.value > FLOWS_PART * unit.nominal_v / unit.winding_ohm
    return {
        "cut_before": 0.0,
        "flows": float(flows),
        "stall": log(unit.winding_ohm / ohm) if flows and ohm is not None and ohm > 0.0 else nan,
    }


def _direct(trace: Trace, unit: UnitType) -> dict[str, float]:
    good = readable(trace) & np.isfinite(trace.voltage_v)
    fed = np.flatnonzero(trace.battery_feed & good)
    if len(fed) < LEAST_SAMPLES:
        return {}
    amps = trace.current_a[fed] - (zero_offset(trace).value or 0.0)
    time_s = trace.time_s[fed]
    live_v = float(np.median(trace.voltage_v[fed]))
    found = {"volts": live_v / unit.nominal_v}
    if live_v < 0.2 * unit.nominal_v:
        return found
    # The voltage is read more rarely than the current: its level serves for the inrush as well.
    siemens = np.maximum(amps, 0.0) / live_v * unit.winding_ohm
    top = float(np.max(siemens))
    last = siemens[int((1.0 - LAST_PART) * len(siemens)) :]
    left = float(np.median(last))
    found["flows"] = float(top > FLOWS_PART)
    if top <= FLOWS_PART:
        return found
    found["peak"] = log(top)
    found["running"] = log(max(left, 1e-3))
    found["stands"] = left / top
    found["dropouts"] = float(np.log1p(_gaps(siemens, left)))
    at = int(np.argmax(siemens))
    fallen = np.flatnonzero(siemens[at:] < left + 0.37 * (top - left))
    if left < 0.7 * top and len(fallen):
        settle_s = float(time_s[at + fallen[0]] - time_s[at])
        found["settle"] = log(max(settle_s, 1e-3) / 0.02)
    # Turning on by itself, the motor is a generator, whose voltage the rig's own sensor shows.
    after = trace.between(float(time_s[-1]) + COAST_S[0], float(time_s[-1]) + COAST_S[1])
    shown_v = after.voltage_v[np.isfinite(after.voltage_v)]
    if len(shown_v):
        found["coast"] = float(np.max(shown_v)) / live_v
    return found


def _gaps(siemens: FloatArray, left: float) -> int:
    """Return how often the current fell away and came back while it flowed."""
    flowing = siemens > 0.5 * left
    begins = np.flatnonzero(np.diff(flowing.astype(np.int8)) == 1)
    return max(len(begins) - 1, 0) if len(begins) else 0
