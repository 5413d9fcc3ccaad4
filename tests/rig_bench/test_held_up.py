"""A bench that was stopped for a while, as by SIGSTOP or a machine that hangs, and goes on."""

from __future__ import annotations

import pytest
from bench_runs import Watcher, make_order

from rig.records.model import RunState


@pytest.mark.parametrize(("after", "held_s"), [(30, 0.15), (150, 1.34), (300, 0.6), (300, 4.0)])
def test_a_loop_that_was_held_up_says_nothing_against_the_unit(carry_out, after, held_s):
    """Nothing is sampled meanwhile, and the dead-man timer drops the master relay."""
    world = []
    fed = []

    def hold_up(_, sample):
        if sample.battery_feed and sample.ignition_feed:
            fed.append(sample)
            if len(fed) == after:
                clock = world[0].clock
                clock.sleep_until(clock.now_s() + held_s)

    ran = carry_out(make_order(), Watcher(hold_up), before=lambda backend, _: world.append(backend))
    assert ran.ended.state is RunState.INTERRUPTED
    assert "held up" in ran.ended.note
    assert ran.outcomes == ["not_measured"]
    assert ran.verdict == "retest"
