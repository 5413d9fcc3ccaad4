"""What a rig has once: the feed outputs of all stations, the dead-man, the emergency stop."""

from __future__ import annotations

from contextlib import ExitStack, suppress

from drivers import Backend, DriverError, RigWiring
from drivers.feeds import DeadMan, FeedOutput, FeedPair
from drivers.switches import Switch


class RigPins:
    """Claims the feed outputs of all stations, released, so that none floats; then the rest.

    Raises DriverError if anything cannot be had; whatever was opened is closed again.
    """

    def __init__(self, backend: Backend, wiring: RigWiring) -> None:
        self._stack = ExitStack()
        self.feeds: dict[str, FeedPair] = {}
        self.dead_man: DeadMan | None = None
        self.emergency_stop: Switch | None = None
        try:
            self._open(backend, wiring)
        except BaseException:
            self._stack.close()
            raise

    def _open(self, backend: Backend, wiring: RigWiring) -> None:
        pins, keep = backend.pin_factory, self._stack.callback
        for station in wiring.stations:
            battery = FeedOutput(station.battery_feed, pins)
            keep(battery.close)
            ignition = FeedOutput(station.ignition_feed, pins)
            keep(ignition.close)
            self.feeds[station.name] = FeedPair(battery, ignition)
        if wiring.dead_man is not None:
            self.dead_man = DeadMan(wiring.dead_man, pins)
            keep(self.dead_man.close)
        if wiring.emergency_stop is not None:
            self.emergency_stop = Switch(wiring.emergency_stop, pins)
            keep(self.emergency_stop.close)

    def close(self) -> None:
        """Take every feed off and give the pins back.  Idempotent."""
        for pair in self.feeds.values():
            pair.all_off()
        # An output that does not read back off was told already, with what to do about it.
        with suppress(DriverError):
            self._stack.close()
