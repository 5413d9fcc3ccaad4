"""What is kept of the rig's own studies: gauge studies and golden units."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime
from uuid import UUID

from rig.records.model import RunState


@dataclass(frozen=True)
class TrialPlanned:
    """One measurement of a gauge study: who measures which unit, and for which time."""

    part: str
    operator: str
    trial: int


@dataclass(frozen=True)
class StudyStart:
    """A gauge study as it is set up.  ``trials`` in the order in which they are to be made.

    ``name`` tells it from every other study; ``seed`` is what the order was drawn with.
    """

    name: str
    plan_name: str
    plan_text: str
    station: str
    began_at: datetime
    seed: int
    trials: tuple[TrialPlanned, ...]
    note: str = ""


@dataclass(frozen=True)
class TrialRun:
    """A run that was made for a trial; ``set_aside``: why it does not count ("": it does)."""

    run_id: UUID
    started_at: datetime
    operator: str
    state: RunState
    verdict: str | None
    set_aside: str = ""

    @property
    def counts(self) -> bool:
        """Whether it came to its end and was not set aside."""
        return self.state is RunState.FINISHED and not self.set_aside


@dataclass(frozen=True)
class TrialKept:
    """A trial with its runs, the oldest first; ``position`` from 1 in the order of the study."""

    trial_id: UUID
    position: int
    part: str
    operator: str
    trial: int
    runs: tuple[TrialRun, ...] = ()

    @property
    def run(self) -> TrialRun | None:
        """The run that counts: the newest of those that do."""
        return next((run for run in reversed(self.runs) if run.counts), None)


@dataclass(frozen=True)
class StudyKept:
    """A gauge study as it stands."""

    study_id: UUID
    name: str
    plan_name: str
    plan_text: str
    station: str
    began_at: datetime
    seed: int
    note: str
    trials: tuple[TrialKept, ...]

    @property
    def next_trial(self) -> TrialKept | None:
        """The first trial in order that has no run that counts; None if all are done."""
        return next((trial for trial in self.trials if trial.run is None), None)

    @property
    def done(self) -> int:
        """How many trials have a run that counts."""
        return sum(trial.run is not None for trial in self.trials)


@dataclass(frozen=True)
class GoldenStart:
    """A unit declared golden: its checks by ``plan_name`` on ``station`` tell whether the rig is in
    control.  ``baseline`` is how many checks set the limits, ``measures`` the names charted."""

    serial: str
    unit_type: str
    plan_name: str
    station: str
    baseline: int
    measures: tuple[str, ...]
    declared_at: datetime
    operator: str = ""
    reason: str = "declared"


@dataclass(frozen=True)
class BaselineKept:
    """From when on checks count afresh, and why; the earlier ones are kept with theirs."""

    number: int
    began_at: datetime
    reason: str
    operator: str


@dataclass(frozen=True)
class GoldenKept:
    """A golden unit; ``withdrawn_at`` None: it is in use.  ``baselines`` the oldest first."""

    golden_id: UUID
    serial: str
    unit_type: str
    plan_name: str
    station: str
    baseline: int
    measures: tuple[str, ...]
    declared_at: datetime
    withdrawn_at: datetime | None
    baselines: tuple[BaselineKept, ...]

    @property
    def newest(self) -> BaselineKept:
        """The baseline that is in force."""
        return self.baselines[-1]
