"""`halfturn records verify`, `backup` and `restore`: the records' own health and copies."""

from __future__ import annotations

import argparse
from dataclasses import asdict
from pathlib import Path
from typing import Any

from rig.commands import exits
from rig.commands.common import records_path
from rig.commands.exits import CommandError
from rig.commands.meter import Meter
from rig.commands.terminal import say_result
from rig.records.copies import BackedUp, Restored, back_up, restore
from rig.records.problems import Problem
from rig.records.verify import RunLine, Verified, verify

_SHOWN = 20  # problems and runs told; --json has them all


def run(options: argparse.Namespace) -> int:
    """Do what the command line asks."""
    records = records_path(options)
    with Meter() as meter:
        match options.action:
            case "verify":
                done: Verified | BackedUp | Restored = verify(records, meter.show)
            case "backup":
                _need_place(options.file)
                done = back_up(
                    records, Path(options.file), replace=options.replace, progress=meter.show
                )
            case _:
                done = restore(records, Path(options.file), progress=meter.show)
    if isinstance(done, Verified):
        say_result(options.json, _verified_words(done), _verified_object(done))
        return exits.PASS if done.sound else exits.RECORDS
    words = _backup_words(done) if isinstance(done, BackedUp) else _restore_words(done)
    say_result(options.json, words, _copy_object(done))
    return exits.PASS if done.holds.sound else exits.RECORDS


def _need_place(name: str) -> None:
    """Refuse a folder that is not there: a stick that is not plugged in, say."""
    if not name.strip() or (name.endswith("/") and not Path(name).is_dir()):
        raise CommandError(
            exits.USAGE,
            f"there is no folder '{name}' to back up into. Name a folder that is there, or a file.",
        )


# --- words ------------------------------------------------------------------------------------


def _verified_words(verified: Verified) -> list[str]:
    lines = [f"{verified.path}: {_holds(verified)}"]
    lines += _listed("running now", verified.running)
    lines += _listed("interrupted, whole as far as it went", verified.interrupted)
    if verified.sound:
        return [*lines, "sound: structure, schema, references, every value, every trace's checksum"]
    lines.append(f"NOT SOUND: {_count(len(verified.problems), 'problem')}")
    last_do = ""
    for problem in verified.problems[:_SHOWN]:
        lines.append(f"  - {_where(problem)}{problem.what}")
        if problem.do != last_do:
            lines.append(f"    {problem.do}")
            last_do = problem.do
    return lines + _more(len(verified.problems), "--json lists all.")


def _where(problem: Problem) -> str:
    if not problem.run:
        return ""
    step = "" if problem.step is None else f", step {problem.step}"
    return f"run {problem.run}{step}: "


def _listed(what: str, runs: list[RunLine]) -> list[str]:
    lines = [f"  {what}: {run.run} ({run.plan}, {run.started_at} UTC)" for run in runs[:_SHOWN]]
    return lines + _more(len(runs), "--json lists all.")


def _more(count: int, how: str) -> list[str]:
    return [f"  and {count - _SHOWN} more; {how}"] if count > _SHOWN else []


def _holds(verified: Verified) -> str:
    counts = verified.counts
    return (
        f"{_count(counts.get('runs', 0), 'run')}, {_count(counts.get('steps', 0), 'step')}, "
        f"{_count(counts.get('half_turns', 0), 'half-turn')}, "
        f"{_count(counts.get('traces', 0), 'trace')} of {_count(verified.samples, 'sample')}, "
        f"{verified.file_bytes / 1e6:.1f} MB, schema {verified.revision or 'unknown'}"
    )


def _count(number: int, what: str) -> str:
    return f"{number} {what}{'' if number == 1 else 's'}"


def _backup_words(done: BackedUp) -> list[str]:
    instead = ", in the place of the one that was there" if done.replaced else ""
    lines = [f"{done.path}: backup of {_holds(done.holds)}{instead}"]
    if done.holds.sound:
        newest = f"; newest run: {done.holds.newest} UTC" if done.holds.newest else ""
        return [*lines, f"verified: sound{newest}"]
    return [
        *lines,
        "NOT SOUND, as the records themselves are, or the disk it was written to: "
        f"{_count(len(done.holds.problems), 'problem')}, first: {done.holds.problems[0].what} "
        "Keep your older backups. See all with `halfturn records verify`.",
    ]


def _restore_words(done: Restored) -> list[str]:
    newest = f"; newest run: {done.holds.newest} UTC" if done.holds.newest else ""
    lines = [f"{done.path}: restored, {_holds(done.holds)}{newest}"]
    if done.aside is None:
        return [*lines, "There were no records before."]
    lines.append(f"The records as they were are kept as {done.aside}.")
    if done.only_aside is None:
        lines.append("They are damaged: what can be read is shown with --records.")
    elif done.only_aside:
        there = "1 run is" if len(done.only_aside) == 1 else (f"{len(done.only_aside)} runs are")
        lines.append(
            f"{there} whole only there: `halfturn records list --records {done.aside}` shows them."
        )
    lines.append(f"To undo: halfturn records restore {done.aside}")
    return lines


# --- JSON -------------------------------------------------------------------------------------


def _verified_object(verified: Verified) -> dict[str, Any]:
    return {
        "file": str(verified.path),
        "sound": verified.sound,
        "schema": verified.revision or None,
        "file_bytes": verified.file_bytes,
        **{name: verified.counts.get(name, 0) for name in ("runs", "steps", "half_turns")},
        "traces": verified.counts.get("traces", 0),
        "samples": verified.samples,
        "running": [run.run for run in verified.running],
        "interrupted": [run.run for run in verified.interrupted],
        "problems": [asdict(problem) for problem in verified.problems],
    }


def _copy_object(done: BackedUp | Restored) -> dict[str, Any]:
    if isinstance(done, BackedUp):
        return {"replaced": done.replaced, **_verified_object(done.holds)}
    only = None if done.only_aside is None else sorted(done.only_aside)
    aside = None if done.aside is None else str(done.aside)
    return {"aside": aside, "only_aside": only, **_verified_object(done.holds)}
