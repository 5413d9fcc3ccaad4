"""The rig in the guest: the simulated bench's world, in real time, behind kernel devices.

    python rig_world.py FOLDER

It sees the GPIO lines' levels as the relay board would, gives the contacts' levels back as what is
wired to the pins, and answers on /dev/i2c-1 as the sensors.  FOLDER has the rig file.
timeline.jsonl in it gets a line of JSON for every change of a line and of what is fed, with the
time of the kernel's monotonic clock.  SIGHUP makes everything new, with a parked unit and as the
rig file is by then; SIGUSR1 takes the sensors off the bus and puts them back, SIGUSR2 holds the
bus.
"""

from __future__ import annotations

import json
import os
import select
import signal
import sys
import time
from pathlib import Path
from typing import TextIO

from cuse_bus import CuseBus
from gpio_sim import line_folder

from drivers import BackendOptions, RigWiring
from drivers.simulated.backend import SimulatedBackend
from drivers.simulated.faults import parse_fault
from rig.settings import load_settings

_LOOK_EVERY_MS = 2
_FAULTS = {signal.SIGUSR1: "sensor-absent", signal.SIGUSR2: "bus-hang"}


class Rig:
    """The world, the lines it is wired to, and what is written about both."""

    def __init__(self, wiring: RigWiring, timeline: TextIO, cuse: CuseBus) -> None:
        self._backend = SimulatedBackend(wiring, BackendOptions(real_time=True))
        self._world = self._backend.world
        self._timeline = timeline
        cuse.bus = self._backend.i2c(1)
        (station,) = wiring.stations
        self._station = self._world.stations[station.name]
        outputs = (station.battery_feed, station.ignition_feed, wiring.dead_man)
        contacts = (wiring.emergency_stop, station.at_run, station.at_stop)
        self._outputs = {each.pin: _open(each.pin) for each in outputs if each is not None}
        inputs = [each.pin for each in contacts if each is not None]
        if wiring.dead_man is not None and wiring.dead_man.sense_pin is not None:
            inputs.append(wiring.dead_man.sense_pin)
        self._inputs = {pin: _open(pin) for pin in inputs}
        self._pulls = {pin: line_folder(pin) / "pull" for pin in (*self._inputs, *self._outputs)}
        for each in outputs:  # the external resistor that holds a relay off
            if each is not None:
                self._wire(each.pin, not each.active_high)
        self._dead_man = wiring.dead_man.pin if wiring.dead_man is not None else None
        self._levels: dict[int, bool] = {}
        self._seen: dict[str, bool] = {}

    def look(self) -> None:
        """Bring world and lines together."""
        world = self._world
        for pin, file in self._outputs.items():
            level = _level(file)
            if self._levels.get(pin) is not level:
                self._levels[pin] = level
                world.output_changed(pin, level)
                if pin != self._dead_man:  # the kernel's trace has its edges
                    self._note(f"line {pin}", level)
        world.let_happen()
        self._note("master relay", world.master.closed)
        self._note("battery at the unit", self._station.connected)
        self._note("ignition at the unit", self._station.ignition_connected)
        for pin, file in self._inputs.items():
            level = world.input_level(pin)
            if _level(file) is not level:
                self._wire(pin, level)

    def meddle(self, fault: str) -> None:
        """Let a fault come, or go if it is there."""
        if fault in self._world.faults:
            self._world.clear_fault(fault)
        else:
            self._world.apply_fault(parse_fault(fault))
        self._note(fault, fault in self._world.faults)

    def close(self) -> None:
        """Let go of the lines."""
        for file in (*self._outputs.values(), *self._inputs.values()):
            os.close(file)
        self._backend.close()

    def _wire(self, pin: int, level: bool) -> None:
        self._pulls[pin].write_text("pull-up" if level else "pull-down", encoding="ascii")

    def _note(self, what: str, state: bool) -> None:
        """Write a change down, if it is one."""
        if self._seen.get(what) is state:
            return
        self._seen[what] = state
        line = {"time_s": time.monotonic(), "what": what, "state": state}
        self._timeline.write(json.dumps(line) + "\n")


def _open(pin: int) -> int:
    return os.open(line_folder(pin) / "value", os.O_RDONLY | os.O_CLOEXEC)


def _level(file: int) -> bool:
    return os.pread(file, 1, 0) == b"1"


def main(folder: Path) -> None:
    """Be the rig until told to end (SIGTERM)."""
    os.sched_setscheduler(0, os.SCHED_FIFO, os.sched_param(20))
    asked: list[signal.Signals] = []
    for number in (*_FAULTS, signal.SIGHUP, signal.SIGTERM):
        signal.signal(number, lambda number, _: asked.append(signal.Signals(number)))
    cuse = CuseBus(1)
    poll = select.poll()
    poll.register(cuse, select.POLLIN)
    while True:
        wiring = load_settings(folder / "rig.toml").wiring(max_a=30.0)
        with (folder / "timeline.jsonl").open("w", encoding="utf-8", buffering=1) as timeline:
            rig = Rig(wiring, timeline, cuse)
            last = _serve(rig, cuse, poll, asked)
            rig.close()
        if last is signal.SIGTERM:
            return


def _serve(
    rig: Rig, cuse: CuseBus, poll: select.poll, asked: list[signal.Signals]
) -> signal.Signals:
    """Be one rig until a signal ends it; return which."""
    look_s = 0.0
    while True:
        poll.poll(_LOOK_EVERY_MS)
        while cuse.serve():
            pass
        while asked:
            number = asked.pop(0)
            if number not in _FAULTS:
                return number
            rig.meddle(_FAULTS[number])
        if time.monotonic() >= look_s:
            rig.look()
            look_s = time.monotonic() + _LOOK_EVERY_MS * 1e-3


if __name__ == "__main__":
    main(Path(sys.argv[1]))
