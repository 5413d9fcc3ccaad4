"""Which pin goes to which relay and contact of the simulated rig."""

from __future__ import annotations

from collections.abc import Callable
from functools import partial
from typing import TYPE_CHECKING

from drivers import InputWiring, OutputWiring

from .relay import RigRelay

if TYPE_CHECKING:
    from .world import World


class Terminals:
    """The pin side of a world.  Outputs that nothing drives are pulled to off from outside."""

    def __init__(self, world: World) -> None:
        self._world = world
        self._outputs: dict[int, OutputWiring] = {}
        self._levels: dict[int, bool] = {}
        self._relays: dict[int, RigRelay] = {}
        # What each input's contact depends on: nothing that moves, a relay, or the unit's angle.
        self._inputs: dict[int, tuple[InputWiring, Callable[[], bool], Callable[[], None]]] = {}
        wiring = world.wiring
        self._dead_man_pin = -1
        if wiring.dead_man is not None:
            self._dead_man_pin = wiring.dead_man.pin
            self._add_output(wiring.dead_man)
            if wiring.dead_man.sense_pin is not None:
                # The auxiliary contact closes to ground as the relay picks up.
                sense = InputWiring(wiring.dead_man.sense_pin)
                self._inputs[sense.pin] = (sense, lambda: world.master.closed, world.let_happen)
        if wiring.emergency_stop is not None:
            stop = wiring.emergency_stop
            self._inputs[stop.pin] = (stop, lambda: world.master.stop_pressed, world.let_happen)
        for station in world.stations.values():
            for output, relay in (
                (station.wiring.battery_feed, station.battery_relay),
                (station.wiring.ignition_feed, station.ignition_relay),
            ):
                self._add_output(output)
                self._relays[output.pin] = relay
            self._add_switch(station.wiring.at_run, partial(station.switch_actuated, 180.0))
            self._add_switch(station.wiring.at_stop, partial(station.switch_actuated, 0.0))

    def _add_output(self, wiring: OutputWiring) -> None:
        self._outputs[wiring.pin] = wiring
        self._levels[wiring.pin] = not wiring.active_high

    def _add_switch(self, wiring: InputWiring | None, actuated: Callable[[], bool]) -> None:
        if wiring is not None:
            self._inputs[wiring.pin] = (wiring, actuated, self._world.bring_up)

    def drive(self, pin: int, level: bool) -> None:
        """Take note that a pin now has a level."""
        if self._levels.get(pin) in (level, None):
            return
        self._levels[pin] = level
        world = self._world
        if pin == self._dead_man_pin:
            world.catch_up()
            if not world.master.edge_is_routine(world.now_s):
                world.change(world.master.edge)
            return
        relay = self._relays[pin]
        on = level == self._outputs[pin].active_high
        world.change(lambda now_s: relay.command(on, now_s))

    def release(self, pin: int) -> None:
        """Take note that nothing drives a pin any more."""
        if pin in self._outputs:
            self.drive(pin, not self._outputs[pin].active_high)

    def level(self, pin: int) -> bool:
        """Return the level of a pin that is an input (pulled up; contacts go to ground)."""
        if pin in self._outputs:
            return self._levels[pin]
        if pin not in self._inputs:
            return False
        wiring, actuated, bring_up = self._inputs[pin]
        bring_up()
        return actuated() == wiring.normally_closed
