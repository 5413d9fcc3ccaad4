"""One station's hardware as the control loop uses it: feeds, sensors, switches, dead-man."""

from __future__ import annotations

from collections.abc import Callable
from contextlib import ExitStack, suppress
from math import nan
from typing import Protocol, TypeVar

from drivers import LOST, Backend, DriverError, FeedWiring, Reading, RigWiring, StationWiring
from drivers.current import CurrentSensor
from drivers.feeds import FeedPair
from drivers.switches import Switch
from rig.bench.contact import ContactEstimate
from rig.bench.requests import OFF, Feeds, Sample
from rig.bench.rig_pins import RigPins
from rig.crowding import IGNITION_EVERY


class _HasClose(Protocol):
    def close(self) -> None: ...


Closable = TypeVar("Closable", bound=_HasClose)


class Edges(Protocol):
    """The dead-man as one station's loop uses it: the output itself, or its share in it."""

    def toggle(self) -> None:
        """Give an edge for a completed and checked cycle, or this station's part of one."""
        ...

    def stand_by(self) -> None:
        """Tell that no cycle was completed, or none was good."""
        ...

    @property
    def picked_up(self) -> bool | None:
        """Whether the master relay has picked up; None if its contact is not wired."""
        ...


class RigShare(Protocol):
    """What of a rig's own hardware a station uses: its feeds, and what all stations share."""

    feeds: FeedPair
    dead_man: Edges | None
    emergency_stop: Switch | None

    def reader(self, sensor: CurrentSensor, now_s: Callable[[], float]) -> Callable[[], Reading]:
        """Return what reads the sensor of a feed."""
        ...

    def close(self) -> None:
        """Take this station's feeds off and give back what it had."""
        ...


class WholeRig:
    """The share of a station that works alone: all of the rig's pins, opened for it."""

    def __init__(self, backend: Backend, wiring: RigWiring, station: str) -> None:
        self._pins = RigPins(backend, wiring)
        self.feeds = self._pins.feeds[station]
        self.dead_man: Edges | None = self._pins.dead_man
        self.emergency_stop = self._pins.emergency_stop
        self.close = self._pins.close

    def reader(self, sensor: CurrentSensor, now_s: Callable[[], float]) -> Callable[[], Reading]:
        """Return what reads the sensor of a feed."""
        return sensor.read


class Station:
    """Opens everything of one station on a backend, feeds off; `close` leaves feeds off.

    Without a ``share`` it has the rig to itself: the feeds of other stations are claimed too and
    held off, so that no output floats.  A share is closed with the station.
    Raises DriverError if anything cannot be opened; whatever was opened is closed again.
    """

    def __init__(
        self,
        backend: Backend,
        wiring: RigWiring,
        station: StationWiring,
        share: RigShare | None = None,
    ) -> None:
        self.wiring = station
        self.rig_wiring = wiring
        self._clock = backend.clock
        self._stack = ExitStack()
        try:
            self._open(backend, wiring, station, share)
        except BaseException:
            self._stack.close()
            raise

    def _open(
        self,
        backend: Backend,
        wiring: RigWiring,
        station: StationWiring,
        share: RigShare | None,
    ) -> None:
        pins = backend.pin_factory
        rig = self._keep(WholeRig(backend, wiring, station.name) if share is None else share)
        self.feeds = rig.feeds
        self.dead_man = rig.dead_man
        self._emergency_stop = rig.emergency_stop
        self._at_run = None if station.at_run is None else self._keep(Switch(station.at_run, pins))
        self._at_stop = (
            None if station.at_stop is None else self._keep(Switch(station.at_stop, pins))
        )
        bus = backend.i2c(station.battery_sensor.bus)
        self.battery_sensor = self._keep(CurrentSensor(station.battery_sensor, bus, self._clock))
        self._read = rig.reader(self.battery_sensor, self._clock.now_s)
        self.ignition_sensor: CurrentSensor | None = None
        if station.ignition_sensor is not None:
            bus = backend.i2c(station.ignition_sensor.bus)
            sensor = self._keep(CurrentSensor(station.ignition_sensor, bus, self._clock))
            self.ignition_sensor = sensor
            self._read_ignition = rig.reader(sensor, self._clock.now_s)
        self._battery_contact = _contact(station.battery_feed)
        self._ignition_contact = _contact(station.ignition_feed)
        self._commanded = OFF
        self._jig: tuple[bool | None, bool | None, bool | None] = (None, None, None)
        self._ignition_a = nan
        self._cycle = 0

    def _keep(self, thing: Closable) -> Closable:
        self._stack.callback(thing.close)
        return thing

    @property
    def commanded(self) -> Feeds:
        """The feeds as last commanded."""
        return self._commanded

    def command(self, feeds: Feeds) -> None:
        """Set both feeds; FeedError if one does not read back as commanded."""
        if feeds == self._commanded:
            return
        now_s = self._clock.now_s()
        self._commanded = feeds
        self._battery_contact.command(feeds.battery, now_s)
        self._ignition_contact.command(feeds.ignition, now_s)
        self.feeds.set(feeds.battery, feeds.ignition)

    def all_off(self) -> bool:
        """Take both feeds off whatever happens; True if both read back off."""
        now_s = self._clock.now_s()
        self._commanded = OFF
        self._battery_contact.command(False, now_s)
        self._ignition_contact.command(False, now_s)
        return self.feeds.all_off()

    def sample(self) -> Sample:
        """Read the sensor and the switches once.

        The emergency stop is read every cycle; jig switches, the master relay and the ignition
        sensor, which decide nothing within a millisecond, every fifth.
        """
        reading = self._read()
        stop = self._emergency_stop
        pressed = stop is not None and stop.actuated
        if self._cycle % IGNITION_EVERY == 0:
            at_run, at_stop = self._at_run, self._at_stop
            self._jig = (
                None if at_run is None else at_run.actuated,
                None if at_stop is None else at_stop.actuated,
                None if self.dead_man is None else self.dead_man.picked_up,
            )
            # A bus that is held is waited for: not twice before the guard hears of it.
            if self.ignition_sensor is not None and not reading.flags & LOST:
                self._ignition_a = self._read_ignition().current_a
        self._cycle += 1
        t = reading.time_s
        return Sample(
            t,
            reading.current_a,
            reading.voltage_v,
            self._battery_contact.at(t),
            self._ignition_contact.at(t),
            reading.flags,
            self._ignition_a,
            pressed,
            *self._jig,
        )

    def stand_by(self) -> None:
        """Tell the dead-man, while no cycles are made, that the feeds are off."""
        if self.dead_man is not None:
            self.dead_man.stand_by()

    def feeds_read_back(self) -> Feeds:
        """Return both feeds as read back from their outputs."""
        return Feeds(self.feeds.battery.is_made, self.feeds.ignition.is_made)

    def close(self) -> None:
        """Take both feeds off and release everything.  Idempotent."""
        try:
            if hasattr(self, "feeds"):
                self.feeds.all_off()
        except DriverError:
            pass  # closing the outputs below releases them as well
        finally:
            # An output that does not read back off was told already, with what to do about it.
            with suppress(DriverError):
                self._stack.close()


def _contact(feed: FeedWiring) -> ContactEstimate:
    return ContactEstimate(feed.operate_s, feed.release_s)
