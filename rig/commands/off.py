"""`halfturn off`: whatever is on, take it off."""

from __future__ import annotations

import argparse
from pathlib import Path

from drivers import BackendOptions
from drivers.backends import load_backend
from rig.bench.attached import UnheardError, attach, end_process
from rig.bench.make_safe import make_safe
from rig.commands import exits
from rig.commands.common import records_folder, rig_settings
from rig.commands.streams import say, tell
from rig.settings import RigSettings

_STOP_WAIT_S = 10.0
_ANSWER_S = 10.0


def run(options: argparse.Namespace) -> int:
    """End the job of a bench that goes on by itself, then take every feed off and say so."""
    # Whatever is wrong with the rig file: what is on is ended first.
    if not _stop_bench(options, records_folder(options)):
        say("a bench is at work; it was left alone")
        return exits.PASS
    settings = rig_settings(options, backend=options.backend)
    say(take_off(settings, options.backend))
    return exits.PASS


def take_off(settings: RigSettings, backend_name: str | None) -> str:
    """Take every feed of the rig off; return what was done.  Raises BenchError, DriverError."""
    wiring = settings.wiring(1.0, settings.stations[0].name)
    backend = load_backend(backend_name or settings.backend, wiring, BackendOptions(real_time=True))
    try:
        world = " (SIMULATED)" if backend.simulated else ""
        return f"rig {settings.name}{world}: {make_safe(backend, wiring)}"
    finally:
        backend.close()


def _stop_bench(options: argparse.Namespace, folder: Path) -> bool:
    """End what a bench does that goes on by itself; False if it was to be left alone."""
    try:
        bench = attach(folder, only_to_stop=True, wait_s=_ANSWER_S)
    except UnheardError as error:
        if options.if_idle:
            return False
        end_process(error.pid, _STOP_WAIT_S)
        tell(f"the bench at work (process {error.pid}) gave no answer and was ended")
        return True
    if bench is None:
        return True
    if options.if_idle:
        bench.close()
        return False
    ended = True
    if bench.job is not None:
        ended = bench.stop("`halfturn off` was given", _STOP_WAIT_S)
        if ended:
            tell(f"the job of the bench at work (process {bench.pid}) was ended")
    bench.close()
    if not ended:
        tell(f"the bench at work (process {bench.pid}) hung and was ended")
    return True
