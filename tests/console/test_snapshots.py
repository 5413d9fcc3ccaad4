"""Every screen and dialog as it looks, at the smallest size and a large one.

What differs is shown by the test; if it is meant to, ``pytest tests/console/test_snapshots.py
--snapshot-update`` keeps the new look, to be read before it is committed.
"""

from __future__ import annotations

import asyncio

import pytest
import staged
from drawn_cells import cells
from staged_stations import question_of, staged_stations, turn_away
from syrupy.extensions.single_file import SingleFileSnapshotExtension, WriteMode

SIZES = [(80, 24), (120, 40)]


class ScreenFile(SingleFileSnapshotExtension):
    """A text file a screen."""

    _write_mode = WriteMode.TEXT
    file_extension = "txt"


async def walk(folder, size):
    """Return all screens by name."""
    taken = {}
    async with staged.staged_console(folder, size) as (pilot, ids):

        async def take(name):
            before, text = None, ""
            while text != before:
                before = text
                await staged.settled(pilot)
                await pilot.pause(0.1)  # what takes longer to be drawn, a snapshot may miss
                text = cells(pilot.app)
            for run_id in ids.values():
                text = text.replace(str(run_id)[:8], "5c0ffee5")
            taken[name] = text

        await staged.bench(pilot)
        await take("bench")
        await staged.help_of(pilot, "bench")
        await take("help")
        await staged.close_dialog(pilot)
        await staged.actions(pilot)
        await take("actions")
        await staged.close_dialog(pilot)
        await staged.verdict(pilot, ids["short"])
        await take("verdict_fail")
        await staged.verdict(pilot, ids["new"])
        await take("verdict_pass")
        await staged.verdict(pilot, ids["slow"])
        await staged.why(pilot)
        await take("why")
        await staged.close_dialog(pilot)
        await staged.records(pilot)
        await take("records")
        await staged.history(pilot)
        await take("history")
        await staged.overlay(pilot)
        await take("overlay")
        await staged.world(pilot)
        await take("sim")
        await staged.faults(pilot)
        await take("sim_faults")
        await staged.close_dialog(pilot)
        await staged.readings(pilot)
        await take("rig")
        await staged.stop(pilot)
        await staged.isolation(pilot)
        await take("isolate")
        await staged.stop(pilot)
        await staged.by_hand(pilot)
        await take("by_hand")
        await staged.stop(pilot)
        stand_in = await staged.cautions(pilot)
        await take("cautions")
        await staged.ask(pilot)
        await take("question")
        await staged.live(pilot, stand_in)
        await take("live")
        await staged.stop(pilot)
        await staged.golden(pilot)
        await take("golden")
        await staged.gauge(pilot)
        await take("gauge")
        await staged.lots(pilot)
        await take("lots")
        await staged.lot(pilot)
        await take("lot")
    return taken


async def walk_stations(folder, size):
    """Return the screens of rigs with several stations by name."""
    taken = {}
    for count in (2, 4):
        async with staged_stations(folder / str(count), count, size) as (pilot, _):

            async def take(name, pilot=pilot):
                await staged.settled(pilot)
                await pilot.pause(0.1)
                taken[name] = cells(pilot.app)

            if count == 2:
                await take("bench_2")
                pilot.app.go("live")
                await question_of(pilot, "B")
                await take("question_2")
            await turn_away(pilot)
            await staged.go(pilot, "stations")
            await take(f"stations_{count}")
    return taken


@pytest.mark.parametrize("size", SIZES, ids=["80x24", "120x40"])
def test_screens(size, tmp_path, snapshot):
    with staged.local_time("UTC"):
        taken = asyncio.run(walk(tmp_path, size))
    compare(taken, snapshot)


@pytest.mark.parametrize("size", SIZES, ids=["80x24", "120x40"])
def test_several_stations(size, tmp_path, snapshot):
    compare(asyncio.run(walk_stations(tmp_path, size)), snapshot)


def compare(taken, snapshot):
    """Hold the screens taken against those kept."""
    kept = snapshot.with_defaults(extension_class=ScreenFile)
    others = [name for name, text in taken.items() if text != kept(name=name)]
    assert not others, "\n\n".join(f"{name}:\n{taken[name]}" for name in others)
