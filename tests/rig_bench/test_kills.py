"""Controllers killed at random moments, on a world that goes on; `tests/bench/campaign_kills.py`
does the same by the hundred.

All times judged are the world's own: when its contacts opened, not when a busy machine came to
look.
"""

from __future__ import annotations

from concurrent.futures import ThreadPoolExecutor
from contextlib import ExitStack, closing
from dataclasses import replace

import kills
import preloads
import pytest
from controllers import ForkedController, Nursery
from worlds import WAIT_S, wait_until

from rig.bench.events import RunEnded
from rig.records.model import RunState

LANES = 5
STEPS = (kills.ZERO, kills.HALF_TURN, kills.REST)
LIFE_S = 5.0  # of a controller that is let alone, when the machine is not busy
# Twenty kills, in two halves so that two workers share them; `halfturn run` itself in each.
HALVES = (
    [
        (kills.BENCH_KILLED, True),
        *[(kills.BENCH_KILLED, False)] * 2,
        *[(kills.BOTH_KILLED, False)] * 1,
        *[(kills.CONSOLE_KILLED, False)] * 2,
        *[(kills.STOPPED_KILLED, False)] * 1,
        *[(kills.POWER_CUT, False)] * 3,
    ],
    [
        (kills.CONSOLE_KILLED, True),
        *[(kills.STOPPED_CONTINUED, False)] * 3,
        *[(kills.OUT_OF_MEMORY, False)] * 3,
        *[(kills.POWER_CUT, False)] * 3,
    ],
)


@pytest.mark.skipif(preloads.COMPILER is None, reason="no C compiler for what is preloaded")
@pytest.mark.parametrize("half", [0, 1])
def test_killed_controllers_leave_nothing_fed_and_nothing_lost(half, tmp_path):
    preload = preloads.build(tmp_path)
    with Nursery(preload) as nursery, ExitStack() as stack:
        with ThreadPoolExecutor(LANES) as pool:
            starting = [
                pool.submit(kills.Lane, nursery, preload, steps=STEPS, life_s=LIFE_S, cuts=4)
                for _ in range(LANES)
            ]
        lanes = [start.result() for start in starting]
        for lane in lanes:
            stack.callback(lane.close)
        jobs = [(number, *job) for number, job in enumerate(HALVES[half], 1)]
        # After kills on the same world, the next run is a run like any other.
        jobs.append((len(jobs) + 1, kills.LET_ALONE, False))
        trials = kills.on_lanes(lanes, jobs, f"ci {half}")
    assert [trial for trial in trials if trial.broken] == []
    # The check would see nothing if no kill had ever met a feed that was on, or a finished step.
    killed = [trial for trial in trials if trial.method != kills.LET_ALONE]
    assert any(trial.fed for trial in killed)
    assert any(trial.reported.steps for trial in killed)


def test_a_world_that_dies_ends_the_run_in_sentences(tmp_path):
    """The other way round: pins, chip and port are gone at once, in the middle of a half-turn."""
    with Nursery() as nursery, closing(kills.Lane(nursery, "")) as lane:
        order = replace(lane.order, unit_serial="K-1")
        bench = ForkedController(nursery, order, lane.records, None)
        with closing(bench):
            wait_until(lambda: lane.observer.state()["on"]["A live"])
            lane.world.process.kill()
            assert bench.ended(WAIT_S)
            (ended,) = [event for event, _ in bench.told if isinstance(event, RunEnded)]
            assert bench.trouble() == ""
    assert ended.state is RunState.INTERRUPTED
    assert not ended.feeds_off
    assert "A FEED DOES NOT READ BACK OFF: pull the supply now" in ended.note
