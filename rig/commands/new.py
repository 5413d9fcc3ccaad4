"""`halfturn new`: a rig folder to start from."""

from __future__ import annotations

import argparse
from pathlib import Path

from rig.commands.streams import say
from rig.newrig import make_rig_folder


def run(options: argparse.Namespace) -> int:
    """Make the folder and say what is in it and what to do next."""
    folder = Path(options.folder)
    for path in make_rig_folder(folder, options.stations):
        say(str(path))
    say(
        f"Made. Next: cd {folder}, run `halfturn check`, then `halfturn run qualify`. The rig file "
        "starts on the simulated bench; its comments say how to go over to a real one."
    )
    return 0
