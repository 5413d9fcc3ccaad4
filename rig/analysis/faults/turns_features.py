"""Features of a series of half-turns."""

from __future__ import annotations

from collections.abc import Iterable
from itertools import pairwise
from math import asinh, isfinite, log, nan
from statistics import fmean, pstdev

import numpy as np

from rig.analysis.model import Direction, HalfTurn, Outcome, UnitType
from rig.analysis.relay import coil_settled
from rig.analysis.rest import zero_offset
from rig.analysis.trace import FloatArray, Trace

# A draw at rest is felt from here on, as a part of V/R (guess: 29 mA of 24 A).
DRAW_PART = 0.00125
# A 12 V relay's coil takes about this (A); only whether it flows and how it sags is told apart.
COIL_A = 0.14
# A relay answers in about this (s); TE V23234 data sheet, 7 ms operate.
ANSWER_S = 0.010
# A running current is compared over these parts of a half-turn: inrush and cut-off left out.
FIRST, MIDDLE_FROM, MIDDLE_TO, LAST = 0.2, 0.4, 0.65, 0.93

_PARKS = (Outcome.PARKED, Outcome.SLOW)
_SHARES: dict[str, tuple[Outcome, ...]] = {
    "parks": _PARKS,
    "dead": (Outcome.NO_MOVEMENT,),
    "stalls": (Outcome.STALLED,),
    "runs_on": (Outcome.RUNS_ON,),
    "short": (Outcome.STOPS_SHORT,),
    "no_feed": (Outcome.NO_FEED,),
    "unsure": (Outcome.NOT_MEASURED,),
}
WAYS = {"run": Direction.TO_RUN, "stop": Direction.TO_STOP}


def draw_scale(draw_a: float, unit: UnitType) -> float:
    """Return a draw at rest on a scale that resolves small ones and compresses large ones."""
    return asinh(draw_a / (DRAW_PART * unit.nominal_v / unit.winding_ohm))


def volts_of(trace: Trace, unit: UnitType) -> float:
    """Return the voltage (V) while fed and nothing much flows, else its highest tenth; 0: none."""
    fed = trace.battery_feed & np.isfinite(trace.voltage_v) & np.isfinite(trace.current_a)
    volts = trace.voltage_v[fed]
    if not len(volts):
        return 0.0
    quiet = np.abs(trace.current_a[fed]) < 0.01 * unit.nominal_v / unit.winding_ohm
    if quiet.sum() >= 40:
        return float(np.median(volts[quiet][20:]))
    return float(np.quantile(volts, 0.9))


def turns_features(
    trace: Trace, turns: Iterable[HalfTurn], unit: UnitType, asked_v: float
) -> dict[str, float]:
    """Return the features of a series of half-turns at a supply of ``asked_v`` (V)."""
    made = np.flatnonzero(trace.ignition_feed)
    first_s = float(trace.time_s[made[0]]) - 0.005 if len(made) else float("inf")
    turns = list(turns)
    home = [t for t in turns if t.start_s < first_s]
    series = [t for t in turns if t.start_s >= first_s]
    volts = volts_of(trace, unit)
    found = {
        "volts": volts / asked_v,
        "home_moves": float(any(t.outcome is not Outcome.NO_MOVEMENT for t in home)),
        "home_stalls": float(any(t.outcome is Outcome.STALLED for t in home)),
        "home_runs_on": float(any(t.outcome is Outcome.RUNS_ON for t in home)),
        "cut_off": float(any(t.cut_by_rig for t in turns)),
    }
    if home:
        found["home_peak"] = _mean(_conductance(t.peak_a, volts, unit) for t in home)
    zero_a = zero_offset(trace).value or 0.0
    for name, way in WAYS.items():
        group = [t for t in series if t.direction is way]
        if group:
            own = _way(trace, group, unit, volts, zero_a)
            found.update({f"{name}_{key}": value for key, value in own.items()})
    found.update(_coil(trace, series, volts, asked_v))
    return found


def _way(
    trace: Trace, turns: list[HalfTurn], unit: UnitType, volts: float, zero_a: float
) -> dict[str, float]:
    found = {
        name: fmean(float(t.outcome in outcomes) for t in turns)
        for name, outcomes in _SHARES.items()
    }
    moved = [t for t in turns if t.outcome not in (Outcome.NO_MOVEMENT, Outcome.NO_FEED)]
    times = [_turn_vs(t, unit) for t in moved]
    shapes = [_shape(trace, t, zero_a) for t in moved]
    found |= {
        "time": _mean(times),
        "scatter": pstdev(times) if len(times) > 1 and all(map(isfinite, times)) else nan,
        "running": _mean(_conductance(t.run_a, t.supply_v, unit) for t in moved),
        "peak": _mean(_conductance(t.peak_a, volts, unit) for t in moved),
        "turned": _mean(nan if t.turned_deg is None else t.turned_deg / 180.0 for t in moved),
        "response": _mean(_response(t) for t in moved),
        "dropouts": _mean(float(np.log1p(t.dropouts)) for t in moved),
        "gap": _mean(asinh(t.longest_dropout_s / 0.002) for t in moved),
        "draw": _mean(
            nan if t.rest_a is None or t.cut_by_rig else draw_scale(t.rest_a, unit) for t in turns
        ),
        "sag": _mean(_source(t, volts, unit) for t in moved),
        "hump": _mean(hump for hump, _ in shapes),
        "slope": _mean(slope for _, slope in shapes),
    }
    return found


def _mean(values: Iterable[float]) -> float:
    known = [value for value in values if isfinite(value)]
    return fmean(known) if known else nan


def _conductance(amps: float | None, volts: float | None, unit: UnitType) -> float:
    if amps is None or volts is None or volts < 0.1 * unit.nominal_v:
        return nan
    return log(max(amps / volts * unit.winding_ohm, 1e-4))


def _turn_vs(turn: HalfTurn, unit: UnitType) -> float:
    if turn.half_turn_s is None or turn.supply_v is None or turn.outcome not in _PARKS:
        return nan
    whole_vs = unit.turn_vs or unit.nominal_v * 0.6
    return log(max(turn.half_turn_s * turn.supply_v / whole_vs, 1e-3))


def _response(turn: HalfTurn) -> float:
    if turn.response_s is None:
        return nan
    return log(max(turn.response_s, 0.001) / ANSWER_S)


def _source(turn: HalfTurn, volts: float, unit: UnitType) -> float:
    """Return the resistance before the sensor's tap, in parts of the winding's."""
    if turn.run_a is None or turn.supply_v is None or turn.run_a < 0.1:
        return nan
    return (volts - turn.supply_v) / turn.run_a / unit.winding_ohm


def _shape(trace: Trace, turn: HalfTurn, zero_a: float) -> tuple[float, float]:
    """Return how the middle of a half-turn's current stands to its ends, and the end to the begin.

    Natural logarithms of ratios; NaN if the half-turn did not end by itself.
    """
    if turn.end_s is None or turn.half_turn_s is None:
        return nan, nan
    begin_s, last_s = turn.start_s + (turn.response_s or 0.0), turn.end_s
    cuts = [begin_s + part * (last_s - begin_s) for part in (FIRST, MIDDLE_FROM, MIDDLE_TO, LAST)]
    early, middle, late = (
        _level(trace.between(a, b).current_a - zero_a) for a, b in pairwise(cuts)
    )
    if not min(early, middle, late) > 0.0:
        return nan, nan
    return log(middle / (0.5 * (early + late))), log(late / early)


def _level(amps: FloatArray) -> float:
    known = amps[np.isfinite(amps)]
    return float(np.median(known)) if len(known) else nan


def _coil(trace: Trace, turns: list[HalfTurn], volts: float, asked_v: float) -> dict[str, float]:
    """Return whether a coil's current flows, and how far it falls while the motor runs."""
    coil_a = trace.extra.get("ignition_current_a")
    if coil_a is None or volts < 0.3 * asked_v:
        return {}
    steady = coil_settled(trace) & np.isfinite(coil_a)
    turning = np.zeros(len(coil_a), dtype=np.bool_)
    for turn in turns:
        end_s = turn.end_s if turn.end_s is not None else float(trace.time_s[-1])
        turning |= (trace.time_s > turn.start_s) & (trace.time_s < end_s)
    still, busy = coil_a[steady & ~turning], coil_a[steady & turning]
    seen = still if len(still) else busy
    if not len(seen):
        return {}
    level = float(np.median(seen))
    found = {"coil": level / COIL_A * 12.0 / volts}
    if len(still) and len(busy) and level > 0.1 * COIL_A:
        found["coil_sag"] = 1.0 - float(np.median(busy)) / level
    return found
