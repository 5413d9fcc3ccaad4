"""The current sensor on the emulated chip: range, scaling, timing, trouble."""

from __future__ import annotations

import contextlib
import math
import statistics
import threading
from itertools import pairwise

import pytest
from adafruit_ina219 import INA219
from hypothesis import assume, given
from hypothesis import strategies as st
from sensor_reading import SHUNT_OHM, config_of, make, take, wiring

from drivers import CLIPPED, LOST, OK, RESET, SensorError
from drivers.current import CurrentSensor
from drivers.simulated.chip import SimulatedBus

# --- set-up --------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("max_a", "range_v"), [(8.0, 0.04), (8.1, 0.08), (16.0, 0.08), (30.0, 0.16), (64.0, 0.32)]
)
def test_the_smallest_range_that_holds_the_current(bench, max_a, range_v):
    sensor = make(bench, max_a=max_a)
    assert sensor.pga_range_v == range_v
    assert sensor.full_scale_a == pytest.approx(range_v / SHUNT_OHM)
    assert sensor.resolution_a == pytest.approx(0.002)


@given(shunt_ohm=st.floats(0.0005, 0.2), max_a=st.floats(0.1, 200.0), gain=st.floats(0.9, 1.1))
def test_range_holds_or_is_refused(make_bench, shunt_ohm, max_a, gain):
    need_v = max_a / gain * shunt_ohm
    if need_v > 0.32 * (1 + 1e-6):
        with pytest.raises(SensorError, match="shunt of"):
            make(make_bench(), shunt_ohm=shunt_ohm, max_a=max_a, gain=gain)
        return
    assume(need_v < 0.32)
    sensor = make(make_bench(), shunt_ohm=shunt_ohm, max_a=max_a, gain=gain)
    assert sensor.full_scale_a >= max_a * (1 - 1e-6)
    assert sensor.pga_range_v == 0.04 or need_v > sensor.pga_range_v / 2 * (1 - 1e-6)


def test_a_refusal_says_what_the_shunt_can_do_and_what_would_do(bench):
    """The 0.1 ohm shunt of a breakout board ends at 3.2 A (data sheet: 320 mV at PGA /8)."""
    with pytest.raises(SensorError, match=r"at most 3\.2 A in steps of 0\.1 mA") as told:
        make(bench, shunt_ohm=0.1, max_a=20.0)
    assert "Fit a shunt of 10 mohm: it reads to 32 A in steps of 1 mA and takes 4 W" in str(
        told.value
    )


@pytest.mark.parametrize(
    "changes",
    [
        {"address": 0x3F},
        {"address": 0x50},
        {"average": 3},
        {"shunt_ohm": 0.0},
        {"max_a": -1.0},
        {"bus_every": 0},
    ],
)
def test_wiring_that_cannot_be(bench, changes):
    with pytest.raises(SensorError, match=r"\.$"):
        make(bench, **changes)


def test_description(bench):
    text = make(bench).describe()
    for part in ("0x40", "5 mohm", "160 mV = 32 A", "step 2 mA", "2 W"):
        assert part in text


# --- values --------------------------------------------------------------------------------


@given(current_a=st.floats(-31.9, 31.9), volts=st.floats(0, 25))
def test_a_steady_current_is_read_to_half_a_step(make_bench, current_a, volts):
    bench = make_bench()
    bench.hold(current_a * SHUNT_OHM, volts)
    sensor = make(bench)
    reading = take(bench, sensor, 1)[0]
    assert reading.flags == OK
    assert abs(reading.current_a - current_a) <= sensor.resolution_a / 2 + 1e-9
    assert abs(reading.voltage_v - volts) <= 0.008 + 1e-9  # half a 16 mV step


def test_a_residual_is_taken_off_as_described(bench):
    bench.hold(0.03 * SHUNT_OHM)
    sensor = make(bench, offset_a=0.01, gain=1.02)
    residual_a = statistics.fmean(r.current_a for r in take(bench, sensor, 20))
    sensor.set_zero(sensor.offset_a + residual_a / 1.02)
    assert take(bench, sensor, 1)[0].current_a == pytest.approx(0.0, abs=1e-9)


def test_a_voltage_is_corrected_and_no_voltage_stays_none(make_bench):
    """Steps of 16 mV (10 bits of 4 mV, SBOS448G) on either side."""
    corrected = {"voltage_gain": 1.01, "voltage_offset_v": 0.1, "bus_every": 1}
    for volts, wanted in ((12.0, 1.01 * 11.9), (0.0, 0.0), (0.05, 0.0)):
        bench = make_bench()
        bench.hold(0.0, volts)
        sensor = make(bench, **corrected)
        reading = take(bench, sensor, 5)[-1]
        assert reading.voltage_v == pytest.approx(wanted, abs=0.009)


def test_heat_in_the_shunt(bench):
    assert make(bench).shunt_w(20.0) == pytest.approx(2.0)


def test_overflow_is_marked(bench):
    sensor = make(bench)
    bench.hold(0.1)
    bench.chip.write(5, 0xFFFE)  # somebody else's calibration: 10000 x 16 does not fit
    bench.chip.pointer = 1
    assert take(bench, sensor, 20)[-1].flags == CLIPPED


# --- timing --------------------------------------------------------------------------------


@pytest.mark.parametrize("time_factor", [1.0, 586 / 532])
def test_no_sample_repeats_at_1_khz(make_bench, time_factor):
    """Even of the slowest chip that the data sheet allows."""
    bench = make_bench(time_factor=time_factor)
    bench.ramp(0.02)  # two steps of current in a millisecond
    sensor = make(bench)
    currents = [r.current_a for r in take(bench, sensor, 3000)]
    assert all(a < b for a, b in pairwise(currents))


def test_the_usual_setting_repeats_at_1_khz(bench):
    """What the setting above is for: 12 and 12 bits give the same sample twice."""
    bench.ramp(0.02)
    chip = INA219(bench.bus, 0x40)
    next_s = bench.time_s + 0.01
    codes = []
    for _ in range(3000):
        next_s += 1e-3
        bench.sleep_until(next_s)
        codes.append(chip.raw_shunt_voltage)
    repeats = sum(a == b for a, b in pairwise(codes))
    assert repeats / 3000 == pytest.approx(0.064 / 1.064, abs=0.01)


@pytest.mark.parametrize("phase_s", [0.0, 1.3e-4, 2.9e-4, 4.7e-4, 6.1e-4])
def test_two_sensors_on_one_bus_do_not_repeat(make_bench, phase_s):
    bench = make_bench(time_factor=586 / 532)
    other = make_bench(time_factor=586 / 532)
    for each in (bench, other):
        each.ramp(0.02)
    other.chip._now = bench.now_s  # one time for both
    bus = SimulatedBus({0x40: bench.chip, 0x45: other.chip}, bench.spend)
    sensors = [CurrentSensor(wiring(), bus, bench)]
    bench.spend(phase_s)
    sensors.append(CurrentSensor(wiring(address=0x45), bus, bench))
    columns = ([], [])
    next_s = bench.time_s
    for _ in range(2000):
        next_s += 1e-3
        bench.sleep_until(next_s)
        for column, sensor in zip(columns, sensors, strict=True):
            column.append(sensor.read().current_a)
    for column in columns:
        assert all(a < b for a, b in pairwise(column))


@pytest.mark.parametrize("average", [1, 4])
def test_time_stamps_are_the_middle_of_the_conversion(bench, average):
    """On a ramp the current tells when it was: right in the mean, and as unsure as is said."""
    slope = 0.05  # V/s: 10 A/s
    bench.ramp(slope)
    sensor = make(bench, average=average)
    readings = take(bench, sensor, 3000)
    errors_s = [r.current_a * SHUNT_OHM / slope - r.time_s for r in readings]
    assert abs(statistics.fmean(errors_s)) < 50e-6 * average
    # quantised to 2 mA = 0.2 ms of this ramp; what is left is the free-running chip
    quantised_s = 0.2e-3 / math.sqrt(12)
    spread_s = math.sqrt(max(statistics.pvariance(errors_s) - quantised_s**2, 0.0))
    assert spread_s < 1.1 * sensor.time_u_s


@given(hz=st.floats(100.0, 4000.0), bus_every=st.integers(1, 12))
def test_time_stamps_increase(make_bench, hz, bus_every):
    bench = make_bench()
    sensor = make(bench, bus_every=bus_every)
    readings = take(bench, sensor, 60, hz)
    bench.chip.absent = True
    readings += take(bench, sensor, 5, hz)
    bench.chip.absent = False
    bench.chip.power_on_reset()
    readings += take(bench, sensor, 10, hz)
    times = [r.time_s for r in readings]
    assert all(a < b for a, b in pairwise(times))


def test_acquisition_is_at_least_2_5_times_that_of_polling_the_library(make_bench):
    """The same emulated bus at 400 kHz, both as fast as the bus goes."""
    bench = make_bench()
    chip = INA219(bench.bus, 0x40)
    before_s = bench.time_s
    for _ in range(1000):
        _ = chip.current, chip.bus_voltage
    polled_s = bench.time_s - before_s
    sensor = make(bench)
    before_s = bench.time_s
    for _ in range(1000):
        sensor.read()
    assert polled_s / (bench.time_s - before_s) > 2.5


# --- trouble -------------------------------------------------------------------------------


@pytest.mark.parametrize("hz", [1000.0, 5000.0, 1e6])
def test_registers_that_a_reset_emptied_are_not_believed(make_bench, hz):
    """Until the first conversions have ended they read 0 A and 0 V, here of the slowest chip."""
    bench = make_bench(time_factor=586 / 532)
    sensor = make(bench)
    bench.hold(1.0 * SHUNT_OHM)
    take(bench, sensor, 25)
    bench.chip.power_on_reset()
    readings = take(bench, sensor, 100, hz)
    assert readings[0].flags == RESET
    assert {(r.current_a, r.voltage_v) for r in readings if not r.flags} == {(1.0, 12.0)}
    assert sum(r.flags == RESET for r in readings) < 8  # 586 us and the set-up


@pytest.mark.parametrize(
    "error", [OSError(5, "x"), RuntimeError("x"), ValueError("x"), IndexError()]
)
def test_whatever_the_bus_raises_is_a_lost_sample(bench, monkeypatch, error):
    sensor = make(bench)

    def fail(*args, **kwargs):
        raise error

    take(bench, sensor, 2)
    for name in ("readfrom_into", "writeto_then_readfrom", "writeto"):
        monkeypatch.setattr(bench.bus, name, fail)
    for _ in range(20):
        assert sensor.read().flags == LOST


@pytest.mark.parametrize("bus_every", [1, 10, 100])
@pytest.mark.parametrize("hz", [200.0, 1000.0, 9000.0])
def test_a_parked_unit_is_not_a_stuck_sensor(bench, bus_every, hz):
    sensor = make(bench, bus_every=bus_every)
    assert {r.flags for r in take(bench, sensor, 3000, hz)} == {OK}


def test_slow_averaging_is_not_a_stuck_sensor(bench):
    sensor = make(bench, average=128)
    assert {r.flags for r in take(bench, sensor, 2000)} == {OK}


class NoReadyBit:
    """A bus to a chip whose ready bit does not work; its codes change all the same."""

    def __init__(self, bench):
        self._bus = bench.bus
        self._bench = bench

    def __getattr__(self, name):
        return getattr(self._bus, name)

    def writeto_then_readfrom(self, address, out, into, **ends):
        self._bus.writeto_then_readfrom(address, out, into, **ends)
        if self._bench.chip.pointer == 2:
            into[ends.get("in_start", 0) + 1] &= 0b1111_1101


def test_changing_codes_show_a_live_converter(bench):
    sensor = CurrentSensor(wiring(), NoReadyBit(bench), bench)
    bench.ramp(0.01)
    assert {r.flags for r in take(bench, sensor, 500)} == {OK}


class StuckLine:
    """A bus whose data line is stuck high: everything reads as ones, everything is acknowledged."""

    def __init__(self, bench):
        self._bus = bench.bus
        self.stuck = False

    def __getattr__(self, name):
        return getattr(self._bus, name)

    def readfrom_into(self, address, into, **ends):
        self._bus.readfrom_into(address, into, **ends)
        if self.stuck:
            into[:] = b"\xff" * len(into)

    def writeto_then_readfrom(self, address, out, into, **ends):
        self._bus.writeto_then_readfrom(address, out, into, **ends)
        if self.stuck:
            into[:] = b"\xff" * len(into)


def test_a_line_that_reads_all_ones_is_found(bench):
    line = StuckLine(bench)
    sensor = CurrentSensor(wiring(), line, bench)
    take(bench, sensor, 15)
    line.stuck = True
    flags = [r.flags for r in take(bench, sensor, 25)]
    assert all(flags[12:])
    line.stuck = False
    assert take(bench, sensor, 5)[-1].flags == OK


def test_one_thread_only(bench):
    sensor = make(bench)
    told = []

    def read():
        with contextlib.suppress(RuntimeError):
            sensor.read()
            return
        told.append("refused")

    thread = threading.Thread(target=read)
    thread.start()
    thread.join()
    assert told == ["refused"]


def test_closing_twice(bench):
    sensor = make(bench)
    sensor.close()
    sensor.close()


# --- identity ------------------------------------------------------------------------------


def test_an_ina219_is_known_by_its_power_on_values(bench, sheet):
    sensor = make(bench)
    ours = config_of(bench)
    said = sensor.identify()
    assert f"0x{sheet.RESET_CONFIGURATION:04X}" in said
    assert config_of(bench) == ours  # and is set up again
    bench.hold(2.0 * SHUNT_OHM)
    assert all(reading.flags == OK for reading in take(bench, sensor, 30))
    assert take(bench, sensor, 1)[0].current_a == 2.0


class OtherChip:
    """Keeps what is written to it and answers a reset in its own way."""

    def __init__(self, chip, reset_config, reset_calibration):
        self._chip = chip
        self._values = (reset_config, reset_calibration)
        self._was_reset = False

    def __getattr__(self, name):
        return getattr(self._chip, name)

    def __setattr__(self, name, value):
        if name.startswith("_"):
            super().__setattr__(name, value)
        else:
            setattr(self._chip, name, value)

    def write(self, register, value):
        self._was_reset = register == 0 and bool(value & 0x8000)
        self._chip.write(register, value)

    def read(self, lag_s=0.0):
        if self._was_reset and self._chip.pointer in (0, 5):
            return self._values[self._chip.pointer == 5]
        return self._chip.read(lag_s)


# 0x4127: what an INA226, which can have the same addresses, reads after a reset (from memory).
@pytest.mark.parametrize(("config", "calibration"), [(0x4127, 0), (0x399F, 0x5A5A)])
def test_another_chip_is_told_apart(bench, config, calibration):
    sensor = make(bench)
    bench.bus.chips[0x40] = OtherChip(bench.chip, config, calibration)
    with pytest.raises(SensorError, match=r"is no INA219.*See which chip"):
        sensor.identify()


def test_no_answer_is_no_identity(bench):
    sensor = make(bench)
    bench.chip.absent = True
    with pytest.raises(SensorError, match="does not answer"):
        sensor.identify()
