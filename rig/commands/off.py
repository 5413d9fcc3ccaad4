"""`halfturn off`: whatever is on, take it off."""

from __future__ import annotations

import argparse

from drivers import BackendOptions
from drivers.backends import load_backend
from rig.bench.attached import attach
from rig.bench.commands import Stop
from rig.bench.make_safe import make_safe
from rig.commands import exits
from rig.commands.common import records_path, rig_settings
from rig.commands.exits import CommandError
from rig.commands.streams import say
from rig.settings import RigSettings

_STOP_WAIT_S = 10.0


def run(options: argparse.Namespace) -> int:
    """End the job of a bench that goes on by itself, then take every feed off and say so."""
    settings = rig_settings(options, backend=options.backend)
    _stop_bench(options, settings)
    say(take_off(settings, options.backend))
    return exits.PASS


def take_off(settings: RigSettings, backend_name: str | None) -> str:
    """Take every feed of the rig off; return what was done.  Raises BenchError, DriverError."""
    wiring = settings.wiring(1.0, settings.stations[0].name)
    backend = load_backend(backend_name or settings.backend, wiring, BackendOptions(real_time=True))
    try:
        return f"rig {settings.name}: {make_safe(backend, wiring)}"
    finally:
        backend.close()


def _stop_bench(options: argparse.Namespace, settings: RigSettings) -> None:
    bench = attach(records_path(options, settings).parent, only_to_stop=True)
    if bench is None:
        return
    ended = True
    if bench.job is not None:
        bench.tell(Stop("`halfturn off` was given"))
        ended = bench.end(_STOP_WAIT_S)
    bench.close()
    if not ended:
        raise CommandError(
            exits.BENCH,
            "the bench at work hung and was killed. Pull the supply and make sure that the master "
            "relay has dropped; then give `halfturn off` once more.",
        )
