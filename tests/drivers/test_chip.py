"""The emulated INA219 against the data sheet (tests/reference/ina219_datasheet.py)."""

from __future__ import annotations

import errno
import math
import statistics
from itertools import pairwise

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

CONFIG, SHUNT, BUS, POWER, CURRENT, CALIBRATION = range(6)
CNVR, OVF = 2, 1


def register(bench, number):
    """Read a register without spending bus time."""
    bench.chip.pointer = number
    return bench.chip.read()


def signed(word):
    return word - 0x10000 if word > 0x7FFF else word


def configure(bench, *, mode, sadc=3, badc=3, pga=3, brng=1):
    bench.chip.write(CONFIG, brng << 13 | pga << 11 | badc << 7 | sadc << 3 | mode)


# --- after power-on ------------------------------------------------------------------------


def test_registers_after_power_on(bench, sheet):
    assert register(bench, CONFIG) == sheet.RESET_CONFIGURATION
    assert [register(bench, n) for n in (POWER, CURRENT, CALIBRATION)] == [0, 0, 0]


def test_reset_bit_restores_everything_and_clears_itself(bench, sheet):
    bench.chip.write(CONFIG, 0x019F)
    bench.chip.write(CALIBRATION, 0x5000)
    bench.chip.write(CONFIG, 0x8000)
    assert register(bench, CONFIG) == sheet.RESET_CONFIGURATION
    assert register(bench, CALIBRATION) == 0


# --- conversion times ----------------------------------------------------------------------

_ALL_CODES = [0b0000, 0b0001, 0b0010, 0b0011, *range(0b1000, 0b10000)]


@pytest.mark.parametrize("code", _ALL_CODES)
@pytest.mark.parametrize("what", ["shunt", "bus"])
def test_conversion_times(bench, sheet, code, what):
    typical_s = sheet.CONVERSION_S[code]
    rounding_s = 0.6e-6 if typical_s < 1e-3 else 5e-6  # the table gives averages to 0.01 ms
    bench.hold(0.1, 12.0)
    number = SHUNT if what == "shunt" else BUS
    mode = sheet.MODES[f"{what}_continuous"]
    configure(bench, mode=mode, sadc=code, badc=code)
    bench.time_s = typical_s - rounding_s
    assert register(bench, number) >> 3 == 0
    bench.time_s = typical_s + rounding_s
    assert register(bench, number) >> 3 != 0


def test_do_not_care_bit_of_single_conversions(bench, sheet):
    for code, same_as in sheet.DONT_CARE.items():
        configure(bench, mode=sheet.MODES["shunt_continuous"], sadc=code)
        start_s = bench.time_s
        bench.hold(0.1)
        bench.windows.clear()
        bench.time_s = start_s + sheet.CONVERSION_S[same_as] * 1.01
        register(bench, SHUNT)
        (window,) = bench.windows
        assert window == pytest.approx((start_s, start_s + sheet.CONVERSION_S[same_as]))


def test_shunt_and_bus_take_turns(bench, sheet):
    """12 and 12 bits: 1.064 ms from one shunt conversion to the next."""
    configure(bench, mode=sheet.MODES["both_continuous"])
    bench.windows.clear()
    for _ in range(50):
        bench.time_s += 1e-4
        register(bench, SHUNT)
    starts = [start for start, _ in bench.windows]
    assert len(starts) == 5
    for earlier, later in pairwise(starts):
        assert later - earlier == pytest.approx(2 * sheet.CONVERSION_S[0b0011])


def test_slow_chip(make_bench, sheet):
    bench = make_bench(time_factor=sheet.LONGEST_S[12] / sheet.CONVERSION_S[0b0011])
    bench.hold(0.1)
    configure(bench, mode=sheet.MODES["shunt_continuous"])
    bench.time_s = sheet.LONGEST_S[12] - 1e-7
    assert register(bench, SHUNT) == 0
    bench.time_s = sheet.LONGEST_S[12] + 1e-7
    assert register(bench, SHUNT) != 0


@given(
    slope=st.floats(-2.0, 2.0),
    wait_s=st.floats(2e-3, 0.1),
    code=st.sampled_from([0b0011, 0b1001, 0b1010]),
)
def test_a_code_is_the_mean_over_its_conversion(make_bench, sheet, slope, wait_s, code):
    bench = make_bench()
    bench.ramp(slope)
    configure(bench, mode=sheet.MODES["shunt_continuous"], sadc=code)
    bench.time_s = wait_s + sheet.CONVERSION_S[code]
    bench.windows.clear()
    volts = signed(register(bench, SHUNT)) * sheet.SHUNT_STEP_V
    ((start_s, end_s),) = bench.windows
    assert end_s - start_s == pytest.approx(sheet.CONVERSION_S[code], abs=5e-6)
    assert bench.time_s - sheet.CONVERSION_S[code] - 5e-6 < end_s <= bench.time_s
    middle_v = min(max(slope * (start_s + end_s) / 2, -0.32), 0.32)
    assert volts == pytest.approx(middle_v, abs=sheet.SHUNT_STEP_V / 2 + 1e-12)


def test_idle_time_costs_nothing(bench):
    bench.time_s = 1e5
    register(bench, SHUNT)
    assert len(bench.windows) == 1


# --- steps and ends of range ---------------------------------------------------------------


@given(volts=st.floats(-0.32, 0.32), bits=st.sampled_from([9, 10, 11, 12]))
def test_shunt_steps(make_bench, sheet, volts, bits):
    bench = make_bench()
    bench.hold(volts)
    configure(bench, mode=sheet.MODES["shunt_continuous"], sadc=bits - 9)
    bench.time_s = 1e-3
    code = signed(register(bench, SHUNT))
    coarse = 2 ** (12 - bits)
    assert code % coarse == 0
    assert abs(code * sheet.SHUNT_STEP_V - volts) <= coarse * sheet.SHUNT_STEP_V / 2 + 1e-12


@given(volts=st.floats(0, 26), bits=st.sampled_from([9, 10, 11, 12]))
def test_bus_steps(make_bench, sheet, volts, bits):
    bench = make_bench()
    bench.hold(0.0, volts)
    configure(bench, mode=sheet.MODES["bus_continuous"], badc=bits - 9)
    bench.time_s = 1e-3
    code = register(bench, BUS) >> 3
    coarse = 2 ** (12 - bits)
    assert abs(code * sheet.BUS_STEP_V - volts) <= coarse * sheet.BUS_STEP_V / 2 + 1e-12


@pytest.mark.parametrize("pga", [0, 1, 2, 3])
def test_shunt_clips_at_the_range(bench, sheet, pga):
    code_end, range_v = sheet.SHUNT_FULL_SCALE[pga]
    for sign in (1, -1):
        bench.hold(sign * (range_v + 0.001))
        configure(bench, mode=sheet.MODES["shunt_continuous"], pga=pga)
        bench.time_s += 1e-3
        assert signed(register(bench, SHUNT)) == sign * code_end


def test_minus_320_mv_in_twos_complement(bench, sheet):
    bench.hold(-0.32)
    bench.time_s = 2e-3
    assert register(bench, SHUNT) == sheet.MINUS_320_MV


@pytest.mark.parametrize("brng", [0, 1])
def test_bus_ends_with_its_range(bench, sheet, brng):
    bench.hold(0.0, 40.0)
    configure(bench, mode=sheet.MODES["both_continuous"], brng=brng)
    bench.time_s += 2e-3
    assert register(bench, BUS) >> 3 == sheet.BUS_FULL_SCALE[brng]
    bench.hold(0.0, -0.3)
    bench.time_s += 2e-3
    assert register(bench, BUS) >> 3 == 0


# --- calibration, current, power -----------------------------------------------------------


def test_worked_example(bench, sheet):
    bench.hold(sheet.EXAMPLE_CURRENT_A * sheet.EXAMPLE_SHUNT_OHM, sheet.EXAMPLE_LOAD_V)
    bench.chip.write(CONFIG, sheet.EXAMPLE_CONFIGURATION)
    bench.chip.write(CALIBRATION, sheet.EXAMPLE_CALIBRATION)
    bench.time_s += 2e-3
    assert register(bench, SHUNT) == sheet.EXAMPLE_SHUNT
    assert register(bench, BUS) & ~CNVR == sheet.EXAMPLE_BUS
    assert register(bench, CURRENT) == sheet.EXAMPLE_CURRENT
    assert register(bench, POWER) == sheet.EXAMPLE_POWER
    assert register(bench, CONFIG) == sheet.EXAMPLE_CONFIGURATION


def test_bit_0_of_calibration_is_void(bench, sheet):
    bench.chip.write(CALIBRATION, 0xFFFF)
    assert register(bench, CALIBRATION) == sheet.CALIBRATION_ALL_ONES


def test_overflow_is_of_the_arithmetic_not_of_the_range(bench):
    bench.hold(0.5)  # beyond the range
    bench.time_s = 2e-3
    assert register(bench, BUS) & OVF == 0
    bench.chip.write(CALIBRATION, 4096)
    assert register(bench, BUS) & OVF == 0
    bench.chip.write(CALIBRATION, 0xFFFE)  # 32000 x 16 does not fit the current register
    assert register(bench, BUS) & OVF == OVF


def test_read_only_registers_cannot_be_written(bench):
    bench.hold(0.01)
    bench.time_s = 2e-3
    before = register(bench, SHUNT)
    for number in (SHUNT, BUS, POWER, CURRENT):
        bench.chip.write(number, 0x1234)
    assert register(bench, SHUNT) == before


# --- conversion ready ----------------------------------------------------------------------


def is_ready(bench):
    return bool(register(bench, BUS) & CNVR)


def test_ready_after_all_conversions_of_a_cycle(bench):
    bench.time_s = 600e-6  # the shunt has been converted, the bus not yet
    assert not is_ready(bench)
    bench.time_s = 1070e-6
    assert is_ready(bench)


def test_ready_is_cleared_by_reading_power_and_by_nothing_else(bench):
    bench.time_s = 2e-3
    for number in (CONFIG, SHUNT, BUS, CURRENT, CALIBRATION):
        register(bench, number)
        assert is_ready(bench)
    register(bench, POWER)
    assert not is_ready(bench)
    bench.time_s += 1.07e-3
    assert is_ready(bench)


def test_ready_is_cleared_by_a_mode_except_power_down_and_off(bench, sheet):
    for mode, kept in (("power_down", True), ("adc_off", True), ("both_triggered", False)):
        configure(bench, mode=sheet.MODES["both_continuous"])
        bench.time_s += 2e-3
        assert is_ready(bench)
        configure(bench, mode=sheet.MODES[mode])
        assert is_ready(bench) is kept


# --- modes ---------------------------------------------------------------------------------


def test_triggered_converts_once_per_configuration_write(bench, sheet):
    bench.ramp(1.0)
    configure(bench, mode=sheet.MODES["shunt_triggered"])
    bench.time_s = 1e-3
    first = register(bench, SHUNT)
    bench.time_s = 0.1
    assert register(bench, SHUNT) == first
    configure(bench, mode=sheet.MODES["shunt_triggered"])
    bench.time_s += 0.5e-3
    assert register(bench, SHUNT) == first
    bench.time_s += 0.1e-3
    assert register(bench, SHUNT) > first


@pytest.mark.parametrize("mode", ["power_down", "adc_off"])
def test_without_conversions_the_registers_stay(bench, sheet, mode):
    bench.hold(0.02)
    bench.time_s = 2e-3
    before = register(bench, SHUNT)
    configure(bench, mode=sheet.MODES[mode])
    bench.hold(0.05)
    bench.time_s += 1.0
    assert register(bench, SHUNT) == before != 0


def test_recovery_from_power_down(bench, sheet):
    configure(bench, mode=sheet.MODES["power_down"])
    bench.hold(0.02)
    bench.time_s = 1.0
    configure(bench, mode=sheet.MODES["shunt_continuous"])
    bench.time_s += 532e-6 + 39e-6  # 40 us recovery, electrical characteristics
    assert register(bench, SHUNT) == 0
    bench.time_s += 2e-6
    assert register(bench, SHUNT) == 2000


@pytest.mark.parametrize(("mode", "kept"), [("shunt_continuous", BUS), ("bus_continuous", SHUNT)])
def test_one_quantity_alone_leaves_the_other(bench, sheet, mode, kept):
    bench.hold(0.02, 12.0)
    bench.time_s = 2e-3
    before = register(bench, kept) >> 3
    configure(bench, mode=sheet.MODES[mode])
    bench.hold(0.05, 8.0)
    bench.time_s += 0.1
    assert register(bench, kept) >> 3 == before


# --- noise and faults ----------------------------------------------------------------------


def codes(bench, count, step_s):
    found = []
    for _ in range(count):
        bench.time_s += step_s
        found.append(signed(register(bench, SHUNT)))
    return found


def test_a_conversion_read_twice_gives_the_same_code(bench):
    bench.chip.noise_v = 1e-3
    bench.time_s = 2e-3
    assert register(bench, SHUNT) == register(bench, SHUNT)
    assert len(set(codes(bench, 50, 2e-3))) > 40


def test_noise_has_its_sigma_and_averaging_takes_it_down(bench, sheet):
    bench.chip.noise_v = 1e-3
    configure(bench, mode=sheet.MODES["shunt_continuous"])
    single = statistics.stdev(codes(bench, 2000, 1e-3))
    assert single == pytest.approx(100, rel=0.08)  # 5 sigma of a deviation of 2000 draws
    configure(bench, mode=sheet.MODES["shunt_continuous"], sadc=0b1100)
    mean_of_16 = statistics.stdev(codes(bench, 2000, 10e-3))
    assert mean_of_16 == pytest.approx(100 / math.sqrt(16), rel=0.08)


def test_the_same_seed_gives_the_same_codes(make_bench):
    def run():
        bench = make_bench()
        bench.chip.noise_v = 1e-3
        return codes(bench, 100, 1e-3)

    assert run() == run()


def test_offset(bench):
    bench.hold(0.01)
    bench.chip.offset_v = 0.0005
    bench.time_s = 2e-3
    assert register(bench, SHUNT) == 1050


def test_stuck_converter_keeps_its_codes_and_is_never_ready_again(bench):
    bench.hold(0.01)
    bench.time_s = 2e-3
    before = register(bench, SHUNT)
    register(bench, POWER)
    bench.chip.stuck = True
    bench.hold(0.02)
    bench.time_s += 1.0
    assert register(bench, SHUNT) == before
    assert not is_ready(bench)
    bench.chip.stuck = False
    bench.time_s += 2e-3
    assert register(bench, SHUNT) == 2000


# --- the bus -------------------------------------------------------------------------------


def spent_bits(bench, action):
    before_s = bench.time_s
    action()
    return (bench.time_s - before_s) * 400_000


def test_bit_times(bench):
    """Counted on the timing diagrams of the data sheet: start, 9 a byte, (repeated) start, stop."""
    word = bytearray(2)
    assert spent_bits(
        bench, lambda: bench.bus.writeto_then_readfrom(0x40, b"\x01", word)
    ) == pytest.approx(48)
    assert spent_bits(bench, lambda: bench.bus.readfrom_into(0x40, word)) == pytest.approx(29)
    assert spent_bits(bench, lambda: bench.bus.writeto(0x40, b"\x00\x39\x9f")) == pytest.approx(38)


def test_the_pointer_is_retained(bench, sheet):
    word = bytearray(2)
    bench.hold(0.02)
    bench.time_s = 2e-3
    bench.bus.writeto(0x40, b"\x01")
    for _ in range(3):
        bench.bus.readfrom_into(0x40, word)
        assert int.from_bytes(word, "big") == 2000
    bench.bus.writeto_then_readfrom(0x40, b"\x00", word)
    bench.bus.readfrom_into(0x40, word)
    assert int.from_bytes(word, "big") == sheet.RESET_CONFIGURATION


def test_slices_of_buffers(bench):
    bench.hold(0.02)
    bench.time_s = 2e-3
    buffer = bytearray(6)
    buffer[1] = 1
    bench.bus.writeto_then_readfrom(
        0x40, buffer, buffer, out_start=1, out_end=2, in_start=2, in_end=4
    )
    assert bytes(buffer) == b"\x00\x01\x07\xd0\x00\x00"


@pytest.mark.parametrize("fault", ["no chip", "absent", "hung chip", "hung bus"])
def test_no_answer(bench, fault):
    address = 0x41 if fault == "no chip" else 0x40
    bench.chip.absent = fault == "absent"
    bench.chip.hung = fault == "hung chip"
    bench.bus.hung = fault == "hung bus"
    expected = errno.EREMOTEIO if fault in ("no chip", "absent") else errno.ETIMEDOUT
    word = bytearray(2)
    for action in (
        lambda: bench.bus.writeto(address, b""),
        lambda: bench.bus.readfrom_into(address, word),
        lambda: bench.bus.writeto_then_readfrom(address, b"\x01", word),
    ):
        before_s = bench.time_s
        with pytest.raises(OSError, match=rf"^\[Errno {expected}\]"):
            action()
        assert before_s < bench.time_s <= before_s + 0.0101


def test_scan_and_lock(bench):
    assert bench.bus.scan() == [0x40]
    assert bench.bus.try_lock()
    assert not bench.bus.try_lock()
    bench.bus.unlock()
    assert bench.bus.try_lock()


@settings(max_examples=50)
@given(
    actions=st.lists(
        st.tuples(
            st.sampled_from(["write", "read", "wait"]), st.integers(0, 7), st.integers(0, 0xFFFF)
        ),
        max_size=60,
    )
)
def test_any_traffic_leaves_words_of_16_bits(make_bench, actions):
    bench = make_bench()
    bench.ramp(0.3)
    for action, number, value in actions:
        if action == "write":
            bench.chip.write(number, value)
        elif action == "wait":
            bench.time_s += value * 1e-6
        else:
            assert 0 <= register(bench, number) <= 0xFFFF
