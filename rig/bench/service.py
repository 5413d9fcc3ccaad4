"""A bench that outlives its consoles: it waits at its socket, does job after job, or just one."""

from __future__ import annotations

import gc
from collections.abc import Callable
from pathlib import Path

from rig.bench.console_end import ConsoleEnd
from rig.bench.events import BenchEvent, Refused, RunBegan, RunEnded
from rig.bench.meeting_place import MeetingPlace
from rig.bench.order import JOBS, Job, RunOrder
from rig.bench.process import attempt
from rig.bench.signals import SignalFlag
from rig.bench.visitors import Visitors
from rig.bench.watchdog import ServiceNotes

_LOOK_S = 0.2
# A bench started for one job ends if nobody brings it (s).
UNVISITED_S = 60.0


class _Told(ConsoleEnd):
    """A console end that also says in words what happens, for a service's journal."""

    say: Callable[[str], None] = staticmethod(lambda text: None)

    def show(self, event: BenchEvent) -> None:
        match event:
            case RunBegan():
                self.say(f"run {event.run_id} began: {event.plan_title} on station {event.station}")
            case RunEnded():
                verdict = "" if event.judgement is None else f", {event.judgement.verdict}"
                off = "feeds off" if event.feeds_off else "A FEED IS NOT OFF"
                self.say(f"run {event.run_id} {event.state}{verdict}, {off}")
            case Refused():
                self.say(event.text)
            case _:
                pass
        super().show(event)


def serve(
    place: MeetingPlace,
    records: Path,
    flag: SignalFlag,
    notes: ServiceNotes,
    *,
    once: bool = False,
    say: Callable[[str], None] = lambda text: None,
) -> bool:
    """Do jobs for whoever comes until a signal ends it; with ``once``, one job.

    ``say`` is told what happens, in a line each.  False if the program itself failed: better a
    fresh process than one in an unknown state.
    """
    visitors = Visitors(place)
    try:
        while flag.number is None:
            job = _wait_for_job(visitors, flag, notes, UNVISITED_S if once else None)
            if job is None:
                return True
            detached = isinstance(job, RunOrder) and job.detached
            console = _Told(visitors, visitors.ring, flag, detached=detached, alive=notes.alive)
            console.say = say
            visitors.begin(job)
            notes.status("a job is on")
            sound = attempt(job, records, console)
            gc.unfreeze()
            if not sound or once:
                return sound
            notes.status("waiting for a job, feeds off")
            visitors.between_jobs()
        return True
    finally:
        notes.stopping()
        visitors.close()


def _wait_for_job(
    visitors: Visitors, flag: SignalFlag, notes: ServiceNotes, patience_s: float | None
) -> Job | None:
    waited_s = 0.0
    while flag.number is None and (patience_s is None or waited_s < patience_s):
        notes.alive()
        said = visitors.take(_LOOK_S)
        if isinstance(said, JOBS):
            return said
        waited_s += _LOOK_S
    return None
