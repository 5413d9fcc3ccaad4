"""Somebody at the jig of an isolation on the simulated bench, and what it came to."""

from __future__ import annotations

from bench_runs import Watcher, make_settings

from rig.bench.events import Ranked

ALL_THERE = '[isolation]\nat_hand = ["cable", "own_relay", "known_good_relay", "wiring"]\n'
"""Of a plan: nothing is asked for at the start."""
SETTINGS = make_settings(sample_hz=200)
AT_THE_JIG = {
    "at_hand": "yes",
    "fit_known_good_relay": "done",
    "fit_own_relay": "done",
    "connect_meter": "done",
    "inspect": "ok",
    "unhook_cable": "done",
    "hook_up_cable": "done",
    "feed_motor_directly": "done",
    "restore_wiring": "done",
    "put_together": "done",
}


class Asked(Watcher):
    """Somebody who answers proposals with ``choices``, one after the other, then ends."""

    def __init__(self, *choices, **more):
        super().__init__(answers=dict(AT_THE_JIG), **more)
        self.choices = list(choices)
        self.fed_when_asked = 0

    def ask(self, ask, wait):
        self.fed_when_asked += self.samples[-1].battery_feed or self.samples[-1].ignition_feed
        if ask.action == "next_test":
            self.asked.append(ask)
            wait(lambda: True)
            return self.choices.pop(0) if self.choices else "end"
        return super().ask(ask, wait)


def last(ran):
    return ran.watcher.of(Ranked)[-1]


def reasons(ran):
    """Return the reasons of the verdict."""
    return ran.ended.judgement.reasons
