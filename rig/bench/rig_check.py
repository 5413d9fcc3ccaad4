"""A look at the rig itself: live readings and zero with the feeds off, or the whole self-check."""

from __future__ import annotations

from contextlib import suppress

import numpy as np

import rig
from drivers import Backend, DriverError, SensorWiring
from drivers.ina219 import place
from rig.bench.calibrated import standing_of
from rig.bench.checks.items import CheckList, Item
from rig.bench.checks.look import Look
from rig.bench.checks.outputs import OutputChecks
from rig.bench.checks.powered import PoweredStation
from rig.bench.checks.pressing import PressChecks
from rig.bench.checks.relays import RelayChecks
from rig.bench.checks.sensors import SensorChecks, trouble_of, zero_found
from rig.bench.dates import wall_clock
from rig.bench.errors import BenchError, Stopped
from rig.bench.events import BenchEvent, CheckItem, RigCheckEnded
from rig.bench.order import RigCheckOrder
from rig.bench.seams import Console, Keeper
from rig.bench.zero import zero_of
from rig.quality.calibration import Standing
from rig.records.calibrations import RigCheckRecord
from rig.records.errors import RecordsError

FIRST_ZERO_S = 1.0
NEXT_ZERO_S = 3.0  # of this many seconds each: an old zero is not shown as the present one


class ItemsHeard:
    """A console that takes note of a self-check's items on their way."""

    def __init__(self, console: Console) -> None:
        self._console = console
        self.sample, self.ask, self.listen = console.sample, console.ask, console.listen
        self.items: dict[str, CheckItem] = {}

    def show(self, event: BenchEvent) -> None:
        """Take note of an event."""
        if isinstance(event, CheckItem):
            self.items[event.name] = event
        self._console.show(event)


class RigCheck:
    """Carries out one `RigCheckOrder`; no feed is left on.

    Readings go on until a stop.  The self-check ends by itself; with a ``keeper`` its result is
    kept, and readings are corrected by the station's calibration.
    """

    def __init__(
        self,
        order: RigCheckOrder,
        backend: Backend,
        console: Console,
        keeper: Keeper | None = None,
    ) -> None:
        self.order = order
        self.backend = backend
        self.console = ItemsHeard(console)
        self.keeper = keeper
        self._good: bool | None = None
        self._text = ""
        self._complete = False

    def run(self) -> RigCheckEnded:
        """Look at the station and return how it ended.

        Raises DriverError if its pins cannot be had.  A sensor or a supply that does not answer is
        told, not raised.
        """
        look = Look(self.order, self.backend, self.console, self._standing())
        try:
            self._look_at(look)
        except Stopped as stopped:
            self._text = str(stopped)
        except (BenchError, DriverError) as error:
            self._good, self._text = False, str(error)
        finally:
            off = look.station.all_off()
            with suppress(DriverError):
                look.station.close()
            self._keep(off)
            ended = RigCheckEnded(self._good, off, self._text, self._complete)
            self.console.show(ended)
        return ended

    def _standing(self) -> Standing | None:
        """Return how the station stands, None where no records are at hand."""
        if self.keeper is None:
            return None
        wiring = self.order.wiring()
        wired = next(s for s in wiring.stations if s.name == self.order.station.name)
        now = wall_clock()
        return standing_of(self.order.settings.name, wired, self.backend, self.keeper, now)

    def _keep(self, off: bool) -> None:
        """Keep a self-check that came to its end; one that was broken off tells of nothing."""
        if self.keeper is None or not self._complete or self.order.unfed:
            return
        record = RigCheckRecord(
            ended_at=wall_clock(),
            rig=self.order.settings.name,
            station=self.order.station.name,
            backend=self.backend.name,
            simulated=self.backend.simulated,
            good=self._good,
            complete=self._complete,
            feeds_off=off,
            text=self._text,
            items=tuple(
                {"name": i.name, "title": i.title, "state": str(i.state), "text": i.text}
                for i in self.console.items.values()
            ),
            program_version=rig.__version__,
        )
        try:
            done = self.keeper.keep_rig_check(record)
            while not done():
                self.backend.clock.sleep_until(self.backend.clock.now_s() + 0.001)
        except RecordsError as error:
            self._text = f"{self._text} The result is not kept: {error}".strip()

    def _look_at(self, look: Look) -> None:
        if self.order.unfed:
            self._check_unfed(look)
        elif self.order.full:
            self._check(look)
        else:
            self._read(look)

    # --- readings -------------------------------------------------------------------------

    def _read(self, look: Look) -> None:
        """Cycle with the feeds off until told to stop; tell the zero and the sensor's troubles."""
        sensor = look.station.battery_sensor
        trouble = ""
        window_s = FIRST_ZERO_S
        while True:
            currents: list[float] = []
            for sample in look.samples(window_s):
                currents.append(sample.current_a)
                if trouble != (found := trouble_of(sample.flags)):
                    trouble = found
                    look.note("sensor", _told(sensor.wiring, trouble))
                    currents.clear()
            zero = zero_of(np.array(currents), sensor.resolution_a)
            if zero is not None and not trouble:
                name = self.order.station.name
                seen = zero_found(name, zero, sensor.wiring, calibrated=look.calibrated)
                self.console.show(seen)
            window_s = NEXT_ZERO_S

    # --- self-check -----------------------------------------------------------------------

    def _check_unfed(self, look: Look) -> None:
        sensors = SensorChecks(look)
        outputs = OutputChecks(look, sensors)
        power = PoweredStation(look)
        items = CheckList(
            self.console,
            (
                Item("feed_outputs", "Feed outputs read back", outputs.feeds),
                Item("identity", "Identity of the current sensors", sensors.identity),
                Item("sensor", "Current sensor answers afresh", sensors.battery_answers),
                Item("zero", "Zero of the current sensor", sensors.battery_zero),
                Item("ignition_sensor", "Ignition feed sensor", sensors.ignition),
                Item("bus", "Speed of the I2C bus, measured", sensors.bus_speed),
                Item(
                    "dead_man",
                    "Dead-man and master relay",
                    lambda: outputs.dead_man(items, power),
                ),
            ),
        )
        try:
            for name in ("feed_outputs", "identity", "sensor", "zero", "ignition_sensor", "bus"):
                items.do(name)
            if not items.unsafe:
                power.prepare()
            items.do("dead_man")
            self._good, self._complete = items.good, True
        finally:
            trouble = power.close()
            self._text = f"{items.summary()} {trouble}".strip()

    def _check(self, look: Look) -> None:
        sensors = SensorChecks(look)
        outputs = OutputChecks(look, sensors)
        power = PoweredStation(look)

        def of_list() -> CheckList:
            return items

        relays = RelayChecks(look, of_list, power, sensors)
        presses = PressChecks(look, of_list, outputs, power)
        items = CheckList(
            self.console,
            (
                Item("feed_outputs", "Feed outputs read back", outputs.feeds),
                Item("sensor", "Current sensor answers", sensors.battery_answers),
                Item("zero", "Zero of the current sensor", sensors.battery_zero),
                Item("ignition_sensor", "Ignition feed sensor", sensors.ignition),
                Item(
                    "dead_man",
                    "Dead-man and master relay",
                    lambda: outputs.dead_man(items, power),
                ),
                Item("supply", "Bench supply", lambda: power.check_supply(items)),
                Item("battery_relay", "Battery feed relay", relays.battery),
                Item("ignition_relay", "Ignition feed relay", relays.ignition),
                Item("emergency_stop", "Emergency stop", presses.emergency_stop),
                Item("at_run", "Jig switch at run", presses.at_run),
                Item("at_stop", "Jig switch at stop", presses.at_stop),
            ),
        )
        try:
            for name in ("feed_outputs", "sensor", "zero", "ignition_sensor"):
                items.do(name)
            if not items.live:
                presses.release_first()
            # First of all that picks up the master relay: a welded feed relay would drive a unit.
            if not items.unsafe:
                power.prepare()
            for name in ("dead_man", "supply", "battery_relay", "ignition_relay"):
                items.do(name)
            for name in ("emergency_stop", "at_run", "at_stop"):
                items.do(name)
            self._good, self._complete = items.good, True
        finally:
            trouble = power.close()
            self._text = f"{items.summary()} {trouble}".strip()


def _told(wiring: SensorWiring, trouble: str) -> str:
    if not trouble:
        return f"The {place(wiring)} answers again."
    return (
        f"The {place(wiring)} {trouble}. Check its plug, SDA and SCL, its 3.3 V and the address "
        "jumpers; it is read on and on meanwhile."
    )
