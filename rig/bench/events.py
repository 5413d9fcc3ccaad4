"""What a running bench tells those who watch: small, picklable, in words of our own."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from enum import StrEnum
from typing import Any
from uuid import UUID

from rig.analysis.faults.model import Proposal, Ranking
from rig.analysis.model import HalfTurn, Judgement, Measure
from rig.bench.requests import Ask
from rig.isolation.words import Conclusion
from rig.quality.calibration import Calibration, Standing
from rig.records.lateness import Lateness
from rig.records.model import RunState, StepState


@dataclass(frozen=True, slots=True)
class RunBegan:
    """The run is in the record; nothing is fed yet.  ``expected_s`` is a guess, s.

    ``golden``: what the golden units say of the rig (`rig.records.golden_said`), None without any.
    """

    run_id: UUID
    station: str
    plan_title: str
    steps: int
    expected_s: float
    simulated: bool
    facts: dict[str, str]
    calibration: Standing | None = None
    golden: Mapping[str, Any] | None = None


@dataclass(frozen=True, slots=True)
class StepBegan:
    """Step ``number`` of ``steps`` starts; it means to make ``half_turns`` (0: none, or open).

    ``expected_s`` is a guess of its length, ``expected_after_s`` of all steps after it, s.
    """

    number: int
    steps: int
    kind: str
    title: str
    expected_s: float
    time_s: float
    half_turns: int = 0
    repeated: bool = False
    expected_after_s: float = 0.0


@dataclass(frozen=True, slots=True)
class Paused:
    """The run pauses with the feeds off until it is told to go on."""

    text: str


@dataclass(frozen=True, slots=True)
class WentOn:
    """The pause is over."""


@dataclass(frozen=True, slots=True)
class HalfTurnEnded:
    """The control loop saw a half-turn end (a rough time; the measured one comes with the step)."""

    to_run: bool
    parked: bool
    after_s: float


@dataclass(frozen=True, slots=True)
class Asked:
    """Somebody at the jig is asked; answer with `Answer`.

    ``seen`` is what the simulated jig would show whoever looks, empty on a real one.
    """

    ask: Ask
    seen: str = ""


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
class TestDone:
    """A guided test that was proposed: ``told`` in a few words what came of it.

    ``counts``: it was done and its result is in the ranking.
    """

    test: str
    told: str
    counts: bool


@dataclass(frozen=True, slots=True)
class Ranked:
    """What an isolation knows now: the leading causes, the test to do next, those done so far.

    ``confidence`` is what it is to reach; ``conclusion`` is there when it is over; ``left_out``
    tells what it cannot find, a sentence each.
    """

    ranking: Ranking
    proposal: Proposal | None
    done: tuple[TestDone, ...]
    confidence: float
    conclusion: Conclusion | None = None
    left_out: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class RunEnded:
    """The run is over, feeds off, record closed; ``on_request``: a stop or a signal ended it.

    ``control`` and ``lateness`` as in `rig.records.model`.
    """

    run_id: UUID | None
    state: RunState
    judgement: Judgement | None
    feeds_off: bool
    note: str
    on_request: bool = False
    control: str | None = None
    lateness: Lateness | None = None


@dataclass(frozen=True, slots=True)
class Refused:
    """The bench would not start, or failed; ``status`` is the program's exit status for it."""

    text: str
    status: int = 5


@dataclass(frozen=True, slots=True)
class Ready:
    """The bench process is up and waits for its job; nothing is claimed or fed."""


class ItemState(StrEnum):
    """How an item of the rig's self-check stands."""

    OPEN = "open"
    GOING = "going"
    GOOD = "good"
    WRONG = "wrong"
    LEFT_OUT = "left_out"  # not wired, or the operator could not


@dataclass(frozen=True, slots=True)
class CheckItem:
    """An item of the rig's self-check changed; ``text`` says what was seen and what to do."""

    name: str
    title: str
    state: ItemState
    text: str = ""


@dataclass(frozen=True, slots=True)
class ZeroFound:
    """What a sensor reads with the feeds off: mean (A), expanded uncertainty (A, k = 2), noise.

    ``offset_a`` is what the rig file's ``offset_a`` should be; ``noise_a`` one standard deviation.
    ``calibrated``: the calibration's offset was in its place, and is ``in_rig_file_a`` here.
    """

    station: str
    offset_a: float
    u_a: float
    noise_a: float
    in_rig_file_a: float
    calibrated: bool = False


@dataclass(frozen=True, slots=True)
class RigCheckEnded:
    """The look at the rig is over, feeds off.

    ``good``: True only if everything that is wired was checked and good; False if anything is
    wrong; None if nothing wrong was found but not everything was checked, which ``text`` says, or
    if it was broken off.  ``complete`` tells those two apart: a self-check came to its end.
    """

    good: bool | None
    feeds_off: bool
    text: str
    complete: bool = False


@dataclass(frozen=True, slots=True)
class CalibrationFound:
    """What a calibration found, before it is accepted: gain, offset, errors in ``words``.

    With any of ``objections`` it cannot be accepted; ``cautions`` are told besides.
    """

    made: Calibration
    words: tuple[str, ...]
    objections: tuple[str, ...]
    cautions: tuple[str, ...]


BenchEvent = (
    Ready
    | RunBegan
    | StepBegan
    | HalfTurnEnded
    | Paused
    | WentOn
    | Asked
    | Noted
    | StepEnded
    | Ranked
    | RunEnded
    | CheckItem
    | ZeroFound
    | RigCheckEnded
    | CalibrationFound
    | Refused
)
