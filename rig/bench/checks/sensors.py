"""Current sensors with nothing fed: do they answer, and what is their zero?"""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np

from drivers import CLIPPED, LOST, RESET, STUCK, Reading, SensorError, SensorWiring
from drivers.current import CurrentSensor
from drivers.ina219 import place
from rig.bench.checks.items import LeftOutError, NotWiredError, WrongError
from rig.bench.checks.look import Look
from rig.bench.events import ZeroFound
from rig.bench.motion import FLOWING_MIN_A
from rig.bench.requests import Sample
from rig.bench.zero import Zero, zero_of
from rig.quality.decision import COVERAGE
from rig.settings import SensorSettings

LOOK_S = 0.5  # for whether it answers
READS_S = 0.2  # for how long one reading takes
SLOW_BUS_S = 29 / 100_000  # start, address, two bytes and stop at the Pi's default of 100 kHz
ZERO_S = 1.0  # for its zero: fifty periods of mains hum
# The control loop takes more than `FLOWING_MIN_A` for motor current; a sensor whose readings
# scatter (one standard deviation) by a third of that would be taken for a motor now and then.
NOISE_MAX_A = FLOWING_MIN_A / 3
# A loose plug loses a reading now and then; a sound sensor none at all (a few allow for a hiccup).
LOST_SHARE_MAX = 0.01


class SensorChecks:
    """The checks of one station's sensors.

    ``zero`` is what was found, None as long as it is not; it is taken off from then on.  ``works``
    tells whether the battery feed's sensor answers soundly, ``ignition_works`` whether there is
    one in the ignition feed that does.
    """

    def __init__(self, look: Look) -> None:
        self._look = look
        self.works = self.ignition_works = False
        self.zero: Zero | None = None

    def identity(self) -> str:
        """Return what shows that the sensors are the chips that the program takes them for."""
        station = self._look.station
        sensors = (station.battery_sensor, station.ignition_sensor)
        try:
            said = [sensor.identify() for sensor in sensors if sensor is not None]
        except SensorError as error:
            raise WrongError(str(error)) from error
        text = "; ".join(said)
        return f"{text[:1].upper()}{text[1:]}."

    def bus_speed(self) -> str:
        """Return how long one reading takes, the quickest of many: the bus and the way to it."""
        if not self.works:
            raise LeftOutError("No reading to measure without an answer.")
        look = self._look
        sensor = look.station.battery_sensor
        taken_s = []
        for _ in look.samples(READS_S):
            before_s = look.now_s()
            sensor.read()
            taken_s.append(look.now_s() - before_s)
        quickest_s = min(taken_s)
        seen = f"One reading takes {quickest_s * 1000:.3f} ms at the quickest"
        if quickest_s >= SLOW_BUS_S:
            raise WrongError(
                f"{seen}, as on a bus at 100 kHz: too slow for two sensors at 1 kHz. Set "
                "i2c_arm_baudrate=400000 (README, Raspberry Pi set-up), or lower sample_hz."
            )
        return f"{seen}; at 100 kHz it would take {SLOW_BUS_S * 1000:.2f} ms."

    def battery_answers(self) -> str:
        """Return what the sensor can see if it answers."""
        look = self._look
        sensor = look.station.battery_sensor
        # The converter's standing still shows with a read of the voltage, the third at the latest.
        readings_s = 3 * sensor.wiring.bus_every / look.order.station.sample_hz
        readings = [_reading(sample) for sample in look.samples(max(LOOK_S, readings_s))]
        _need_answers(readings, sensor)
        self.works = True
        return (
            f"Answers at 0x{sensor.wiring.address:02X} on I2C bus {sensor.wiring.bus}: reads "
            + (f"to {sensor.full_scale_a:.3g} A in steps of {sensor.resolution_a * 1000:.3g} mA.")
        )

    def battery_zero(self) -> str:
        """Return the zero if the rig file's uncertainty allows it."""
        if not self.works:
            raise LeftOutError("No zero without an answer.")
        look = self._look
        sensor = look.station.battery_sensor
        currents = np.array([sample.current_a for sample in look.samples(ZERO_S)])
        self.zero = zero = zero_of(currents, sensor.resolution_a)
        if zero is None:
            raise WrongError("The sensor gave too few readings for a zero. Check its plug.")
        name = look.order.station.name
        look.console.show(zero_found(name, zero, sensor.wiring, calibrated=look.calibrated))
        # Whatever it is, the checks to come are to see currents and not the offset.
        sensor.set_zero(sensor.offset_a + zero.mean_a / sensor.wiring.gain)
        _need_quiet(zero)
        settings = look.order.station.battery_sensor
        _need_zero(zero, settings, name, "battery_sensor", calibrated=look.calibrated)
        return _zero_in_words(zero, settings)

    def ignition(self) -> str:
        """Return what is to be said of the ignition feed's sensor."""
        look = self._look
        sensor = look.station.ignition_sensor
        if sensor is None:
            raise NotWiredError("No sensor is wired in the ignition feed.")
        readings = [sensor.read() for _ in look.samples(ZERO_S)]
        _need_answers(readings, sensor)
        self.ignition_works = True
        zero = zero_of(np.array([r.current_a for r in readings]), sensor.resolution_a)
        if zero is None:
            raise WrongError("The sensor gave too few readings for a zero. Check its plug.")
        settings = look.order.station.ignition_sensor
        assert settings is not None
        _need_zero(zero, settings, look.order.station.name, "ignition_sensor")
        return _zero_in_words(zero, settings)


def zero_found(
    station: str, zero: Zero, wiring: SensorWiring, *, calibrated: bool = False
) -> ZeroFound:
    """Return what to tell of a zero that was read with the rig file's offset taken off.

    ``calibrated``: with the calibration's.
    """
    # The sensor takes its offset off before the gain; its readings have the gain applied.
    return ZeroFound(
        station,
        wiring.offset_a + zero.mean_a / wiring.gain,
        zero.u_a / wiring.gain,
        zero.noise_a,
        wiring.offset_a,
        calibrated,
    )


def trouble_of(flags: int) -> str:
    """Return what a sensor's flags say in words, empty if nothing is wrong."""
    if flags & LOST:
        return "does not answer"
    if flags & STUCK:
        return "repeats itself or reads nonsense: its converter has stopped"
    if flags & RESET:
        return "falls back to its power-on state: its 3.3 V drops out"
    if flags & CLIPPED:
        return "is at the end of its range with nothing fed"
    return ""


def _reading(sample: Sample) -> Reading:
    return Reading(sample.time_s, sample.current_a, sample.voltage_v, sample.flags)


def _need_answers(readings: Sequence[Reading], sensor: CurrentSensor) -> None:
    bad = [reading.flags for reading in readings if reading.flags]
    if len(bad) <= LOST_SHARE_MAX * len(readings):
        return
    where = place(sensor.wiring)
    # The last ones: a sensor found in its power-on state is set up by the first.
    trouble = trouble_of(bad[-1])
    if len(bad) < 0.9 * len(readings) and bad[-1] & (LOST | RESET):
        raise WrongError(
            f"The {where} {trouble} in {len(bad)} of {len(readings)} readings. A plug or a "
            "solder joint is loose: push it home and move the lead while you look at the readings."
        )
    raise WrongError(
        f"The {where} {trouble}. Check its plug, SDA and SCL, its 3.3 V and the address jumpers; "
        "then read it again."
    )


def _need_quiet(zero: Zero) -> None:
    if zero.noise_a > NOISE_MAX_A:
        raise WrongError(
            f"The readings scatter by {zero.noise_a:.2f} A (one standard deviation); more than "
            f"{NOISE_MAX_A:.2f} A is taken for a motor. Twist the sense leads, keep them off the "
            "feeds, and check the shunt's screws."
        )


def _need_zero(
    zero: Zero, sensor: SensorSettings, station: str, table: str, *, calibrated: bool = False
) -> None:
    allowed_a = math.hypot(COVERAGE * sensor.zero_u_a, zero.u_a)
    if abs(zero.mean_a) <= allowed_a:
        return
    if calibrated:
        raise WrongError(
            f"Reads {_milli(zero.mean_a)} mA with nothing fed, beyond the "
            f"{_milli(allowed_a, '')} mA that the rig file's offset_u_a leaves: the zero has moved "
            "since the station was calibrated. If the leads are sound, calibrate it again."
        )
    offset_a = sensor.offset_a + zero.mean_a / sensor.gain
    raise WrongError(
        f"Reads {_milli(zero.mean_a)} mA with nothing fed, beyond the {_milli(allowed_a, '')} mA "
        "that the rig file's offset_u_a leaves. If the leads are sound, write this into rig.toml, "
        f'station "{station}", under [station.{table}]: offset_a = {offset_a:.4f}'
    )


def _zero_in_words(zero: Zero, sensor: SensorSettings) -> str:
    return (
        f"Reads {_milli(zero.mean_a)} mA with nothing fed, U {_milli(zero.u_a, '')} mA; the rig "
        f"file allows {_milli(COVERAGE * sensor.zero_u_a, '')} mA either way. "
        f"Noise {_milli(zero.noise_a, '')} mA."
    )


def _milli(current_a: float, sign: str = "+") -> str:
    return f"{current_a * 1000:{sign}.1f}".replace("-0.0", "+0.0")
