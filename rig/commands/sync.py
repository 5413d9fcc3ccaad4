"""`halfturn sync`: send the records to the central ones, tell how it stands, settle who is who."""

from __future__ import annotations

import argparse
import json
import os
import sys
import time
from contextlib import suppress
from datetime import datetime

from rig.commands import exits
from rig.commands.common import open_records, records_path, settings_or_starter
from rig.commands.exits import CommandError
from rig.commands.streams import say, tell
from rig.commands.terminal import wrapped
from rig.labels import shown
from rig.records import meeting, outbox
from rig.records.bundles import Bench, Kind, own_bench
from rig.records.central import Central
from rig.records.errors import RecordsError
from rig.records.store import Store
from rig.records.sync import Synced, sync
from rig.records.tables import SCHEMA
from rig.records.transfer import Fate
from rig.settings import RigSettings

LEAST_EVERY_S = 5.0
NICENESS = 10  # whoever tests a unit on this computer comes first
_SHOWN = 10  # refused records that are told
_WORDS = {
    Kind.CALIBRATION: ("calibration", "calibrations"),
    Kind.RIG_CHECK: ("self-check", "self-checks"),
    Kind.GAUGE_STUDY: ("gauge study", "gauge studies"),
    Kind.GOLDEN_UNIT: ("golden unit", "golden units"),
    Kind.LOT: ("lot", "lots"),
    Kind.RUN: ("run", "runs"),
}


_BELONGS = {
    "same": ("bench",),
    "new": ("bench",),
    "to": ("send", "prepare"),
    "every": ("send",),
    "once": ("send",),
    "without_traces": ("send", "status"),
    "json": ("send", "status", "bench"),
    "quiet": ("send",),
}
"""Which option belongs to which action."""
_COMMANDS = {"send": "halfturn sync"}


def run(options: argparse.Namespace) -> int:
    """Do what the command line asks."""
    for name, actions in _BELONGS.items():
        if getattr(options, name) not in (None, False) and options.action not in actions:
            option = f"--{name.replace('_', '-')}"
            where = " or ".join(f"`{_COMMANDS.get(a, f'halfturn sync {a}')}`" for a in actions)
            raise CommandError(exits.USAGE, f"{option} belongs to {where}.")
    if options.every is not None and not options.every >= LEAST_EVERY_S:
        raise CommandError(exits.USAGE, f"--every must be {LEAST_EVERY_S:g} seconds or more.")
    settings = settings_or_starter(options)
    if options.action == "prepare":
        return _prepare(options, settings)
    with open_records(records_path(options, settings)) as store:
        match options.action:
            case "status":
                return _status(store, options, settings)
            case "bench":
                return _bench(store, options)
        with suppress(OSError):
            os.nice(NICENESS)
        try:
            if options.every is None:
                return _send(store, options, settings)
            return _send_again_and_again(store, options, settings)
        except KeyboardInterrupt:
            tell("ended; what went is there, and the rest goes the next time.")
            return exits.STOPPED


def central_url(options_url: str | None, settings: RigSettings) -> str:
    """Return where the central records are: the option's URL, else the rig file's."""
    url = options_url or settings.central.url
    if not url:
        raise CommandError(
            exits.USAGE,
            "no central records are named. Write `url` into [central] of the rig file (README, "
            "Several benches), or give it on the command line.",
        )
    return url


def _traces(options: argparse.Namespace, settings: RigSettings) -> bool:
    return settings.central.traces and not options.without_traces


# --- sending ----------------------------------------------------------------------------------


def _send(store: Store, options: argparse.Namespace, settings: RigSettings) -> int:
    done = _sync(store, options, settings)
    if options.json:
        say(json.dumps(_sent_object(done), indent=2))
    else:
        say("\n".join(wrapped(line) for line in _sent_lines(done)))
    return exits.RECORDS if done.why else exits.PASS


def _sync(store: Store, options: argparse.Namespace, settings: RigSettings) -> Synced:
    shows = not options.quiet and sys.stderr.isatty()
    with store.reading() as connection:
        total = sum(outbox.count_waiting(connection, traces=_traces(options, settings)).values())

    def show(done: int) -> None:
        if shows:
            print(f"\r{done} of {max(done, total)} sent", end="", file=sys.stderr, flush=True)

    try:
        return sync(
            store,
            central_url(options.to, settings),
            name=settings.name,
            traces=_traces(options, settings),
            on_progress=show,
        )
    finally:
        if shows and total:
            print(file=sys.stderr)


def _send_again_and_again(store: Store, options: argparse.Namespace, settings: RigSettings) -> int:
    """Send until ended; what goes wrong is told once, and that it goes again."""
    trouble = ""
    while True:
        began_s = time.monotonic()
        try:
            done = _sync(store, options, settings)
        except RecordsError as error:
            if str(error) != trouble:
                tell(f"{_now()} {error}")
            trouble = str(error)
        else:
            if (done.sent or done.why or trouble) and not options.quiet:
                tell(f"{_now()} {' '.join(_sent_lines(done))}")
            trouble = ""
        time.sleep(max(0.0, options.every - (time.monotonic() - began_s)))


def _now() -> str:
    return f"{datetime.now():%Y-%m-%d %H:%M:%S}"


def _sent_lines(done: Synced) -> list[str]:
    new, updated = done.fates.get(Fate.NEW, 0), done.fates.get(Fate.UPDATED, 0)
    known = done.fates.get(Fate.KNOWN, 0)
    if not done.fates:
        return ["Nothing waited to be sent."]
    lines = [f"Sent: {new} new, {updated} brought up to date, {known} there already."]
    if done.why:
        lines.append(f"Not taken: {len(done.why)}. They are kept here; nothing is lost.")
        for row_id, (kind, why) in list(done.why.items())[:_SHOWN]:
            lines.append(f"  {_WORDS[kind][0]} {row_id}: {why}.")
        if len(done.why) > _SHOWN:
            lines.append("  ... and more: `halfturn sync status`.")
    return lines


def _sent_object(done: Synced) -> dict[str, object]:
    names = {Fate.NEW: "new", Fate.UPDATED: "updated", Fate.KNOWN: "known"}
    return {name: done.fates.get(fate, 0) for fate, name in names.items()} | {
        "refused": [
            {"kind": kind.value, "id": str(row_id), "why": why}
            for row_id, (kind, why) in done.why.items()
        ]
    }


# --- how it stands ----------------------------------------------------------------------------


def _status(store: Store, options: argparse.Namespace, settings: RigSettings) -> int:
    with store.reading() as connection:
        bench = own_bench(connection)
        waits = outbox.count_waiting(connection, traces=_traces(options, settings))
        states = meeting.states(connection)
        refused = outbox.refused(connection, limit=_SHOWN)
        refusals = outbox.count_refused(connection)
    if options.json:
        say(
            json.dumps(
                {
                    "bench": _bench_object(bench),
                    "waiting": {kind.value: number for kind, number in waits.items()},
                    **_state_object(states[0] if states else None),
                    "others": [_state_object(state) for state in states[1:]],
                    "refused": [
                        {"kind": kind, "id": str(row_id), "why": why}
                        for kind, row_id, why in refused
                    ],
                },
                indent=2,
            )
        )
        return exits.PASS
    lines = [f"Bench {_called(bench)}."]
    some = [f"{number} {_WORDS[kind][number != 1]}" for kind, number in waits.items() if number]
    lines.append(f"Waiting to be sent: {', '.join(some) or 'nothing'}.")
    if not states:
        lines.append("Nothing was sent yet: `halfturn sync` sends.")
    lines += [f"To {shown(state.place, 200)}: {_last(state)}" for state in states]
    if refusals:
        lines.append(f"Not taken there: {refusals}. Kept here, and offered again every time.")
        lines += [f"  {kind.replace('_', ' ')} {row_id}: {why}." for kind, row_id, why in refused]
    say("\n".join(wrapped(line) for line in lines))
    return exits.PASS


def _state_object(state: meeting.State | None) -> dict[str, object]:
    if state is None:
        return {"to": None, "tried_at": None, "synced_at": None, "failed": ""}
    return {
        "to": state.place,
        "tried_at": state.tried_at.isoformat(),
        "synced_at": None if state.synced_at is None else state.synced_at.isoformat(),
        "failed": state.failed,
    }


def _last(state: meeting.State) -> str:
    went = "never all sent" if state.synced_at is None else f"all sent {_local(state.synced_at)}"
    if not state.failed:
        return f"{went}."
    return f"{went}; the last try, {_local(state.tried_at)}, failed. {state.failed}"


def _local(at: datetime) -> str:
    return f"{at.astimezone():%Y-%m-%d %H:%M}"


# --- who is who -------------------------------------------------------------------------------


def _bench(store: Store, options: argparse.Namespace) -> int:
    if options.new:
        if store.at_work():
            raise CommandError(
                exits.RECORDS,
                "A unit is being tested with these records; its run would become the other "
                "bench's. Wait for its end, then give the command again.",
            )
        new = meeting.become_new(store)
        words = (
            f"These records are those of a new bench, {str(new.id)[:8]}, from now on. What was "
            "recorded before stays the other bench's: its calibrations, golden units, studies and "
            "open lots serve here no more. Calibrate this rig."
        )
    elif options.same:
        bench = meeting.go_on_as_the_same(store)
        words = (
            f"These records go on as those of the bench {_called(bench)}. Everything is offered "
            "to the central records once more; what is there already stays as it is."
        )
    else:
        with store.reading() as connection:
            bench = own_bench(connection)
        if options.json:
            say(json.dumps(_bench_object(bench), indent=2))
            return exits.PASS
        words = f"These records are those of the bench {_called(bench)}."
        if not meeting.on_its_computer(bench):
            words += f" They were made on another computer. {meeting.WHAT_TO_DO}"
    say(wrapped(words))
    return exits.PASS


def _called(bench: Bench) -> str:
    return f"{str(bench.id)[:8]} “{bench.name}”" if bench.name else str(bench.id)[:8]


def _bench_object(bench: Bench) -> dict[str, str]:
    return {"id": str(bench.id), "name": bench.name}


def _prepare(options: argparse.Namespace, settings: RigSettings) -> int:
    with Central.open(central_url(options.to, settings), unprepared=True) as central:
        before = central.prepare()
        match before:
            case None:
                words = f"Central records were made at {central.place} (schema {SCHEMA})."
            case _ if before == SCHEMA:
                words = f"The central records at {central.place} are as they should be already."
            case _:
                words = f"The central records at {central.place} were brought to schema {SCHEMA}."
    say(wrapped(words))
    return exits.PASS
