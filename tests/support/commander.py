"""Somebody at the console who gives commands when certain things are told."""

from __future__ import annotations

from bench_runs import Watcher

from rig.bench.commands import GoOn
from rig.bench.events import Paused


class Commander(Watcher):
    """Gives commands: ``script`` maps the count of an event's class to commands given then."""

    def __init__(self, script, paused_cycles=300, **more):
        super().__init__(**more)
        self.script = dict(script)
        self.pending = []
        self.paused_cycles = paused_cycles
        self.fed_in_pause = 0
        self.waiting = None

    def show(self, event):
        super().show(event)
        kind = type(event)
        self.pending.extend(self.script.pop((kind, len(self.of(kind))), ()))
        if kind is Paused:
            self.waiting = self.paused_cycles

    def sample(self, sample):
        super().sample(sample)
        if self.waiting is not None:
            self.fed_in_pause += sample.battery_feed or sample.ignition_feed
            self.waiting -= 1
            if self.waiting <= 0:
                self.waiting = None
                self.pending.append(GoOn())

    def listen(self):
        commands, self.pending = self.pending, []
        return commands
