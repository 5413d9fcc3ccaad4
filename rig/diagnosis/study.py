"""Motor, half-turns and stroke of one run, be it the one asked about or one to compare with."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from rig.analysis.estimate import Estimate, unknown
from rig.analysis.levels import median
from rig.analysis.model import Direction, HalfTurn
from rig.analysis.motor import NOT_ASKED, MotorIdentity, identify
from rig.analysis.slow import Nominal, nominal_of_good, nominal_of_type
from rig.analysis.stroke import StrokeProfile, stroke_profiles
from rig.diagnosis.seen import RunSeen, StepSeen


@dataclass(frozen=True, slots=True, eq=False)
class Studied:
    """What a run says of its motor and its stroke; friction is in the profiles' load.

    ``unhooked`` are the profiles with the cable off, if the run has such half-turns.
    """

    run: RunSeen
    half_turns: tuple[HalfTurn, ...]
    identity: MotorIdentity
    profiles: tuple[StrokeProfile, ...]
    unhooked: tuple[StrokeProfile, ...]

    def of(self, direction: Direction) -> tuple[StrokeProfile, ...]:
        """Return the profiles of one direction."""
        return tuple(p for p in self.profiles if p.direction is direction)


def study(run: RunSeen) -> Studied:
    """Return what a run's plain work says; every value unknown if it has none."""
    plain = run.plain
    traces = [step.trace for step in plain if step.trace is not None]
    identity = identify(traces, run.unit, run.accuracy, ambient_c=run.ambient_c, jam=run.jams)
    turns = tuple(turn for step in plain for turn in step.half_turns)
    profiles, unhooked = (_profiles(run, steps, identity) for steps in (plain, run.unhooked))
    return Studied(run, turns, identity, profiles, unhooked)


def _profiles(
    run: RunSeen, steps: Sequence[StepSeen], identity: MotorIdentity
) -> tuple[StrokeProfile, ...]:
    # Friction stays in the load: where it differs from a reference it must show.
    bare = replace(
        identity,
        friction_a=unknown("A", ""),
        dry_friction_a=NOT_ASKED,
        viscous_as_per_rev=NOT_ASKED,
    )
    return tuple(
        profile
        for step in steps
        if step.trace is not None
        for profile in stroke_profiles(step.trace, step.half_turns, run.unit, bare, run.accuracy)
    )


def nominal_of(good: Sequence[Studied], direction: Direction, run: RunSeen) -> Nominal:
    """Return a good half-turn of the type: the middle of the good units, else what the plan says.

    Its time is meant at the type's nominal voltage.
    """
    found = [
        nominal for one in good if (nominal := _nominal_of_one(one, direction, run)) is not None
    ]
    if not found:
        return nominal_of_type(run.unit)
    if len(found) == 1:
        return found[0]
    first = found[0]
    return replace(
        first,
        circuit_ohm=_middle([n.circuit_ohm for n in found]),
        emf_vs_per_rev=_middle([n.emf_vs_per_rev for n in found]),
        friction_nm=_middle([n.friction_nm for n in found]),
        load_nm=_middle([n.load_nm for n in found]),
        delay_s=_middle([n.delay_s for n in found]),
        source_ohm=median(np.array([n.source_ohm for n in found])),
    )


def _nominal_of_one(one: Studied, direction: Direction, run: RunSeen) -> Nominal | None:
    turns = [turn for turn in one.half_turns if turn.direction is direction]
    return nominal_of_good(turns, one.identity, run.unit, one.run.accuracy)


def _middle(values: Sequence[Estimate]) -> Estimate:
    """Return the median of the known ones, with how far units differ in its uncertainty."""
    known = [e for e in values if e.value is not None]
    if not known:
        return values[0]
    numbers = np.array([e.value for e in known], dtype=np.float64)
    spread = float(numbers.std(ddof=1)) if len(numbers) > 1 else 0.0
    own = median(np.array([e.u or 0.0 for e in known]))
    return Estimate(median(numbers), float(np.hypot(spread, own)), known[0].unit)
