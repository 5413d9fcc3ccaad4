"""What every step has: a drive that feeds the unit, and a finding made from its trace."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any, Protocol

from rig.analysis.model import Accuracy, HalfTurn, Limits, Measure, Reason, UnitType
from rig.analysis.trace import Trace
from rig.bench.guard import GuardLimits
from rig.bench.motion import MotionWatch
from rig.bench.recorder import Recorder
from rig.bench.requests import Drive


@dataclass(frozen=True)
class StepContext:
    """What a step may know of the run.

    ``home_supply_v`` is the voltage (V) a supply returns to after a step that changed it, None
    without a programmable supply; ``motion`` follows the unit live, ``recorder`` holds the step's
    samples; ``coil_accuracy`` is that of a sensor in the ignition feed, None without one; the
    voltage is read with every ``voltage_every``-th sample.
    """

    unit: UnitType
    limits: Limits
    accuracy: Accuracy
    motion: MotionWatch
    recorder: Recorder
    home_supply_v: float | None
    home_limit_a: float | None
    coil_accuracy: Accuracy | None = None
    voltage_every: int = 10


@dataclass
class Findings:
    """What a step found.

    ``judged`` tells whether its half-turns are held against the plan's limits; ``reasons`` are
    what the step itself concludes; ``zero_offset_a`` (A) is to be taken off the sensor from now
    on; ``rig_fault`` says why the run cannot go on: nothing measured after it would count.
    ``unsound`` says what was wrong with the rig while it lasted: it counts for nothing then.
    ``left_behind`` says what the step left at the jig that no other step may meet.
    ``lowest_v`` (V) is what the step itself lowered the supply to, None if it did not: the feed
    counts as gone only well below that.
    """

    measures: list[Measure] = field(default_factory=list)
    half_turns: tuple[HalfTurn, ...] = ()
    reasons: list[Reason] = field(default_factory=list)
    answers: Mapping[str, Any] = field(default_factory=dict)
    judged: bool = True
    zero_offset_a: float | None = None
    rig_fault: str = ""
    unsound: str = ""
    left_behind: str = ""
    lowest_v: float | None = None
    note: str = ""


class SkippedStep(Exception):  # noqa: N818 - a decision, not an error
    """Raised inside a drive: the step cannot be done, for the reason given."""


class StepWork(Protocol):
    """One step of a plan, ready to run."""

    def drive(self, ctx: StepContext) -> Drive:
        """Feed the unit; yields requests (`rig.bench.requests`)."""
        ...

    def find(self, ctx: StepContext, trace: Trace) -> Findings:
        """Conclude from the step's trace; also called when the step was cut short."""
        ...

    def guard_limits(self, limits: GuardLimits) -> GuardLimits:
        """Return the guard's limits for this step, from those of the plan."""
        ...


class PlainGuard:
    """A step under the plan's own guard limits."""

    def guard_limits(self, limits: GuardLimits) -> GuardLimits:
        """Return ``limits`` unchanged."""
        return limits
