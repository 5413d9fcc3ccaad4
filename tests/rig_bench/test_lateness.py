"""The control loop's lateness: what is counted, and that its quantiles are those of the times."""

from __future__ import annotations

import json

import numpy as np
import pytest
from bench_runs import Watcher, make_order
from hypothesis import given, settings
from hypothesis import strategies as st

from drivers.simulated.backend import SimulatedBackend
from rig.bench.guard import Guard
from rig.bench.keeper import DirectKeeper
from rig.bench.lateness import LatenessMeter, Spreading, upper_s
from rig.bench.loop import ControlLoop
from rig.bench.opening import guard_limits
from rig.bench.realtime import Claim
from rig.bench.requests import OFF
from rig.bench.session import Session
from rig.bench.station import Station
from rig.records.lateness import lateness_kept, lateness_object, lateness_read
from rig.records.store import Store

TIMES = st.lists(st.floats(-0.001, 4000.0), min_size=1, max_size=60)


@given(TIMES, st.sampled_from((0.5, 0.99, 0.999, 1.0)))
@settings(derandomize=True, max_examples=200, deadline=None)
def test_quantiles_are_never_too_low_and_at_most_a_bin_too_high(times, share):
    spreading = Spreading()
    for time_s in times:
        spreading.add(time_s)
    spread = spreading.result()
    assert spread.max_s == max(0.0, *times)
    assert sum(count for _, count in spread.bins) == len(times)
    true_s = max(0.0, float(np.quantile(times, share, method="inverted_cdf")))
    assert true_s <= spread.quantile_s(share) + 1e-12
    assert spread.quantile_s(share) <= max(true_s * 9 / 8, true_s + 1e-6) + 1e-9


def test_bins_touch_each_other():
    edges_us = [round(upper_s(index) * 1e6) for index in range(240)]
    assert edges_us[:16] == list(range(1, 17))
    widths = np.diff(edges_us)
    assert (widths > 0).all()
    assert (widths[16:] <= np.array(edges_us[16:-1]) / 8).all()
    assert edges_us[-1] == 1 << 32


@given(TIMES)
@settings(derandomize=True, max_examples=50, deadline=None)
def test_what_is_kept_comes_back(times):
    meter = LatenessMeter(0.001)
    for time_s in (0.0, *times):
        meter.cycle(time_s, 2 * time_s, int(time_s), fed=time_s > 10.0)
    measured = meter.result()
    assert lateness_read(json.loads(json.dumps(lateness_kept(measured)))) == measured
    assert measured.cycles == len(times)
    assert measured.lost_slots == sum(int(t) for t in times)
    assert measured.lost_slots_fed == sum(int(t) for t in times if t > 10.0)
    shown = lateness_object(measured)
    assert shown["woken"]["max_s"] == measured.woken.max_s
    assert shown["woken"]["p50_s"] <= shown["woken"]["p99_s"] <= shown["woken"]["p99.9_s"]


def test_no_cycle_is_no_measurement():
    meter = LatenessMeter(0.001)
    meter.cycle(5.0, 5.0, 1, fed=False)  # before the first deadline anything may take its time
    assert meter.result() is None
    assert lateness_kept(None) is lateness_read(None) is lateness_object(None) is None


class LateClock:
    """The simulated bench's own clock, but every tenth sleep lasts ``late_s`` too long."""

    def __init__(self, clock, late_s):
        self._clock, self._late_s = clock, late_s
        self.now_s = clock.now_s
        self.sleeps = 0

    def sleep_until(self, time_s):
        self.sleeps += 1
        self._clock.sleep_until(time_s + (0.0 if self.sleeps % 10 else self._late_s))


@pytest.fixture
def loop_with():
    """Return a loop at 500 Hz whose clock is late now and then."""
    order = make_order()
    backend = SimulatedBackend(order.wiring(), order.options)
    station = Station(backend, order.wiring(), order.wiring().stations[0])

    def make(late_s, meter):
        nothing = dict.fromkeys(("listen", "watch", "ask", "set_supply", "news", "on_trip"))
        hooks = {name: lambda *said: None for name in nothing}
        guard = Guard(guard_limits(order.plan))
        clock = LateClock(backend.clock, late_s)
        return ControlLoop(station, clock, guard, 0.002, lateness=meter, **hooks)

    yield make
    station.close()
    backend.close()


@pytest.mark.parametrize(
    ("late_s", "lost"),
    # 2.25 periods late: its own deadline and the next are served at once, the third is given up.
    [(0.0003, 0), (0.0045, 1)],
)
def test_the_loop_measures_its_clocks_lateness(loop_with, late_s, lost):
    meter = LatenessMeter(0.002)
    loop = loop_with(late_s, meter)
    for _ in range(102):  # the first is not counted
        loop.cycle(OFF)
    found = meter.result()
    assert found.cycles == 101
    assert found.woken.max_s == pytest.approx(late_s, abs=1e-4)
    assert found.woken.quantile_s(0.5) < 1e-4
    assert found.done.max_s > found.woken.max_s  # reading takes its bit times
    assert found.lost_slots == lost * (loop.clock.sleeps // 10)
    assert found.lost_slots_fed == 0


def test_what_held_the_loop_on_purpose_is_no_lateness(loop_with):
    meter = LatenessMeter(0.002)
    loop = loop_with(0.0, meter)
    loop.cycle(OFF)
    for excused in (True, False):
        loop.clock.sleep_until(loop.clock.now_s() + 1.0)
        if excused:
            loop.excuse()
        loop.cycle(OFF)
        loop.cycle(OFF)
        found = meter.result()
        assert (found.woken.max_s < 0.1) is excused
        assert (found.lost_slots == 0) is excused


@pytest.mark.parametrize(
    ("advice", "simulated", "told"),
    [("Do this.", False, True), ("Do this.", True, False), ("", False, False)],
)
def test_what_is_not_granted_is_told_once_on_a_real_bench(records, advice, simulated, told):
    order, watcher = make_order(), Watcher()
    backend = SimulatedBackend(order.wiring(), order.options)
    backend.simulated = simulated
    granted = Claim("ordinary scheduling", advice)
    try:
        with Store.open(records) as store:
            keeper = DirectKeeper(store)
            ended = Session(order, backend, keeper, watcher).run(granted)
            run = store.run(ended.run_id)
    finally:
        backend.close()
    notes = [event.text for event in run.events if event.kind == "control"]
    assert notes == (["ordinary scheduling. Do this."] if told else [])
    assert run.start.control == ended.control == "ordinary scheduling"
    assert run.end.lateness.cycles > 1000
    assert run.end.lateness.lost_slots == 0
