"""What a diagnosis says, part by part."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from enum import StrEnum

from rig.analysis.binding import Bind
from rig.analysis.drop import DropReport
from rig.analysis.estimate import Estimate
from rig.analysis.fuse_race import FittedFuse, FuseRace
from rig.analysis.model import Direction, HalfTurn, Measure, UnitType
from rig.analysis.motor import MotorIdentity
from rig.analysis.motor_reach import MotorReach
from rig.analysis.slow import WhySlow
from rig.analysis.stroke import StrokeProfile
from rig.analysis.stroke_mean import Comparison


class Topic(StrEnum):
    """A part of the diagnosis, in the order in which they are told."""

    TIME = "time"
    SLOW = "slow"
    STROKE = "stroke"
    COMPARED = "compared"
    MOTOR = "motor"
    WINDING = "winding"
    FEED = "feed"
    RELAY = "relay"
    FUSE = "fuse"


@dataclass(frozen=True, slots=True)
class Finding:
    """Something that stands out: of which part, in a short sentence."""

    topic: Topic
    text: str


@dataclass(frozen=True, slots=True)
class TurnTime:
    """A half-turn's time: as measured at ``supply_v`` (V), and as it would be at nominal voltage.

    ``limit_s`` is the plan's limit at the nominal voltage (s).
    """

    number: int
    direction: Direction
    supply_v: float | None
    half_turn_s: Estimate
    nominal_s: Estimate
    limit_s: float


@dataclass(frozen=True, slots=True)
class SlowTurn:
    """Half-turn ``number``, the middle one of its direction by time, taken apart."""

    number: int
    direction: Direction
    why: WhySlow


@dataclass(frozen=True, slots=True, eq=False)
class Stroke:
    """The mean profile of ``count`` half-turns of one direction, friction in its load.

    ``compared`` with earlier runs or good units; None if there are none.
    """

    profile: StrokeProfile
    count: int
    compared: Comparison | None = None


@dataclass(frozen=True, slots=True)
class FusePart:
    """Fuse ratings against the winding of a jammed unit on ``supply_v`` (V), behind ``lead_ohm``.

    ``fitted_a`` is the rating (A) in the rig.
    """

    supply_v: float
    lead_ohm: float
    fitted_a: float | None
    races: tuple[FuseRace, ...]


@dataclass(frozen=True, slots=True)
class RelayValue:
    """A value of the unit's own relay with the plan's limits, None where there is none."""

    title: str
    measure: Measure
    least: float | None = None
    most: float | None = None


@dataclass(frozen=True, slots=True)
class References:
    """With what a run was compared, in words: units that are good, and runs of the stroke.

    ``unhooked`` is the run with the cable off, empty if none was given; ``unhooked_missing`` says
    why it tells nothing.
    """

    good: tuple[str, ...] = ()
    strokes: tuple[str, ...] = ()
    strokes_are_own: bool = False
    unhooked: str = ""
    unhooked_missing: str = ""


@dataclass(frozen=True, slots=True, eq=False)
class Diagnosis:
    """Everything that a run says of why its unit is as it is.

    ``findings`` what stands out, worst first; ``missing`` which parts could not be told, and the
    step or the file that would bring each.  ``half_turns`` are those of plain work.  ``reach`` is
    what the motor can do at the type's nominal voltage, ``fitted`` the rig's fuse, None if the rig
    is not known.
    """

    name: str
    serial: str
    unit: UnitType
    simulated: bool
    circuit_known: bool
    half_turns: tuple[HalfTurn, ...]
    identity: MotorIdentity
    reach: MotorReach
    times: tuple[TurnTime, ...]
    slow: tuple[SlowTurn, ...]
    strokes: tuple[Stroke, ...]
    binds: tuple[Bind, ...]
    drop: DropReport
    fuse: FusePart | None
    relay: tuple[RelayValue, ...]
    references: References
    fitted: FittedFuse | None
    missing: Mapping[Topic, str]
    findings: tuple[Finding, ...] = ()
