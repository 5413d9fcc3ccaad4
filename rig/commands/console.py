"""`halfturn console`: the operator's console."""

from __future__ import annotations

import argparse
import os
import sys
from pathlib import Path
from typing import TextIO
from uuid import UUID

from rig.bench.attached import stop_elsewhere
from rig.bench.detached import start_detached
from rig.bench.meeting_place import somebody_listens
from rig.bench.process import be_ready_to_spawn
from rig.commands import exits
from rig.commands.common import records_path, rig_settings
from rig.commands.exits import CommandError
from rig.commands.streams import say, tell


def run(options: argparse.Namespace) -> int:
    """Open the console; return the exit status once the feeds are off and the bench has gone."""
    settings = rig_settings(options, backend=options.backend)
    records = records_path(options, settings)
    if not (sys.stdin.isatty() and sys.stdout.isatty()):
        raise CommandError(
            exits.USAGE,
            "the console needs a terminal to draw in, and there is none here. Open it in a "
            "terminal or over `ssh -t`; to run a plan without one, use `halfturn run`.",
        )
    _need_signs(sys.__stderr__)
    tell("starting the console ...")
    from rig.commands.benches import Benches
    from rig.console.app import HalfturnConsole
    from rig.console.desk import Desk
    from rig.console.desks import Desks

    def print_sheet(run_id: UUID) -> str:
        from rig.sheets.printing import print_run  # with matplotlib, and only if one is wanted

        return _short(print_run(settings, records, run_id), settings.folder)

    be_ready_to_spawn()
    benches = Benches(settings, records, options.backend)

    def desk_of(station: str) -> Desk:
        return Desk(
            settings,
            records,
            lambda: benches.open(station),
            backend=options.backend,
            station=station,
            open_apart=lambda: start_detached(records),
            others=lambda: somebody_listens(records.parent),
            stop_other=lambda: stop_elsewhere(records.parent, "F12 was pressed at another console"),
            open_alone=benches.alone if len(settings.stations) > 1 else None,
            outdated=benches.outdated,
        )

    desks = benches.desks = Desks(
        [desk_of(station.name) for station in settings.stations],
        settings.station(options.station).name,
        benches.one_at_a_time,
    )
    ended = True
    goes_on = False
    try:
        for desk in desks:
            desk.warm_up()
        console = HalfturnConsole(desks)
        console.print_sheet = print_sheet
        status = console.run()
    finally:
        goes_on = any(desk.goes_on for desk in desks)
        ended = desks.close()
        ended = benches.close() and ended
    if goes_on:
        say("The run goes on by itself. `halfturn console` or `halfturn attach` comes back to it.")
    if not ended:
        raise CommandError(exits.BENCH, _HUNG)
    if console.failure is not None:
        # Textual would print a traceback; ours goes to a file, a sentence to the operator.
        raise console.failure
    return console.return_code or 0 if status is None else status


def _short(text: str, folder: Path) -> str:
    """Return ``text`` with the files of the rig's folder named from there, as a notice has room."""
    return text.replace(f"{folder.resolve()}{os.sep}", "").replace(f"{folder}{os.sep}", "")


def _need_signs(drawn_on: TextIO | None) -> None:
    """Raise CommandError if what the console draws on is no terminal or has not its signs."""
    if drawn_on is None or not drawn_on.isatty():
        raise CommandError(
            exits.USAGE,
            "the console draws on standard error, which is sent elsewhere here. Open it without "
            "`2>`.",
        )
    try:
        "\N{BRAILLE PATTERN DOTS-12345678}\N{BOX DRAWINGS LIGHT HORIZONTAL}".encode(
            drawn_on.encoding
        )
    except UnicodeEncodeError:
        raise CommandError(
            exits.USAGE,
            f"the console draws with signs that are not in this terminal's character set "
            f"({drawn_on.encoding}). Set it to UTF-8: `LC_ALL=C.UTF-8 halfturn console`.",
        ) from None


_HUNG = (
    "the bench process hung and was killed. Pull the supply, make sure that the master relay has "
    "dropped and that no feed is on, before you touch the unit. Every finished step is in the "
    "record."
)
