"""`halfturn records out` and `take-in`: many runs out to other programs, and in from elsewhere."""

from __future__ import annotations

import argparse
from pathlib import Path
from typing import Any

from rig.commands import exits
from rig.commands.common import open_records, records_path
from rig.commands.exits import CommandError
from rig.commands.meter import Meter
from rig.commands.run_filter import filter_of
from rig.commands.terminal import say_result
from rig.exchange.out import Asked, Exported, export
from rig.exchange.take_in import TakenIn, shown_bench, take_in
from rig.labels import number_of
from rig.records.bundles import Kind
from rig.records.transfer import Fate

_SHOWN = 20  # runs told; --json has them all
_FILTERS = ("serial", "reference", "verdict", "plan", "since", "until")


def run(options: argparse.Namespace) -> int:
    """Do what the command line asks."""
    return _out(options) if options.action == "out" else _take_in(options)


def _out(options: argparse.Namespace) -> int:
    if not options.folder.strip():
        raise CommandError(exits.USAGE, "name the folder to write, one that is not there yet.")
    words = {name: getattr(options, name) for name in _FILTERS if getattr(options, name)}
    asked = Asked(filter_of(options), options.format, options.with_traces, words)
    records = records_path(options)
    with open_records(records):  # brings older records up to date, and marks what was interrupted
        pass
    with Meter() as meter:
        done = export(records, Path(options.folder), asked, meter.show)
    say_result(options.json, _out_words(done, asked), _out_object(done, asked))
    return exits.PASS


def _out_words(done: Exported, asked: Asked) -> list[str]:
    parts = [
        number_of(done.rows[table], word)
        for table, word in (
            ("runs", "run"),
            ("steps", "step"),
            ("half_turns", "half-turn"),
            ("traces", "trace"),
        )
        if table in done.rows
    ]
    form = {"csv": "CSV", "parquet": "Parquet"}[asked.format]
    lines = [
        f"{done.folder}: {', '.join(parts)} as {form}",
        "results is one flat table; README.txt there says what every column is.",
    ]
    if done.damaged:
        shown = ", ".join(done.damaged[:_SHOWN])
        more = f" and {len(done.damaged) - _SHOWN} more" if len(done.damaged) > _SHOWN else ""
        lines.append(
            f"A trace of {number_of(len(done.damaged), 'run')} is damaged and was left out: "
            f"{shown}{more}. `halfturn records verify` says more."
        )
    return lines


def _out_object(done: Exported, asked: Asked) -> dict[str, Any]:
    return {
        "folder": str(done.folder),
        "format": asked.format,
        "with_traces": asked.with_traces,
        "rows": done.rows,
        "damaged": done.damaged,
    }


def _take_in(options: argparse.Namespace) -> int:
    if not options.path.strip():
        raise CommandError(exits.USAGE, "name what is to be taken in: a folder or a records file.")
    with Meter() as meter:
        done = take_in(
            Path(options.path),
            records_path(options),
            dry_run=options.dry_run,
            progress=meter.show,
        )
    say_result(options.json, _in_words(done), _in_object(done))
    return exits.PASS if done.all_taken else exits.RECORDS


_FATES = {
    Fate.NEW: "new",
    Fate.UPDATED: "brought up to date",
    Fate.KNOWN: "known already",
    Fate.REFUSED: "refused",
}


def _counts(done: TakenIn, kind: Kind) -> dict[str, int]:
    """Return how many had which fate; what is older there is known already."""
    counts = {words: done.fates[kind, fate] for fate, words in _FATES.items()}
    counts[_FATES[Fate.KNOWN]] += done.fates[kind, Fate.OLDER]
    return counts


def _in_words(done: TakenIn) -> list[str]:
    runs = _counts(done, Kind.RUN)
    total = sum(runs.values())
    lines = [f"{done.source}: {number_of(total, 'run')}{_listed(runs)}"]
    lines += [
        f"  made by {shown_bench(bench)}{', which is this one' if bench.id == done.own else ''}: "
        f"{count}"
        for bench, count in sorted(done.of.items(), key=lambda each: (-each[1], str(each[0].id)))
    ]
    if done.going_on:
        lines.append(
            f"  {number_of(len(done.going_on), 'run')} had not ended there and was left: take in "
            "again later."
        )
    for kind in Kind:
        counts = _counts(done, kind)
        if kind is not Kind.RUN and any(counts.values()):
            name = kind.replace("_", " ").replace("rig check", "self-check")
            lines.append(f"  {number_of(sum(counts.values()), name)}{_listed(counts)}")
    refused = [*((f"run {key}", why) for key, why in done.refused.items()), *done.others.items()]
    lines += [f"REFUSED {what}: {why}." for what, why in refused[:_SHOWN]]
    if len(refused) > _SHOWN:
        lines.append(f"and {len(refused) - _SHOWN} more; --json lists all.")
    lines.append(f"Nothing was written: a trial for {done.records}." if done.dry_run else "")
    return [line for line in lines if line]


def _listed(counts: dict[str, int]) -> str:
    parts = ", ".join(f"{count} {words}" for words, count in counts.items() if count)
    return f": {parts}" if parts else ""


def _in_object(done: TakenIn) -> dict[str, Any]:
    return {
        "source": str(done.source),
        "records": str(done.records),
        "dry_run": done.dry_run,
        "going_on": [str(key) for key in done.going_on],
        "taken": {
            kind.value: {words.replace(" ", "_"): n for words, n in _counts(done, kind).items()}
            for kind in Kind
        },
        "refused": {str(key): why for key, why in done.refused.items()} | done.others,
        "benches": [
            {
                "id": str(bench.id),
                "name": bench.name,
                "own": bench.id == done.own,
                "runs": count,
            }
            for bench, count in done.of.items()
        ],
    }
