"""What is looked at: the traces of a run, and what is known of unit, rig and instrument."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

from rig.analysis.drop import FeedCircuit
from rig.analysis.fuse import BLADE, FuseSeries
from rig.analysis.half_turns import AS_IT_COMES
from rig.analysis.model import Accuracy, HalfTurn, Limits, Measure, UnitType
from rig.analysis.trace import Trace

PLAIN_KINDS = ("half_turns", "park_check", "endurance", "by_hand")
"""Steps at the unit's plain work: no weight, no lock, no lowered supply, no foreign relay."""
UNHOOKED = "unhooked"
"""The kind of a step at the same work with the cable off the lever."""
HALF_TURNS_MOST = 24
"""So many half-turns tell as much as a night of them (guess)."""
STARTER_CIRCUIT = FeedCircuit(shunt_ohm=0.005, fuse_a=10.0)
"""The feed of a trace from an unknown rig: that of the rig file that comes with the program."""


@dataclass(frozen=True, slots=True, eq=False)
class StepSeen:
    """One step: its ``kind``, its trace (None if it has none), what was found and measured."""

    kind: str
    trace: Trace | None
    half_turns: tuple[HalfTurn, ...] = ()
    measures: tuple[Measure, ...] = ()


@dataclass(frozen=True, slots=True, eq=False)
class RunSeen:
    """A run, or a trace from anywhere, on one unit.

    ``name`` says which in words.  ``max_c`` (degrees C) is what the winding may reach,
    ``ambient_c`` what it had when the first trace began, if known.  ``circuit_known`` tells whether
    ``circuit`` is that of the rig it was taken on.  The voltage is read with every
    ``voltage_every``-th sample.
    """

    name: str
    serial: str
    unit: UnitType
    limits: Limits
    max_c: float
    steps: tuple[StepSeen, ...]
    accuracy: Accuracy = AS_IT_COMES
    coil_accuracy: Accuracy | None = None
    voltage_every: int = 10
    circuit: FeedCircuit = STARTER_CIRCUIT
    circuit_known: bool = False
    fuse_series: FuseSeries = BLADE
    ambient_c: float | None = None
    simulated: bool = False

    @property
    def plain(self) -> tuple[StepSeen, ...]:
        """The steps at plain work, as far as the first `HALF_TURNS_MOST` half-turns go."""
        return tuple(_first([step for step in self.steps if step.kind in PLAIN_KINDS]))

    @property
    def unhooked(self) -> tuple[StepSeen, ...]:
        """The steps with the cable off the lever."""
        return tuple(_first([step for step in self.steps if step.kind == UNHOOKED]))

    @property
    def jams(self) -> tuple[Trace, ...]:
        """The traces in which the lever was locked."""
        return tuple(s.trace for s in self.steps if s.kind == "jam" and s.trace is not None)


def _first(steps: Sequence[StepSeen]) -> list[StepSeen]:
    found: list[StepSeen] = []
    left = HALF_TURNS_MOST
    for step in steps:
        if step.trace is None or not step.half_turns or left <= 0:
            continue
        if len(step.half_turns) > left:
            end_s = step.half_turns[left].start_s
            step = replace(
                step,
                trace=step.trace.between(float("-inf"), end_s),
                half_turns=step.half_turns[:left],
            )
        left -= len(step.half_turns)
        found.append(step)
    return found
