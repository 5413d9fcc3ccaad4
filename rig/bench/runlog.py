"""What a run has found so far, on its way to the record and to whoever watches."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from uuid import UUID

from rig.analysis.judge import Tally, judge_half_turns, judge_measures, one_line_a_pass
from rig.analysis.model import HalfTurn, Limits, Measure, Reason, Verdict
from rig.bench.dates import Dates
from rig.bench.events import Noted
from rig.bench.repeated import Repeated
from rig.bench.seams import Console, Keeper
from rig.records.model import RunEvent


@dataclass(frozen=True, slots=True)
class Mark:
    """How many reasons there were at a moment, the judged half-turns being settled."""

    reasons: int


@dataclass
class RunLog:
    """The reasons and half-turns gathered, and the run's events.

    ``now_s`` returns the bench clock's time (s), ``dates`` the record's dates, ``run_id`` is the
    run's in the record; ``judged`` are the half-turns held against the plan's ``limits`` since the
    last mark, ``half_turns`` counts all; ``ending`` is what ended the run before its plan did;
    ``unsound`` what was wrong with the rig in the step that was found last.
    """

    keeper: Keeper
    console: Console
    now_s: Callable[[], float]
    run_id: UUID
    limits: Limits
    judged: list[HalfTurn] = field(default_factory=list)
    reasons: list[Reason] = field(default_factory=list)
    ending: list[Reason] = field(default_factory=list)
    dates: Dates = field(default_factory=Dates)
    half_turns: int = 0
    unsound: str = ""
    repeated: list[Repeated] = field(default_factory=list)
    _since: Mark = Mark(0)
    _measures: list[Measure] = field(default_factory=list)

    def __post_init__(self) -> None:
        self._settled = Tally(self.limits)

    def note(self, kind: str, text: str) -> None:
        """Record an event and show it."""
        now_s = self.now_s()
        self.console.show(Noted(kind, text, now_s))
        self.keeper.add_event(self.run_id, RunEvent(self.dates.now(), now_s, kind, text))

    def argue(self, verdict: Verdict, text: str, measure: str) -> None:
        """Add a reason of the run as a whole."""
        self.reasons.append(Reason(verdict, text, measure))

    def judge(self, measures: Sequence[Measure], limits: Limits) -> None:
        """Add a reason for every measure that ``limits`` speak of."""
        self.reasons.extend(judge_measures(measures, limits))
        self._measures.extend(measures)

    def argue_end(self, verdict: Verdict, text: str, measure: str) -> None:
        """Add what ended the run before its plan did: it is told before all else of its kind."""
        self.ending.append(Reason(verdict, text, measure))

    def mark(self) -> Mark:
        """Return where the log stands: before a step that may be repeated.

        What was judged before stays so, and its half-turns need not be kept any longer.
        """
        self._settled.add(self.judged)
        self.judged.clear()
        return Mark(len(self.reasons))

    def supersede(self, mark: Mark, step: str) -> None:
        """Let a repetition stand for what was found since the last ``mark``, but for what failed.

        A doubt may be cleared by doing a step again; a fault that was measured stays a fault.  All
        of it stays in the record.  ``step`` names the step for the verdict, which tells of it.
        """
        found = self._found_since(mark)
        self.judged.clear()
        del self.reasons[mark.reasons :]
        self.reasons.extend(reason for reason in found if reason.verdict is Verdict.FAIL)
        if not self.repeated or self.repeated[-1].step != step:
            self.repeated.append(Repeated(step))
        self.repeated[-1].once_more(found)
        self._since = self.mark()

    def settle(self) -> None:
        """Take note that the repetition that was begun last has been carried through."""
        self.repeated[-1].settle(self._found_since(self._since))

    def all_reasons(self) -> list[Reason]:
        """Return every reason so far, the half-turns judged together.

        What a repetition kept within a limit is no reason where the time before it failed on that.
        """
        found = self._end_first([*self._settled.reasons(self.judged), *self.reasons])
        if not found:
            return []  # that a step was repeated argues for nothing
        failed = {reason.measure for reason in found if reason.verdict is Verdict.FAIL}
        stands = [r for r in found if r.verdict is not Verdict.PASS or r.measure not in failed]
        stands = one_line_a_pass(stands, self._measures, self.limits)
        return [*stands, *(repeated.reason() for repeated in self.repeated)]

    def _end_first(self, found: list[Reason]) -> list[Reason]:
        """Return ``found`` after what ended the run: the half-turn that failed in it, and why."""
        if not self.ending:
            return found
        culprits = [
            reason
            for reason in found
            if reason.verdict is Verdict.FAIL
            and (reason.measure, reason.half_turn) == ("outcome", self.half_turns)
        ]
        return [*culprits, *self.ending, *(reason for reason in found if reason not in culprits)]

    def _found_since(self, mark: Mark) -> list[Reason]:
        turns = judge_half_turns(self.judged, self.limits) if self.judged else ()
        return [*turns, *self.reasons[mark.reasons :]]
