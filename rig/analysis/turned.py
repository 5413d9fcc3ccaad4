"""The drives of a unit's traces made ready for identification."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from rig.analysis.backemf import without_spikes
from rig.analysis.evidence import Evidence
from rig.analysis.half_turns import evidence_of
from rig.analysis.model import (
    Accuracy,
    Direction,
    HalfTurn,
    Limits,
    Outcome,
    UnitType,
    VoltageLimit,
)
from rig.analysis.signal import Signal
from rig.analysis.supply_line import SupplyLine, supply_lines
from rig.analysis.trace import BoolArray, FloatArray, Trace

# Identification judges nothing: every half-turn that ends by its own cam is welcome.
ANY = Limits(half_turn_max_s=VoltageLimit(((12.0, 60.0),)), run_on_s=60.0, stall_s=0.4)
WHOLE = (Outcome.PARKED, Outcome.SLOW)
# An inrush stays so near its top (part of it) for a few ms at most, an electronic limit holds it
# there (s, samples, guess).
TOP_PART, TOP_S, TOP_SAMPLES = 0.015, 0.005, 4


@dataclass(frozen=True, slots=True)
class Turned:
    """One drive: samples from just before its current on, zero and leakage taken off.

    ``time_s`` on the trace's axis; ``closed`` is false where the current dropped out; ``begin`` the
    first sample with current; ``cut_s`` its own cut-off (None if something else ended it).
    ``follows`` tells that the drive before it in the trace was ended by the cam, so that it began
    where that one came to rest.  ``whole`` tells that it ended at its park position.  ``trace`` and
    ``number`` say where it is from.  ``clipped`` tells that the sensor's range ended below its
    inrush, ``limited`` that the supply's did: then its voltage is not known either.
    ``standing_ohm`` is what it had at standstill, at ``standing_s``.
    """

    trace: int
    number: int
    direction: Direction
    time_s: FloatArray
    current_a: FloatArray
    closed: BoolArray
    begin: int
    begin_s: float
    begin_half_s: float
    cut_s: float | None
    line: SupplyLine | None
    noise_a: float
    from_rest: bool
    clipped: bool
    limited: bool
    whole: bool
    follows: bool
    standing_ohm: float | None
    standing_s: float | None

    @property
    def driven(self) -> slice:
        """The samples with current."""
        return slice(self.begin, len(self.time_s))


def find_turned(
    traces: Sequence[Trace], unit: UnitType, accuracy: Accuracy
) -> tuple[list[Turned], float]:
    """Return every drive of the traces, and the zero's standard uncertainty (A)."""
    found: list[Turned] = []
    zero_u_a = 0.0
    for at, trace in enumerate(traces):
        seen = evidence_of(trace, unit, ANY, accuracy)
        if seen is None:
            continue
        signal, pairs = seen
        zero_u_a = max(zero_u_a, signal.zero_u_a)
        lines = supply_lines(signal, [e for e, _ in pairs])
        before: Evidence | None = None
        for (e, half_turn), line in zip(pairs, lines, strict=True):
            if e.drive.flows and e.electric is not None:
                found.append(_turned(at, signal, e, half_turn, line, before))
                before = e  # without current it stays where it is
    return found, zero_u_a


def _turned(
    at: int,
    signal: Signal,
    e: Evidence,
    half_turn: HalfTurn | None,
    line: SupplyLine | None,
    before: Evidence | None,
) -> Turned:
    drive = e.drive
    first = max(drive.begin - 3, drive.first)
    current_a = drive.above_a[first - drive.first : drive.end - drive.first]
    has_start = e.electric is not None and e.electric.start is not None
    closed = np.ones(len(current_a), dtype=np.bool_)
    for a, b in drive.out:
        closed[max(a - first - 1, 0) : b - first + 1] = False
    limited = e.standstill is None and e.clipped_part == 0.0 and _is_limited(signal, e)
    standing = e.standstill
    if standing is not None and (not standing.is_sure or e.cut is not None):
        standing = None
    whole = half_turn is not None and half_turn.outcome in WHOLE and not e.window.homing
    return Turned(
        trace=at,
        number=half_turn.number if half_turn is not None else 0,
        direction=e.window.direction,
        time_s=signal.time_s[first : drive.end],
        current_a=np.asarray(current_a, dtype=np.float64),
        closed=closed,
        begin=drive.begin - first,
        begin_s=drive.begin_s,
        begin_half_s=drive.begin_half_s,
        cut_s=e.cut.time_s if e.cut is not None else None,
        line=None if limited else line,
        noise_a=max(drive.rest.noise_a, signal.noise_a),
        from_rest=has_start and not drive.carried and e.clipped_part == 0.0,
        clipped=e.clipped_part > 0.0,
        limited=limited,
        whole=whole and e.clipped_part == 0.0,
        follows=before is not None and before.cut is not None,
        standing_ohm=1.0 / standing.conductance if standing is not None else None,
        standing_s=standing.cold_s if standing is not None else None,
    )


def _is_limited(signal: Signal, e: Evidence) -> bool:
    """Whether the current stood level at its top before it fell: the supply gave no more."""
    drive = e.drive
    current_a = without_spikes(drive.above_a[drive.begin - drive.first : drive.end - drive.first])
    first_half = current_a[: max(len(current_a) // 2, 1)]
    top_a = float(np.quantile(first_half, 1.0 - min(TOP_SAMPLES / len(first_half), 1.0)))
    slack_a = max(TOP_PART * top_a, 3.0 * max(drive.rest.noise_a, signal.noise_a))
    if top_a < 2.0 * drive.running_a:
        return False
    at_top = np.flatnonzero(np.abs(first_half - top_a) < slack_a)
    time_s = signal.time_s[drive.begin + at_top]
    return len(at_top) >= TOP_SAMPLES and float(time_s[-1] - time_s[0]) >= TOP_S
