"""Runs of small plans on the simulated bench, in virtual time, through the whole driver stack."""

from __future__ import annotations

from dataclasses import dataclass, field
from pathlib import Path

from drivers import BackendOptions
from drivers.simulated.backend import SimulatedBackend
from rig.bench.order import RunOrder
from rig.plans import plan_from_text
from rig.records.store import Store
from rig.settings import settings_from_text, starter_text

HEAD = """
title = "Test plan"
[unit]
type = "LM-12"
winding_ohm = 0.51
turn_vs = 7.36
heat_j_per_k = 120.0
[limits]
half_turn_max_s = [[8.0, 2.0], [12.0, 1.2], [16.0, 1.0]]
run_on_s = 3.0
stall_s = 0.2
rest_max_a = 0.05
run_max_a = 7.0
[guard]
over_current_a = 33.0
over_current_s = 0.05
"""
HALF_TURNS = '[[step]]\nkind = "half_turns"\ncount = 2\npause_s = 0.4\n'


def make_plan(*steps, head=HEAD):
    return plan_from_text(head + "\n".join(steps or (HALF_TURNS,)), Path("test.toml"))


def make_settings(sample_hz=500, supply=True, text=None):
    text = starter_text() if text is None else text
    settings = settings_from_text(text, Path("rig.toml"))
    station = settings.stations[0].model_copy(update={"sample_hz": sample_hz})
    changes = {"stations": (station,)}
    if not supply:
        changes["supply"] = settings.supply.model_copy(update={"kind": "none"})
    return settings.model_copy(update=changes)


def make_order(plan=None, *, faults=(), seed=1, settings=None, consent=True, **extra):
    settings = make_settings(supply=False) if settings is None else settings
    return RunOrder(
        settings=settings,
        station=settings.stations[0],
        plan=make_plan() if plan is None else plan,
        unit_serial="LM-12-0001",
        backend="simulated",
        options=BackendOptions(seed=seed, faults=tuple(faults), extra=extra),
        consent=consent,
    )


class Watcher:
    """A console that notes everything; ``at_sample(n, sample)`` may meddle with the world."""

    def __init__(self, at_sample=None, answers=None, listen=None):
        self.events = []
        self.samples = []
        self.asked = []
        self.at_sample = at_sample
        self.answers = {} if answers is None else answers
        self.on_listen = listen

    def show(self, event):
        self.events.append(event)

    def sample(self, sample):
        self.samples.append(sample)
        if self.at_sample is not None:
            self.at_sample(len(self.samples), sample)

    def ask(self, ask, wait):
        self.asked.append(ask)
        wait(lambda: True)
        return self.answers[ask.action]

    def listen(self):
        return () if self.on_listen is None else self.on_listen() or ()

    def of(self, kind):
        return [event for event in self.events if isinstance(event, kind)]


@dataclass
class Ran:
    """A finished run: how it ended, what was seen, and the world it left."""

    ended: object
    watcher: Watcher
    backend: SimulatedBackend
    records: Path
    extra: dict = field(default_factory=dict)

    @property
    def verdict(self):
        judgement = self.ended.judgement
        return "none" if judgement is None else str(judgement.verdict)

    @property
    def outcomes(self):
        return [str(turn.outcome) for turn in self.record.half_turns]

    @property
    def record(self):
        with Store.open(self.records) as store:
            run = store.run(self.ended.run_id)
        run_turns = [turn for step in run.steps for turn in step.half_turns]
        object.__setattr__(run, "half_turns", run_turns)
        return run


def feeds_are_on(backend, settings):
    """Tell whether the world's pins hold any feed relay of the first station made."""
    station = settings.stations[0]
    for feed in (station.battery_feed, station.ignition_feed):
        pin = backend.pin_factory.pin(feed.pin)
        if pin.function == "output" and bool(pin.state) == feed.active_high:
            return True
    return False
