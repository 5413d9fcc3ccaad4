"""The relay check on the simulated bench: the relay's true values, and what may go wrong."""

import csv
import threading
import time
from pathlib import Path

import pytest
from bench_runs import HEAD, Watcher, make_order, make_plan, make_settings

from drivers import SupplyError
from drivers.clock import MonotonicClock
from drivers.simulated.faults import parse_fault
from drivers.simulated.parameters import RelayParameters, RigParameters
from rig.bench.aside import Aside, wait_for
from rig.bench.opening import FedJob
from rig.bench.requests import IGNITION
from rig.records.model import RunState

FINE = '[[step]]\nkind = "relay_check"\nneeds_supply = "skip"\n'
CHECK = FINE + "pull_from_v = 5\nstep_v = 0.5\n"
LIMITS = HEAD.replace(
    "rest_max_a = 0.05\n", "rest_max_a = 0.05\npull_in_max_v = 8.0\ndrop_out_min_v = 1.5\n"
)
TRUE = RelayParameters()
_FILE = Path(__file__).parents[1] / "reference" / "power_relay.csv"
SHEET = {
    row["quantity"]: float(row["value"])
    for row in csv.DictReader(
        line for line in _FILE.read_text().splitlines() if not line.startswith("#")
    )
}


def order(*steps, head=LIMITS, supply=True, faults=(), hz=200, timeout_s=1.0):
    settings = make_settings(sample_hz=hz, supply=supply)
    quick = settings.supply.model_copy(update={"timeout_s": timeout_s})
    settings = settings.model_copy(update={"supply": quick})
    plan = make_plan(*(steps or (CHECK,)), head=head)
    return make_order(plan, faults=faults, settings=settings, spread="0")


def measured(ran):
    return {m.name: m for step in ran.record.steps for m in step.measures}


@pytest.mark.parametrize("hz", [200, 1000])
def test_the_relay_of_the_unit_is_found_as_it_is(carry_out, hz):
    """Pass by the limits of a data sheet: pull-in 8 V at most, drop-out 1.5 V at least (TE V23234,
    coil 001); operate 7 ms and release 2 ms are typical there."""
    ran = carry_out(order(FINE, hz=hz))
    found = measured(ran)
    assert ran.verdict == "pass"
    assert ran.outcomes == ["parked", "parked"]
    assert abs(found["relay_pull_in_v"].value - TRUE.pull_in_v) < 0.25
    assert found["relay_pull_in_v"].value <= SHEET["operate_at_most"]
    assert abs(found["relay_drop_out_v"].value - TRUE.drop_out_v) < 0.25
    coil = found["relay_coil_ohm"]
    assert coil.value == pytest.approx(TRUE.coil_ohm + RigParameters().ignition_ohm, abs=coil.u)
    for name, true_s in (("operate", "operate_typical"), ("release", "release_typical")):
        time = found[f"relay_{name}_s"]
        # Motor current is seen with the sample that follows.
        assert time.value == pytest.approx(SHEET[true_s], abs=1.0 / hz + 0.001), name
    assert ran.backend.world.supply.set_v == 12.0
    assert ran.ended.feeds_off


@pytest.mark.parametrize(("pull_in_v", "verdict"), [(7.0, "pass"), (9.0, "fail"), (11.0, "fail")])
def test_a_weak_relay_fails_by_its_pull_in_voltage(carry_out, pull_in_v, verdict):
    ran = carry_out(order(faults=[f"relay-weak-pull-in={pull_in_v}"]))
    found = measured(ran)["relay_pull_in_v"]
    assert abs(found.value - pull_in_v) <= found.u
    assert ran.verdict == verdict


def test_a_relay_that_hangs_on_fails_by_its_drop_out_voltage(carry_out):
    settings = make_settings(supply=True)
    plan = make_plan(CHECK, head=LIMITS.replace("drop_out_min_v = 1.5", "drop_out_min_v = 3.5"))
    ran = carry_out(make_order(plan, settings=settings, spread="0"))
    assert ran.verdict == "fail"
    [reason] = [r for r in ran.ended.judgement.reasons if r.measure == "relay_drop_out_v"]
    assert "drop-out voltage is 2.7 V" in reason.text


def test_without_a_supply_to_set_coil_and_times_are_all(carry_out):
    ran = carry_out(order(supply=False))
    found = measured(ran)
    assert found["relay_operate_s"].value is not None
    assert found["relay_coil_ohm"].value is not None
    assert "relay_pull_in_v" not in found
    texts = [reason.text for reason in ran.ended.judgement.reasons]
    assert any("Not judged: the relay's pull-in and drop-out" in text for text in texts)
    assert ran.verdict == "pass"


def test_a_dead_relay_fails_and_is_tried_no_further(carry_out):
    ran = carry_out(order(faults=["relay-dead"]))
    assert ran.verdict == "fail"
    assert "relay_pull_in_v" not in measured(ran)


@pytest.mark.parametrize(
    "fault",
    ["supply-lost@6", "supply-lost@13", "supply-silent@10", "feed-relay-stuck-open@9"],
)
def test_a_rig_fault_in_mid_check_neither_fails_nor_passes_a_unit(carry_out, fault):
    ran = carry_out(order(faults=[fault], timeout_s=0.1))
    assert ran.verdict == "retest"
    assert ran.ended.feeds_off


def test_the_supply_is_never_set_with_the_battery_feed_made(carry_out):
    seen = []

    def before(backend, watcher):
        supply = backend.world.supply
        change = supply._change

        def noted(action):
            station = next(iter(backend.world.stations.values()))
            seen.append((station.battery_relay.closed, station.ignition_relay.closed))
            change(action)

        supply._change = noted

    ran = carry_out(order(), before=before)
    assert ran.ended.state is RunState.FINISHED
    assert not any(battery for battery, _ in seen)
    # The relay is held by its own feed while the voltage falls.
    assert any(ignition for _, ignition in seen)


def test_a_stop_in_mid_check_takes_the_feeds_off(carry_out):
    def at_sample(count, sample):
        if sample.time_s > 10.0:
            from rig.bench.errors import Stopped

            raise Stopped("The operator stopped the run.", by_operator=True)

    ran = carry_out(order(), watcher=Watcher(at_sample))
    assert ran.ended.state is RunState.STOPPED
    assert ran.ended.feeds_off
    assert not ran.backend.world.supply.output_on


# --- a supply that takes its time -------------------------------------------------------------


def test_the_loop_cycles_on_while_a_slow_supply_is_set(carry_out, monkeypatch):
    polls = []

    def slow(job, request):
        left = iter(range(60))

        def done():
            polls.append(job.station.commanded)
            if next(left, None) is not None:
                return False
            job.set_supply(request)
            return True

        return done

    monkeypatch.setattr(FedJob, "set_aside", slow)
    ran = carry_out(order())
    assert ran.verdict == "pass"
    assert abs(measured(ran)["relay_drop_out_v"].value - TRUE.drop_out_v) < 0.5
    # Three tenths of a second each: the relay is held, the motor has nothing.
    assert len(polls) > 600
    assert set(polls) == {IGNITION}


def test_a_supply_that_fails_meanwhile_ends_the_run_with_the_feeds_off(carry_out, monkeypatch):
    def fails(job, request):
        def done():
            raise SupplyError("No answer from the bench supply.")

        return done

    monkeypatch.setattr(FedJob, "set_aside", fails)
    ran = carry_out(order())
    assert ran.verdict == "retest"
    assert ran.ended.feeds_off
    assert "No answer" in ran.ended.note


def test_a_supply_that_is_never_set_ends_it_with_the_feeds_off(carry_out, monkeypatch):
    monkeypatch.setattr(FedJob, "set_aside", lambda self, request: lambda: False)
    ran = carry_out(order())
    assert ran.ended.state is RunState.INTERRUPTED
    assert "was not set within 15 s" in ran.ended.note
    assert (ran.verdict, ran.ended.feeds_off) == ("retest", True)


def test_a_sensor_that_is_lost_meanwhile_takes_the_ignition_feed_off(carry_out, monkeypatch):
    """Feeds are off with a lost sensor, the ignition feed too."""

    def loses(self, request):
        self.backend.world.apply_fault(parse_fault("sensor-absent"))
        return lambda: False

    monkeypatch.setattr(FedJob, "set_aside", loses)
    ran = carry_out(order())
    assert ran.ended.state is RunState.INTERRUPTED
    assert "current sensor does not answer" in ran.ended.note
    assert ran.ended.feeds_off


def test_a_supply_that_is_slow_takes_nothing_of_the_steps_time(carry_out, monkeypatch):
    real = FedJob.set_aside

    def slow(self, request):
        over_s = self.loop.clock.now_s() + 10.0
        done = real(self, request)
        return lambda: done() and self.loop.clock.now_s() > over_s

    monkeypatch.setattr(FedJob, "set_aside", slow)
    head = LIMITS.replace("[guard]", "[guard]\nstep_max_s = 60.0")
    ran = carry_out(order(head=head))
    assert ran.verdict == "pass"


def test_a_call_aside_is_waited_for_and_its_error_is_told():
    gate = threading.Event()
    aside = Aside(gate.wait)
    assert not aside.done()
    gate.set()
    wait_for(aside.done, lambda: time.sleep(0.001), MonotonicClock())

    def fails():
        raise ValueError("no answer")

    with pytest.raises(ValueError, match="no answer"):
        wait_for(Aside(fails).done, lambda: time.sleep(0.001), MonotonicClock())
