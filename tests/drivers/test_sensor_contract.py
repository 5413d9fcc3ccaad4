"""One contract for the current sensor: on the emulated bus, and by the way that a Pi takes.

That is Blinka's I2C by bus number and PureIO, to the system calls on /dev/i2c-1.  Behind both is
the same chip.
"""

from __future__ import annotations

import errno
import math
from collections import Counter
from itertools import pairwise

import pytest
from kernel_i2c import I2CDevice, plug_in
from sensor_reading import SHUNT_OHM, config_of, make, take

from drivers import CLIPPED, LOST, OK, RESET, STUCK, SensorError
from drivers.pi import open_i2c


@pytest.fixture
def device(bench, monkeypatch):
    """The bench's bus as /dev/i2c-1, which the drivers are given."""
    made = I2CDevice(bench.bus)
    plug_in(made, monkeypatch)
    bus = open_i2c(1)
    bench.driver_bus = bus
    yield made
    bus.deinit()


@pytest.fixture(params=["emulated bus", "system calls", "system calls of a Pi 5"])
def each(request, bench):
    """The bench, with every way that drivers can be given its bus."""
    if request.param != "emulated bus":
        device = request.getfixturevalue("device")
        device.takes_empty_writes = request.param == "system calls"
    return bench


@pytest.mark.parametrize("current_a", [-31.998, -0.002, 0.0, 2.0, 31.998])
@pytest.mark.parametrize("volts", [0.0, 12.0, 25.6])
def test_a_steady_current(each, current_a, volts):
    """Both signs, and either byte of the word 0 or more than a signed byte holds."""
    each.hold(current_a * SHUNT_OHM, volts)
    readings = take(each, make(each), 30)
    assert {r.flags for r in readings} == {OK}
    assert {round(r.current_a, 9) for r in readings} == {current_a}
    assert {round(r.voltage_v, 9) for r in readings} == {volts}


def test_absent_chip_is_named(each):
    each.chip.absent = True
    with pytest.raises(SensorError, match=r"0x40 on I2C bus 1.*Check its supply"):
        make(each)


def test_hung_bus_at_start(each):
    each.bus.hung = True
    with pytest.raises(SensorError, match="Check its supply"):
        make(each)


@pytest.mark.parametrize(
    ("average", "sadc"), [(1, 0b0011), (2, 0b1001), (16, 0b1100), (128, 0b1111)]
)
def test_configuration_word(each, sheet, average, sadc):
    make(each, average=average, max_a=8.0)
    word = config_of(each)
    assert word & 0b111 == sheet.MODES["both_continuous"]
    assert word >> 3 & 0b1111 == sadc
    assert word >> 11 & 0b11 == 0  # 40 mV
    assert word >> 13 & 1 == 1  # 32 V


def test_offset_before_gain(each):
    each.hold(2.0 * SHUNT_OHM)
    sensor = make(each, offset_a=0.1, gain=1.02)
    assert take(each, sensor, 1)[0].current_a == pytest.approx((2.0 - 0.1) * 1.02)
    sensor.set_zero(0.05)
    assert take(each, sensor, 1)[0].current_a == pytest.approx((2.0 - 0.05) * 1.02)


@pytest.mark.parametrize("sign", [1, -1])
def test_clipped_at_the_end_of_the_range_and_not_below(each, sign):
    sensor = make(each)  # 160 mV
    each.hold(sign * (0.16 - 10e-6))
    assert take(each, sensor, 3)[-1].flags == OK
    each.hold(sign * 0.2)
    reading = take(each, sensor, 3)[-1]
    assert reading.flags == CLIPPED
    assert reading.current_a == pytest.approx(sign * 32.0)
    each.hold(sign * 0.1)
    assert take(each, sensor, 3)[-1].flags == OK


def test_voltage_is_read_every_so_many_samples(each):
    sensor = make(each, bus_every=5)
    each.bus_v = lambda t0, t1: 8 + each.time_s  # slowly rising
    readings = take(each, sensor, 50, hz=100)
    changes = [
        i for i, (a, b) in enumerate(pairwise(readings), start=1) if a.voltage_v != b.voltage_v
    ]
    assert set(changes) <= set(range(0, 50, 5))
    assert len(changes) == 9


@pytest.mark.parametrize("pointer", [0, 1])
@pytest.mark.parametrize("max_a", [8.0, 64.0])
def test_a_chip_that_was_reset_is_set_up_again(each, pointer, max_a):
    sensor = make(each, max_a=max_a)
    each.hold(1.0 * SHUNT_OHM)
    ours = config_of(each)
    each.chip.pointer = 1
    assert take(each, sensor, 25)[-1].flags == OK
    each.chip.power_on_reset()
    each.chip.pointer = pointer  # the data sheet does not say where it is after a reset
    readings = take(each, sensor, 150)
    flagged = [r for r in readings if r.flags & RESET]
    assert len(flagged) == 1
    assert math.isnan(flagged[0].current_a)
    good = [r.current_a for r in readings if not r.flags]
    # The first conversion after the reset may not have ended when it is read; 29.5 A never is.
    assert all(abs(a - 1.0) < 0.01 or a == 0.0 for a in good)
    assert readings[-1].flags == OK
    assert readings[-1].current_a == pytest.approx(1.0)
    assert config_of(each) == ours


def test_the_power_on_word_as_a_current_is_believed(each, sheet):
    """147.51 mV reads as 0x399F, the configuration after power-on."""
    sensor = make(each, max_a=60.0)
    each.hold(sheet.RESET_CONFIGURATION * 10e-6)
    for reading in take(each, sensor, 30):
        assert reading.flags == OK
        assert reading.current_a == pytest.approx(29.502)


@pytest.mark.parametrize("fault", ["absent", "hung", "bus"])
def test_a_lost_chip_is_a_flag_and_comes_back(each, fault):
    def set_fault(on):
        if fault == "bus":
            each.bus.hung = on
        else:
            setattr(each.chip, fault, on)

    sensor = make(each)
    each.hold(1.0 * SHUNT_OHM)
    take(each, sensor, 15)
    set_fault(True)
    for _ in range(5):
        before_s = each.time_s
        reading = sensor.read()
        assert reading.flags == LOST
        assert math.isnan(reading.current_a)
        assert math.isnan(reading.voltage_v)
        assert each.time_s - before_s < 0.011  # one time-out of the bus at most
        assert sensor.last_error
    set_fault(False)
    reading = take(each, sensor, 2)[-1]
    assert reading.flags == OK
    assert reading.current_a == pytest.approx(1.0)
    assert reading.voltage_v == pytest.approx(12.0)


def test_a_chip_that_comes_back_unconfigured(each):
    sensor = make(each)
    each.hold(1.0 * SHUNT_OHM)
    each.chip.absent = True
    take(each, sensor, 3)
    each.chip.absent = False
    each.chip.power_on_reset()
    flags = [r.flags for r in take(each, sensor, 5)]
    assert flags == [RESET, OK, OK, OK, OK]


def test_a_taken_bus_does_not_hang(each):
    sensor = make(each)
    take(each, sensor, 2)
    assert each.driver_bus.try_lock()
    assert sensor.read().flags == LOST
    each.driver_bus.unlock()
    assert take(each, sensor, 1)[0].flags == OK


def test_the_lock_is_given_back_after_a_failure(each):
    sensor = make(each)
    each.chip.absent = True
    for _ in range(3):
        sensor.read()
    assert each.driver_bus.try_lock()


def test_a_stopped_converter_is_found(each):
    sensor = make(each)
    each.hold(1.0 * SHUNT_OHM)
    take(each, sensor, 20)
    each.chip.stuck = True
    flags = [r.flags for r in take(each, sensor, 40)]
    assert STUCK in flags
    assert flags.index(STUCK) <= 20  # two bus reads
    assert set(flags[flags.index(STUCK) :]) == {STUCK}
    each.chip.stuck = False
    assert take(each, sensor, 15)[-1].flags == OK


def test_a_converter_that_never_ran_is_found(each):
    each.chip.stuck = True
    sensor = make(each)
    assert take(each, sensor, 20)[-1].flags == STUCK


def test_a_sample_is_one_plain_read(bench, device):
    """29 bit times: the pointer is not sent again, and nothing is written."""
    sensor = make(bench, bus_every=100)
    take(bench, sensor, 3)
    before = len(device.transfers)
    take(bench, sensor, 50)
    assert len(device.transfers) == before


# --- what only a kernel does ---------------------------------------------------------------

ERRORS = [
    errno.EREMOTEIO,  # no chip acknowledges (bcm2835, designware)
    errno.ETIMEDOUT,  # the clock or the data line is held
    errno.EAGAIN,  # arbitration lost: Python's raw files answer None, and raise nothing
    errno.EIO,
    errno.ENODEV,
    errno.EOPNOTSUPP,
]


@pytest.mark.parametrize("error", ERRORS, ids=[errno.errorcode[error] for error in ERRORS])
def test_a_failed_system_call_is_a_lost_sample(bench, device, error):
    sensor = make(bench)
    bench.hold(1.0 * SHUNT_OHM)
    take(bench, sensor, 15)
    device.fails_with = error
    for reading in take(bench, sensor, 25):
        assert reading.flags == LOST
        assert math.isnan(reading.current_a)
        assert math.isnan(reading.voltage_v)
    assert sensor.last_error
    device.fails_with = None
    reading = take(bench, sensor, 2)[-1]
    assert (reading.current_a, reading.flags) == (1.0, OK)


@pytest.mark.parametrize("error", ERRORS, ids=[errno.errorcode[error] for error in ERRORS])
@pytest.mark.parametrize("takes_empty_writes", [True, False])
def test_a_failed_system_call_at_start_is_told_as_a_sentence(
    bench, device, error, takes_empty_writes
):
    device.fails_with = error
    device.takes_empty_writes = takes_empty_writes
    with pytest.raises(SensorError, match=r"0x40 on I2C bus 1.*Check its supply"):
        make(bench)


@pytest.mark.parametrize("count", range(8))
def test_a_failure_in_any_transfer_of_a_long_sample(bench, device, monkeypatch, count):
    """Bus voltage and configuration are read too, in turn; each may be the one that fails."""
    sensor = make(bench, bus_every=1)
    bench.hold(1.0 * SHUNT_OHM)
    take(bench, sensor, 20)
    carry_out, seen = device._transfer, []

    def transfer(messages):
        seen.append(messages)
        if len(seen) == count + 1:
            raise OSError(errno.EREMOTEIO, "Remote I/O error")
        carry_out(messages)

    monkeypatch.setattr(device, "_transfer", transfer)
    flags = Counter(r.flags for r in take(bench, sensor, 30))
    assert flags == {LOST: 1, OK: 29}


def test_a_device_that_goes_away(bench, device):
    """As when an adapter is pulled: the file is there and every call fails."""
    sensor = make(bench)
    take(bench, sensor, 3)
    device.close()
    assert {r.flags for r in take(bench, sensor, 3)} == {LOST}
