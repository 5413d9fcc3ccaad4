"""Which bench a console's station gets."""

from __future__ import annotations

import pytest
from bench_runs import make_plan
from several import Stations, several_stations

from rig.bench.errors import BenchError
from rig.commands import benches as module
from rig.commands.benches import Benches
from rig.console.live_job import Phase


class Handle:
    """A bench that is only told apart; the rest is `ScriptedBench`'s business."""

    def __init__(self, of, job=None):
        self.of = of
        self.job = job
        self.alive = True


class Shared:
    """Stands in for the process of all stations."""

    def __init__(self, settings, records, *, backend, options, quiet):
        self.options = options
        self.alive = True

    def station(self, name):
        return Handle((self, name))

    def close(self):
        self.alive = False
        return True


@pytest.fixture
def world(tmp_path, monkeypatch):
    """Return a function that makes the benches of a rig with so many stations, and its desks."""
    there = {"attached": None}
    monkeypatch.setattr(module, "StationsBench", Shared)
    monkeypatch.setattr(module, "BenchClient", lambda *_, **__: Handle("alone"))
    monkeypatch.setattr(module, "somebody_listens", lambda _: there["attached"] is not None)
    monkeypatch.setattr(module, "attach", lambda *_, **__: there["attached"])
    made = []

    def make(count, sample_hz=200):
        settings = several_stations(count, sample_hz)
        made.append(Stations(settings, tmp_path))
        benches = Benches(settings, tmp_path / "records.sqlite", "simulated")
        benches.desks = made[-1].desks
        return benches, made[-1], there

    yield make
    for stations in made:
        stations.close()


def test_one_station_has_a_process_for_each_job(world):
    benches, _, there = world(1)
    assert benches.open("A").of == "alone"
    there["attached"] = Handle("apart")
    assert benches.open("A").of == "apart"


def test_several_stations_share_a_process_and_what_needs_the_rig_has_its_own(world):
    benches, _, _ = world(2)
    (shared, a), (same, b) = benches.open("A").of, benches.open("B").of
    assert shared is same
    assert (a, b) == ("A", "B")
    assert benches.alone().of == "alone"
    assert benches.close()
    assert not shared.alive


def test_another_simulated_world_is_begun_only_when_no_station_is_at_work(world):
    benches, stations, _ = world(2)
    before, _ = benches.open("A").of
    assert before.options.faults == ()
    stations.desk("B").choices.faults = ("B:jammed=90",)
    assert benches.outdated()
    stations.desk("A").live.phase = Phase.ON
    assert not benches.outdated()
    assert benches.open("B").of[0] is before
    stations.desk("A").live.phase = Phase.ENDED
    after, _ = benches.open("B").of
    assert after is not before
    assert not before.alive
    assert after.options.faults == ("B:jammed=90",)  # of A's jobs as well: it is one world
    assert not benches.outdated()


def test_a_bench_that_goes_on_by_itself_is_its_stations(world):
    benches, stations, there = world(2)
    there["attached"] = Handle("apart", stations.order("B", make_plan()))
    with pytest.raises(BenchError, match="station B's now"):
        benches.open("A")
    assert benches.open("B").of == "apart"


def test_an_idle_bench_that_goes_on_by_itself_is_given_to_the_chosen_station(world):
    benches, stations, there = world(2)
    there["attached"] = idle = Handle("apart")
    a, b = stations.desk("A"), stations.desk("B")
    a.bench = benches.open("A")
    assert a.bench is idle
    stations.desks.choose(b)
    assert benches.open("B") is idle
    assert a.bench is None  # else both would take what it says
    with pytest.raises(BenchError):
        benches.open("A")


def test_stations_that_do_not_fit_on_the_bus_work_one_at_a_time(world):
    benches, stations, _ = world(4, sample_hz=2000)
    assert benches.one_at_a_time
    assert benches.open("C").of == "alone"
    stations.desks._one_at_a_time = benches.one_at_a_time
    stations.desk("A").live.phase = Phase.ON
    why_not = stations.desks.why_not(stations.order("B", make_plan()))
    assert why_not.startswith("Let the work at station A end first.")
    assert benches.one_at_a_time in why_not
