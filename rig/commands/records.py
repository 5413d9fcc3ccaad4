"""`halfturn records`: list, show and export what was recorded.

Its health and copies are in `records_safe`, many runs out and in in `records_exchange`.
"""

from __future__ import annotations

import argparse
import json
from pathlib import Path

from rig.analysis.trace import Trace
from rig.commands import exits
from rig.commands.common import (
    open_records,
    picture_path,
    records_path,
    run_named,
    tell_long,
)
from rig.commands.exits import CommandError
from rig.commands.run_filter import filter_of
from rig.commands.streams import let_go, say, tell
from rig.plans import PlanError, plan_from_text
from rig.quality.decision import DecisionRule
from rig.records.as_json import run_json, runs_json
from rig.records.export import half_turns_csv, measures_csv
from rig.records.model import RunRecord
from rig.records.show import run_text, runs_text
from rig.records.store import Store
from rig.tracefile import write_trace
from rig.wholefile import whole_file

_MOST_RUNS = 1_000_000


def run(options: argparse.Namespace) -> int:
    """Do what the command line asks with the records."""
    if options.action in ("verify", "backup", "restore"):
        from rig.commands.records_safe import run as keep_safe

        return keep_safe(options)
    if options.action in ("out", "take-in"):
        from rig.commands.records_exchange import run as exchange

        return exchange(options)
    with open_records(records_path(options)) as store:
        match options.action:
            case "list":
                return _list(store, options)
            case "show":
                return _show(store, options)
            case _:
                return _export(store, options)


def _list(store: Store, options: argparse.Namespace) -> int:
    if not 1 <= options.limit <= _MOST_RUNS:
        raise CommandError(exits.USAGE, f"--limit must be from 1 to {_MOST_RUNS}.")
    runs = store.search(filter_of(options), limit=options.limit).runs
    say(json.dumps(runs_json(runs), indent=2) if options.json else runs_text(runs).rstrip())
    return exits.PASS


def _show(store: Store, options: argparse.Namespace) -> int:
    record = store.run(run_named(store, options.run))
    rule = _rule_of(record)
    say(
        json.dumps(run_json(record, rule), indent=2)
        if options.json
        else run_text(record, rule=rule).rstrip()
    )
    return exits.PASS


def _rule_of(record: RunRecord) -> DecisionRule | None:
    """Return what a run's plan decides by; None if an older program's plan cannot be read."""
    try:
        plan = plan_from_text(record.start.plan_text, Path(f"{record.start.plan_name}.toml"))
    except PlanError:
        return None
    return plan.decision.as_rule()


def _export(store: Store, options: argparse.Namespace) -> int:
    if not (options.trace or options.measures or options.half_turns or options.picture):
        raise CommandError(
            exits.USAGE,
            "say what to export: --trace, --half-turns, --measures or --picture, each with a FILE.",
        )
    for name in (options.half_turns, options.measures, options.trace, options.picture):
        if name and _is_of_records(Path(name), store.path):
            raise CommandError(
                exits.USAGE, f"{name} is the records themselves; export to another file."
            )
    picture = picture_path(options.picture)
    record = store.run(run_named(store, options.run))
    for name, table, what in (
        (options.half_turns, half_turns_csv, "half-turns"),
        (options.measures, measures_csv, "measures"),
    ):
        if name:
            with whole_file(Path(name)) as file:
                file.write(table(record).encode())
            say(f"{name}: {what} of run {record.run_id}")
    if options.trace or picture is not None:
        trace = store.trace(record.run_id, options.step)
        if options.trace:
            tell_long(f"writing {options.trace}", 60 * len(trace))
            _write(options.trace, trace)
            # Where the trace went to standard output, nothing else may go there.
            done = f"{options.trace}: {len(trace)} samples of run {record.run_id}"
            tell(done) if options.trace == "-" else say(done)
        if picture is not None:
            _picture(picture, record, trace, options.step)
    return exits.PASS


def _is_of_records(path: Path, records: Path) -> bool:
    """Whether ``path`` is the records file or what SQLite keeps beside it."""
    own = [records.with_name(records.name + end) for end in ("", "-wal", "-shm", "-journal")]
    return any(path.exists() and file.exists() and path.samefile(file) for file in own)


def _write(name: str, trace: Trace) -> None:
    try:
        write_trace(name, trace)
    except BrokenPipeError:  # whoever read it went away (`| head`)
        let_go("stdout")


def _picture(path: Path, record: RunRecord, trace: Trace, step: int | None) -> None:
    from rig.picture import save_picture
    from rig.plans import plan_from_text

    plan = plan_from_text(record.start.plan_text, Path(f"{record.start.plan_name}.toml"))
    steps = [kept for kept in record.steps if step in (None, kept.number)]
    turns = tuple(turn for kept in steps for turn in kept.half_turns)
    world = "SIMULATED: " if record.start.simulated else ""
    title = f"{world}{record.start.unit_serial}, {plan.title}"
    save_picture(path, trace, turns, plan.analysis_limits(), title=title)
    say(f"{path}: picture of run {record.run_id}")
