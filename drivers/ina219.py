"""Arithmetic of an INA219 and its shunt: range, resolution, configuration word, timing.

Numbers from the data sheet TI SBOS448G.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

from . import SensorError, SensorWiring

SHUNT_STEP_V = 10e-6
BUS_STEP_V = 4e-3
RESET_CONFIG = 0x399F
REG_CONFIG, REG_SHUNT, REG_BUS, REG_POWER, REG_CALIBRATION = 0, 1, 2, 3, 5
MODE_BOTH_CONTINUOUS = 0b111
BUS_RANGE_32_V = 1  # the step is 4 mV in either range; 16 V would clip a charging 12 V supply
BUS_CODE_END = 8000  # the register's end in the 32 V range; a larger code cannot be

PGA_RANGES_V = (0.04, 0.08, 0.16, 0.32)
AVERAGES = (1, 2, 4, 8, 16, 32, 64, 128)

# Shunt in 12 bits (532 us), bus in 10 bits (148 us): a pair takes 680 us, 749 us at most, so that
# a loop at 1 kHz finds a new conversion at every sample with 0.25 ms to spare for jitter.  The 12
# and 12 bits of the usual set-up take 1.064 ms, and a 1 kHz loop reads one sample in sixteen
# twice.  The price is a bus step of 16 mV, well below the chip's 0.5 % bus error (60 mV at 12 V).
SHUNT_SAMPLE_S = 532e-6
BUS_SAMPLE_S = 148e-6
_BUS_ADC_10_BIT = 0b0001
BUS_READ_STEP_V = 4 * BUS_STEP_V  # of the voltage as set up here: two bits fewer than 12
_SLOWEST = 586 / 532  # longest over typical conversion time

# Usual four-terminal shunts (ohm), for the advice in a refusal.
_USUAL_SHUNTS_OHM = (0.1, 0.05, 0.02, 0.01, 0.005, 0.002, 0.001, 0.0005)


@dataclass(frozen=True, slots=True)
class SensorPlan:
    """How a sensor is set up: everything that follows from its wiring."""

    pga: int  # 0..3
    range_v: float
    config: int
    shunt_s: float  # typical length of a shunt conversion, averaging included
    pair_s: float  # typical time from one shunt conversion to the next

    @property
    def code_end(self) -> int:
        """The raw code at the end of the PGA range."""
        return 4000 << self.pga

    @property
    def slowest_shunt_s(self) -> float:
        """Longest length of a shunt conversion."""
        return self.shunt_s * _SLOWEST

    @property
    def slowest_pair_s(self) -> float:
        """Longest time from one shunt conversion to the next."""
        return self.pair_s * _SLOWEST

    @property
    def age_s(self) -> float:
        """Mean age of the middle of the conversion when its register is read.

        The chip runs free: at a read the last conversion ended between 0 and one pair ago.
        """
        return (self.pair_s + self.shunt_s) / 2

    @property
    def age_u_s(self) -> float:
        """Standard uncertainty of the age: an even distribution over the slowest pair."""
        return self.slowest_pair_s / math.sqrt(12)


# Bit times of one transaction on the bus: start and stop 1 each, address and each byte 9, a
# repeated start 1 (I2C-bus specification, UM10204).  A 16-bit register read at the retained
# pointer, and with the pointer written first:
RETAINED_READ_BITS = 29
POINTED_READ_BITS = 48
CONFIG_EVERY = 10
"""The configuration is read back with every so many reads of the bus voltage: with 10 samples
between those and 1 kHz a reset that left the pointer in place is found within 0.1 s."""


def mean_read_bits(bus_every: int) -> float:
    """Return the bit times of one sample, all that is read now and then shared out.

    Every ``bus_every`` samples the bus voltage and the power register, which clears the ready bit;
    now and then the configuration; after either the pointer is written anew.
    """
    anew = POINTED_READ_BITS - RETAINED_READ_BITS
    bus = 2 * POINTED_READ_BITS + anew
    config = POINTED_READ_BITS + anew
    return RETAINED_READ_BITS + bus / bus_every + config / (bus_every * CONFIG_EVERY)


def plan_sensor(wiring: SensorWiring) -> SensorPlan:
    """Choose the smallest PGA range that holds ``max_a``; SensorError if none does."""
    where = place(wiring)
    if not 0x40 <= wiring.address <= 0x4F:
        raise SensorError(
            f"The address 0x{wiring.address:02X} of a current sensor on I2C bus {wiring.bus} is "
            "not one an INA219 can have. Set an address from 0x40 to 0x4F in the rig file."
        )
    if not (wiring.shunt_ohm > 0 and wiring.max_a > 0 and wiring.gain > 0):
        raise SensorError(
            f"The {where} needs a shunt, a largest current and a gain above zero. "
            "Correct them in the rig file."
        )
    if wiring.average not in AVERAGES:
        raise SensorError(
            f"The {where} cannot average {wiring.average} samples. "
            f"Choose one of {', '.join(map(str, AVERAGES))}."
        )
    if wiring.bus_every < 1:
        raise SensorError(f"The {where} needs bus_every of 1 or more, not {wiring.bus_every}.")
    need_v = (wiring.max_a / wiring.gain + abs(wiring.offset_a)) * wiring.shunt_ohm
    for pga, range_v in enumerate(PGA_RANGES_V):
        if need_v <= range_v * (1 + 1e-9):
            return _plan(pga, wiring.average)
    raise SensorError(_refusal(wiring, where))


def place(wiring: SensorWiring) -> str:
    """Name a sensor for a message."""
    return f"current sensor at 0x{wiring.address:02X} on I2C bus {wiring.bus}"


def _plan(pga: int, average: int) -> SensorPlan:
    # 12 bits: 0011 for one sample, 1000 + log2 for an average.
    shunt_adc = 0b0011 if average == 1 else 0b1000 | average.bit_length() - 1
    config = (
        BUS_RANGE_32_V << 13
        | pga << 11
        | _BUS_ADC_10_BIT << 7
        | shunt_adc << 3
        | MODE_BOTH_CONTINUOUS
    )
    shunt_s = SHUNT_SAMPLE_S * average
    return SensorPlan(pga, PGA_RANGES_V[pga], config, shunt_s, shunt_s + BUS_SAMPLE_S)


def _refusal(wiring: SensorWiring, where: str) -> str:
    end_v = PGA_RANGES_V[-1]
    shunt = wiring.shunt_ohm
    text = (
        f"The {where} has a shunt of {milli(shunt)} mohm and so reads at most "
        f"{end_v / shunt:.3g} A in steps of {milli(SHUNT_STEP_V / shunt)} mA, "
        f"but {wiring.max_a:g} A are to be measured."
    )
    for usual in _USUAL_SHUNTS_OHM:
        if (wiring.max_a / wiring.gain + abs(wiring.offset_a)) * usual <= end_v:
            return (
                f"{text} Fit a shunt of {milli(usual)} mohm: it reads to {end_v / usual:.3g} A in "
                f"steps of {milli(SHUNT_STEP_V / usual)} mA and takes "
                f"{wiring.max_a**2 * usual:.2g} W at {wiring.max_a:g} A."
            )
    return f"{text} No usual shunt holds that; lower max_a in the rig file."


def milli(value: float) -> str:
    """Write a value in thousandths with three digits."""
    return f"{value * 1000:.3g}"
