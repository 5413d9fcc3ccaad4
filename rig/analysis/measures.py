"""The measures of one half-turn and their expanded uncertainties (k = 2)."""

from __future__ import annotations

import math
from collections.abc import Mapping

from rig.analysis.angles import Angle
from rig.analysis.backemf import PLATEAU_FROM, PLATEAU_TO, integral, without_spikes
from rig.analysis.drive import Drive
from rig.analysis.edges import Cause
from rig.analysis.evidence import Evidence
from rig.analysis.flow import NOISE_SIGMAS
from rig.analysis.levels import level, level_u
from rig.analysis.model import Accuracy, HalfTurn, Outcome, UnitType
from rig.analysis.nominal import at_nominal
from rig.analysis.outcomes import Found
from rig.analysis.signal import Signal
from rig.analysis.trace import FloatArray
from rig.quality.decision import COVERAGE

# After a cut-off the current counts as settled from here on (s).
SETTLE_S = 0.010
REST_SAMPLES = 4
# A current at rest may lie this many expanded uncertainties below nothing (k = 4 in all).
NEGATIVE_MOST = 2.0
# A value known to lie anywhere within +- a has the standard uncertainty a / sqrt(3).
RECTANGULAR = 1.0 / math.sqrt(3.0)
# Above this part of the running current, noise hides the first samples of a current.
DROWNED = 0.5
# How far an inrush falls from sample to sample is seen in so many samples after its highest; the
# bound that follows is not believed beyond this many times the greatest fall seen (guess).
FALLS, FALL_MOST = 3, 2.0
# Readings of an unclipped inrush: above this part of clipped samples nothing integral is said.
CLIPPED_MOST = 0.02


def time_u_s(e: Evidence, accuracy: Accuracy) -> float | None:
    """Return the expanded uncertainty of the half-turn time (s), None without a cut-off.

    Both ends lie somewhere between two samples (rectangular); noise, the feed contact, the time
    stamp of a sample and the clock add to that.  A current that drops out may have flowed once
    more, too briefly to be seen, between the last dropout and the cut-off.
    """
    if e.cut is None:
        return None
    start_s = RECTANGULAR * e.window.start_half_s
    if e.window.begins is Cause.TRACE:
        start_s += max(e.drive.begin_s - e.window.start_s, 0.0)
    end_s = RECTANGULAR * e.cut.half_s
    if e.drive.dropouts:
        end_s += RECTANGULAR * (e.drive.longest_dropout_s + e.cut.gap_s)
    instrument_s = accuracy.time_u_s(e.cut.time_s - e.window.start_s)
    return COVERAGE * math.hypot(start_s, end_s, e.cut.u_s, instrument_s)


def current_u_a(current_a: float, accuracy: Accuracy, scatter_a: float = 0.0) -> float:
    """Return the expanded uncertainty of a current (A); ``scatter_a`` is that of the mean."""
    return COVERAGE * math.hypot(accuracy.current_u_a(current_a), scatter_a)


def at_rest_a(rest_a: float, u_a: float) -> float | None:
    """Return a current at rest (A), None if it is negative beyond doubt.

    No unit drives current back at rest: the sensor's zero has moved, by how much nobody knows.
    """
    return None if rest_a < -NEGATIVE_MOST * u_a else rest_a


def half_turn_of(
    signal: Signal,
    e: Evidence,
    angle: Angle,
    found: Found,
    number: int,
    unit: UnitType,
    accuracy: Accuracy,
) -> HalfTurn:
    """Return the half-turn with everything that could be measured of it."""
    window, drive, cut = e.window, e.drive, e.cut
    rest_a, rest_u_a = _rest(signal, e, found, accuracy)
    plain = HalfTurn(
        number=number,
        direction=window.direction,
        outcome=found.outcome,
        start_s=window.start_s,
        rest_a=rest_a,
        rest_u_a=rest_u_a,
        supply_v=_known(e.supply_v),
        supply_u_v=_supply_u_v(e, accuracy),
        note=found.note,
    )
    if not drive.flows or found.outcome is Outcome.NO_MOVEMENT or e.electric is None:
        return plain
    raw_a = signal.current_a[drive.begin : drive.end]
    time_s = signal.time_s[drive.begin : drive.end]
    values: dict[str, float | None] = {}
    if e.clipped_part == 0.0:
        values |= _peak(raw_a, drive, signal.zero_u_a, accuracy)
        values |= _sag(signal, e, values, accuracy)
    if e.clipped_part <= CLIPPED_MOST:
        values |= _running(raw_a, signal.zero_u_a, accuracy)
        values["charge_c"] = integral(time_s, raw_a)
        if e.supply_v == e.supply_v:
            values["energy_j"] = integral(time_s, raw_a * signal.voltage_v[drive.begin : drive.end])
    values |= _motion(e, angle)
    # The first sample with current cannot be told where noise reaches as high as the current.
    drowned = NOISE_SIGMAS * drive.rest.noise_a > DROWNED * drive.running_a
    # Nor is it an answer when a unit that was not at its end comes home.
    asked = window.begins is not Cause.TRACE and not window.homing
    has_begun = asked and not drive.carried and not drowned
    is_timed = found.timed and cut is not None
    if is_timed and e.clipped_part <= CLIPPED_MOST:
        values |= _at_nominal(e, unit, accuracy)
    return HalfTurn(
        number=number,
        direction=window.direction,
        outcome=found.outcome,
        start_s=window.start_s,
        end_s=cut.time_s if cut is not None else None,
        response_s=drive.begin_s - window.start_s if has_begun else None,
        half_turn_s=cut.time_s - window.start_s if is_timed and cut is not None else None,
        half_turn_u_s=time_u_s(e, accuracy) if is_timed else None,
        rest_a=rest_a,
        rest_u_a=rest_u_a,
        supply_v=_known(e.supply_v),
        supply_u_v=_supply_u_v(e, accuracy),
        dropouts=drive.dropouts,
        longest_dropout_s=drive.longest_dropout_s,
        cut_by_rig=e.by_rig,
        note=found.note,
        **values,
    )


def _known(value: float) -> float | None:
    return value if math.isfinite(value) else None


def _supply_u_v(e: Evidence, accuracy: Accuracy) -> float | None:
    if not math.isfinite(e.supply_v):
        return None
    return COVERAGE * accuracy.voltage_u_v(e.supply_v)


def _peak(
    raw_a: FloatArray, drive: Drive, zero_u_a: float, accuracy: Accuracy
) -> dict[str, float | None]:
    """The highest reading, spikes left out.

    The true peak lies between samples.  After it the current falls as it does from sample to sample
    further on (exponentially towards the running current), so it was higher by one such fall at
    most.
    """
    smooth_a = without_spikes(raw_a)
    top = int(smooth_a.argmax())
    peak_a = float(smooth_a[top])
    after_a = smooth_a[top : top + FALLS + 1]
    fall_a = missed_a = 0.0
    if len(after_a) > 1:
        falls_a = after_a[:-1] - after_a[1:]
        at = int(falls_a.argmax())
        fall_a = max(float(falls_a[at]), 0.0)
        left_a = max(float(after_a[at + 1]) - drive.running_a, 0.0)
        over_a = max(peak_a - drive.running_a, 0.0)
        missed_a = min(over_a * fall_a / max(left_a, 1e-9), FALL_MOST * fall_a)
    noise_a = math.hypot(drive.rest.noise_a, zero_u_a)
    u_a = math.hypot(current_u_a(peak_a, accuracy, noise_a), missed_a)
    return {"peak_a": peak_a, "peak_u_a": u_a}


def _running(raw_a: FloatArray, zero_u_a: float, accuracy: Accuracy) -> dict[str, float | None]:
    """The median between inrush and cam."""
    n = len(raw_a)
    plateau = raw_a[int(PLATEAU_FROM * n) : max(int(PLATEAU_TO * n), 1)]
    if len(plateau) < 4:
        return {}
    run_a = level(plateau)
    scatter_a = math.hypot(level_u(plateau, run_a), zero_u_a)
    return {"run_a": run_a, "run_u_a": current_u_a(run_a, accuracy, scatter_a)}


def _rest(
    signal: Signal, e: Evidence, found: Found, accuracy: Accuracy
) -> tuple[float | None, float | None]:
    """The settled current after the cut-off; of the whole window where nothing moved."""
    drive = e.drive
    if found.outcome is Outcome.NO_MOVEMENT:
        first = (drive.first + drive.last) // 2
    elif e.cut is not None:
        settle = int(SETTLE_S / signal.step_s) + 1 if signal.step_s > 0 else 1
        first = drive.end + settle
    else:
        return None, None
    values = signal.current_a[first : drive.last]
    if len(values) < REST_SAMPLES:
        return None, None
    rest_a = level(values)
    scatter_a = math.hypot(level_u(values, rest_a), signal.zero_u_a)
    u_a = current_u_a(rest_a, accuracy, scatter_a)
    return at_rest_a(rest_a, u_a), u_a


def _sag(
    signal: Signal, e: Evidence, measured: Mapping[str, float | None], accuracy: Accuracy
) -> dict[str, float | None]:
    """How far the voltage fell below that at rest, at the deepest.

    That is at the inrush's peak, which the voltage, read less often than the current, need not have
    seen.  The source's resistance, from the fall between rest and running, gives it: gain and
    offset errors of both voltages cancel mostly.
    """
    peak_a, peak_u_a = measured.get("peak_a"), measured.get("peak_u_a")
    drive = e.drive
    if not (e.supply_v == e.supply_v and e.before_v == e.before_v) or drive.running_a <= 0.0:
        return {}
    if peak_a is None or peak_u_a is None:
        return {}
    fed = signal.voltage_v[drive.begin : drive.end]
    fed = fed[fed > 0.2 * e.supply_v]
    if len(fed) == 0:
        return {}
    source_ohm = max(e.before_v - e.supply_v, 0.0) / drive.running_a
    ohm_u = math.sqrt(2.0) * accuracy.voltage_offset_u_v / drive.running_a
    by_source_v = source_ohm * (peak_a - drive.rest.level_a)
    seen_v = e.before_v - float(fed.min())
    sag_v = max(by_source_v, seen_v)
    u_v = math.hypot(
        COVERAGE * accuracy.voltage_gain_u_rel * sag_v,
        COVERAGE * math.sqrt(2.0) * accuracy.voltage_offset_u_v,
        COVERAGE * ohm_u * peak_a,
        source_ohm * peak_u_a,
    )
    return {"sag_v": sag_v, "sag_u_v": u_v}


def _at_nominal(e: Evidence, unit: UnitType, accuracy: Accuracy) -> dict[str, float | None]:
    """The time as it would have been at the type's nominal voltage."""
    u_s = time_u_s(e, accuracy)
    found = None if u_s is None else at_nominal(e, u_s / COVERAGE, unit, accuracy)
    if found is None:
        return {}
    return {"nominal_half_turn_s": found[0], "nominal_half_turn_u_s": COVERAGE * found[1]}


def _motion(e: Evidence, angle: Angle) -> dict[str, float | None]:
    """Angle and highest speed on the scale of the trace's own half-turns, or of the plan's."""
    if not angle.scale_vs or len(e.emf_v) < 4:
        return {}
    part = max(len(e.emf_v) // 20, 1)
    blocks = e.emf_v[: len(e.emf_v) // part * part].reshape(-1, part)
    top_v = max(float(blocks.mean(axis=1).max()), 0.0)
    return {
        "turned_deg": 180.0 * max(e.turned_vs, 0.0) / angle.scale_vs,
        "peak_speed_deg_per_s": 180.0 * top_v / angle.scale_vs,
    }
