"""Runs on several stations of the simulated bench at once, in virtual time; what was fed when."""

from __future__ import annotations

from dataclasses import dataclass, fields
from pathlib import Path

from bench_runs import HALF_TURNS, Watcher, make_plan

from drivers import BackendOptions
from drivers.simulated.backend import SimulatedBackend
from rig.bench.keeper import DirectKeeper
from rig.bench.order import ByHandOrder, RunOrder
from rig.bench.requests import Feeds
from rig.bench.together import Together
from rig.records.store import Store
from rig.settings import settings_from_text
from rig.starter import starter_text

SAMPLE_HZ = 500
PERIOD_S = 1 / SAMPLE_HZ


def rig_of(stations, *, supply=False, sample_hz=SAMPLE_HZ):
    """Return the starter rig with so many stations."""
    settings = settings_from_text(starter_text(stations), Path("rig.toml"))
    each = tuple(s.model_copy(update={"sample_hz": sample_hz}) for s in settings.stations)
    kind = settings.supply.model_copy(update={"kind": "scpi" if supply else "none"})
    return settings.model_copy(update={"stations": each, "supply": kind})


@dataclass(frozen=True)
class Edge:
    """A feed output that changed: bench time (s), station, ``battery`` or ignition, made or not."""

    time_s: float
    station: str
    battery: bool
    made: bool


class Diary:
    """Every change of every feed output of a world, and of its dead-man output."""

    def __init__(self, backend, settings):
        self.edges = []
        self.toggles_s = []
        self.fed = {station.name: [False, False] for station in settings.stations}
        outputs = {}
        for station in settings.stations:
            outputs[station.battery_feed.pin] = (station.name, True)
            outputs[station.ignition_feed.pin] = (station.name, False)
        world = backend.world
        changed = world.output_changed

        def noted(pin, level):
            changed(pin, level)
            if pin in outputs:
                name, battery = outputs[pin]
                if self.fed[name][not battery] != level:
                    self.fed[name][not battery] = level
                    self.edges.append(Edge(world.now_s, name, battery, level))
            elif pin == settings.dead_man.pin:
                self.toggles_s.append(world.now_s)

        world.output_changed = noted

    @property
    def all_off(self):
        """Whether no feed output is made."""
        return not any(any(feeds) for feeds in self.fed.values())

    def of(self, station, *, battery=True):
        """Return the changes of one feed."""
        return [e for e in self.edges if e.station == station and e.battery is battery]

    def spans_s(self, station):
        """Return from when to when any feed of a station was made, (from, to) in s."""
        spans, fed, since_s = [], [False, False], 0.0
        for edge in (e for e in self.edges if e.station == station):
            before = any(fed)
            fed[not edge.battery] = edge.made
            if any(fed) and not before:
                since_s = edge.time_s
            elif before and not any(fed):
                spans.append((since_s, edge.time_s))
        assert not any(fed), f"a feed of {station} is still made"
        return spans


class SlowKeeper(DirectKeeper):
    """A finished run is on the disk only ``slow_s`` after it was written."""

    def __init__(self, store, now_s, slow_s):
        super().__init__(store)
        self._now_s, self._slow_s = now_s, slow_s

    def finish_run(self, run_id, end):
        super().finish_run(run_id, end)
        from_s = self._now_s()
        return lambda: self._now_s() >= from_s + self._slow_s


class Side:
    """Several runs at once: give the plans, then `run`; what happened is in its attributes.

    ``faults`` and ``extra`` as on the command line.  ``watchers`` are the stations' consoles.
    ``driven_by`` returns another backend in the same world, in place of the simulated one.
    """

    def __init__(
        self,
        records,
        stations=2,
        *,
        plans=None,
        faults=(),
        supply=False,
        seed=1,
        driven_by=lambda world, wiring: world,
        **extra,
    ):
        self.settings = rig_of(stations, supply=supply)
        names = [station.name for station in self.settings.stations]
        self.plans = {name: make_plan(HALF_TURNS) for name in names} if plans is None else plans
        self.watchers = {name: Watcher() for name in names}
        self.options = BackendOptions(seed=seed, faults=tuple(faults), extra=extra)
        self.records = records
        self.by_hand = set()  # the stations that are worked by hand
        self.slow_disk_s = {}  # by station: so long its finished run is on its way to the disk
        first = self.order(next(iter(self.plans)))
        self.backend = SimulatedBackend(first.wiring(), self.options)
        self.diary = Diary(self.backend, self.settings)
        self.driver = driven_by(self.backend, first.wiring())
        self.together = Together(self.driver, first.wiring(), tuple(names))
        self.ends = self.together.ends

    def order(self, name):
        """Return the order of a station."""
        return RunOrder(
            settings=self.settings,
            station=self.settings.station(name),
            plan=self.plans[name],
            unit_serial=f"LM-12-{name}",
            backend="simulated",
            options=self.options,
            consent=True,
        )

    def begin(self, name):
        """Have a station's job begin: before `run`, or while it is on."""
        order = self.order(name)
        if name in self.by_hand:
            order = ByHandOrder(**{f.name: getattr(order, f.name) for f in fields(order)})
        keeper = self.keeper
        if name in self.slow_disk_s:
            keeper = SlowKeeper(self.store, self.now_s, self.slow_disk_s[name])
        self.together.begin(order, keeper, self.watchers[name])

    def begin_when(self, due, *, by, begin):
        """Have ``begin``'s job begin once ``due()`` in a sample of ``by``; return when, in a list.

        The list stays empty if it never was.
        """
        begun = []

        def look(_, sample):
            if not begun and due():
                begun.append(self.now_s())
                self.begin(begin)

        self.watchers[by].at_sample = look
        return begun

    def run(self, *names):
        """Run the jobs of ``names`` (none: of all stations with a plan); return self."""
        try:
            with Store.open(self.records) as store, self.together:
                self.store, self.keeper = store, DirectKeeper(store)
                for name in names or self.plans:
                    self.begin(name)
                self.together.run()
        finally:
            if self.driver is not self.backend:
                self.driver.close()
            self.backend.close()
        return self

    def now_s(self):
        """Return the bench clock's time."""
        return self.backend.clock.now_s()

    def record(self, name):
        """Return a station's run as it is in the record."""
        with Store.open(self.records) as store:
            return store.run(self.ends[name].run_id)

    def half_turns(self, name):
        """Return a station's half-turns."""
        return [turn for step in self.record(name).steps for turn in step.half_turns]

    def verdict(self, name):
        """Return a station's verdict."""
        judgement = self.ends[name].judgement
        return "none" if judgement is None else str(judgement.verdict)

    def noted(self, name, kind):
        """Return the texts of a station's notes of a kind."""
        return [e.text for e in self.watchers[name].events if getattr(e, "kind", "") == kind]


def fed(side, name):
    """Return which feeds of a station are made now."""
    return Feeds(*side.diary.fed[name])
