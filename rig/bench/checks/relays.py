"""Each feed relay clicked with no unit fitted: does its contact follow?"""

from __future__ import annotations

import math
from collections.abc import Callable
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from rig.bench.checks.items import CheckList, LeftOutError, WrongError
from rig.bench.checks.look import Look
from rig.bench.checks.powered import PoweredStation
from rig.bench.checks.sensors import SensorChecks
from rig.bench.errors import TripKind, Tripped
from rig.bench.guard import WELDED_V
from rig.bench.requests import BATTERY, Drive, Feeds, Sample
from rig.bench.zero import zero_of
from rig.quality.decision import COVERAGE

IGNITION = Feeds(False, True)
# So many readings of the voltage, and such a share of all, tell what stands there (guess).
READINGS_MIN = 5
READ_SHARE_MIN = 0.5
_FLOWS = frozenset({TripKind.OVER_CURRENT, TripKind.SENSOR_CLIPPED, TripKind.STALL})

_FLOWED = (
    "A current flows with the battery feed made, although the jig is said to be empty. Feeds are "
    "off. Take the unit off, or look for a short in its lead."
)


class _Stretch(NamedTuple):
    """What was seen for a while: currents (A), and the median voltage (V)."""

    current_a: NDArray[np.float64]
    volts: float


class RelayChecks:
    """The checks of one station's feed relays."""

    def __init__(
        self,
        look: Look,
        items: Callable[[], CheckList],
        power: PoweredStation,
        sensors: SensorChecks,
    ) -> None:
        self._look = look
        self._items = items
        self._power = power
        self._sensors = sensors

    def battery(self) -> str:
        """Return what stood at the unit's terminal while the battery feed was made."""
        if not self._sensors.works:
            raise LeftOutError(
                "Nothing may be fed unmeasured, and the current sensor is not right."
            )
        with self._power.live(self._items()) as expected_v:
            try:
                made, after = self._click(BATTERY, lambda sample: sample.voltage_v)
            except Tripped as tripped:
                if tripped.trip.kind not in _FLOWS:
                    raise
                raise WrongError(_FLOWED, unsafe=True) from tripped
            self._need_voltage(made.volts, expected_v)
        flowed = self._need_no_current(made.current_a)
        if after.volts >= WELDED_V:
            raise WrongError(_welded(after.volts, "at the unit's terminal", "battery"), unsafe=True)
        return f"{made.volts:.2f} V at the unit's terminal while made, none after. {flowed}"

    def ignition(self) -> str:
        """Return what was seen in the ignition feed while it was made."""
        sensor = self._look.station.ignition_sensor
        self._need_sensor()
        with self._power.live(self._items()) as expected_v:
            if sensor is None or not self._sensors.ignition_works:
                self._click(IGNITION, lambda sample: sample.voltage_v)
                raise LeftOutError(
                    "Its output read back made, then off. Its contact was not seen, since no "
                    "sensor works in the ignition feed: listen for the click."
                )
            made, after = self._click(IGNITION, lambda sample: sensor.read().voltage_v)
        if not made.volts >= WELDED_V:
            raise WrongError(
                f"No voltage in the ignition feed ({made.volts:.1f} V) with its relay made. "
                "Without a click check the relay's coil and the relay board; with one its contact "
                "and leads."
            )
        if after.volts >= WELDED_V:
            raise WrongError(_welded(after.volts, "in the ignition feed", "ignition"), unsafe=True)
        self._need_near(made.volts, expected_v, "in the ignition feed")
        return f"{made.volts:.2f} V in the ignition feed while made, none after."

    def _need_sensor(self) -> None:
        if not self._sensors.works:
            raise LeftOutError(
                "Nothing may be fed unmeasured, and the current sensor is not right."
            )

    # --- clicking -------------------------------------------------------------------------

    def _click(self, feeds: Feeds, volts: Callable[[Sample], float]) -> tuple[_Stretch, _Stretch]:
        """Make ``feeds`` for a moment; return what was seen of them made, and after."""
        look = self._look
        hold_s = 2 * self._settle_s()
        made: list[tuple[float, float]] = []

        def drive() -> Drive:
            sample: Sample = yield feeds
            end_s = sample.time_s + hold_s
            while sample.time_s < end_s:
                sample = yield feeds
                made.append((sample.current_a, volts(sample)))

        look.loop.run_step(drive())
        after = [(sample.current_a, volts(sample)) for sample in look.samples(hold_s)]
        return _settled(made), _settled(after)

    def _settle_s(self) -> float:
        sensor = self._look.station.ignition_sensor
        every = 0 if sensor is None else sensor.wiring.bus_every
        return max(self._look.settle_s(), 2.2 * every / self._look.order.station.sample_hz)

    # --- judging --------------------------------------------------------------------------

    def _need_voltage(self, seen_v: float, expected_v: float) -> None:
        if seen_v >= WELDED_V:
            self._need_near(seen_v, expected_v, "at the unit's terminal")
            return
        dead_man = self._look.station.dead_man
        dropped = dead_man is not None and dead_man.picked_up is False
        raise WrongError(
            f"No voltage at the unit's terminal ({seen_v:.1f} V) with the battery feed made. "
            + (
                "The master relay has not picked up: release the emergency stop, then check the "
                "dead-man timer."
                if dropped
                else "Without a click check the relay's coil and the relay board; with one its "
                "contact, the fuse and the leads."
            )
        )

    def _need_near(self, seen_v: float, expected_v: float, where: str) -> None:
        if abs(seen_v - expected_v) > self._power.share * expected_v:
            raise WrongError(
                f"{seen_v:.2f} V {where} where {self._power.source} {expected_v:.2f} V. Charge the "
                "battery or correct the rig file; or check contacts, fuse and leads."
            )

    def _need_no_current(self, current_a: NDArray[np.float64]) -> str:
        """Return what flowed in words, if it is nothing within what the sensor can tell."""
        sensor = self._look.station.battery_sensor
        flow = zero_of(current_a, sensor.resolution_a)
        zero = self._sensors.zero
        if flow is None or zero is None:
            raise WrongError("The current sensor gave too few readings to tell what flowed.")
        # Twice what is known of both: no alarm by chance, and far below any motor's current.
        own_u_a = COVERAGE * self._look.order.station.battery_sensor.zero_u_a
        allowed_a = 2 * math.hypot(zero.u_a, flow.u_a, own_u_a)
        if abs(flow.mean_a) > allowed_a:
            raise WrongError(
                f"{flow.mean_a:.3f} A flows in the battery feed with the jig said to be empty (up "
                f"to {allowed_a:.3f} A could be chance). Look for what is still connected, for "
                "damp, or for a short in the lead."
            )
        return f"No current: {abs(flow.mean_a) * 1000:.1f} mA, within {allowed_a * 1000:.0f} mA."


def _settled(seen: list[tuple[float, float]]) -> _Stretch:
    """Return the later half of a stretch.

    Raises WrongError if too little of it was read: a voltage that was not seen is not none.
    """
    table = np.array(seen[len(seen) // 2 :], dtype=np.float64).reshape(-1, 2)
    volts = table[np.isfinite(table[:, 1]), 1]
    if len(volts) < max(READINGS_MIN, READ_SHARE_MIN * len(table)):
        raise WrongError(
            f"The voltage was read only {len(volts)} times of {len(table)} while the relay was "
            "clicked, so that nothing is known of its contact. Check the sensor's plug and its "
            "wiring, then check again.",
            unsafe=True,
        )
    return _Stretch(table[:, 0], float(np.median(volts)))


def _welded(left_v: float, where: str, feed: str) -> str:
    return (
        f"{left_v:.1f} V still stands {where} after the {feed} feed's relay was released: its "
        "contact may be welded. Pull the supply, then replace the relay."
    )
