"""`halfturn capability`: how the units of a lot, a month or a list lie in their plan's limits."""

from __future__ import annotations

import argparse
import json
from dataclasses import replace
from datetime import UTC, datetime
from typing import TYPE_CHECKING

from rig.commands import exits
from rig.commands.common import (
    open_records,
    picture_path,
    plan_of,
    records_path,
    settings_or_starter,
)
from rig.commands.exits import CommandError
from rig.commands.streams import say
from rig.commands.unit_runs import (
    chosen_runs,
    draw_spreads,
    need_share,
    serials_asked,
    wanted_runs,
)
from rig.labels import shown

if TYPE_CHECKING:
    from rig.studies.capability import Capability


def run(options: argparse.Namespace) -> int:
    """Say how the units lie; what can be wrong in the words is told before anything is imported."""
    need_share("--confidence", options.confidence)
    picture = picture_path(options.picture)
    if options.month is not None and (options.since or options.until):
        raise CommandError(exits.USAGE, "--month stands for --since and --until; give one of them.")
    if not (
        options.reference or options.month or options.since or options.serial or options.serials
    ):
        raise CommandError(
            exits.USAGE,
            "say which units: --reference with a job or lot, --month as in --month 2026-11, "
            "--since with a date, --serial or --serials.",
        )
    serials, wanted = serials_asked(options), wanted_runs(options)
    if options.month is not None:
        since, until = _month(options.month)
        wanted = replace(wanted, since=since, until=until)
    settings = settings_or_starter(options)
    plan = plan_of(options.plan, settings)

    from rig.studies.capability import capability_rows
    from rig.studies.capability_words import capability_lines
    from rig.studies.spread_json import capability_object
    from rig.studies.units import CONCLUSIVE, did_not_park

    with open_records(records_path(options, settings)) as store:
        chosen = chosen_runs(
            store, options, serials, plan, wanted, verdicts=CONCLUSIVE, first=options.first
        )
    stopped = [
        f"{run.start.unit_serial}, {why}" for run in chosen.records if (why := did_not_park(run))
    ]
    study = capability_rows(chosen, options.confidence, stopped)
    if options.json:
        say(json.dumps(capability_object(study), indent=2))
    else:
        say("\n".join(capability_lines(study, plot=options.plot)))
    if picture is not None:
        world = "SIMULATED: " if chosen.simulated else ""
        title = f"{world}{len(chosen.records)} units in the limits of plan {plan.name}"
        draw_spreads(
            picture, [(found.readings, _limits(found), ()) for found in study.found], title
        )
    return exits.PASS


def _limits(found: Capability) -> list[float]:
    return [limit for limit in (found.low, found.high) if limit is not None]


def _month(text: str) -> tuple[datetime, datetime]:
    """Return when a month begins and when the next one does, in local time."""
    try:
        begin = datetime.strptime(text, "%Y-%m")
        after = begin.replace(year=begin.year + begin.month // 12, month=begin.month % 12 + 1)
        return begin.astimezone().astimezone(UTC), after.astimezone().astimezone(UTC)
    except (ValueError, OverflowError, OSError):
        raise CommandError(
            exits.USAGE,
            f"'{shown(text[:20])}' is not a month; write it as YYYY-MM, for example 2026-11.",
        ) from None
