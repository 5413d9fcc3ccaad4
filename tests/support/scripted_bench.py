"""A bench that says what a test has it say and notes what it is told: for dialogs and screens."""

from __future__ import annotations

import time
from math import nan

from rig.bench.commands import Answer
from rig.bench.events import Asked, Ready, RunBegan, RunEnded, StepBegan
from rig.bench.requests import Ask, Sample
from rig.bench.ring import SampleRing
from rig.records.model import RunState


class ScriptedBench:
    """`rig.bench.handle.BenchHandle` without anything behind it."""

    pid = None
    job = None
    outlives = False
    goes_on = False

    def __init__(self):
        self.ring = SampleRing()
        self.alive = True
        self.told = []
        self._says = [Ready()]

    def begin(self, job):
        self.job = job

    def tell(self, command):
        self.told.append(command)

    def events(self, wait_s=0.0):
        says, self._says = self._says, []
        return iter(says)

    def close(self, wait_s=10.0):
        self.ring.close()
        return True

    # --- what tests do ---------------------------------------------------------------------

    def say(self, *events):
        self._says.extend(events)

    def begin_run(self):
        plan = self.job.plan
        self.say(RunBegan(None, "A", plan.title, len(plan.steps), 3.0, True, {}))

    def begin_step(self, number):
        step = self.job.plan.steps[number - 1]
        steps = len(self.job.plan.steps)
        self.say(StepBegan(number, steps, step.kind, step.label, 3.0, 0.0))

    def ask(self, action, text="Do it.", allowed=("done", "cannot"), seen="", **detail):
        self.say(Asked(Ask(action, text, allowed, detail, seen), seen))

    def end_run(self):
        self.say(RunEnded(None, RunState.STOPPED, None, True, "", on_request=True))

    def feed(self, battery=False, ignition=False):
        """Sample once, now."""
        now_s = time.monotonic()
        self.ring.write(Sample(now_s, 0.0, 12.6, battery, ignition, 0, nan, False, None, None))

    @property
    def answers(self):
        return [command.text for command in self.told if isinstance(command, Answer)]
