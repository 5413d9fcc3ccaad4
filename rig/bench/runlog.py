"""What a run has found so far, on its way to the record and to whoever watches."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field
from datetime import UTC, datetime
from uuid import UUID

from rig.analysis.judge import judge_half_turns
from rig.analysis.model import HalfTurn, Limits, Reason, Verdict
from rig.bench.events import Noted
from rig.bench.seams import Console, Keeper
from rig.records.model import RunEvent


@dataclass
class RunLog:
    """The reasons and half-turns gathered, and the run's events.

    ``now_s`` returns the bench clock's time (s), ``run_id`` is the run's in the record;
    ``judged`` are the half-turns held against the plan's ``limits``, ``half_turns`` counts all.
    """

    keeper: Keeper
    console: Console
    now_s: Callable[[], float]
    run_id: UUID
    limits: Limits
    judged: list[HalfTurn] = field(default_factory=list)
    reasons: list[Reason] = field(default_factory=list)
    half_turns: int = 0

    def note(self, kind: str, text: str) -> None:
        """Record an event and show it."""
        now_s = self.now_s()
        self.console.show(Noted(kind, text, now_s))
        self.keeper.add_event(self.run_id, RunEvent(datetime.now(UTC), now_s, kind, text))

    def argue(self, verdict: Verdict, text: str, measure: str) -> None:
        """Add a reason of the run as a whole."""
        self.reasons.append(Reason(verdict, text, measure))

    def all_reasons(self) -> list[Reason]:
        """Return every reason so far, the half-turns judged together."""
        turns = judge_half_turns(self.judged, self.limits) if self.judged else ()
        return [*turns, *self.reasons]
