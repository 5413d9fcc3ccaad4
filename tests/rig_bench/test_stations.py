"""A bench process with several stations, as a console has it."""

from __future__ import annotations

import os
import signal
import socket
import time

import pytest
from bench_runs import HALF_TURNS, make_plan
from kills import LATE
from side_by_side import rig_of
from waiting import WAIT_S, events_until
from worlds import WorldProcess, wait_until

from drivers import BackendOptions
from drivers.simulated.apart.observer import Observer
from rig.bench.commands import Stop
from rig.bench.events import HalfTurnEnded, Ready, Refused, RunBegan, RunEnded, StepBegan
from rig.bench.mailbox import shut
from rig.bench.order import RigCheckOrder, RunOrder
from rig.bench.stations import StationsBench
from rig.records.store import Store

# The head of a test's plan ends with its guard.
ENDLESS = 'step_max_s = 86400.0\n[[step]]\nkind = "endurance"\ncycles = 5000\npause_s = 1.0\n'


def order(settings, name, *steps, backend="simulated"):
    return RunOrder(
        settings,
        settings.station(name),
        make_plan(*steps),
        f"LM-12-{name}",
        backend=backend,
        consent=True,
    )


def test_jobs_come_and_go_on_one_station_while_another_is_at_work(tmp_path):
    settings, records = rig_of(2), tmp_path / "records.sqlite"
    with StationsBench(settings, records, backend="simulated", options=BackendOptions()) as bench:
        a, b = bench.handles["A"], bench.handles["B"]
        assert isinstance(events_until(b, Ready)[0], Ready)
        a.begin(order(settings, "A", ENDLESS))
        assert isinstance(events_until(a, StepBegan)[0], Ready)

        # What needs the rig to itself is refused, and what is meant for another station.
        for job in (RigCheckOrder(settings, settings.station("B")), order(settings, "A")):
            b.begin(job)
            (refused,) = [e for e in events_until(b, Refused) if not isinstance(e, Ready)]
            assert "on its own station" in refused.text
            while b.alive:
                assert not list(b.events(0.02))
            assert b.over
            b = bench.station("B")
            assert b.alive
            assert isinstance(events_until(b, Ready)[0], Ready)

        b.begin(order(settings, "B", HALF_TURNS))
        ended = events_until(b, RunEnded)[-1]
        assert str(ended.judgement.verdict) == "pass"
        assert a.alive
        assert b.close(), "a station whose job is over has nothing to end"

        a.tell(Stop("enough"))
        ended = events_until(a, RunEnded)[-1]
        assert (str(ended.state), ended.feeds_off) == ("stopped", True)
        while a.alive:
            list(a.events(0.02))

        # A console that goes away takes all stations off, and the process ends.
        a, b = bench.station("A"), bench.station("B")
        for name, handle in (("A", a), ("B", b)):
            handle.begin(order(settings, name, ENDLESS))
        runs = {h.name: events_until(h, StepBegan) for h in (a, b)}
        shut(bench._lines["B"].pipe, socket.SHUT_RDWR)
        ended = events_until(a, RunEnded)[-1]
        assert "console went away" in ended.note
        assert ended.feeds_off
        end_s = time.monotonic() + WAIT_S
        while bench.alive and time.monotonic() < end_s:
            time.sleep(0.02)
        assert not bench.alive
    with Store.open(records) as store:
        for seen in runs.values():
            (began,) = [event for event in seen if isinstance(event, RunBegan)]
            record = store.run(began.run_id)
            assert str(record.state) == "interrupted"
            assert record.end.feeds_off


def turning(bench, name, job):
    """Return when the station's unit turns; a run that a loaded machine ended is begun again."""
    for _ in range(5):
        handle = bench.station(name)
        if handle.job is None:
            handle.begin(job)
        last = events_until(handle, (HalfTurnEnded, RunEnded))[-1]
        if isinstance(last, HalfTurnEnded):
            return
        assert LATE.search(last.note), last.note
        wait_until(lambda: list(handle.events()) == [] and handle.over)  # noqa: B023
    pytest.fail(f"station {name} was held up in every run")


def test_a_bench_that_hangs_and_is_killed_loses_the_feeds_of_all_stations(tmp_path):
    settings, backend = rig_of(2, sample_hz=200), "drivers.simulated.apart:backend"
    with WorldProcess() as world:
        options = BackendOptions(real_time=True, extra={"world": str(world.folder)})
        bench = StationsBench(settings, tmp_path / "r.sqlite", backend=backend, options=options)
        with bench:
            handles = bench.handles
            for name, handle in handles.items():
                handle.begin(order(settings, name, ENDLESS, backend=backend))
            for name in handles:
                turning(bench, name, order(settings, name, ENDLESS, backend=backend))
            with Observer(world.folder) as observer:
                wait_until(lambda: all(observer.state()["on"][f"{n} live"] for n in "AB"))
                observer.news()
                os.kill(bench.pid, signal.SIGSTOP)
                wait_until(lambda: not observer.state()["on"]["master"])
                now = observer.state()
                # Stopped or killed, a Raspberry Pi keeps its outputs driven: the timer saves all.
                assert not any(now["on"][f"{name} live"] for name in "AB")
                (dropped,) = [e for e in observer.news() if e.what == "master"]
                assert not dropped.on
                assert not bench.close(0.2), "it hung and was killed"
                now = observer.state()
                assert not any(now["on"][f"{name} live"] for name in "AB")
