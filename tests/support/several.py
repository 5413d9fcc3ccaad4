"""Rigs of several stations, and consoles at them: a stand-in bench for each station."""

from __future__ import annotations

from bench_runs import make_settings
from console_pilot import unhurried
from stand_in import FOREVER_S, StandIn, rested, until

from rig.bench.order import RunOrder
from rig.console.app import HalfturnConsole
from rig.console.desk import Desk
from rig.console.desks import Desks

# Battery and ignition feed (BCM pins), addresses of the two sensors.
_WIRED = {"B": (16, 26, 0x44, 0x45), "C": (12, 13, 0x42, 0x43), "D": (20, 21, 0x46, 0x47)}


def several_stations(count, sample_hz=200):
    """Return the settings of a rig with ``count`` stations, A to D; jig switches on A only."""
    settings = make_settings(sample_hz=sample_hz, supply=False)
    first = settings.stations[0]
    more = [_another(first, name, *_WIRED[name]) for name in "BCD"[: count - 1]]
    return settings.model_copy(update={"stations": (first, *more)})


def _another(first, name, battery, ignition, battery_sensor, ignition_sensor):
    def changed(of, **update):
        return getattr(first, of).model_copy(update=update)

    return first.model_copy(
        update={
            "name": name,
            "battery_feed": changed("battery_feed", pin=battery),
            "ignition_feed": changed("ignition_feed", pin=ignition),
            "battery_sensor": changed("battery_sensor", address=battery_sensor),
            "ignition_sensor": changed("ignition_sensor", address=ignition_sensor),
            "at_run": None,
            "at_stop": None,
        }
    )


class Fitted(StandIn):
    """A stand-in whose simulated rig has its unit on the job's station, whichever that is."""

    def _fit(self, job):
        world = self.backend.world
        for name in world.stations:
            world.remove_unit(name)
        world.fit_unit(job.station.name, job.unit_serial)


class Stations:
    """A console at ``settings``; ``bench[name]`` is the bench that a station has now.

    ``open_bench(name)`` makes it, a `Fitted` that stands still from its start by default.
    """

    def __init__(self, settings, folder, *, open_bench=None, **desk):
        def stand_in(name):
            return Fitted(folder / f"{name}.sqlite", 0.0)

        self.bench = {}
        self.settings = settings
        make = open_bench or stand_in

        def open_at(name):
            self.bench[name] = make(name)
            return self.bench[name]

        self.desks = Desks(
            [
                Desk(
                    settings,
                    folder / "records.sqlite",
                    lambda name=one.name: open_at(name),
                    backend="simulated",
                    station=one.name,
                    **desk,
                )
                for one in settings.stations
            ]
        )
        self.console = HalfturnConsole(self.desks)
        unhurried(self.console)

    def desk(self, name):
        return self.desks.of(name)

    def order(self, name, plan, kind=RunOrder, *, serial=None, consent=True, ask=False):
        """Return an order as the console makes it at station ``name``."""
        desk = self.desk(name)
        return kind(
            settings=self.settings,
            station=desk.station,
            plan=plan,
            unit_serial=serial or f"LM-12-0{417 + 'ABCD'.index(name)}",
            operator="jo",
            backend="simulated",
            options=desk.options(),
            consent=consent,
            ask_operator=ask,
        )

    async def begin(self, pilot, job, at_s=FOREVER_S, every_s=None):
        """Have ``job`` on and its bench stand still at ``at_s``; return the bench.

        ``every_s``: in strides of so much, a frame after each.
        """
        console, name = self.console, job.station.name
        assert console.begin(job), self.desk(name).bench_error
        console.pump()
        await until(pilot, lambda: self.bench[name].begun)
        bench, now_s = self.bench[name], 0.0
        while now_s < at_s and not (now_s and bench.still and not bench.alive):
            now_s = at_s if every_s is None else min(now_s + every_s, at_s)
            bench.hold_at(now_s)
            await rested(pilot, bench)
        return bench

    def close(self):
        self.desks.close()
