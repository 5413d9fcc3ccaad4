"""`halfturn faults`: what can be wrong on the simulated bench."""

from __future__ import annotations

import argparse

from drivers.backends import fault_catalogue
from rig.commands.streams import say


def run(options: argparse.Namespace) -> int:
    """Print the catalogue: name, degree with its default and range, and what it means."""
    for usage, says in fault_catalogue():
        say(f"{usage}\n    {says}")
    say(
        "\nGive one or more to `halfturn run PLAN --backend simulated --fault "
        "NAME[=DEGREE][@S][+T]`; @S makes it begin S seconds after the start, +T makes it pass T "
        "seconds later."
    )
    return 0
