"""`halfturn report`: suppliers, benches, months or unit types beside each other."""

from __future__ import annotations

import argparse
import json
from collections.abc import Iterator
from contextlib import contextmanager
from datetime import timedelta

from sqlalchemy import Connection

from rig.commands import exits
from rig.commands.common import open_records, records_path, settings_or_starter
from rig.commands.exits import CommandError
from rig.commands.meter import Meter
from rig.commands.run_filter import day_of
from rig.commands.streams import say
from rig.commands.sync import central_url
from rig.overview.figures import JudgedRun, lines_by, lines_of_suppliers, pairs, spreads
from rig.overview.gathered import Period, judged_runs, lots
from rig.overview.words import report_csv, report_object, report_text
from rig.records.central import Central
from rig.settings import RigSettings


def run(options: argparse.Namespace) -> int:
    """Print the report that the command line asks for."""
    if options.central in (*_GROUPS, "suppliers"):
        raise CommandError(
            exits.USAGE,
            f"“{options.central}” was read as the URL of central records: say it first, "
            f"`halfturn report {options.central} --central`.",
        )
    settings = settings_or_starter(options)
    period = Period(day_of(options.since), day_of(options.until, later=timedelta(days=1)))
    by_bench = options.by == "benches"
    how = {"simulated": options.simulated}
    with _records(options, settings) as (connection, place), Meter() as meter:
        if options.by == "suppliers":
            tests: list[JudgedRun] = []
            lines = lines_of_suppliers(lots(connection, period, **how, progress=meter.show))
        else:
            tests = judged_runs(connection, period, **how, measured=by_bench, progress=meter.show)
            lines = lines_by(tests, _GROUPS[options.by])
    found = (lines, spreads(tests), pairs(tests)) if by_bench else (lines, [], [])
    of = _of(options, place)
    if options.json:
        say(json.dumps(report_object(options.by, *found, of), indent=2))
    elif options.csv:
        say(report_csv(options.by, lines).rstrip())
    else:
        say(report_text(options.by, *found, of).rstrip())
    return exits.PASS


_GROUPS = {
    "benches": lambda test: test.bench,
    "months": lambda test: f"{test.at:%Y-%m}",
    "types": lambda test: test.unit_type,
}


@contextmanager
def _records(
    options: argparse.Namespace, settings: RigSettings
) -> Iterator[tuple[Connection, str]]:
    if options.central is not None:
        with (
            Central.open(central_url(options.central, settings)) as central,
            central.reading() as connection,
        ):
            yield connection, central.place
        return
    path = records_path(options, settings)
    with open_records(path) as store, store.reading() as connection:
        yield connection, str(path)


def _of(options: argparse.Namespace, place: str) -> str:
    days = ""
    if options.since:
        days += f" from {options.since}"
    if options.until:
        days += f" to {options.until}"
    world = "simulated runs only" if options.simulated else "simulated runs left out"
    return f"Records in {place}{days}; {world}."
