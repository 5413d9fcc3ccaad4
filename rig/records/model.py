"""What is handed to the record and what comes back from it."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from datetime import datetime
from enum import StrEnum
from typing import Any
from uuid import UUID

from rig.analysis.model import HalfTurn, Judgement, Measure
from rig.analysis.trace import Trace
from rig.quality.calibration import Standing
from rig.records.lateness import Lateness


class RunState(StrEnum):
    """How far a run came."""

    RUNNING = "running"
    FINISHED = "finished"
    STOPPED = "stopped"  # by the operator
    INTERRUPTED = "interrupted"  # by a signal, a lost console, a lost sensor, a guard on the rig


class StepState(StrEnum):
    """How a step ended."""

    DONE = "done"
    CUT_SHORT = "cut_short"  # the guard, a stop or an error ended it
    SKIPPED = "skipped"


class Held(StrEnum):
    """What of a step was held against the plan's limits."""

    ALL = "all"  # its half-turns and its measures
    MEASURES = "measures"  # no half-turn: they were made otherwise than the limits are meant for
    NOTHING = "nothing"  # the rig was not sound while it lasted


class Source(StrEnum):
    """Where the unit came from; records from before `NOT_TOLD` say own rebuild for it too."""

    NOT_TOLD = "not_told"
    OWN_REBUILD = "own_rebuild"
    CUSTOMER_JOB = "customer_job"
    DELIVERY_LOT = "delivery_lot"


@dataclass(frozen=True)
class RunStart:
    """Written before anything is fed.  Times are UTC and aware.

    ``control`` is what the control loop was granted by the system, in words; None in virtual time,
    and in records from before that was kept.  ``calibration`` is how the station stood; None in
    records from before that was kept.  ``golden`` is what the golden units said of the rig
    (`rig.records.golden_said`), None where none is declared.  ``gauge_trial`` is the trial of a
    gauge study that the run is made for, ``lot_item`` the item of a lot's sample.
    """

    started_at: datetime
    unit_serial: str
    unit_type: str
    plan_name: str
    plan_text: str
    rig_name: str
    rig_text: str
    station: str
    operator: str
    source: Source
    reference: str  # job or lot number, may be empty
    backend: str
    simulated: bool
    backend_facts: Mapping[str, str]  # seed, faults, chip ...
    program_version: str
    control: str | None = None
    calibration: Standing | None = None
    golden: Mapping[str, Any] | None = None
    gauge_trial: UUID | None = None
    lot_item: UUID | None = None


AGAIN = " (repeated)"
"""How the title of a step ends that had been done before in the same run."""


@dataclass(frozen=True)
class StepRecord:
    """One step as it ended, with everything it found.  ``trace`` is exact.

    ``held`` is None where nothing was to be judged, and in records from before that was kept.
    """

    number: int
    kind: str
    title: str
    started_at: datetime
    ended_at: datetime
    state: StepState
    measures: tuple[Measure, ...] = ()
    half_turns: tuple[HalfTurn, ...] = ()
    trace: Trace | None = None
    answers: Mapping[str, Any] = field(default_factory=dict)
    note: str = ""
    held: Held | None = None


@dataclass(frozen=True)
class RunEvent:
    """Something that happened during a run; ``time_s`` (s) is on the trace's axis."""

    at: datetime
    time_s: float
    kind: str
    text: str


@dataclass(frozen=True)
class RunEnd:
    """How a run ended; ``swept``: its program died, and another that noticed wrote this.

    ``lateness`` is None in virtual time, and where nobody lived to write it.
    """

    ended_at: datetime
    state: RunState
    judgement: Judgement | None
    feeds_off: bool  # read back off at the end
    note: str = ""
    swept: bool = False
    lateness: Lateness | None = None


@dataclass(frozen=True)
class RunSummary:
    """A line in a list of runs; ``isolation`` is None for a run of a plan or a feed by hand.

    ``bench`` names the bench that made it, if it is not the one whose records these are.
    """

    run_id: UUID
    started_at: datetime
    unit_serial: str
    plan_name: str
    state: RunState
    verdict: str | None
    operator: str
    reference: str
    simulated: bool
    isolation: IsolationCame | None = None
    bench: str = ""

    @property
    def what(self) -> str:
        """The plan that was carried out, or that it was an isolation, which has none."""
        return self.plan_name if self.isolation is None else "isolation"

    @property
    def came_to(self) -> str:
        """The verdict, or how far it came; of an isolation the cause."""
        if self.isolation is not None and self.isolation.cause:
            unsure = "" if self.isolation.sure else "?"
            return f"{self.isolation.cause}{unsure}"
        return self.verdict.upper() if self.verdict else str(self.state)


@dataclass(frozen=True)
class RunFilter:
    """Which runs are wanted; what is None (or False) does not narrow the search.

    ``serial``, ``reference`` and ``plan`` match whole, the ``*_part`` ones anywhere inside and
    whatever the case.  ``since <= started < until`` (aware times).  ``verdict`` is a word of
    `rig.analysis.model.Verdict`; ``unjudged``: only runs without one.
    """

    serial: str | None = None
    reference: str | None = None
    plan: str | None = None
    serial_part: str | None = None
    reference_part: str | None = None
    plan_part: str | None = None
    verdict: str | None = None
    unjudged: bool = False
    since: datetime | None = None
    until: datetime | None = None


@dataclass(frozen=True)
class RunsFound:
    """A page of a search, newest first, and how many runs match in all."""

    runs: tuple[RunSummary, ...]
    total: int


@dataclass(frozen=True)
class UnitRun:
    """A run in a unit's history: its line, what it was held against, and what it measured.

    ``half_turns`` are those of steps at the unit's plain work (`rig.records.history.PLAIN_STEPS`),
    ``measures`` those of all its steps.
    """

    summary: RunSummary
    plan_text: str
    half_turns: tuple[HalfTurn, ...]
    measures: tuple[Measure, ...]


@dataclass(frozen=True)
class UnitHistory:
    """The newest runs of one unit, newest first; ``total``: how many there are in all."""

    serial: str
    unit_type: str
    runs: tuple[UnitRun, ...]
    total: int


@dataclass(frozen=True)
class IsolationCame:
    """What an isolation came to: the cause by name (empty: it was cut off), and if it is sure."""

    cause: str = ""
    sure: bool = False


OF_ISOLATION = ("guided", "ranking")
"""The kinds of steps that only an isolation has."""


def isolation_of(steps: Iterable[tuple[str, Mapping[str, Any]]]) -> IsolationCame | None:
    """Return what the steps, each its kind and answers, make of an isolation; None: they are none.

    The last step of kind ``ranking`` holds the cause.
    """
    came = None
    for kind, answers in steps:
        if kind == "ranking":
            came = IsolationCame(str(answers.get("cause", "")), bool(answers.get("sure")))
        elif kind in OF_ISOLATION:
            came = came or IsolationCame()
    return came


@dataclass(frozen=True)
class RunRecord:
    """A whole run as kept.

    ``bench`` names the bench that made it, if it is not the one whose records these are.
    """

    run_id: UUID
    start: RunStart
    steps: tuple[StepRecord, ...]
    events: tuple[RunEvent, ...]
    end: RunEnd | None
    bench: str = ""

    @property
    def state(self) -> RunState:
        """How far it came."""
        return RunState.RUNNING if self.end is None else self.end.state

    @property
    def isolation(self) -> IsolationCame | None:
        """What it came to, if it was an isolation."""
        return isolation_of((step.kind, step.answers) for step in self.steps)
