"""Options that say which recorded runs a study of units rests on."""

from __future__ import annotations

import argparse
from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING

from rig.analysis.model import Verdict
from rig.commands import exits
from rig.commands.common import need_printable
from rig.commands.exits import CommandError
from rig.commands.run_filter import filter_of
from rig.commands.streams import tell
from rig.labels import SERIAL_LONGEST, shown
from rig.plans import Plan
from rig.quality.tolerance import SHARE_HIGH, SHARE_LOW
from rig.records.model import RunFilter, RunSummary

if TYPE_CHECKING:
    from rig.records.store import Store
    from rig.studies.binding import Readings
    from rig.studies.units import Chosen

_MOST_BYTES = 1_000_000
_ALL = 1_000_000  # runs: more than there are

PASSES = frozenset({Verdict.PASS})


def serials_asked(options: argparse.Namespace) -> list[str]:
    """Return the serial numbers of ``--serial`` and of the file ``--serials``, each once."""
    serials = list(options.serial)
    if options.serials is not None:
        serials += _of_file(Path(options.serials))
    for serial in (*serials, *options.without):
        need_printable("a serial number", serial, SERIAL_LONGEST)
    return list(dict.fromkeys(serials))


def _of_file(path: Path) -> list[str]:
    try:
        with path.open("rb") as file:
            text = file.read(_MOST_BYTES + 1)
        lines = text.decode("utf-8-sig").splitlines()
    except OSError as error:
        why = (error.strerror or str(error)).lower()
        raise CommandError(exits.FILES, f"{path} cannot be read: {why}.") from None
    except UnicodeDecodeError:
        raise CommandError(
            exits.FILES, f"{path} is no text of UTF-8; write one serial number a line."
        ) from None
    if len(text) > _MOST_BYTES:
        raise CommandError(exits.FILES, f"{path} is too long for a list of serial numbers.")
    serials = [line.strip() for line in lines]
    found = [serial for serial in serials if serial and not serial.startswith("#")]
    if not found:
        raise CommandError(exits.FILES, f"{path} has no serial number; write one a line.")
    return found


def wanted_runs(options: argparse.Namespace) -> RunFilter:
    """Return the search that ``--reference``, ``--since`` and ``--until`` ask for."""
    given = {**vars(options), "plan": None, "serial": None, "verdict": None}
    return filter_of(argparse.Namespace(**given))


def chosen_runs(
    store: Store,
    options: argparse.Namespace,
    serials: Sequence[str],
    plan: Plan,
    wanted: RunFilter,
    *,
    verdicts: frozenset[Verdict],
    first: bool = False,
    whole: bool = False,
) -> Chosen:
    """Return the runs that count, of the ``serials`` asked for; CommandError if there is none."""
    from rig.studies.units import choose

    runs = store.search(replace(wanted, plan=plan.name), limit=_ALL).runs
    found = {run.unit_serial for run in runs}
    for option, asked in (("--serial", serials), ("--without", options.without)):
        missing = [serial for serial in asked if serial not in found]
        if missing:
            raise CommandError(
                exits.USAGE,
                f"there is no run by plan {shown(plan.name)} of unit "
                f"{', '.join(shown(serial) for serial in missing[:5])}"
                f"{' ...' if missing[5:] else ''} among those asked for ({option}).",
            )
    picked: list[RunSummary] = [run for run in runs if not serials or run.unit_serial in serials]
    if not picked:
        raise CommandError(
            exits.USAGE,
            f"there is no run by plan {shown(plan.name)} among those asked for. See `halfturn "
            "records list`.",
        )
    return choose(
        picked,
        store.run,
        plan,
        wanted=verdicts,
        without=options.without,
        first=first,
        whole=whole,
        aside=store.lots.set_aside_of([run.run_id for run in picked]),
    )


def need_share(option: str, share: float) -> None:
    """Raise CommandError unless an option is a part of 1 that can be worked with."""
    if not SHARE_LOW <= share <= SHARE_HIGH:
        raise CommandError(
            exits.USAGE,
            f"{option} is a part of 1, from {SHARE_LOW} to {SHARE_HIGH}: 0.95 for 95 %.",
        )


Drawn = tuple["Readings", Sequence[float], Sequence[float]]
"""What a panel shows: the units' values, the limits today, and those proposed."""


def draw_spreads(picture: Path, drawn: Sequence[Drawn], title: str) -> None:
    """Draw a normal probability plot of each quantity that differs from unit to unit."""
    from rig.probability_plot import SpreadPanel, save_probability_plots

    panels = [
        SpreadPanel(readings.bound.label, readings.bound.unit, readings.numbers, today, proposed)
        for readings, today, proposed in drawn
        if readings.values and max(readings.numbers) > min(readings.numbers)
    ]
    if not panels:
        raise CommandError(
            exits.USAGE, "there is nothing to draw: no quantity differs from unit to unit."
        )
    save_probability_plots(picture, panels, title=title)
    several = f"{len(panels)} quantities" if len(panels) > 1 else "one quantity"
    tell(f"{picture}: normal probability plots of {several}")
