"""What the console's tests share: a desk over a bench in virtual time."""

from __future__ import annotations

import time

import pytest
from bench_runs import make_settings
from console_pilot import unhurried
from stand_in import FOREVER_S, StandIn

from rig.bench.process import be_ready_to_spawn
from rig.console.app import HalfturnConsole
from rig.console.desk import Desk
from rig.console.desks import Desks


@pytest.fixture(scope="session", autouse=True)
def ready_to_spawn():
    be_ready_to_spawn()


@pytest.fixture
def make_console(tmp_path):
    """Return a function that makes a console; its benches are in ``console.benches``.

    ``until_s`` is how far a bench's clock may run at first, ``now_s`` the desk's own clock.
    """
    desks = []

    def make(
        *,
        until_s=FOREVER_S,
        settings=None,
        records=None,
        open_bench=None,
        now_s=time.monotonic,
        **choices,
    ):
        records = records or tmp_path / "logs" / "records.sqlite"
        benches = []

        def stand_in():
            benches.append(StandIn(records, until_s))
            return benches[-1]

        settings = settings or make_settings(sample_hz=200, supply=False)
        of_stations = [
            Desk(
                settings,
                records,
                open_bench or stand_in,
                backend="simulated",
                station=station.name,
                now_s=now_s,
            )
            for station in settings.stations
        ]
        for name, value in {"serial": "LM-12-0288", "operator": "jo", **choices}.items():
            setattr(of_stations[0].choices, name, value)
        console = HalfturnConsole(Desks(of_stations))
        console.benches = benches
        unhurried(console)
        desks.append(console.desks)
        return console

    yield make
    for of_stations in desks:
        of_stations.close()
