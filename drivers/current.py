"""Current and voltage from an INA219 through ``adafruit_ina219``.

The library sets the chip up and owns its address; samples are read from the shunt register alone
at the pointer the chip retains, 29 bit times a sample.  The library's ``current`` would write the
calibration register before every read and assumes a 0.1 ohm shunt.

Every ``bus_every`` samples the bus voltage is read too, with the chip's conversion-ready bit, which
a read of the power register then clears.  No ready bit and no change of code for several
conversion times show that the converter has stopped.  Equal codes alone do not: a parked unit
really draws the same nothing.
"""

from __future__ import annotations

import math
import threading
from typing import Any

from adafruit_ina219 import INA219

from . import CLIPPED, LOST, OK, RESET, STUCK, Clock, I2CBus, Reading, SensorError, SensorWiring
from .ina219 import (
    BUS_CODE_END,
    BUS_STEP_V,
    CONFIG_EVERY,
    REG_BUS,
    REG_CALIBRATION,
    REG_CONFIG,
    REG_POWER,
    REG_SHUNT,
    RESET_CONFIG,
    SHUNT_STEP_V,
    milli,
    place,
    plan_sensor,
)

_RESET_BIT = 0x8000  # of the configuration register
_ODD_CALIBRATION = 0x5A5A  # anything that a reset takes away
_CNVR, _OVF = 0b10, 0b01  # bits of the bus voltage register
_POINTERS = {register: bytes((register,)) for register in range(6)}
_TAKEN = "the I2C bus is taken by another user of it"
_new_tuple = tuple.__new__  # Reading(...) costs twice as much, and this is the hot path
# No conversion for so many times the slowest pair: the converter has stopped.
_STOPPED_PAIRS = 3


class CurrentSensor:
    """One INA219 with its shunt.

    Raises SensorError at construction if the wiring cannot be measured with or no chip answers.
    To be used from the thread that made it and no other: the library keeps one buffer for all
    chips of the process.
    """

    def __init__(self, wiring: SensorWiring, bus: I2CBus, clock: Clock) -> None:
        self.wiring = wiring
        self.last_error = ""
        self._plan = plan_sensor(wiring)
        self._bus = bus
        self._clock = clock
        self._now_s = clock.now_s
        self._address = wiring.address
        self._thread = threading.get_ident()
        self._word = bytearray(2)
        self._code_end = self._plan.code_end
        self._code_low = -self._plan.code_end
        self._age_s = self._plan.age_s
        self._stopped_s = _STOPPED_PAIRS * self._plan.slowest_pair_s
        self._v_per_code = BUS_STEP_V * wiring.voltage_gain
        self._zero_v = wiring.voltage_offset_v * wiring.voltage_gain
        self._voltage_v = math.nan
        self._bus_flags = OK
        self._until_bus = 1
        self._until_config = CONFIG_EVERY
        self._config_due = False
        self._pointed = False  # whether the chip's pointer is known to be at the shunt register
        self._trusted = True  # whether the configuration is believed to be ours
        self._alive_s = 0.0  # when the converter last showed that it converts
        self._last_codes = (0, 0)
        self._valid_from_s = 0.0  # from when on a shunt conversion as configured has ended
        self.set_zero(wiring.offset_a)
        self._device = self._open()

    # --- what it can do -------------------------------------------------------------------

    @property
    def pga_range_v(self) -> float:
        """Largest shunt voltage of the chosen range (V), either way."""
        return self._plan.range_v

    @property
    def full_scale_a(self) -> float:
        """Largest current that can be read (A), gain applied."""
        return self._plan.range_v / self.wiring.shunt_ohm * self.wiring.gain

    @property
    def resolution_a(self) -> float:
        """Smallest step of current (A)."""
        return SHUNT_STEP_V / self.wiring.shunt_ohm * self.wiring.gain

    @property
    def conversion_s(self) -> float:
        """How long the current of one sample is averaged by the chip (s), typical."""
        return self._plan.shunt_s

    @property
    def refresh_s(self) -> float:
        """Longest time between two conversions (s); read faster, a sample repeats."""
        return self._plan.slowest_pair_s

    @property
    def time_u_s(self) -> float:
        """Standard uncertainty of a reading's time (s).

        The chip runs free of the loop, so a reading's age is known only to within one pair of
        conversions: 0.22 ms without averaging.
        """
        return self._plan.age_u_s

    @property
    def offset_a(self) -> float:
        """What is taken off each reading (A, before gain)."""
        return self._offset_a

    def shunt_w(self, current_a: float) -> float:
        """Return the heat in the shunt (W) at ``current_a``."""
        return current_a * current_a * self.wiring.shunt_ohm

    def set_zero(self, offset_a: float) -> None:
        """Take ``offset_a`` off from now on (A, before gain), in place of any earlier offset.

        After measuring a mean of ``x`` with the feeds off: ``set_zero(offset_a + x / gain)``.
        """
        self._offset_a = offset_a
        self._a_per_code = SHUNT_STEP_V / self.wiring.shunt_ohm * self.wiring.gain
        self._zero_a = offset_a * self.wiring.gain

    def describe(self) -> str:
        """Return one line on what the sensor can see."""
        averaged = f", mean of {self.wiring.average}" if self.wiring.average > 1 else ""
        return (
            f"{place(self.wiring)}: shunt {milli(self.wiring.shunt_ohm)} mohm, range "
            f"{milli(self.pga_range_v)} mV = {self.full_scale_a:.3g} A, step "
            f"{milli(self.resolution_a)} mA{averaged}, {self.shunt_w(self.wiring.max_a):.2g} W in "
            f"the shunt at {self.wiring.max_a:g} A, 12-bit conversion "
            f"{milli(self.conversion_s)} ms every {milli(self._plan.pair_s)} ms"
        )

    def close(self) -> None:
        """Nothing to give back: the chip may go on converting.  Idempotent."""

    # --- reading --------------------------------------------------------------------------

    def read(self) -> Reading:
        """Return one sample; trouble is told in its flags, never raised.

        ``voltage_v`` is that of the latest bus read, at the chip's IN- (after the shunt).  One try
        a call: at most six bus transactions, and none after the first that fails.
        """
        if not self._pointed:
            return self._read_slowly()
        bus = self._bus
        word = self._word
        before_s = self._now_s()
        try:
            if not bus.try_lock():
                raise OSError(_TAKEN)
            try:
                self._device.readinto(word)
            finally:
                bus.unlock()
            after_s = self._now_s()
            code = word[0] << 8 | word[1]
            if code > 0x7FFF:
                code -= 0x10000
            flags = self._bus_flags
            if not self._code_low < code < self._code_end or code == RESET_CONFIG:
                if code != self._code_low and code != self._code_end:
                    # No shunt code, or one that is also the power-on configuration.
                    self._trusted = False
                    return self._read_slowly()
                flags |= CLIPPED
            self._until_bus -= 1
            if not self._until_bus:
                flags = self._read_more(flags, code)
        except Exception as error:  # a bus of any make: whatever it raises, the sample is lost
            return self._lost(error)
        return _new_tuple(
            Reading,
            (
                (before_s + after_s) * 0.5 - self._age_s,
                code * self._a_per_code - self._zero_a,
                self._voltage_v,
                flags,
            ),
        )

    def _read_slowly(self) -> Reading:
        """Read with the pointer written first, after a look at the configuration if in doubt."""
        if threading.get_ident() != self._thread:
            raise RuntimeError(f"The {place(self.wiring)} may be read from one thread only.")
        try:
            if not self._trusted and self._restore():
                return self._no_sample(RESET)
            before_s = self._now_s()
            word = self._register(REG_SHUNT)
            after_s = self._now_s()
            if before_s < self._valid_from_s:
                return self._no_sample(RESET)
            code = word - 0x10000 if word > 0x7FFF else word
            flags = self._bus_flags
            self._pointed = True
            if code > self._code_end or code < self._code_low:
                flags |= STUCK  # configured as it should be, and still no possible code
                self._pointed = self._trusted = False
            elif code in (self._code_end, self._code_low):
                flags |= CLIPPED
            self._until_bus -= 1
            if self._until_bus <= 0:
                flags = self._read_more(flags, code)
        except Exception as error:
            return self._lost(error)
        time_s = (before_s + after_s) * 0.5 - self._age_s
        return Reading(time_s, code * self._a_per_code - self._zero_a, self._voltage_v, flags)

    def _read_more(self, flags: int, shunt_code: int) -> int:
        """Read what is read now and then, after the shunt; return the sample's flags.

        Bus and configuration have a sample each, so that no read lasts long: a long one would
        bring the next reads of other sensors on the bus too close together.
        """
        self._pointed = False
        if self._config_due:
            self._config_due = False
            self._trusted = self._register(REG_CONFIG) == self._plan.config
            self._until_bus = self.wiring.bus_every - 1
            if self._until_bus:
                return flags
        return self._read_bus(flags, shunt_code)

    def _read_bus(self, flags: int, shunt_code: int) -> int:
        """Read the bus voltage and whether the chip converts; return the sample's flags."""
        word = self._register(REG_BUS)
        now_s = self._now_s()
        found = OK
        code = word >> 3
        if word & _OVF:
            found |= CLIPPED
        if word & _CNVR:
            self._register(REG_POWER)
            self._alive_s = now_s
        elif (shunt_code, code) != self._last_codes:
            self._alive_s = now_s
        elif now_s - self._alive_s > self._stopped_s:
            found |= STUCK
            self._trusted = False  # a changed mode would explain it
        self._last_codes = (shunt_code, code)
        if code > BUS_CODE_END:
            found |= STUCK
            self._trusted = False
        # The chip shows nothing below zero: what an offset would put there is none.
        self._voltage_v = max(code * self._v_per_code - self._zero_v, 0.0) if code else 0.0
        self._until_bus = self.wiring.bus_every
        self._until_config -= 1
        if self._until_config <= 0:
            self._until_config = CONFIG_EVERY
            self._config_due = True
            self._until_bus = 1
        self._bus_flags = found
        return flags | found

    # --- trouble --------------------------------------------------------------------------

    def _restore(self) -> bool:
        """Look at the configuration and set it up again if it is not ours; True if so."""
        config = self._register(REG_CONFIG)
        ours = config == self._plan.config
        if not ours:
            self._configure()
            self.last_error = f"configuration read 0x{config:04X}, set up again"
        self._trusted = True
        return not ours

    def _no_sample(self, flags: int) -> Reading:
        self._pointed = False
        return Reading(self._now_s() - self._age_s, math.nan, self._voltage_v, flags)

    def _lost(self, error: Exception) -> Reading:
        self.last_error = str(error) or type(error).__name__
        self._pointed = self._trusted = False
        self._until_bus = 1
        self._bus_flags = OK
        self._voltage_v = math.nan
        return Reading(self._now_s() - self._age_s, math.nan, math.nan, LOST)

    # --- identity -------------------------------------------------------------------------

    def identify(self) -> str:
        """Reset the chip, set it up again, and return what shows that it is an INA219.

        Only with nothing fed: its readings are gone meanwhile.  The chip has no number of its own;
        its power-on values are what tells it apart (SBOS448G, tables 3 to 8: configuration 0x399F,
        calibration 0).  Raises SensorError if they are not there or if it does not answer.
        """
        where = place(self.wiring)
        self._pointed = self._trusted = False
        try:
            self._write(REG_CALIBRATION, _ODD_CALIBRATION)
            self._write(REG_CONFIG, _RESET_BIT)
            config, calibration = self._register(REG_CONFIG), self._register(REG_CALIBRATION)
            self._configure()
        except OSError as error:
            raise SensorError(
                f"The {where} does not answer: {error}. Check its plug, SDA and SCL, its 3.3 V and "
                "the address jumpers."
            ) from error
        self._trusted = True
        self._clock.sleep_until(self._valid_from_s)
        if (config, calibration) != (RESET_CONFIG, 0):
            raise SensorError(
                f"What answers as the {where} is no INA219: reset, its configuration reads "
                f"0x{config:04X} and its calibration 0x{calibration:04X} instead of "
                f"0x{RESET_CONFIG:04X} and 0. See which chip is at that address."
            )
        return (
            f"the {where} is an INA219: reset it reads 0x{config:04X}, and it keeps "
            f"0x{self._plan.config:04X}"
        )

    # --- registers ------------------------------------------------------------------------

    def _open(self) -> Any:
        where = place(self.wiring)
        try:
            chip = INA219(self._bus, self._address)
            chip.calibration = 0  # keeps the chip's own arithmetic, and so its OVF, out of the way
            self._device = chip.i2c_device
            self._configure()
        except (OSError, ValueError) as error:
            raise SensorError(
                f"No answer from the {where}: {error}. Check its supply, SDA and SCL, the address "
                "jumpers and the bus number in the rig file."
            ) from error
        self._clock.sleep_until(self._valid_from_s)
        return self._device

    def _configure(self) -> None:
        """Write the configuration word once and read it back; OSError if it differs."""
        config = self._plan.config
        self._write(REG_CONFIG, config)
        answer = self._register(REG_CONFIG)
        if answer != config:
            raise OSError(f"configuration 0x{config:04X} reads back as 0x{answer:04X}")
        now_s = self._now_s()
        # The bus register is read 0.19 ms after that at the earliest (77 bits of 400 kHz), so the
        # bus conversion, 0.16 ms at most, has ended by then as well.
        self._valid_from_s = now_s + self._plan.slowest_shunt_s
        self._alive_s = now_s + self._plan.slowest_pair_s
        self._bus_flags = OK
        self._until_bus = 1

    def _write(self, register: int, word: int) -> None:
        if not self._bus.try_lock():
            raise OSError(_TAKEN)
        try:
            self._device.write(bytes((register, word >> 8, word & 0xFF)))
        finally:
            self._bus.unlock()

    def _register(self, register: int) -> int:
        # The library's own way to lock spins for ever on a bus that somebody else holds.
        bus = self._bus
        word = self._word
        if not bus.try_lock():
            raise OSError(_TAKEN)
        try:
            self._device.write_then_readinto(_POINTERS[register], word)
        finally:
            bus.unlock()
        return word[0] << 8 | word[1]
