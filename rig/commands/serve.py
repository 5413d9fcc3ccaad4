"""`halfturn serve`: a bench that is always there, as a service of the computer."""

from __future__ import annotations

import argparse
import getpass
import sys
from importlib import resources
from pathlib import Path

from rig.bench.meeting_place import MeetingPlace
from rig.bench.service import serve
from rig.bench.signals import flag_signals
from rig.bench.watchdog import ServiceNotes
from rig.commands import exits
from rig.commands.common import records_path, rig_settings
from rig.commands.off import take_off
from rig.commands.streams import say, tell
from rig.records.store import Store
from rig.settings import RigSettings


def run(options: argparse.Namespace) -> int:
    """Come up with the feeds off, then do the jobs that consoles bring, until told to end."""
    settings = rig_settings(options, backend=options.backend)
    if options.unit_file:
        say(unit_file(settings))
        return exits.PASS
    records = records_path(options, settings)
    notes = ServiceNotes()
    with flag_signals() as flag, MeetingPlace(records.parent) as place:
        tell(take_off(settings, options.backend))
        with Store.open(records) as store:
            for left in store.mark_interrupted():
                tell(f"run {left.run_id} of {left.unit_serial} was interrupted; marked so")
        tell(f"waiting for a job; `halfturn console --rig {settings.file}` brings one")
        notes.ready()
        sound = serve(place, records, flag, notes, say=tell)
    return exits.PASS if sound else exits.PROGRAM


def unit_file(settings: RigSettings) -> str:
    """Return a systemd unit that runs this rig's bench as the present user."""
    template = resources.files("rig").joinpath("templates", "halfturn.service")

    def plain(text: str) -> str:
        return text.replace("%", "%%")  # which systemd reads as the start of a specifier

    return template.read_text(encoding="utf-8").format(
        rig_name=plain(settings.name),
        user=getpass.getuser(),
        folder=plain(str(settings.folder)),
        halfturn=plain(_word(Path(sys.executable).with_name("halfturn"))),
        rig=plain(_word(settings.file.absolute())),
    )


def _word(path: Path) -> str:
    """Return ``path`` as one word of a command line of systemd's, which is none of a shell's.

    Quoting and the doubled dollar sign as in systemd.service(5), "Command lines".
    """
    text = str(path).replace("\\", "\\\\").replace('"', '\\"').replace("$", "$$")
    return f'"{text}"'
