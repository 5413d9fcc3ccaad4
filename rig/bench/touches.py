"""Touches by hand on their way to the record: analysed and written beside the control loop."""

from __future__ import annotations

from collections.abc import Callable
from concurrent.futures import Executor, Future
from dataclasses import dataclass, replace
from typing import Any

from rig.analysis.model import HalfTurn
from rig.analysis.trace import Trace
from rig.bench.events import StepBegan, StepEnded
from rig.bench.recorder import Recorder
from rig.bench.runlog import RunLog
from rig.bench.seams import Done
from rig.records.model import StepRecord, StepState

KIND = "by_hand"


@dataclass(frozen=True)
class _Concluded:
    """What the recorder kept of a touch, and what was found in it."""

    trace: Trace
    turns: tuple[HalfTurn, ...] = ()
    trouble: str = ""


@dataclass
class _Part:
    """A touch that is over, waiting for its half-turns, then for the disk."""

    record: StepRecord
    concluded: Future[_Concluded]
    on_disk: Done | None = None


class TouchKeeper:
    """Makes a step of the record of each touch; one is under way to the disk at a time.

    ``find`` returns the half-turns of a trace; it is called through ``beside``.  Nothing here
    waits or takes long: `look` is called in the control loop's rhythm, also with a feed made.
    """

    def __init__(
        self, log: RunLog, beside: Executor, find: Callable[[Trace], tuple[HalfTurn, ...]]
    ) -> None:
        self._log = log
        self._beside = beside
        self._find = find
        self._part: _Part | None = None
        self._number = 0
        self._began = log.dates.now()
        self.from_s = 0.0
        self._notes: list[str] = []
        self._state = StepState.DONE

    @property
    def title(self) -> str:
        """The touch that is on, in words."""
        return f"By hand, touch {self._number}"

    def begin(self, time_s: float) -> None:
        """Begin a touch at ``time_s`` (bench clock, s)."""
        self._number += 1
        self._began = self._log.dates.now()
        self.from_s = time_s
        self._notes, self._state = [], StepState.DONE
        self._log.console.show(StepBegan(self._number, 0, KIND, self.title, 0.0, time_s))

    def cut_short(self, text: str) -> None:
        """Take note of what took the feeds away in this touch."""
        self._state = StepState.CUT_SHORT
        if text not in self._notes:
            self._notes.append(text)

    def part(self, recorded: Recorder, time_s: float) -> None:
        """Begin to keep what there is of a touch that goes on, as one of its own."""
        self._notes.append(f"Cut here with the feeds made; it goes on as touch {self._number + 1}.")
        self.end(recorded)
        self.begin(time_s)

    def end(self, recorded: Recorder) -> None:
        """Begin to keep the touch; the last one must be on disk (`look` returned True)."""
        assert self._part is None
        record = StepRecord(
            number=self._number,
            kind=KIND,
            title=self.title,
            started_at=self._began,
            ended_at=self._log.dates.now(),
            state=self._state,
            note=" ".join(self._notes),
        )
        self._part = _Part(record, self._beside.submit(self._conclude, recorded))

    def _conclude(self, recorded: Recorder) -> _Concluded:
        trace = recorded.trace()
        try:
            return _Concluded(trace, self._find(trace))
        except Exception as error:  # the trace is worth keeping all the same
            return _Concluded(trace, trouble=f"The touch could not be analysed: {error!r}.")

    def look(self) -> bool:
        """Do what is due; tell whether everything that ended is on disk.

        Raises RecordsError if it could not be written.
        """
        part = self._part
        if part is None:
            return True
        if part.on_disk is None:
            if not part.concluded.done():
                return False
            part.record = self._complete(part.record, part.concluded.result())
            part.on_disk = self._log.keeper.finish_step(self._log.run_id, part.record)
        if not part.on_disk():
            return False
        self._part = None
        self._log.console.show(_ended(part.record))
        return True

    def _complete(self, record: StepRecord, found: _Concluded) -> StepRecord:
        return replace(
            record,
            half_turns=self._numbered(found.turns),
            trace=found.trace,
            note=f"{record.note} {found.trouble}".strip(),
        )

    def _numbered(self, turns: tuple[HalfTurn, ...]) -> tuple[HalfTurn, ...]:
        before = self._log.half_turns
        self._log.half_turns += len(turns)
        return tuple(replace(turn, number=before + k) for k, turn in enumerate(turns, start=1))


def _ended(record: StepRecord) -> StepEnded:
    common: dict[str, Any] = {
        name: getattr(record, name)
        for name in ("number", "kind", "title", "state", "measures", "half_turns", "note")
    }
    return StepEnded(**common)
