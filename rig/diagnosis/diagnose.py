"""From a run to its diagnosis.  Pure: whoever calls has read the records."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from rig.analysis.binding import find_binds
from rig.analysis.drop import DropReport, separate, unit_part
from rig.analysis.estimate import Estimate, unknown
from rig.analysis.fuse import COMMON_RATINGS_A
from rig.analysis.fuse_race import FittedFuse, fitted_fuse, race
from rig.analysis.levels import median
from rig.analysis.model import Accuracy, Direction, HalfTurn, Outcome
from rig.analysis.motor_reach import motor_reach
from rig.analysis.sag_slope import coil_sag_ohm, sag_ohm, surest
from rig.analysis.slow import at_nominal_v, why_slow
from rig.analysis.stroke_mean import MeanProfile, compare_profiles, mean_profile
from rig.analysis.winding_heat import winding_of
from rig.diagnosis.model import (
    Diagnosis,
    FusePart,
    References,
    SlowTurn,
    Stroke,
    Topic,
    TurnTime,
)
from rig.diagnosis.relay_values import relay_values
from rig.diagnosis.seen import RunSeen
from rig.diagnosis.standing_out import standing_out
from rig.diagnosis.study import Studied, nominal_of, study
from rig.quality.decision import COVERAGE

NO_TURN = (
    "no half-turn of plain work ended at its park position: a step of half-turns with nothing on "
    "the lever brings it"
)
NO_REFERENCE = (
    "there is no earlier run of this unit, nor two good units of its type by this plan, to compare "
    "its stroke with: run this plan again later, or on a few good ones"
)


def diagnose(
    run: RunSeen,
    good: Sequence[RunSeen] = (),
    earlier: Sequence[RunSeen] = (),
    unhooked: RunSeen | None = None,
) -> Diagnosis:
    """Return why a unit is as it is.

    ``good`` are runs of good units of its type (those that bind are left out), ``earlier`` runs of
    the unit itself; ``unhooked`` one of the unit with its cable off: without it, half-turns of the
    run itself that an isolation made so.
    """
    own = study(run)
    goods = [one for one in map(study, good) if not find_binds(one.profiles)]
    before = [study(one) for one in earlier]
    bare = own.unhooked if unhooked is None else study(unhooked).profiles
    timed = [turn for turn in own.half_turns if turn.half_turn_s is not None]
    drop = _drop(own, timed)
    strokes, references = _strokes(own, goods, before)
    relay = relay_values(run, own.half_turns)
    fuse = _fuse(own, drop, timed)
    found = Diagnosis(
        name=run.name,
        serial=run.serial,
        unit=run.unit,
        simulated=run.simulated,
        circuit_known=run.circuit_known,
        half_turns=own.half_turns,
        identity=own.identity,
        reach=motor_reach(own.identity, run.unit.nominal_v, [s.profile for s in strokes]),
        times=tuple(_turn_time(turn, own) for turn in timed),
        slow=tuple(_slow(own, goods, timed)),
        strokes=strokes,
        binds=find_binds(own.profiles, bare),
        drop=drop,
        fuse=fuse,
        relay=relay,
        references=replace(
            references,
            good=tuple(g.run.name for g in goods),
            unhooked="" if unhooked is None else unhooked.name,
            unhooked_missing="" if bare or unhooked is None else NO_TURN,
        ),
        fitted=_fitted(run, drop),
        missing={},
    )
    found = replace(found, missing=_missing(found))
    return replace(found, findings=standing_out(found, run.limits))


# --- time ------------------------------------------------------------------------------------


def _turn_time(turn: HalfTurn, own: Studied) -> TurnTime:
    run = own.run
    u_s = None if turn.half_turn_u_s is None else turn.half_turn_u_s / COVERAGE
    return TurnTime(
        number=turn.number,
        direction=turn.direction,
        supply_v=turn.supply_v,
        half_turn_s=Estimate(turn.half_turn_s, u_s, "s"),
        nominal_s=_at_nominal(turn, own),
        limit_s=run.limits.half_turn_max_s.at(run.unit.nominal_v),
    )


def _at_nominal(turn: HalfTurn, own: Studied) -> Estimate:
    """Return its time at the nominal voltage: by the motor's identity, else by the trace alone."""
    unit = own.run.unit
    found = at_nominal_v(turn, own.identity, unit.nominal_v, unit.brake_at_park, own.run.accuracy)
    if found.known or turn.nominal_half_turn_s is None:
        return found
    u_s = turn.nominal_half_turn_u_s
    return Estimate(turn.nominal_half_turn_s, None if u_s is None else u_s / COVERAGE, "s")


def _slow(own: Studied, goods: Sequence[Studied], timed: Sequence[HalfTurn]) -> list[SlowTurn]:
    found = []
    for direction in Direction:
        mine = sorted(
            (turn for turn in timed if turn.direction is direction),
            key=lambda turn: turn.half_turn_s or 0.0,
        )
        if not mine:
            continue
        middle = mine[len(mine) // 2]
        nominal = nominal_of(goods, direction, own.run)
        why = why_slow(middle, own.identity, nominal, own.run.accuracy)
        found.append(SlowTurn(middle.number, direction, why))
    return found


# --- stroke ----------------------------------------------------------------------------------


def _strokes(
    own: Studied, goods: Sequence[Studied], before: Sequence[Studied]
) -> tuple[tuple[Stroke, ...], References]:
    """Return the strokes, held against the unit's own earlier runs, else against good units."""
    against = before if len(before) > 1 else goods
    found = []
    for direction in Direction:
        mine = own.of(direction)
        if not mine:
            continue
        mean = mean_profile(mine)
        reference = _reference(against, direction)
        compared = None
        if reference is not None:
            compared = compare_profiles(mean.profile, reference, own.run.accuracy)
        found.append(Stroke(mean.profile, mean.count, compared))
    names = tuple(one.run.name for one in against) if any(s.compared for s in found) else ()
    return tuple(found), References(strokes=names, strokes_are_own=against is before)


def _reference(studied: Sequence[Studied], direction: Direction) -> MeanProfile | None:
    """Return the mean over runs, each by the mean of its own half-turns."""
    means = [mean_profile(one.of(direction)).profile for one in studied if one.of(direction)]
    return mean_profile(means) if len(means) > 1 else None


# --- feed and fuse ---------------------------------------------------------------------------


def _drop(own: Studied, timed: Sequence[HalfTurn]) -> DropReport:
    run = own.run
    # A source that had to feed a run-on has sunk by itself: no slope of voltage on current.
    traces = [
        step.trace
        for step in run.plain
        if step.trace is not None
        and not any(turn.outcome is Outcome.RUNS_ON for turn in step.half_turns)
    ]
    no_step = unknown("ohm", "a step of half-turns in which the unit does not run on brings it")
    sag = surest([sag_ohm(t, run.accuracy, run.voltage_every) for t in traces] or [no_step])
    coil = run.coil_accuracy or Accuracy()
    coil_sag = surest([coil_sag_ohm(t, coil, run.accuracy) for t in traces] or [no_step])
    run_a = _median([turn.run_a for turn in timed])
    part = unit_part(own.identity, run.unit)
    return separate(sag, coil_sag, run.circuit, run_a or 0.0, part)


def _fuse(own: Studied, drop: DropReport, timed: Sequence[HalfTurn]) -> FusePart | None:
    """Return the race on the voltage that the source had at rest, behind the feed as measured."""
    run, lead_ohm = own.run, drop.parts[0].ohm.value
    turning_v = _median([turn.supply_v for turn in timed])
    run_a = _median([turn.run_a for turn in timed])
    if lead_ohm is None or turning_v is None or run_a is None:
        return None
    lead_ohm = max(lead_ohm, 0.0)
    rest_v = turning_v + lead_ohm * run_a
    winding = winding_of(run.unit, run.max_c, own.identity)
    fitted_a = run.circuit.fuse_a if run.circuit_known else None
    ratings_a = sorted({*COMMON_RATINGS_A, *([] if fitted_a is None else [fitted_a])})
    races = race(winding, rest_v, lead_ohm, ratings_a, run.fuse_series)
    return FusePart(rest_v, lead_ohm, fitted_a, races)


def _fitted(run: RunSeen, drop: DropReport) -> FittedFuse | None:
    """Return the rig's fuse against the unit's type, behind a feed as it usually is."""
    if not run.circuit_known:
        return None
    usual_ohm = 0.5 * sum(drop.parts[0].usual_ohm)
    return fitted_fuse(run.circuit.fuse_a, run.unit, run.max_c, usual_ohm, run.fuse_series)


def _median(values: Sequence[float | None]) -> float | None:
    known = [value for value in values if value is not None and np.isfinite(value)]
    return median(np.array(known)) if known else None


# --- what could not be told ------------------------------------------------------------------


def _missing(found: Diagnosis) -> dict[Topic, str]:
    identity, missing = found.identity, {}
    if not found.times:
        missing[Topic.TIME] = NO_TURN
    if not any(one.why.excess_s is not None for one in found.slow):
        missing[Topic.SLOW] = next((one.why.nominal_s.missing for one in found.slow), NO_TURN)
    if not found.strokes:
        missing[Topic.STROKE] = NO_TURN
    if not any(stroke.compared for stroke in found.strokes):
        missing[Topic.COMPARED] = NO_REFERENCE
    if not identity.circuit_ohm.known:
        missing[Topic.MOTOR] = identity.circuit_ohm.missing
    if not (identity.winding_c.known or identity.rise_k.known):
        missing[Topic.WINDING] = identity.winding_c.missing
    if not found.drop.parts[0].ohm.known:
        missing[Topic.FEED] = found.drop.parts[0].ohm.missing
    if not found.relay:
        missing[Topic.RELAY] = "no half-turn answered, and no relay_check step was done"
    if found.fuse is None:
        missing[Topic.FUSE] = "the feed's resistance is not known: " + (
            found.drop.parts[0].ohm.missing or NO_TURN
        )
    return missing
