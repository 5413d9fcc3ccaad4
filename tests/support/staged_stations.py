"""Consoles at several stations, in a state that looks the same every time: for snapshots."""

from __future__ import annotations

from contextlib import asynccontextmanager

import numpy as np
from bench_runs import HALF_TURNS, make_plan
from live_rows import rest, turn
from scripted_bench import ScriptedBench
from several import Stations, several_stations
from staged import still_clock
from stand_in import until

from rig.analysis.model import Judgement, Reason, Verdict
from rig.bench.events import HalfTurnEnded, RunEnded
from rig.console.dialogs.ask import AskDialog
from rig.records.model import RunState

PLAN = make_plan(
    '[[step]]\nkind = "visual"\nchecks = ["housing", "lever_free"]\n',
    HALF_TURNS.replace("count = 2", "count = 6"),
    '[[step]]\nkind = "rest_draw"\nduration_s = 1.0\n',
)
FAILED = Judgement(
    Verdict.FAIL,
    (
        Reason(Verdict.FAIL, "Half-turn 2 took 1.31 s; allowed: 1.18 s.", "half_turn_s"),
        Reason(Verdict.FAIL, "Half-turn 4 took 1.30 s; allowed: 1.18 s.", "half_turn_s"),
    ),
)


@asynccontextmanager
async def staged_stations(folder, count, size):
    """Run a console of ``count`` stations; yield its pilot and the `Stations`.

    A is in its third half-turn, B asks, C has failed a unit, D is free.
    """
    made = Stations(
        several_stations(count), folder, open_bench=lambda _: ScriptedBench(), now_s=still_clock
    )
    try:
        async with made.console.run_test(size=size) as pilot:
            made.console._pumping.pause()
            await until(pilot, lambda: getattr(made.console.screen, "place", "") == "bench")
            for name, stage in zip("ABC"[:count], (_turning, _asking, _failed), strict=False):
                assert made.console.begin(made.order(name, PLAN)), made.desk(name).bench_error
                stage(made.bench[name], made.desk(name))
            made.console.pump()
            yield pilot, made
    finally:
        made.close()


async def question_of(pilot, station):
    """Wait for the question of ``station`` to be on the screen."""
    console = pilot.app

    def is_up():
        console.pump()
        screen = console.screen
        return isinstance(screen, AskDialog) and screen.query("#ask-title")

    await until(pilot, is_up)
    assert f"Station {station} ·" in str(console.screen.query_one("#ask-title").render())


async def turn_away(pilot):
    """Go to B, whose question comes up, turn away from it, and back to A."""
    console, desks = pilot.app, pilot.app.desks
    await pilot.press("ctrl+n")
    await until(pilot, lambda: desks.chosen is desks.of("B"))
    await question_of(pilot, "B")
    while desks.chosen is not desks.of("A"):
        await pilot.press("ctrl+n")
        console.pump()
        await pilot.pause()


def _half_turns(desk, count):
    parts = [rest(0.0, 2.0)]
    for number in range(count):
        since_s = 2.0 + 2.0 * number
        parts.append(turn(since_s, since_s + 1.0, to_run=number % 2 == 0))
        parts.append(rest(since_s + 1.0, since_s + 2.0))
    desk.tail.add(np.concatenate(parts))


def _turning(bench, desk):
    bench.begin_run()
    bench.begin_step(2)
    bench.say(HalfTurnEnded(True, True, 0.72), HalfTurnEnded(False, True, 0.71))
    _half_turns(desk, 2)
    desk.tail.add(turn(6.0, 6.4, to_run=True))


def _asking(bench, desk):
    bench.begin_run()
    bench.begin_step(1)
    bench.ask("inspect", "Is it whole?", ("ok", "fault", "cannot"), check="housing")
    desk.tail.add(rest(0.0, 3.0))


def _failed(bench, desk):
    bench.begin_run()
    bench.begin_step(2)
    _half_turns(desk, 4)
    bench.say(RunEnded(None, RunState.FINISHED, FAILED, True, ""))
