"""Which unit and which chance a study's run gets on the simulated bench.

There a unit is its seed; a study needs the same unit again and again, measured by new chances.
"""

from __future__ import annotations

import zlib
from dataclasses import replace

from drivers import BackendOptions
from rig.records.lot_model import LotItem, LotKept
from rig.records.study_model import GoldenKept, StudyKept, TrialKept


def chance_of_trial(study: StudyKept, trial: TrialKept) -> int:
    """Return the chance of a trial's next run: another one each time."""
    return study.seed * 1000 + trial.position + 1_000_000_000 * len(trial.runs)


def chance_of_check(golden: GoldenKept, checks: int) -> int:
    """Return the chance of a golden unit's next check, after ``checks`` of this baseline."""
    return checks + 1000 * golden.newest.number


def chance_of_item(lot: LotKept, item: LotItem) -> int:
    """Return the chance of a lot's item's next run: another one each time."""
    return lot.seed * 1000 + item.position + 1_000_000_000 * len(item.runs)


def serial_of_item(lot: LotKept, item: LotItem) -> str:
    """Return the serial number that an item bears on the simulated bench, unless another is told.

    The lot's seed is in it: two lots never hold the same units.
    """
    return item.serial or f"{lot.name[:40]}-{lot.seed}-{item.number}"


def options_for(options: BackendOptions, serial: str, chance: int) -> BackendOptions:
    """Return ``options`` for the unit ``serial``, its ``chance``-th time.

    SIM-7 is the unit of seed 7, as everywhere; another serial is a unit of its own.
    """
    number = serial.removeprefix("SIM-")
    known = serial.startswith("SIM-") and number.isascii() and number.isdigit()
    seed = int(number) % 10**9 if known else zlib.crc32(serial.encode())
    extra = {"noise_seed": str(chance), **options.extra}
    return replace(options, seed=seed, extra=extra)
