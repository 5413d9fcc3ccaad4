"""What the console knows of the job that is on, gathered from its events."""

from __future__ import annotations

from dataclasses import dataclass, field
from enum import Enum, auto
from math import inf

from rig.analysis.model import HalfTurn
from rig.bench.events import (
    Asked,
    BenchEvent,
    CheckItem,
    HalfTurnEnded,
    Noted,
    Paused,
    Ranked,
    Ready,
    Refused,
    RigCheckEnded,
    RunBegan,
    RunEnded,
    StepBegan,
    StepEnded,
    WentOn,
    ZeroFound,
)
from rig.bench.order import ByHandOrder, IsolationOrder, Job, RigCheckOrder
from rig.bench.requests import NEXT_TEST


class Phase(Enum):
    """How far the job is."""

    NONE = auto()  # no job since the console was opened
    STARTING = auto()  # handed over, nothing heard yet
    ON = auto()
    PAUSED = auto()
    ENDED = auto()  # by itself, by a stop or a trip: `ended` or `checked` says how
    REFUSED = auto()  # the bench would not begin: `refused` says why
    GONE = auto()  # the bench process died


ON = frozenset({Phase.STARTING, Phase.ON, Phase.PAUSED})


@dataclass
class Live:
    """The job that is on, or the last one; `take` is called with each event in turn."""

    job: Job | None = None
    phase: Phase = Phase.NONE
    began: RunBegan | None = None
    step: StepBegan | None = None
    step_on: bool = False
    step_turns: list[HalfTurnEnded] = field(default_factory=list)
    steps: list[StepEnded] = field(default_factory=list)
    notes: list[Noted] = field(default_factory=list)
    asked: Asked | None = None
    pause_wanted: bool = False
    repeat_wanted: bool = False
    paused_from_s: float | None = None  # on the bench's clock
    paused_s: float = 0.0  # of the step that is on
    stop_wanted: bool = False
    ended: RunEnded | None = None
    refused: Refused | None = None
    items: dict[str, CheckItem] = field(default_factory=dict)
    zero: ZeroFound | None = None
    checked: RigCheckEnded | None = None
    ranked: Ranked | None = None

    @property
    def on(self) -> bool:
        """Tell whether a job is on."""
        return self.phase in ON

    @property
    def by_hand(self) -> bool:
        """Tell whether the job is feeding by hand."""
        return isinstance(self.job, ByHandOrder)

    @property
    def isolation(self) -> bool:
        """Tell whether the job is isolating a fault."""
        return isinstance(self.job, IsolationOrder)

    @property
    def proposed(self) -> bool:
        """Tell whether the operator is asked whether to do the test that is proposed."""
        return self.asked is not None and self.asked.ask.action == NEXT_TEST

    @property
    def rig_check(self) -> bool:
        """Tell whether the job is a look at the rig itself."""
        return isinstance(self.job, RigCheckOrder)

    @property
    def half_turns(self) -> list[HalfTurn]:
        """Every measured half-turn of the steps that are over."""
        return [turn for step in self.steps for turn in step.half_turns]

    @property
    def can_repeat(self) -> bool:
        """Tell whether a step is on that could be repeated, or was before the pause."""
        return self.step is not None and (self.step_on or self.phase is Phase.PAUSED)

    def take(self, event: BenchEvent) -> None:
        """Take note of one event."""
        match event:
            case Ready():
                pass
            case RunBegan():
                self.began, self.phase = event, Phase.ON
            case StepBegan():
                self.step, self.step_on, self.step_turns = event, True, []
                self.repeat_wanted = False
                self.phase = Phase.ON
                self.paused_s = 0.0
            case HalfTurnEnded():
                self.step_turns.append(event)
            case Paused():
                self.phase, self.pause_wanted = Phase.PAUSED, False
            case WentOn():
                self.phase, self.pause_wanted = Phase.ON, False
            case Asked():
                self.asked, self.phase = event, Phase.ON
            case Noted():
                self.notes.append(event)
                self._count_pause(event)
            case StepEnded():
                self.steps.append(event)
                self.step_on = False
            case Ranked():
                self.ranked = event
            case RunEnded():
                self.ended = event
                self._over(Phase.ENDED)
            case CheckItem():
                self.items[event.name] = event
                self.asked = None  # what was asked for was seen, or waited for long enough
                self.phase = Phase.ON
            case ZeroFound():
                self.zero, self.phase = event, Phase.ON
            case RigCheckEnded():
                self.checked = event
                self._over(Phase.ENDED)
            case Refused():
                self.refused = event
                if self.ended is None:  # else how it ended is known, and stays
                    self._over(Phase.REFUSED)

    def _count_pause(self, note: Noted) -> None:
        if note.kind == "paused":
            self.paused_from_s = note.time_s
        elif note.kind == "went_on" and self.paused_from_s is not None:
            self.paused_s += note.time_s - self.paused_from_s
            self.paused_from_s = None

    def gone(self) -> None:
        """Take note that the bench process died with the job on."""
        self._over(Phase.GONE)

    def _over(self, phase: Phase) -> None:
        self.phase = phase
        self.asked = None
        self.step_on = self.pause_wanted = self.repeat_wanted = False

    def time_left_s(self, now_s: float) -> float | None:
        """Return about how long the run will still take at bench time ``now_s``, s; None: unknown.

        It is the plan's expectation; a step that lasts longer counts as nearly done.
        """
        if self.began is None or self.isolation:
            return None  # which tests there will be is open
        if self.step is None:
            return self.began.expected_s
        step = self.step
        if self.paused_from_s is not None:
            now_s = self.paused_from_s
        in_step_s = max(0.0, now_s - step.time_s - self.paused_s) if self.step_on else inf
        again_s = step.expected_s if self.repeat_wanted else 0.0
        return max(0.0, step.expected_s - in_step_s) + again_s + step.expected_after_s
