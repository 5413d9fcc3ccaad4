"""What a running bench tells those who watch: small, picklable, in words of our own."""

from __future__ import annotations

from dataclasses import dataclass
from uuid import UUID

from rig.analysis.model import HalfTurn, Judgement, Measure
from rig.bench.requests import Ask
from rig.records.model import RunState, StepState


@dataclass(frozen=True, slots=True)
class RunBegan:
    """The run is in the record; nothing is fed yet.  ``expected_s`` is a guess, s."""

    run_id: UUID
    station: str
    plan_title: str
    steps: int
    expected_s: float
    simulated: bool
    facts: dict[str, str]


@dataclass(frozen=True, slots=True)
class StepBegan:
    """Step ``number`` of ``steps`` starts."""

    number: int
    steps: int
    kind: str
    title: str
    expected_s: float
    time_s: float


@dataclass(frozen=True, slots=True)
class HalfTurnEnded:
    """The control loop saw a half-turn end (a rough time; the measured one comes with the step)."""

    to_run: bool
    parked: bool
    after_s: float


@dataclass(frozen=True, slots=True)
class Asked:
    """Somebody at the jig is asked; answer with `answer` of the bench."""

    ask: Ask


@dataclass(frozen=True, slots=True)
class Noted:
    """Something worth a line in the run's record: a trip, a proof, a stop."""

    kind: str
    text: str
    time_s: float


@dataclass(frozen=True, slots=True)
class StepEnded:
    """A step is over and on disk."""

    number: int
    kind: str
    title: str
    state: StepState
    measures: tuple[Measure, ...]
    half_turns: tuple[HalfTurn, ...]
    note: str


@dataclass(frozen=True, slots=True)
class RunEnded:
    """The run is over, feeds off, record closed; ``on_request``: a stop or a signal ended it."""

    run_id: UUID | None
    state: RunState
    judgement: Judgement | None
    feeds_off: bool
    note: str
    on_request: bool = False


@dataclass(frozen=True, slots=True)
class Refused:
    """The bench would not start, or failed; ``status`` is the program's exit status for it."""

    text: str
    status: int = 5


BenchEvent = RunBegan | StepBegan | HalfTurnEnded | Asked | Noted | StepEnded | RunEnded | Refused
