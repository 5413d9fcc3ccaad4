"""What a session needs from outside: somewhere to keep the record, somebody who watches."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from datetime import datetime
from typing import Any, Protocol
from uuid import UUID

from rig.bench.commands import Command
from rig.bench.events import BenchEvent
from rig.bench.requests import Ask, Sample
from rig.quality.calibration import Calibration
from rig.records.calibrations import RigCheckRecord
from rig.records.model import RunEnd, RunEvent, RunStart, StepRecord

Done = Callable[[], bool]
"""Tells whether something handed over is on disk; raises RecordsError if it could not be."""

Said = Mapping[str, Any] | None
"""What the golden units say of the rig (`rig.records.golden_said`); None where there is none."""


class Keeper(Protocol):
    """Where a run's record goes."""

    def newest(self) -> datetime | None:
        """Return when the newest run of the record began, by the clock of then; None without."""
        ...

    def calibrations(self, rig: str, station: str) -> tuple[Calibration, ...]:
        """Return the calibrations of a station, newest first."""
        ...

    def keep_calibration(self, made: Calibration) -> Done:
        """Write a calibration, for good."""
        ...

    def keep_rig_check(self, check: RigCheckRecord) -> Done:
        """Write a self-check of the rig."""
        ...

    def golden(
        self, station: str, serial: str, plan: str, every_days: int, *, simulated: bool
    ) -> Said:
        """Return what the golden units say of the rig as a run begins (`rig.studies.golden`).

        Only checks of the world that it begins in count, ``simulated`` or not.
        """
        ...

    def begin_run(self, start: RunStart) -> UUID:
        """Write the run's first row; on disk when it returns."""
        ...

    def add_event(self, run_id: UUID, event: RunEvent) -> Done:
        """Write an event."""
        ...

    def finish_step(self, run_id: UUID, step: StepRecord) -> Done:
        """Write a finished step."""
        ...

    def finish_run(self, run_id: UUID, end: RunEnd) -> Done:
        """Write how the run ended."""
        ...


class Console(Protocol):
    """Who watches and answers."""

    def show(self, event: BenchEvent) -> None:
        """Take note of an event; must not block."""
        ...

    def sample(self, sample: Sample) -> None:
        """Take note of a sample; must not block."""
        ...

    def ask(self, ask: Ask, wait: Callable[[Done], None]) -> str:
        """Return somebody's answer; ``wait`` keeps the loop cycling with the feeds off."""
        ...

    def listen(self) -> Sequence[Command]:
        """Return what was commanded since the last call, but for stops and answers.

        Raises `Stopped` if somebody or something asks for the end.
        """
        ...
