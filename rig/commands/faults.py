"""`halfturn faults`: what can be wrong on the simulated bench."""

from __future__ import annotations

import argparse

from drivers.backends import fault_catalogue


def run(options: argparse.Namespace) -> int:
    """Print the catalogue: name, degree with its default and range, and what it means."""
    for usage, says in fault_catalogue():
        print(f"{usage}\n    {says}")
    print(
        "\nGive one or more to `halfturn run PLAN --backend simulated --fault NAME[=DEGREE][@S]`; "
        "@S makes it begin S seconds after the start."
    )
    return 0
