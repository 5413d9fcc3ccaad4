"""What ends the wait for a supply that is set with the ignition feed kept: feeds off, and why."""

import threading
from dataclasses import replace

import pytest
from bench_runs import HEAD, Watcher, feeds_are_on, make_order, make_plan, make_settings

from drivers import BackendOptions
from drivers.simulated.backend import SimulatedBackend
from drivers.simulated.faults import parse_fault
from drivers.supply import BenchSupply
from rig.bench import aside, power
from rig.bench.errors import Stopped
from rig.bench.events import RunBegan
from rig.bench.keeper import DirectKeeper
from rig.bench.opening import FedJob
from rig.bench.realtime import Claim
from rig.bench.requests import IGNITION, OFF, SetSupply
from rig.records.model import RunState
from rig.records.store import Store

SETTINGS = make_settings(sample_hz=200, supply=True)
TO_V = 11.0


class KeepsIgnition(FedJob):
    """Makes the ignition feed, sets the supply with it kept, and ends."""

    def began(self):
        facts = self.backend.facts()
        return RunBegan(self.log.run_id, self.station.wiring.name, "Set", 1, 0.0, True, facts)

    def work(self):
        self.loop.run_step(self.drive())
        return RunState.FINISHED

    def drive(self):
        yield IGNITION
        yield SetSupply(TO_V, keep_ignition=True)
        yield IGNITION

    def judgement(self):
        return None

    def take(self, command):
        pass

    def unfinished(self, text):
        pass


@pytest.fixture
def keep_ignition(records):
    """Carry the job out; ``real_time`` sets the supply in a thread, as on a rig."""

    def run(watcher, *, real_time=False, prepare=lambda job: None):
        order = make_order(make_plan(head=HEAD), settings=SETTINGS, spread="0")
        if real_time:
            order = replace(order, options=BackendOptions(seed=1, real_time=True))
        backend = SimulatedBackend(order.wiring(), order.options)
        try:
            with Store.open(records) as store:
                job = KeepsIgnition(order, backend, DirectKeeper(store), watcher)
                prepare(job)
                ended = job.run(Claim("ordinary scheduling, in a test") if real_time else None)
            assert not feeds_are_on(backend, SETTINGS)
        finally:
            backend.close()
        return ended, job

    return run


# --- in the world's own time --------------------------------------------------------------------


def stop(job, watcher):
    def stopped():
        raise Stopped("The operator stopped the run.", by_operator=True)

    watcher.on_listen = stopped


def press(job, watcher):
    job.backend.hands.do("press_emergency_stop", {})


def lose_sensor(job, watcher):
    job.backend.world.apply_fault(parse_fault("sensor-absent"))


@pytest.mark.parametrize(
    ("act", "samples", "state", "told"),
    [
        # A stop is listened for every 10 ms: every second sample, and the one that is under way.
        (stop, 3, RunState.STOPPED, "The operator stopped the run."),
        (press, 2, RunState.INTERRUPTED, "Emergency stop is pressed"),
        (lose_sensor, 4, RunState.INTERRUPTED, "The current sensor does not answer"),
    ],
)
def test_what_ends_the_wait_takes_the_feeds_off_within_its_samples(
    keep_ignition, monkeypatch, act, samples, state, told
):
    watcher, at = Watcher(), {}

    def never(job, request):
        polls = iter(range(1_000_000))

        def done():
            if next(polls) == 20:
                assert job.station.commanded == IGNITION
                at["acted"] = len(watcher.samples)
                act(job, watcher)
            return False

        return done

    monkeypatch.setattr(FedJob, "set_aside", never)
    ended, _ = keep_ignition(watcher)
    assert ended.state is state
    assert told in ended.note
    assert ended.feeds_off
    # No sample comes after the feeds are off: the loop has ended.
    assert 1 <= len(watcher.samples) - at["acted"] <= samples


def test_a_supply_that_is_never_set_is_waited_for_no_longer_than_it_may_be(
    keep_ignition, monkeypatch
):
    watcher, at = Watcher(), {}

    def never(job, request):
        at["asked"] = job.loop.clock.now_s()
        return lambda: False

    monkeypatch.setattr(FedJob, "set_aside", never)
    ended, job = keep_ignition(watcher)
    assert ended.state is RunState.INTERRUPTED
    assert "The bench supply was not set within 15 s. Feeds are off." in ended.note
    assert ended.feeds_off
    held_s = watcher.samples[-1].time_s - at["asked"]
    # A sample's time is that of its reading, a little before its cycle is over.
    assert held_s == pytest.approx(aside.WAIT_MOST_S, abs=2 * job.loop.period_s)


# --- in real time: the thread, and the lock of the supply ----------------------------------------


@pytest.fixture
def slow_supply(monkeypatch):
    """A supply that waits for ``gate`` when it is set aside; ``said`` is what was said to it."""
    real_set, real_output = BenchSupply.set_voltage, BenchSupply.output
    gate, begun, said = threading.Event(), threading.Event(), []

    def set_voltage(self, volts):
        if threading.current_thread() is threading.main_thread():
            real_set(self, volts)
            return
        said.append("begins")
        begun.set()
        assert gate.wait(10.0)
        real_set(self, volts)
        said.append("set")

    def output(self, on):
        if begun.is_set():
            said.append("on" if on else "off")
        real_output(self, on)

    monkeypatch.setattr(BenchSupply, "set_voltage", set_voltage)
    monkeypatch.setattr(BenchSupply, "output", output)
    yield gate, begun, said
    gate.set()
    for thread in threading.enumerate():
        if thread.name == "aside":
            thread.join(5.0)


def opens(gate, begun, after):
    """Return a hook for samples that opens ``gate`` so many samples after the setting began."""
    seen = iter(range(1_000_000))

    def at_sample(count, sample):
        if begun.is_set() and next(seen) == after:
            gate.set()

    return at_sample


def test_the_loop_cycles_on_while_a_thread_sets_the_supply(keep_ignition, slow_supply):
    gate, begun, said = slow_supply
    watcher = Watcher(opens(gate, begun, 40))
    ended, job = keep_ignition(watcher, real_time=True)
    assert ended.state is RunState.FINISHED
    assert said[:3] == ["begins", "set", "off"]  # the output is off only at the end
    assert job.backend.world.supply.set_v == TO_V
    held = [sample for sample in watcher.samples if sample.ignition_feed]
    assert len(held) > 40
    assert not any(sample.battery_feed for sample in held)


def test_at_a_stop_the_feeds_are_off_before_the_supply_is_waited_for(keep_ignition, slow_supply):
    """What is still being said to the supply comes to its end, then its output is taken off."""
    gate, begun, said = slow_supply
    commanded = []

    def stopped():
        if begun.is_set():
            threading.Timer(0.3, lets_go).start()
            raise Stopped("The operator stopped the run.", by_operator=True)

    jobs = []

    def lets_go():
        commanded.append(jobs[0].station.commanded)
        gate.set()

    ended, job = keep_ignition(
        Watcher(listen=stopped), real_time=True, prepare=lambda job: jobs.append(job)
    )
    assert ended.state is RunState.STOPPED
    assert commanded == [OFF]
    assert said[:3] == ["begins", "set", "off"]
    assert "did not confirm" not in ended.note
    assert not job.backend.world.supply.output_on


def test_a_thread_that_hangs_keeps_no_feed_made_and_the_end_waits_for_it_no_longer_than_it_may(
    keep_ignition, slow_supply, monkeypatch
):
    gate, _begun, said = slow_supply
    monkeypatch.setattr(aside, "WAIT_MOST_S", 0.2)
    monkeypatch.setattr(power, "STOP_WAIT_S", 0.1)
    ended, _ = keep_ignition(Watcher(), real_time=True)
    assert not gate.is_set()
    assert said[0] == "begins"
    assert "set" not in said
    assert ended.state is RunState.INTERRUPTED
    assert ended.feeds_off
    assert "was not set within 0.2 s. Feeds are off." in ended.note
    assert "The bench supply did not confirm its output off. Switch it off by hand." in ended.note
