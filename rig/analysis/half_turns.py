"""Half-turns of a trace: where they are, what they did, and everything measured of them.

1. Feed changes open windows (`edges`).  2. In each window the current's rest level and noise
before it say what flows, when it begins and when it ends for good (`drive`, `cutoff`).
3. Voltage and current give winding, back-EMF and angle (`backemf`).  4. Rules call the outcome
(`outcomes`).  5. Measures are taken (`measures`).

Currents are reported as measured, less the sensor's zero if the trace shows it (current read while
the battery feed is open): a rig's offset is not the unit's.
"""

from __future__ import annotations

import numpy as np

from rig.analysis.angles import measure_angles
from rig.analysis.drive import LEAK_OF_STALL, Drive, is_leakage, trace_drive
from rig.analysis.edges import Cause, Window, find_windows
from rig.analysis.evidence import Evidence, gather
from rig.analysis.flow import Rest
from rig.analysis.levels import level, noise, thinned
from rig.analysis.measures import half_turn_of, time_u_s
from rig.analysis.model import Accuracy, HalfTurn, Limits, UnitType
from rig.analysis.outcomes import Case, Position, decide
from rig.analysis.signal import Signal, make_signal
from rig.analysis.trace import Trace

# Rest is looked at for this long before a feed change (s), with this left out after a cut-off.
REST_BEFORE_S, SETTLE_S = 0.3, 0.010
REST_SAMPLES = 8
# So few samples tell too little of the noise: the usual one counts if it is larger.
FEW = 64
# A sensor's last digit may flicker without being seen to: noise is not less than half of it.
HALF_A_DIGIT = 0.5
# Currents below this part of the plan's stall current are no flow at all (guess: 1/250).
LEAST_OF_STALL = 0.004
AS_IT_COMES = Accuracy()


def find_half_turns(
    trace: Trace, unit: UnitType, limits: Limits, accuracy: Accuracy = AS_IT_COMES
) -> tuple[HalfTurn, ...]:
    """Return the half-turns of a trace in time order, numbered from 1.

    ``unit`` gives nominal values only; the trace's own evidence goes first wherever there is any.
    ``limits`` decide between parked and slow and when a unit runs on or is stalled.
    """
    seen = evidence_of(trace, unit, limits, accuracy)
    if seen is None:
        return ()
    return tuple(half_turn for _, half_turn in seen[1] if half_turn is not None)


def evidence_of(
    trace: Trace, unit: UnitType, limits: Limits, accuracy: Accuracy = AS_IT_COMES
) -> tuple[Signal, list[tuple[Evidence, HalfTurn | None]]] | None:
    """Return the signal of a trace, and each window's evidence with the half-turn it is.

    None beside a window that is no half-turn; None altogether if nothing was ever fed.
    """
    windows = find_windows(trace)
    if not windows:
        return None
    signal = make_signal(trace, unit, accuracy)
    if len(signal) < 3:
        return None
    found: list[tuple[Evidence, HalfTurn | None]] = []
    count, position = 0, Position.ASSUMED
    evidence = gather(signal, find_drives(signal, windows, unit), unit, limits)
    for e, angle in zip(evidence, measure_angles(evidence, unit), strict=True):
        what = decide(Case(e, angle, position, time_u_s(e, accuracy), unit, limits))
        if what is None:
            found.append((e, None))
            continue
        position = what.position
        count += 1
        found.append((e, half_turn_of(signal, e, angle, what, count, unit, accuracy)))
    return signal, found


def find_drives(signal: Signal, windows: list[Window], unit: UnitType) -> list[Drive]:
    """Return the current of every window, those in which none flowed included."""
    least_a = LEAST_OF_STALL * unit.nominal_v / unit.winding_ohm
    drives: list[Drive] = []
    for window in windows:
        last = drives[-1] if drives else None
        was_driving = last is not None and last.flows_to_end and window.begins is Cause.IGNITION
        rest = last.rest if was_driving and last else _rest_before(signal, window, last, unit)
        drive = trace_drive(signal, window, rest, was_driving=was_driving, least_a=least_a)
        drives.append(drive.silenced() if is_leakage(drive, last, unit) else drive)
    return drives


def _rest_before(signal: Signal, window: Window, last: Drive | None, unit: UnitType) -> Rest:
    """Return level and noise at rest just before a window."""
    at = signal.at_row(window.first)
    if at == 0:
        return _lowest(signal, signal.at_row(window.last), unit)
    first = at - int(REST_BEFORE_S / signal.step_s) if signal.step_s > 0 else 0
    settle = int(SETTLE_S / signal.step_s) + 2 if signal.step_s > 0 else 2
    if last is not None:
        if last.flows:
            quiet = (last.end if last.cut is not None else last.last) + settle
        else:
            quiet = min(last.first + settle, at - REST_SAMPLES)
        first = max(first, quiet)
    values = signal.current_a[max(first, 0) : at]
    if len(values) < 4:
        return last.rest if last is not None else _lowest(signal, at, unit)
    rest_a = level(values)
    noise_a = max(noise(values, rest_a), HALF_A_DIGIT * signal.quantum_a)
    if len(values) < FEW:
        noise_a = max(noise_a, signal.noise_a)
    return Rest(rest_a, noise_a, values)


def _lowest(signal: Signal, end: int, unit: UnitType) -> Rest:
    """Return the rest level of a trace that begins with the feed made: no rest was seen before.

    The end of its first window is at rest unless the current is lower elsewhere while fed.
    """
    noise_a = max(signal.noise_a, HALF_A_DIGIT * signal.quantum_a)
    tail = max(int(0.1 / signal.step_s), 4) if signal.step_s > 0 else 4
    last_a = signal.current_a[max(end - tail, 0) : end]
    tail_a = level(last_a)
    noise_a = max(noise_a, noise(last_a, tail_a))  # hum does not show from sample to sample
    if tail_a > LEAK_OF_STALL * unit.nominal_v / unit.winding_ohm:
        return Rest(0.0, noise_a)  # too much for leakage: it flows all the time
    fed_a = thinned(signal.current_a[signal.fed], 4096)
    if len(fed_a) == 0:
        return Rest(tail_a, noise_a, last_a)
    low_a = float(np.quantile(fed_a, 0.1)) + 1.28 * noise_a
    far_a = noise_a + 0.01 * float(fed_a.max() - low_a)
    if tail_a - low_a > far_a:
        return Rest(low_a, noise_a)
    return Rest(tail_a, noise_a, last_a)
