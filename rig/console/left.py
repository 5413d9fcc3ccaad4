"""What a job left that the next must not make forgotten: a feed in doubt, a lever midway."""

from __future__ import annotations

from dataclasses import dataclass
from enum import Enum, auto

from rig.bench.events import BenchEvent, RigCheckEnded, RunEnded
from rig.bench.order import RunOrder
from rig.console.lever import may_have_fed, stands_midway
from rig.console.live_job import Live


class Doubt(Enum):
    """What is in doubt about the feeds."""

    NONE = auto()
    NOT_KNOWN = auto()  # the bench process died with a job on
    NOT_OFF = auto()  # a feed did not read back off at a job's end


@dataclass
class Left:
    """Kept over all jobs; ``midway`` is the serial number of a unit whose lever may stand so."""

    feeds: Doubt = Doubt.NONE
    midway: str = ""

    def take(self, event: BenchEvent, live: Live) -> None:
        """Take note of how a job ended, which alone can lay a doubt."""
        if isinstance(event, RunEnded | RigCheckEnded):
            self.feeds = Doubt.NONE if event.feeds_off else Doubt.NOT_OFF
        if isinstance(event, RunEnded) and isinstance(live.job, RunOrder):
            midway = stands_midway(live.half_turns)
            if midway is not None:
                self.midway = live.job.unit_serial if midway else ""

    def gone(self, live: Live) -> None:
        """Take note that the bench process died with a job on."""
        self.feeds = Doubt.NOT_KNOWN
        if may_have_fed(live.notes) and isinstance(live.job, RunOrder):
            self.midway = live.job.unit_serial
