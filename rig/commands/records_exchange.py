"""`halfturn records out` and `take-in`: many runs out to other programs, and in from elsewhere."""

from __future__ import annotations

import argparse
import json
import sys
from pathlib import Path
from typing import Any

from rig.commands import exits
from rig.commands.common import open_records, records_path
from rig.commands.exits import CommandError
from rig.commands.meter import Meter
from rig.commands.run_filter import filter_of
from rig.commands.streams import say
from rig.commands.terminal import wrapped
from rig.exchange.out import Asked, Exported, export

_SHOWN = 20  # runs told; --json has them all
_FILTERS = ("serial", "reference", "verdict", "plan", "since", "until")


def run(options: argparse.Namespace) -> int:
    """Do what the command line asks."""
    return _out(options)


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
    _tell(options.json, _out_words(done, asked), _out_object(done, asked))
    return exits.PASS


def _tell(as_json: bool, words: list[str], whole: dict[str, Any]) -> None:
    if as_json:
        say(json.dumps(whole, indent=2))
        return
    text = "\n".join(words)
    say(wrapped(text) if sys.stdout.isatty() else text)


def counted(number: int, what: str) -> str:
    """Return a number with what it counts: "1 run", "2 runs"."""
    return f"{number} {what}{'' if number == 1 else 's'}"


def _out_words(done: Exported, asked: Asked) -> list[str]:
    parts = [
        counted(done.rows[table], word)
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
            f"A trace of {counted(len(done.damaged), 'run')} is damaged and was left out: "
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
