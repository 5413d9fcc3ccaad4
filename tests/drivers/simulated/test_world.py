"""The simulated rig: dead-man, emergency stop, relays, fuse, supply, sensors and switches."""

from __future__ import annotations

import math
import time
from collections.abc import Callable
from dataclasses import replace
from itertools import pairwise
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from drivers import (
    CLIPPED,
    BackendError,
    BackendOptions,
    DeadManWiring,
    FeedWiring,
    InputWiring,
    RigWiring,
    SensorWiring,
    StationWiring,
    SupplyWiring,
)
from drivers.backends import load_backend
from drivers.feeds import FeedOutput
from drivers.simulated.backend import SimulatedBackend
from drivers.simulated.history import FeedHistory
from drivers.simulated.world import World
from drivers.supply import BenchSupply

Make = Callable[..., Any]

RIG = RigWiring(
    stations=(
        StationWiring("one", FeedWiring(17), FeedWiring(27), SensorWiring(1, 0x40, 0.005, 25.0)),
    ),
    dead_man=DeadManWiring(22, sense_pin=23),
    emergency_stop=InputWiring(24, normally_closed=True),
)


# --- at the start and at the end ------------------------------------------------------------------


def test_nothing_is_fed_at_the_start(bench: Make) -> None:
    one = bench()
    one.toggling = False
    readings = one.run(0.3)
    assert max(abs(r.current_a) for r in readings) < 0.02
    assert max(r.voltage_v for r in readings) == 0.0
    assert one.dead_man.picked_up is False


def test_closing_the_backend_takes_the_feeds_off(bench: Make) -> None:
    one = bench("cam-welded").armed()
    one.to_run(0.3)
    assert one.station.feed_a > 1.0
    one.backend.close()
    one.backend.close()
    one.backend.clock.sleep_until(one.now_s + 0.05)
    one.world.bring_up()
    assert one.station.feed_a == 0.0
    assert not one.station.connected


def test_an_active_low_relay_board_is_off_until_told(bench: Make) -> None:
    one = bench(rewire={"battery_feed": FeedWiring(17, active_high=False)})
    one.run(0.2)
    assert not one.station.connected
    one.battery.make()
    one.run(0.05)
    assert one.station.connected
    one.battery.close()  # nothing drives the pin now: the external resistor pulls it high
    one.run(0.05)
    assert not one.station.connected


# --- dead-man and emergency stop ------------------------------------------------------------------


@pytest.mark.parametrize("level", [True, False])
def test_a_dead_man_line_that_stands_still_drops_the_feeds(bench: Make, level: bool) -> None:
    one = bench("cam-welded").armed()
    one.to_run(0.3)
    one.backend.pin_factory.stick(22, level)
    stuck_s = one.now_s
    one.run(0.4)
    assert one.dead_man.picked_up is False
    assert one.station.feed_a == 0.0
    lost_s = next(r.time_s for r in one.readings if r.time_s > stuck_s and r.current_a < 0.1)
    assert 0.1 < lost_s - stuck_s <= 0.15 + 0.003  # the wiring's longest hold, and a sample


def test_edges_pick_the_master_relay_up_again(bench: Make) -> None:
    one = bench().armed()
    assert one.dead_man.picked_up is True
    one.toggling = False
    one.run(0.3)
    assert one.dead_man.picked_up is False
    one.dead_man.toggle()
    one.run(0.05)
    assert one.dead_man.picked_up is False  # one edge is not enough
    one.toggling = True
    one.run(0.05)
    assert one.dead_man.picked_up is True


@settings(max_examples=30, deadline=None)
@given(st.lists(st.floats(0.001, 0.3).filter(lambda s: not 0.125 < s < 0.17), max_size=8))
def test_the_dead_man_holds_just_as_long_as_it_is_toggled(gaps: list[float]) -> None:
    world = World(RIG, spread=False)
    level = False
    for _ in range(5):
        world.now_s += 0.01
        level = not level
        world.output_changed(22, level)
    world.now_s += 0.012
    assert world.input_level(23) is False  # low: picked up
    for gap in gaps:
        world.now_s += gap
        assert world.input_level(23) is (gap > 0.15)
        for _ in range(5):
            level = not level
            world.output_changed(22, level)
            world.now_s += 0.005


def test_without_a_dead_man_the_master_relay_is_always_made(bench: Make) -> None:
    one = bench(rewire={"dead_man": None})
    one.feed(True, False)
    one.run(0.1)
    assert one.station.connected


def test_the_emergency_stop_drops_everything_whatever_the_program_does(bench: Make) -> None:
    one = bench("cam-welded").armed()
    one.to_run(0.2)
    one.backend.hands.do("press_emergency_stop", {})
    one.run(0.1)
    assert one.dead_man.picked_up is False
    assert one.station.feed_a == 0.0
    assert one.world.input_level(24) is True  # normally closed: open now
    one.backend.hands.do("release_emergency_stop", {})
    one.run(0.05)
    assert one.world.input_level(24) is False
    assert one.dead_man.picked_up is True


# --- relays ---------------------------------------------------------------------------------------


def test_feed_relays_take_their_declared_time(bench: Make) -> None:
    feed = FeedWiring(17, operate_s=0.020, release_s=0.008)
    one = bench(rewire={"battery_feed": feed}).armed()
    one.battery.release()
    released_s = one.now_s
    off = next(r for r in one.run(0.05, 2000) if r.voltage_v < 1.0)
    one.battery.make()
    made_s = one.now_s
    on = next(r for r in one.run(0.05, 2000) if r.voltage_v > 11.0)
    # A bus voltage reading is up to ten samples old.
    assert off.time_s - released_s == pytest.approx(0.008, abs=0.006)
    assert on.time_s - made_s == pytest.approx(0.020, abs=0.006)


def test_a_feed_relay_bounces_as_it_closes() -> None:
    world = World(replace(RIG, dead_man=None), spread=False)
    world.output_changed(17, True)
    states = []
    while world.now_s < 0.012:
        world.now_s += 2e-5
        world.bring_up()
        states.append(world.stations["one"].connected)
    closings = sum(b and not a for a, b in pairwise(states))
    assert closings == 3
    first = states.index(True)
    assert all(states[first + round(0.0012 / 2e-5) + 2 :])


def test_relays_of_different_rigs_differ_a_little() -> None:
    times = set()
    for seed in range(8):
        world = World(RIG, seed=seed)
        world.master.stop_pressed = False
        for level in (True, False) * 3:
            world.output_changed(22, level)
        world.now_s = 0.02
        world.output_changed(17, True)
        for _ in range(400):
            world.now_s += 1e-4
            world.bring_up()
            if world.stations["one"].connected:
                break
        times.add(round(world.now_s - 0.02, 4))
    assert len(times) > 3
    assert all(0.005 < t < 0.009 for t in times)


# --- a reference in the unit's place --------------------------------------------------------------


def test_the_meter_shows_one_moment_and_no_mean(bench: Make) -> None:
    """Whoever looks at a hand meter notes what it shows then, whatever it showed before."""
    one = bench().armed()
    one.backend.hands.do("connect_load", {"ohm": 4.0})
    one.feed(True, False)
    one.run(0.3)
    began_s = one.now_s
    one.backend.hands.do("connect_load", {"ohm": 2.0})
    one.run(0.1)
    detail = {"quantity": "current", "from_s": began_s - 0.2, "to_s": one.now_s}
    shown_a = float(one.backend.hands.do("read_meter", detail))
    assert shown_a == pytest.approx(one.station.feed_a, abs=0.001)
    before = {**detail, "to_s": began_s - 0.1}
    assert float(one.backend.hands.do("read_meter", before)) < 0.6 * shown_a


# --- fuse -----------------------------------------------------------------------------------------


def test_a_stall_blows_the_fuse_within_its_gates(bench: Make) -> None:
    """15 A on 7.5 A: the 200 % gate of the 257 sheet, 0.15 to 5 s."""
    one = bench("jammed=2", rewire={"fuse_a": 7.5}).armed()
    began_s = one.now_s
    one.to_run(6.0)
    assert 0.15 < one.happened("fuse blown")[0] - began_s < 5.0
    assert one.run(0.05)[-1].voltage_v == 0.0
    one.backend.hands.do("fit_fuse", {})
    assert one.run(0.1)[-1].voltage_v > 10.0


# --- bench supply ---------------------------------------------------------------------------------

SUPPLY = SupplyWiring("/dev/ttyUSB0")


def test_the_supply_limits_the_current(bench: Make) -> None:
    one = bench("jammed=2", rewire={"supply": SUPPLY})
    supply = one.world.supply
    supply.set_v, supply.limit_a, supply.output_on = 12.6, 6.0, True
    one.armed()
    stalled = one.to_run(0.3)
    assert max(r.current_a for r in stalled) < 6.02
    assert supply.measured_a() == pytest.approx(6.0, abs=0.03)
    coil_a = one.coil[-1].current_a
    assert stalled[-1].current_a + coil_a == pytest.approx(6.0, abs=0.05)
    # In constant current the voltage is what the load makes of it: some 0.54 ohm.
    assert supply.measured_v() == pytest.approx(stalled[-1].current_a * 0.545, rel=0.05)
    supply.limit_a = 30.0
    assert one.run(0.1)[-1].current_a > 20.0
    supply.output_on = False
    assert one.run(0.1)[-1].current_a == pytest.approx(0.0, abs=0.01)
    assert supply.measured_v() == 0.0


def test_a_supply_limited_too_far_lets_the_relay_drop(bench: Make) -> None:
    """2.5 A through 0.55 ohm leave the coil less than its drop-out voltage: it chatters."""
    one = bench("jammed=2", rewire={"supply": SUPPLY})
    one.world.supply.set_v, one.world.supply.limit_a = 12.6, 2.5
    one.world.supply.output_on = True
    one.armed()
    one.to_run(0.3)
    assert len(one.happened("track opened")) > 3


def test_a_unit_on_a_limiting_supply_is_only_slower(bench: Make) -> None:
    times = []
    for limit_a in (30.0, 5.1):
        one = bench(rewire={"supply": SUPPLY})
        one.world.supply.set_v, one.world.supply.limit_a = 12.6, limit_a
        one.world.supply.output_on = True
        one.armed()
        began_s = one.now_s
        peak_a = max(r.current_a for r in one.to_run(3.0))
        assert peak_a < limit_a + 0.05
        times.append(one.happened("track opened")[-1] - began_s)
    assert times[0] + 0.02 < times[1] < 2.0 * times[0]


def test_the_supply_answers_at_its_port_with_what_is_so(bench: Make) -> None:
    one = bench(rewire={"supply": SUPPLY})
    path = one.backend.serial_port("/dev/ttyUSB0")
    assert one.backend.serial_port("/dev/ttyUSB0") == path
    supply = BenchSupply(SUPPLY, path)
    try:
        supply.set_voltage(11.5)
        supply.set_current_limit(20.0)
        supply.output(True)
        one.armed()
        assert one.run(0.05)[-1].voltage_v == pytest.approx(11.5, abs=0.02)
        assert supply.measure_v() == pytest.approx(11.5, abs=0.02)
    finally:
        supply.close()
    with pytest.raises(BackendError, match="No supply is wired"):
        one.backend.serial_port("/dev/ttyUSB1")


# --- sensors and switches -------------------------------------------------------------------------


def test_a_half_turn_seen_through_the_drivers(bench: Make) -> None:
    one = bench().armed()
    assert one.at_stop.actuated
    assert not one.at_run.actuated
    began_s = one.now_s
    readings = one.to_run()
    took_s = one.happened("track opened")[-1] - began_s
    assert took_s == pytest.approx(0.70, abs=0.03)  # the type's nominal time
    running = [r.current_a for r in readings if 0.2 < r.time_s - began_s < 0.6]
    assert 3.0 < float(np.median(running)) < 3.3
    assert 18.0 < max(r.current_a for r in readings) < 22.0
    assert abs(readings[-1].current_a) < 0.01
    assert one.at_run.actuated
    assert not one.at_stop.actuated
    one.to_stop()
    assert one.at_stop.actuated


def test_a_parked_unit_costs_no_more_thought(bench: Make) -> None:
    one = bench().armed()
    one.to_run(1.2)
    assert one.unit.at_rest  # the braking current has died too
    nodes = len(one.station.history.times)
    one.run(5.0, 100)
    assert len(one.station.history.times) == nodes


def test_a_unit_that_turns_on_shows_its_back_emf_at_the_open_feed(bench: Make) -> None:
    one = bench("cam-welded").armed()
    running = one.to_run(0.4)[-1]
    emf_v = running.voltage_v - 0.52 * running.current_a
    one.feed(False, False)
    coasting = one.run(0.06, 1000)
    assert coasting[20].current_a == pytest.approx(0.0, abs=0.01)
    seen = [r.voltage_v for r in coasting[10:]]
    assert 0.5 * emf_v < max(seen) < emf_v
    assert seen == sorted(seen, reverse=True)


def test_what_the_sensor_adds_up_is_the_charge_that_flowed(bench: Make) -> None:
    one = bench().armed()
    before = one.station.history.charges[-1]
    began_s = one.now_s
    one.feed(True, True)
    readings = one.run(1.2, 1700)
    seen = [(r.time_s, r.current_a) for r in readings if r.time_s >= began_s]
    charge = float(np.trapezoid([a for _, a in seen], [t for t, _ in seen]))
    assert charge == pytest.approx(one.station.history.charges[-1] - before, rel=0.01)


def test_the_ignition_sensor_sees_the_coil(bench: Make) -> None:
    one = bench().armed()
    one.to_run(1.0)
    assert one.coil[-1].current_a == pytest.approx(12.6 / 85, rel=0.02)
    assert one.coil[-1].voltage_v == pytest.approx(12.6, abs=0.05)
    one.to_stop(1.0)
    assert abs(one.coil[-1].current_a) < 1e-3


def test_the_battery_sags_by_its_resistance(bench: Make) -> None:
    one = bench("jammed=2", "weak-supply=0.4").armed()
    rest = one.run(0.05)[-1].voltage_v
    stalled = one.to_run(0.2)[-1]
    before_tap = 0.02 + 0.4 + 0.016 + 0.00676 + 0.005
    assert rest - stalled.voltage_v == pytest.approx(before_tap * stalled.current_a, rel=0.02)


def test_two_stations_share_the_battery(bench: Make) -> None:
    second = StationWiring(
        "two", FeedWiring(12), FeedWiring(13), SensorWiring(1, 0x44, 0.005, 25.0)
    )
    stations = (RIG.stations[0], second)
    one = bench(
        "cam-welded", wiring=replace(RIG, stations=stations), extra={"units": "all"}
    ).armed()
    alone = one.to_run(0.5)[-1]
    other = FeedOutput(second.battery_feed, one.backend.pin_factory)
    other.make()
    together = one.run(0.5)[-1]
    total_a = sum(station.feed_a for station in one.world.stations.values())
    assert total_a > 1.8 * alone.current_a
    assert together.voltage_v < alone.voltage_v - 0.02
    other.close()
    one.run(0.2)
    assert one.readings[-1].voltage_v == pytest.approx(alone.voltage_v, abs=0.01)


@settings(max_examples=40, deadline=None)
@given(
    st.lists(st.tuples(st.floats(1e-4, 2e-3), st.floats(0.0, 20.0)), min_size=3, max_size=30),
    st.floats(0.0, 0.01),
    st.floats(1e-5, 0.01),
    st.floats(0.05, 0.95),
)
def test_means_over_parts_make_the_mean_over_all(
    nodes: list[tuple[float, float]], start_s: float, length_s: float, part: float
) -> None:
    history = FeedHistory()
    time_s = 0.0
    for wait_s, current_a in nodes:
        time_s += wait_s
        history.mark(time_s, current_a, 12.0 - 0.1 * current_a)
    end_s, cut_s = start_s + length_s, start_s + part * length_s
    for mean in (history.mean_a, history.mean_v):
        parts = part * mean(start_s, cut_s) + (1.0 - part) * mean(cut_s, end_s)
        assert mean(start_s, end_s) == pytest.approx(parts, abs=1e-6)
    # A current that jumps and stays is a step function: its mean by plain arithmetic.
    jumps = [0.0, *np.cumsum([wait for wait, _ in nodes]).tolist(), math.inf]
    values = [0.0, *(current for _, current in nodes)]
    plain = sum(
        value * max(min(right, end_s) - max(left, start_s), 0.0)
        for value, (left, right) in zip(values, pairwise(jumps), strict=True)
    )
    assert history.mean_a(start_s, end_s) == pytest.approx(plain / length_s, abs=1e-6)


def test_the_noise_asked_for_is_seen(bench: Make) -> None:
    one = bench(extra={"spread": "0", "noise_a": "0.05"})
    readings = one.run(1.0, 1000)
    assert float(np.std([r.current_a for r in readings])) == pytest.approx(0.05, rel=0.15)


# --- seed, time, options --------------------------------------------------------------------------


def traced(bench: Make, seed: int) -> list[tuple[float, ...]]:
    one = bench("intermittent-brush=20", seed=seed, extra={}).armed()
    one.to_run(1.0)
    return [tuple(reading) for reading in one.readings]


def test_a_seed_repeats_everything_and_another_does_not(bench: Make) -> None:
    first, again, other = (traced(bench, seed) for seed in (5, 5, 6))
    assert first == again
    assert first != other


def test_units_of_different_seeds_are_a_few_per_cent_apart() -> None:
    ohms = []
    for seed in range(40):
        unit = World(RIG, seed=seed).stations["one"].unit
        assert unit is not None
        ohms.append(unit.parameters.winding_ohm)
    assert 0.005 < float(np.std(ohms)) / 0.51 < 0.05
    assert max(abs(ohm / 0.51 - 1.0) for ohm in ohms) < 0.06


def test_in_real_time_the_dead_man_does_not_wait_to_be_looked_at(bench: Make) -> None:
    one = bench("cam-welded", real_time=True)
    one.run(0.05)
    one.feed(True, True)
    one.run(0.15)
    assert one.station.feed_a > 1.0
    time.sleep(0.3)  # a frozen program
    assert one.dead_man.picked_up is False
    assert one.station.feed_a == 0.0
    stopped_s = one.happened("stopped")[-1]
    assert stopped_s < one.now_s - 0.02


def test_the_backend_is_found_by_name_and_tells_its_facts() -> None:
    options = BackendOptions(seed=9, faults=("jammed=90@2.5", "leakage"))
    backend = load_backend("simulated", RIG, options)
    facts = backend.facts()
    assert facts["seed"] == "9"
    assert facts["faults"] == "jammed=90@2.5 leakage"
    assert "winding_ohm" in facts["unit on one"]
    backend.close()


def test_every_mistake_in_the_options_is_told_at_once() -> None:
    options = BackendOptions(
        faults=("jamed", "binding=900"),
        extra={"angle_deg": "north", "unit.colour": "3", "depth": "1", "units": "nine"},
    )
    with pytest.raises(BackendError) as error:
        SimulatedBackend(RIG, options)
    told = str(error.value)
    for part in ("jamed", "jammed", "900", "north", "colour", "depth", "nine"):
        assert part in told


def test_options_reach_the_unit(bench: Make) -> None:
    extra = {"spread": "0", "angle_deg": "90", "supply_v": "9.5", "unit.winding_ohm": "1.5"}
    one = bench("jammed=90", extra=extra).armed()
    assert one.unit.angle_deg == pytest.approx(90.0)
    stalled = one.to_run(0.2)[-1]
    assert stalled.current_a == pytest.approx(9.5 / 1.555, rel=0.01)


def test_two_sensors_at_one_address_are_refused() -> None:
    station = replace(RIG.stations[0], ignition_sensor=RIG.stations[0].battery_sensor)
    with pytest.raises(BackendError, match="0x40"):
        SimulatedBackend(replace(RIG, stations=(station,)))
    backend = SimulatedBackend(RIG)
    with pytest.raises(BackendError, match="I2C bus 7"):
        backend.i2c(7)
    backend.close()


def test_a_clipping_range_is_flagged(bench: Make) -> None:
    small = SensorWiring(1, 0x40, 0.1, 3.0)
    one = bench(rewire={"battery_sensor": small}).armed()
    peak = max(one.to_run(0.3), key=lambda r: r.current_a)
    assert peak.flags & CLIPPED
    assert peak.current_a == pytest.approx(3.2, rel=0.01)
