"""Every fault of the catalogue is seen, alone and together, from the start and in mid-run."""

from __future__ import annotations

import math
from collections.abc import Callable
from itertools import pairwise
from typing import Any

import numpy as np
import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st

from drivers import (
    CLIPPED,
    LOST,
    RESET,
    STUCK,
    BackendError,
    Reading,
    SensorError,
    SupplyError,
    SupplyWiring,
)
from drivers.current import CurrentSensor
from drivers.simulated.alone import run_alone
from drivers.simulated.faults import CATALOGUE, combine, parse_fault
from drivers.simulated.parameters import UnitParameters
from drivers.supply import BenchSupply
from drivers.switches import Switch

Make = Callable[..., Any]
AT_TERMINALS = ("battery_at_terminal", "ignition_at_terminal")
GOOD_S, GOOD_A = 0.70, 3.11  # the type's nominal half-turn, its running current


class Shown:
    """One to-run and one to-stop half-turn with faults, as the drivers saw them."""

    def __init__(self, bench: Make, *faults: str, **options: Any) -> None:
        self.one = bench(*faults, **options).armed()
        self.fed = self.one.run(0.1)
        self.run_began_s = self.one.now_s
        self.run = self.one.to_run(2.5)
        self.run_deg = self.one.unit.angle_deg
        self.stop_began_s = self.one.now_s
        self.stop = self.one.to_stop(2.5)
        self.stop_deg = self.one.unit.angle_deg

    def took_s(self) -> float:
        """Feed to the end of the current, to run."""
        flowing = [r.time_s for r in self.run if r.current_a > 0.3]
        return flowing[-1] - self.run_began_s

    def running_a(self) -> float:
        flowing = [r.current_a for r in self.run if r.current_a > 0.3]
        return float(np.median(flowing))

    def running_v(self) -> float:
        flowing = [r.voltage_v for r in self.run if r.current_a > 0.3]
        return float(np.median(flowing))


def amps(readings: list[Reading]) -> float:
    return max(r.current_a for r in readings)


# --- what each fault does, by trade reasoning (common practice, no published source) --------------


def stalls(shown: Shown, at_deg: float, from_s: float) -> None:
    assert shown.run_deg == pytest.approx(at_deg, abs=0.01)
    stalled = [r for r in shown.run if 0.1 < r.time_s - shown.run_began_s - from_s < 0.4]
    assert min(r.current_a for r in stalled) > 18.0  # later on the fuse gives in


def jammed(bench: Make) -> None:
    stalls(Shown(bench, "jammed=90"), 90.0, 0.35)


def seized_cable(bench: Make) -> None:
    stalls(Shown(bench, "seized-cable=5"), 5.0, 0.05)


def binding(bench: Make) -> None:
    shown = Shown(bench, "binding=6")
    turning = [r.current_a for r in shown.run if 0.1 < r.time_s - shown.run_began_s < GOOD_S]
    assert max(turning) > np.percentile(turning, 20) + 1.5
    assert shown.run_deg == pytest.approx(182.5, abs=1.0)


def dry_gear(bench: Make) -> None:
    shown = Shown(bench, "dry-gear=7")
    assert shown.took_s() > 1.4 * GOOD_S
    assert shown.running_a() > 6.0


def dragging_cable(bench: Make) -> None:
    shown = Shown(bench, "dragging-cable=6")
    assert shown.took_s() > 1.1 * GOOD_S
    assert shown.running_a() == pytest.approx(GOOD_A + 6.0 / 80 / 0.0293, rel=0.03)


def broken_cable(bench: Make) -> None:
    shown = Shown(bench, "broken-cable")
    assert shown.took_s() < 0.96 * GOOD_S
    # Dry and viscous friction (at some 395 rad/s) are what is left.
    assert shown.running_a() == pytest.approx((0.044 + 2.9e-5 * 395) / 0.0293, rel=0.02)
    assert shown.one.backend.hands.do("inspect", {"check": "sheath_parted"}) == "fault"


def spring_cable(bench: Make) -> None:
    shown = Shown(bench, "spring-cable=7")
    there = [r.current_a for r in shown.run if 0.3 < r.time_s - shown.run_began_s < 0.6]
    back = [r.current_a for r in shown.stop if 0.1 < r.time_s - shown.stop_began_s < 0.4]
    assert max(there) > 5.0
    assert min(back) < 1.0


def shorted_turns(bench: Make) -> None:
    shown = Shown(bench, "shorted-turns=0.3")
    assert shown.running_a() > 7.0
    assert amps(shown.run) > 23.0


def worn_brushes(bench: Make) -> None:
    shown = Shown(bench, "worn-brushes=0.4")
    assert shown.took_s() > GOOD_S + 0.03
    assert amps(shown.run) < 14.0


def intermittent_brush(bench: Make) -> None:
    shown = Shown(bench, "intermittent-brush=20")
    inside = [r for r in shown.run if 0.05 < r.time_s - shown.run_began_s < GOOD_S - 0.05]
    gaps = sum(a.current_a > 1.0 > b.current_a for a, b in pairwise(inside))
    assert gaps >= 3
    assert 180.0 < shown.run_deg < 200.0  # the brake may miss it too


def does_not_move(shown: Shown) -> None:
    assert amps(shown.run) < 0.1
    assert shown.run_deg < 1.0
    assert shown.run[-1].voltage_v > 12.0


def open_winding(bench: Make) -> None:
    does_not_move(Shown(bench, "open-winding"))


def cam_short(bench: Make) -> None:
    shown = Shown(bench, "cam-short=120")
    assert shown.took_s() < 0.75 * GOOD_S
    assert 120.0 < shown.run_deg < 160.0
    other = Shown(bench, "cam-short=300")
    assert other.run_deg == pytest.approx(182.5, abs=1.0)
    assert 300.0 < other.stop_deg < 340.0


def cam_dead_spot(bench: Make) -> None:
    shown = Shown(bench, "cam-dead-spot=182")
    assert shown.run_deg == pytest.approx(182.0, abs=6.0)
    assert amps(shown.stop) < 0.1
    assert shown.stop_deg == shown.run_deg


def cam_welded(bench: Make) -> None:
    shown = Shown(bench, "cam-welded")
    assert shown.run[-1].current_a > 1.5
    assert shown.stop[-1].current_a > 1.5


def relay_dead(bench: Make) -> None:
    shown = Shown(bench, "relay-dead")
    does_not_move(shown)
    assert max(r.current_a for r in shown.one.coil) > 0.1


def relay_coil_open(bench: Make) -> None:
    shown = Shown(bench, "relay-coil-open")
    does_not_move(shown)
    assert max(r.current_a for r in shown.one.coil) < 0.01


def relay_welded(bench: Make) -> None:
    one = bench("relay-welded").armed()
    one.run(1.0)
    assert one.unit.angle_deg == pytest.approx(182.5, abs=1.0)  # turned without ignition
    assert amps(one.to_run(0.5)) < 0.1
    assert amps(one.to_stop(0.5)) < 0.1


def relay_high_resistance(bench: Make) -> None:
    shown = Shown(bench, "relay-high-resistance=0.8")
    assert shown.took_s() > GOOD_S + 0.05
    assert shown.running_v() > 12.4  # the loss is behind the sensor


def relay_weak_pull_in(bench: Make) -> None:
    assert Shown(bench, "relay-weak-pull-in=11").run_deg > 170.0
    extra = {"spread": "0", "supply_v": "10.5"}
    does_not_move_at = Shown(bench, "relay-weak-pull-in=11", extra=extra)
    assert does_not_move_at.run_deg < 1.0


def ignition_open(bench: Make) -> None:
    one = bench("ignition-open").armed()
    assert amps(one.to_run(0.5)) < 0.1
    assert one.unit.angle_deg == pytest.approx(0.0, abs=1.0)
    assert max(r.current_a for r in one.coil) < 0.002
    assert max(r.voltage_v for r in one.coil) > 12.0  # it is there, and does not reach the coil
    one.backend.hands.do("fit_known_good_relay", {})
    assert amps(one.to_run(0.5)) < 0.1  # which no relay cures
    looks = {c: one.backend.hands.do("inspect", {"check": c}) for c in AT_TERMINALS}
    assert looks == {"battery_at_terminal": "ok", "ignition_at_terminal": "fault"}


def battery_open(bench: Make) -> None:
    one = bench("battery-open").armed()
    assert amps(one.to_run(0.5)) < 0.01
    assert one.readings[-1].voltage_v > 12.0  # at the rig; not in the unit
    hands = one.backend.hands
    looks = {c: hands.do("inspect", {"check": c}) for c in AT_TERMINALS}
    assert looks == {"battery_at_terminal": "fault", "ignition_at_terminal": "ok"}
    hands.do("feed_motor_directly", {})
    assert amps(one.run(0.3)) > 8.0


def fuse_holder_corroded(bench: Make) -> None:
    shown = Shown(bench, "fuse-holder-corroded=0.5")
    assert shown.running_v() == pytest.approx(12.6 - 0.548 * shown.running_a(), abs=0.05)
    assert shown.one.backend.hands.do("inspect", {"check": "fuse_holder_clean"}) == "fault"


def poor_earth(bench: Make) -> None:
    shown = Shown(bench, "poor-earth=0.5")
    assert shown.took_s() > GOOD_S + 0.03
    assert shown.running_v() > 12.4
    assert shown.one.backend.hands.do("inspect", {"check": "earth_good"}) == "fault"
    one = bench("poor-earth=0.5", "jammed=2").armed()
    stalled_a = one.to_run(0.2)[-1].current_a
    # The coil returns through the same earth, which the motor's current lifts.
    bus_v = 12.6 - 0.02 * stalled_a
    assert one.coil[-1].voltage_v == pytest.approx(bus_v - 0.5 * stalled_a, abs=0.1)


def leakage(bench: Make) -> None:
    shown = Shown(bench, "leakage=0.15")
    assert shown.fed[-1].current_a == pytest.approx(0.15 * 12.6 / 12.0, abs=0.005)
    assert shown.stop[-1].current_a == pytest.approx(0.15 * 12.6 / 12.0, abs=0.005)


def wrong_polarity(bench: Make) -> None:
    shown = Shown(bench, "wrong-polarity")
    assert 300.0 < shown.run_deg < 356.0  # back over the track's early start, and no further
    assert shown.stop_deg < 178.0  # and now it turns with the ignition off


def weak_supply(bench: Make) -> None:
    shown = Shown(bench, "weak-supply=0.6")
    assert shown.running_v() == pytest.approx(12.6 - 0.648 * shown.running_a(), abs=0.1)
    coil_v = [r.voltage_v for r in shown.one.coil if r.current_a > 0.05]
    assert min(coil_v) < 11.5  # the ignition feed sags with it


def over_rated_fuse(bench: Make) -> None:
    for faults, blows in ((("jammed=2",), True), (("jammed=2", "over-rated-fuse=30"), False)):
        one = bench(*faults, rewire={"fuse_a": 7.5}).armed()
        one.to_run(3.0)
        assert bool(one.happened("fuse blown")) is blows


def sensor_absent(bench: Make) -> None:
    one = bench("sensor-absent@0.5").armed()
    assert one.run(0.2)[-1].flags == 0
    one.run(0.3)
    assert one.run(0.01)[-1].flags & LOST
    assert math.isnan(one.readings[-1].current_a)
    with pytest.raises(SensorError):
        CurrentSensor(one.station.wiring.battery_sensor, one.backend.i2c(1), one.backend.clock)


def sensor_stuck(bench: Make) -> None:
    one = bench("cam-welded", "sensor-stuck@0.6").armed()
    one.to_run(1.0)
    late = one.run(0.2)
    assert len({r.current_a for r in late}) == 1
    assert late[-1].flags & STUCK


def sensor_offset(bench: Make) -> None:
    one = bench("sensor-offset=0.3")
    assert one.run(0.1)[-1].current_a == pytest.approx(0.3, abs=0.01)


def sensor_noisy(bench: Make) -> None:
    one = bench("sensor-noisy=0.5")
    readings = [r.current_a for r in one.run(1.0, 1000)]
    assert float(np.std(readings)) == pytest.approx(0.5, rel=0.15)


def sensor_clipped(bench: Make) -> None:
    one = bench("sensor-clipped=4").armed()
    clipped = [r for r in one.to_run() if r.flags & CLIPPED]
    assert 3 < len(clipped) < 100
    assert one.readings[-1].flags == 0


def bus_hang(bench: Make) -> None:
    one = bench("bus-hang@0.5").armed()
    assert one.run(0.4)[-1].flags & LOST


def feed_relay_stuck_open(bench: Make) -> None:
    one = bench("feed-relay-stuck-open").armed()
    readings = one.to_run(0.5)
    assert amps(readings) < 0.1
    assert readings[-1].voltage_v == 0.0


def feed_relay_welded(bench: Make) -> None:
    one = bench("feed-relay-welded", "cam-welded").armed()
    one.to_run(0.3)
    one.feed(False, False)
    assert one.run(0.2)[-1].current_a > 1.5
    one.toggling = False  # the master relay must break it alone
    assert one.run(0.3)[-1].current_a == pytest.approx(0.0, abs=0.01)


SUPPLY = SupplyWiring("/dev/ttyUSB0", timeout_s=0.1)


def supply_silent(bench: Make) -> None:
    one = bench("supply-silent", rewire={"supply": SUPPLY})
    path = one.backend.serial_port("/dev/ttyUSB0")
    with pytest.raises(SupplyError):
        BenchSupply(SUPPLY, path).identify()


def supply_lies(bench: Make) -> None:
    one = bench("supply-lies", rewire={"supply": SUPPLY})
    supply = BenchSupply(SUPPLY, one.backend.serial_port("/dev/ttyUSB0"))
    with pytest.raises(SupplyError):
        _switch_on(supply)
    assert one.world.supply.set_v == 0.0
    supply.close()


def voltage_missing(bench: Make) -> None:
    one = bench("voltage-missing@0.6").armed()
    readings = one.to_run(1.0)
    assert readings[50].voltage_v > 12.0
    late = [r for r in readings if 0.7 < r.time_s < 0.9]
    assert all(r.voltage_v == 0.0 and r.current_a > 1.0 for r in late)
    assert one.unit.angle_deg == pytest.approx(182.5, abs=1.0)  # the unit never noticed


def chip_reset(bench: Make) -> None:
    one = bench("chip-reset@0.5").armed()
    readings = one.to_run(1.0)
    reset = [r for r in readings if r.flags & RESET]
    assert [r.flags for r in reset] == [RESET]
    assert reset[0].time_s == pytest.approx(0.5, abs=0.004)
    assert all(math.isfinite(r.current_a) for r in readings if r is not reset[0])
    assert "0x399F" in one.sensors[0].last_error


def bus_nack(bench: Make) -> None:
    one = bench("bus-nack=0.1@0.1").armed()
    lost = [bool(r.flags & LOST) for r in one.to_run(3.0)]
    # One or two transactions a sample.
    assert 0.08 < sum(lost) / len(lost) < 0.25
    assert any(a and not b for a, b in pairwise(lost))


def supply_lost(bench: Make) -> None:
    one = bench("supply-lost@0.5").armed()
    one.to_run(1.0)
    assert one.readings[-1].voltage_v == 0.0
    assert one.readings[-1].current_a == pytest.approx(0.0, abs=0.01)
    assert 5.0 < one.unit.angle_deg < 170.0


def supply_error(bench: Make) -> None:
    one = bench("supply-error=-330", rewire={"supply": SUPPLY})
    supply = BenchSupply(SUPPLY, one.backend.serial_port("/dev/ttyUSB0"))
    with pytest.raises(SupplyError, match="-330 Self-test failed"):
        supply.set_voltage(12.0)
    supply.set_voltage(12.0)  # it happened once
    supply.close()


def supply_unplugged(bench: Make) -> None:
    one = bench("supply-unplugged@0.5+0.5", rewire={"supply": SUPPLY})
    supply = BenchSupply(SUPPLY, one.backend.serial_port("/dev/ttyUSB0"))
    one.run(0.6)
    with pytest.raises(SupplyError, match="was lost"):
        supply.set_voltage(12.0)
    with pytest.raises(SupplyError, match="cannot be opened"):
        supply.reconnect(0.0)
    one.run(0.6)
    supply.reconnect()
    supply.set_voltage(12.0)
    supply.close()


def emergency_stop(bench: Make) -> None:
    one = bench("emergency-stop@0.5+0.3").armed()
    stop = Switch(one.world.wiring.emergency_stop, one.backend.pin_factory)
    one.to_run(0.2)
    assert not stop.actuated
    one.run(0.2)
    assert stop.actuated
    assert one.readings[-1].voltage_v == 0.0  # its own contact has cut the supply
    one.run(0.5)
    assert not stop.actuated


def switches_contradict(bench: Make) -> None:
    one = bench("switches-contradict")
    assert one.at_run.actuated
    assert one.at_stop.actuated


def switches_dead(bench: Make) -> None:
    one = bench("switches-dead")
    assert not one.at_run.actuated
    assert not one.at_stop.actuated


def _switch_on(supply: BenchSupply) -> None:
    supply.set_voltage(12.0)
    supply.output(True)


CHECKS = {
    check.__name__.replace("_", "-"): check
    for check in (
        jammed, seized_cable, binding, dry_gear, dragging_cable, broken_cable, spring_cable,
        shorted_turns, worn_brushes, intermittent_brush, open_winding, cam_short, cam_dead_spot,
        cam_welded, relay_dead, relay_coil_open, relay_welded, relay_high_resistance,
        relay_weak_pull_in, ignition_open, battery_open, fuse_holder_corroded, poor_earth, leakage,
        wrong_polarity, weak_supply, over_rated_fuse, sensor_absent, sensor_stuck, sensor_offset,
        sensor_noisy,
        sensor_clipped, bus_hang, feed_relay_stuck_open, feed_relay_welded, supply_silent,
        supply_lies, voltage_missing, chip_reset, bus_nack, supply_lost, supply_error,
        supply_unplugged, emergency_stop, switches_contradict, switches_dead,
    )
}  # fmt: skip


def test_every_fault_of_the_catalogue_has_a_check() -> None:
    assert set(CHECKS) == set(CATALOGUE)


@pytest.mark.parametrize("name", CATALOGUE)
def test_a_fault_does_what_it_says(bench: Make, name: str) -> None:
    CHECKS[name](bench)


# --- together, and in mid-run ---------------------------------------------------------------------

_DEGREES = {
    name: st.floats(fault.low, fault.high).map(lambda x, n=name: f"{n}={x!r}")
    if fault.has_degree
    else st.just(name)
    for name, fault in CATALOGUE.items()
    if fault.kind != "rig"
}


@settings(max_examples=25, deadline=None)
@given(
    st.sets(st.sampled_from(sorted(_DEGREES)), min_size=1, max_size=6).flatmap(
        lambda names: st.tuples(*(_DEGREES[name] for name in sorted(names)))
    ),
    st.floats(8.0, 16.0),
)
def test_faults_together_stay_physical(texts: tuple[str, ...], supply_v: float) -> None:
    changes = [(0.0, True, False), (0.1, True, True), (0.7, True, False), (1.2, False, False)]
    found = run_alone(
        UnitParameters(), changes, 1.5, supply_v=supply_v, path_ohm=0.05, faults=texts, step_s=5e-3
    )
    effects = combine(map(parse_fault, texts))
    least_ohm = 0.51 * (1.0 - effects.turns_lost) + 0.05
    most_a = supply_v / least_ohm + effects.leak_a * supply_v / 12.0
    assert all(-1.0 < a <= most_a for a in found.current_a)
    assert all(-0.01 <= v <= supply_v + 0.01 or v < 60.0 for v in found.voltage_v)
    assert all(w >= 0.0 for w in found.speed_rad_s)
    assert found.current_a[-1] == 0.0  # the feeds are off
    if effects.winding_open:
        assert max(map(abs, found.motor_a)) == 0.0


def test_faults_come_and_go_in_mid_run(bench: Make) -> None:
    one = bench().armed()
    one.feed(True, True)
    one.run(0.35)
    one.world.apply_fault(parse_fault("jammed=150"))
    assert one.run(0.6)[-1].current_a > 12.0
    assert one.unit.angle_deg == pytest.approx(150.0)
    one.world.clear_fault("jammed")
    one.run(0.5)
    assert one.unit.angle_deg == pytest.approx(182.5, abs=1.0)
    with pytest.raises(ValueError, match="not there"):
        one.world.clear_fault("jammed")


def test_a_fault_sets_in_at_its_time(bench: Make) -> None:
    one = bench("open-winding@1.25", "cam-welded").armed()
    one.to_run(2.0)
    flowing = [r.time_s for r in one.readings if r.current_a > 1.0]
    assert flowing[-1] == pytest.approx(1.25, abs=0.004)


def test_a_fault_passes_after_its_time(bench: Make) -> None:
    one = bench("sensor-noisy=3@0.5+0.2", "bus-hang@1.0+0.02").armed()
    one.run(1.2)
    noisy = [r.time_s for r in one.readings if abs(r.current_a) > 1.0]
    assert 0.499 < min(noisy) < 0.52
    assert 0.68 < max(noisy) < 0.701
    lost = [r.time_s for r in one.readings if r.flags & LOST]
    assert 0.99 < min(lost) < 1.025  # two sensors wait 10 ms each for a bus that is held
    assert max(lost) < 1.03
    assert one.world.faults == {}


def test_a_fault_applied_again_lasts_for_its_new_time(bench: Make) -> None:
    one = bench("sensor-noisy=3@0.1+0.2")
    one.run(0.2)
    one.world.apply_fault(parse_fault("sensor-noisy=1"))
    one.run(0.3)
    assert one.world.effects.sensor_noise_a == 1.0


def test_a_known_good_relay_cures_a_dead_one(bench: Make) -> None:
    one = bench("relay-dead").armed()
    assert amps(one.to_run(0.5)) < 0.1
    one.to_stop(0.1)
    one.backend.hands.do("fit_known_good_relay", {})
    one.to_run()
    assert one.unit.angle_deg == pytest.approx(182.5, abs=1.0)
    one.backend.hands.do("fit_own_relay", {})
    one.run(1.5)
    assert one.unit.angle_deg == pytest.approx(2.5, abs=1.0)  # the dead one has let it go home


# --- how faults are asked for ---------------------------------------------------------------------


@given(
    st.sampled_from(sorted(CATALOGUE)),
    st.floats(0.0, 1.0),
    st.floats(0.0, 99.0),
    st.none() | st.floats(1e-9, 1e12),
)
@example("broken-cable", 0.0, 0.0, 1.0)
def test_what_a_fault_prints_reads_back(
    name: str, share: float, after_s: float, lasts_s: float | None
) -> None:
    fault = CATALOGUE[name]
    text = name
    if fault.has_degree:
        text += f"={fault.low + share * (fault.high - fault.low):.6g}"
    lasts = "" if lasts_s is None or fault.once else f"+{lasts_s:.6g}"
    read = parse_fault(f"{text}@{after_s:.6g}{lasts}")
    again = parse_fault(str(read))
    assert again.fault is fault
    assert again.degree == pytest.approx(read.degree, rel=1e-5)
    assert again.after_s == pytest.approx(read.after_s, rel=1e-5)
    assert read.lasts_s == pytest.approx(float(lasts or "inf"), rel=1e-5)
    assert again.lasts_s == pytest.approx(read.lasts_s, rel=1e-5)
    assert fault.low <= fault.default <= fault.high


@pytest.mark.parametrize(
    ("text", "parts"),
    [
        ("jamed", ("jamed", "jammed", "wrong-polarity")),
        ("slow", ("no fault 'slow'", "dry-gear")),
        ("jammed=500", ("500", "359.9 deg")),
        ("jammed=half", ("half", "359.9 deg")),
        ("jammed=", ("number from 0 to 359.9",)),
        ("cam-welded=3", ("leave '=3' away",)),
        ("jammed=90@soon", ("@soon", "@2.5")),
        ("jammed=90@-1", ("@-1",)),
        ("", ("no fault ''",)),
        ("bus-hang+soon", ("+soon", "+0.2")),
        ("bus-hang@1+0", ("+0", "+0.2")),
        ("chip-reset@1+2", ("leave '+2' away",)),
    ],
)
def test_a_fault_badly_asked_for_is_explained(text: str, parts: tuple[str, ...]) -> None:
    with pytest.raises(ValueError, match="fault") as error:
        parse_fault(text)
    for part in parts:
        assert part in str(error.value)


def test_a_backend_refuses_a_fault_it_does_not_know(bench: Make) -> None:
    with pytest.raises(BackendError, match="no fault 'slow'"):
        bench("slow")


# --- hands ----------------------------------------------------------------------------------------


def test_hands_hang_loads_and_lock_levers(bench: Make) -> None:
    one = bench().armed()
    hands = one.backend.hands
    hands.do("hang_load", {"newton_metre": 5})
    began_s = one.now_s
    loaded = [r.current_a for r in one.to_run() if 0.2 < r.time_s - began_s < 0.6]
    assert float(np.median(loaded)) == pytest.approx(GOOD_A + 5 / 80 / 0.0293, rel=0.03)
    hands.do("remove_load", {})
    hands.do("lock_lever", {})
    before_deg = one.unit.angle_deg
    assert one.to_stop(0.2)[-1].current_a > 19.0
    assert one.unit.angle_deg == before_deg
    hands.do("free_lever", {})
    one.run(1.0)
    assert one.unit.angle_deg == pytest.approx(2.5, abs=1.0)


@pytest.mark.parametrize("fault", ["dragging-cable=6", "binding=12", "seized-cable=5"])
def test_a_fault_of_the_cable_is_gone_while_it_is_unhooked(bench: Make, fault: str) -> None:
    one = bench(fault).armed()
    hands = one.backend.hands
    assert hands.do("unhook_cable", {}) == "cable unhooked"
    began_s = one.now_s
    turning = [r.current_a for r in one.to_run() if 0.2 < r.time_s - began_s < 0.6]
    # Dry and viscous friction are what is left, as with a broken cable.
    assert float(np.median(turning)) == pytest.approx((0.044 + 2.9e-5 * 395) / 0.0293, rel=0.02)
    one.to_stop()
    hands.do("hook_up_cable", {})
    assert amps([r for r in one.to_run() if r.time_s > one.now_s - 1.2]) > 3.0


def test_a_fault_of_the_unit_stays_with_the_cable_unhooked(bench: Make) -> None:
    one = bench("dry-gear=7").armed()
    one.backend.hands.do("unhook_cable", {})
    began_s = one.now_s
    turning = [r.current_a for r in one.to_run(0.8) if 0.2 < r.time_s - began_s < 0.6]
    assert float(np.median(turning)) > 6.0


@pytest.mark.parametrize("fault", ["relay-dead", "cam-dead-spot=2", "relay-high-resistance=5"])
def test_a_motor_fed_directly_turns_past_relay_and_cam(bench: Make, fault: str) -> None:
    one = bench(fault).armed()
    hands = one.backend.hands
    one.feed(False, False)
    one.run(0.1)
    hands.do("feed_motor_directly", {})
    began_s = one.now_s
    one.feed(True, False)
    turning = [r.current_a for r in one.run(3.0) if r.time_s - began_s > 0.2]
    assert min(turning) > 1.5  # it never parks
    assert one.unit.motor.speed_rad_s > 300.0
    one.feed(False, False)
    one.run(1.0)
    assert one.unit.motor.speed_rad_s == 0.0
    hands.do("restore_wiring", {})
    assert not one.unit.direct


def test_an_open_winding_does_not_turn_when_it_is_fed_directly(bench: Make) -> None:
    one = bench("open-winding")
    one.backend.hands.do("feed_motor_directly", {})
    assert amps(one.armed().run(0.5)) < 0.1


def test_a_motor_fed_directly_has_leads_of_the_rigs_own(bench: Make) -> None:
    """Crossed leads and a poor earth of the unit's are out of the way."""
    one = bench("wrong-polarity", "poor-earth=2")
    one.backend.hands.do("feed_motor_directly", {})
    one.armed().run(0.4)
    assert one.unit.angle_deg > 20.0
    assert one.readings[-1].current_a == pytest.approx(GOOD_A, rel=0.1)


def test_a_blown_fuse_shows_at_the_battery_terminal(bench: Make) -> None:
    hands = bench().backend.hands
    hands.do("blow_fuse", {})
    assert hands.do("inspect", {"check": "battery_at_terminal"}) == "fault"


def test_hands_change_units(bench: Make) -> None:
    one = bench(extra={}).armed()
    hands = one.backend.hands
    hands.do("fit_unit", {"serial": "A1"})
    first = one.unit.parameters
    hands.do("fit_unit", {"serial": "A2"})
    assert one.unit.parameters != first
    hands.do("fit_unit", {"serial": "A1"})
    assert one.unit.parameters == first
    hands.do("remove_unit", {})
    assert amps(one.to_run(0.3)) < 0.1
    assert one.readings[-1].voltage_v > 12.0
    with pytest.raises(ValueError, match="no unit"):
        hands.do("lock_lever", {})


def test_a_sound_unit_looks_sound(bench: Make) -> None:
    hands = bench("dry-gear", "worn-brushes").backend.hands
    checks = {name for fault in CATALOGUE.values() for name in fault.inspections}
    assert {hands.do("inspect", {"check": check}) for check in checks} == {"ok"}
    assert hands.do("accept_cautions", {}) == "accepted"


@pytest.mark.parametrize(
    ("action", "detail"),
    [
        ("dance", {}),
        ("hang_load", {}),
        ("hang_load", {"newton_metre": -1}),
        ("lock_lever", {"station": "nine"}),
    ],
)
def test_what_hands_cannot_do_is_said(bench: Make, action: str, detail: dict[str, Any]) -> None:
    with pytest.raises(ValueError, match=r"There is no|cannot|To hang"):
        bench().backend.hands.do(action, detail)
