"""`halfturn attach`: come back to a run that goes on by itself."""

from __future__ import annotations

import argparse
import sys

from rig.bench.attached import attach
from rig.bench.commands import Stop
from rig.bench.order import RunOrder
from rig.bench.signals import flag_signals
from rig.commands import exits
from rig.commands.common import records_folder
from rig.commands.exits import CommandError
from rig.commands.follow import follow
from rig.commands.progress import Progress
from rig.commands.run import Gathered, status_of, tell_end
from rig.commands.streams import say, tell

_STOP_WAIT_S = 10.0
_LEAVING_S = 1.0
_WHY = "`halfturn attach --stop` was given"
_HUNG = (
    "the bench hung and was ended. Press the emergency stop, make sure that the master relay has "
    "dropped, then give `halfturn off`. Every finished step is in the record."
)


def run(options: argparse.Namespace) -> int:
    """Show the run to its end and return its exit status; Ctrl-C leaves it going on."""
    folder = records_folder(options)
    bench = attach(folder, only_to_stop=options.stop, free_within_s=_LEAVING_S)
    if bench is None:
        raise CommandError(
            exits.BENCH,
            f"no bench is at work with the records in {folder}. `halfturn records list` shows how "
            "its last run came out. If that was interrupted, nobody read its feeds back: give "
            "`halfturn off`.",
        )
    try:
        job = bench.job
        if job is None:
            say("The bench waits for a job, feeds off.")
            return exits.PASS
        if not isinstance(job, RunOrder):
            raise CommandError(exits.BENCH, "the bench is looking at its rig; no run is on.")
        if bench.occupied_by:  # which is told how it ends
            if not bench.stop(_WHY, _STOP_WAIT_S):
                raise CommandError(exits.BENCH, _HUNG)
            say(
                f"The run was stopped. The console at it (process {bench.occupied_by}) and "
                "`halfturn records list` tell how it ended."
            )
            return exits.STOPPED
        rule = job.plan.decision.as_rule()
        gathered = Gathered(Progress(quiet=options.quiet), whole=options.json, rule=rule)
        with flag_signals() as flag:
            if options.stop:
                bench.tell(Stop(_WHY))
            ended = follow(
                bench, flag, gathered.show, leave=not options.stop, asks=sys.stdin.isatty()
            )
        if ended is None:
            tell("Left. The run goes on by itself; `halfturn attach` comes back.")
            return exits.PASS
        tell_end(ended, gathered, as_json=options.json)
        return status_of(ended)
    finally:
        bench.close()
