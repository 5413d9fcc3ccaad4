"""A bench process with several stations, as a console has it."""

from __future__ import annotations

import socket
import time

from bench_runs import HALF_TURNS, make_plan
from side_by_side import rig_of

from drivers import BackendOptions
from rig.bench.commands import Stop
from rig.bench.events import Ready, Refused, RunBegan, RunEnded, StepBegan
from rig.bench.mailbox import shut
from rig.bench.order import RigCheckOrder, RunOrder
from rig.bench.stations import StationsBench
from rig.records.store import Store

# The head of a test's plan ends with its guard.
ENDLESS = 'step_max_s = 86400.0\n[[step]]\nkind = "endurance"\ncycles = 5000\npause_s = 1.0\n'
WAIT_S = 60.0


def events_until(handle, kind):
    """Return what a station says until it says something of a kind."""
    seen, end_s = [], time.monotonic() + WAIT_S
    while time.monotonic() < end_s:
        for event in handle.events(0.02):
            seen.append(event)
            if isinstance(event, kind):
                return seen
        assert handle.alive, seen
    raise AssertionError(f"waited in vain for {kind}; came last: {seen[-3:]}")


def order(settings, name, *steps):
    return RunOrder(
        settings,
        settings.station(name),
        make_plan(*steps),
        f"LM-12-{name}",
        backend="simulated",
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
