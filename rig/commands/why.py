"""`halfturn why`: why a unit behaves as it does, from a recorded run or a trace file."""

from __future__ import annotations

import argparse
import json
from pathlib import Path

import numpy as np

from rig.commands import exits
from rig.commands.common import (
    open_records,
    plan_of,
    records_path,
    rig_settings,
    run_named,
    settings_or_starter,
    tell_long,
)
from rig.commands.exits import CommandError
from rig.commands.streams import say
from rig.diagnosis.as_json import diagnosis_object
from rig.diagnosis.diagnose import diagnose
from rig.diagnosis.model import Diagnosis
from rig.diagnosis.of_record import NothingSeenError, diagnose_stored, seen_of_trace
from rig.diagnosis.words import text_of
from rig.plausible import refuse_implausible
from rig.records.errors import RecordsError
from rig.tracefile import read_trace

COLDEST_C, HOTTEST_C = -40.0, 60.0


def run(options: argparse.Namespace) -> int:
    """Say why; the exit status tells only whether it could be said."""
    _refuse_clashes(options)
    found = _of_trace(options) if options.trace is not None else _of_record(options)
    say(json.dumps(diagnosis_object(found), indent=2) if options.json else text_of(found))
    return exits.PASS


def _refuse_clashes(options: argparse.Namespace) -> None:
    trace = options.trace is not None
    if trace == (options.run is not None):
        raise CommandError(
            exits.USAGE,
            "say what is meant: a run (its identifier, the first characters of it, or last), or "
            "--trace FILE with --plan PLAN.",
        )
    if trace and options.plan is None:
        raise CommandError(
            exits.USAGE, "--trace needs --plan, which says what the unit is: add --plan NAME."
        )
    if not trace and (options.plan is not None or options.station is not None):
        raise CommandError(
            exits.USAGE,
            "--plan and --station go with --trace; a run has its own in the "
            "record: leave them out.",
        )
    if trace and (options.good or options.unhooked):
        raise CommandError(
            exits.USAGE,
            "--good and --unhooked go with a recorded run: leave them out with --trace.",
        )
    ambient_c = options.ambient
    if ambient_c is not None and not COLDEST_C <= ambient_c <= HOTTEST_C:
        raise CommandError(
            exits.USAGE,
            f"--ambient must be from {COLDEST_C:g} to {HOTTEST_C:g} degrees Celsius.",
        )


def _of_trace(options: argparse.Namespace) -> Diagnosis:
    settings = settings_or_starter(options)
    plan = plan_of(options.plan, settings)
    name = "standard input" if options.trace == "-" else str(options.trace)
    file = Path(options.trace)
    if file.is_file():
        tell_long(f"reading {file}", file.stat().st_size * (4 if file.suffix == ".gz" else 1))
    trace = read_trace(options.trace)
    refuse_implausible(trace, name)
    if not np.isfinite(trace.voltage_v).any():
        raise CommandError(
            exits.FILES,
            f"{name}: the column voltage_v has no reading. Without the voltage nothing can be "
            "worked out; record it beside the current.",
        )
    rig = None
    if options.rig is not None or options.station is not None:
        settings = rig_settings(options)
        rig = settings, settings.station(options.station)
    return diagnose(seen_of_trace(trace, plan, f"trace {name}", rig, options.ambient))


def _of_record(options: argparse.Namespace) -> Diagnosis:
    with open_records(records_path(options)) as store:
        record = store.run(run_named(store, options.run))
        good = [store.run(run_named(store, name)).run_id for name in options.good]
        bare = options.unhooked
        bare_id = None if bare is None else store.run(run_named(store, bare)).run_id
        try:
            return diagnose_stored(store, record, good, bare_id, options.ambient)
        except NothingSeenError as error:
            raise RecordsError(str(error)) from None
