"""`halfturn records`: list, show and export what was recorded."""

from __future__ import annotations

import argparse
import json
from contextlib import suppress
from datetime import UTC, datetime, timedelta
from pathlib import Path

from rig.analysis.trace import Trace
from rig.commands import exits
from rig.commands.common import picture_path, records_path, say_long
from rig.commands.exits import CommandError
from rig.records.as_json import run_json, runs_json
from rig.records.errors import RecordsError
from rig.records.export import half_turns_csv, measures_csv
from rig.records.model import RunRecord
from rig.records.show import run_text, runs_text
from rig.records.store import Store
from rig.tracefile import write_trace


def run(options: argparse.Namespace) -> int:
    """Do what the command line asks with the records."""
    with Store.open(records_path(options), create=False) as store:
        with suppress(RecordsError):  # an archive that can only be read is shown as it is
            store.mark_interrupted()
        match options.action:
            case "list":
                return _list(store, options)
            case "show":
                return _show(store, options)
            case _:
                return _export(store, options)


def _list(store: Store, options: argparse.Namespace) -> int:
    if options.limit < 1:
        raise CommandError(exits.USAGE, "--limit must be 1 or more.")
    until = _day(options.until)
    runs = store.runs(
        serial=options.serial,
        reference=options.reference,
        verdict=options.verdict,
        since=_day(options.since),
        until=None if until is None else until + timedelta(days=1),
        plan=options.plan,
        limit=options.limit,
    )
    print(json.dumps(runs_json(runs), indent=2) if options.json else runs_text(runs).rstrip())
    return exits.PASS


def _day(text: str | None) -> datetime | None:
    """Return the local midnight at which a day begins."""
    if text is None:
        return None
    try:
        return datetime.strptime(text, "%Y-%m-%d").astimezone().astimezone(UTC)
    except ValueError:
        raise CommandError(
            exits.USAGE, f"'{text}' is not a date; write it as YYYY-MM-DD, for example 2026-11-25."
        ) from None


def _show(store: Store, options: argparse.Namespace) -> int:
    record = store.run(options.run)
    print(json.dumps(run_json(record), indent=2) if options.json else run_text(record).rstrip())
    return exits.PASS


def _export(store: Store, options: argparse.Namespace) -> int:
    if not (options.trace or options.measures or options.half_turns or options.picture):
        raise CommandError(
            exits.USAGE,
            "say what to export: --trace, --half-turns, --measures or --picture, each with a FILE.",
        )
    picture = picture_path(options.picture)
    record = store.run(options.run)
    for name, table, what in (
        (options.half_turns, half_turns_csv, "half-turns"),
        (options.measures, measures_csv, "measures"),
    ):
        if name:
            Path(name).write_text(table(record), encoding="utf-8", newline="")
            print(f"{name}: {what} of run {record.run_id}")
    if options.trace or picture is not None:
        trace = store.trace(record.run_id, options.step)
        if options.trace:
            say_long(f"writing {options.trace}", 60 * len(trace))
            write_trace(Path(options.trace), trace)
            print(f"{options.trace}: {len(trace)} samples of run {record.run_id}")
        if picture is not None:
            _picture(picture, record, trace, options.step)
    return exits.PASS


def _picture(path: Path, record: RunRecord, trace: Trace, step: int | None) -> None:
    from rig.picture import save_picture
    from rig.plans import plan_from_text

    plan = plan_from_text(record.start.plan_text, Path(f"{record.start.plan_name}.toml"))
    steps = [kept for kept in record.steps if step in (None, kept.number)]
    turns = tuple(turn for kept in steps for turn in kept.half_turns)
    world = "SIMULATED: " if record.start.simulated else ""
    title = f"{world}{record.start.unit_serial}, {plan.title}"
    save_picture(path, trace, turns, plan.analysis_limits(), title=title)
    print(f"{path}: picture of run {record.run_id}")
