"""How the world gets from one instant to another.

The world is lazy: it works out what happened only when somebody looks (a sensor, a switch) or when
a pin changes.  While something runs it steps on a grid and may be up to one step ahead of the
look; a pin that changes inside that step makes it take the step back.
"""

from __future__ import annotations

import threading
from collections.abc import Callable
from math import ceil

from .agenda import Agenda
from .motor import GRID_S
from .station import Station
from .unit import Unit

# Heat, fuse, sag and load are brought up to date every so many steps: 2 ms, and 8 ms while the
# currents are steady.
_UPKEEP_STEPS = 4
_UPKEEP_STEADY_STEPS = 16
# Events that follow one another faster than this, more often than that, are not told apart.
_RAPID_S = 1e-6
_RAPID_EVENTS = 50


class Stepper:
    """Everything is worked out up to ``t_s``; whoever alters the circuit holds ``lock``.

    ``connect(t_s)`` works out how everything is connected and returns the stations where
    something moves or motor current flows; ``drifted(t_s)`` tells whether what the stations share
    has changed since.
    """

    def __init__(
        self,
        agenda: Agenda,
        connect: Callable[[float], list[Station]],
        drifted: Callable[[float], bool],
    ) -> None:
        self.t_s = 0.0
        self.lock = threading.RLock()
        self._agenda = agenda
        self._connect = connect
        self._drifted = drifted
        self._changed = True
        self._busy: list[Station] = []
        self._active: list[Unit] = []
        self._upkeep_s = 0.0
        self._rapid = 0

    def changed(self, _: float = 0.0) -> None:
        """Take note that the circuit is to be connected anew."""
        self._changed = True

    def _refresh(self) -> None:
        self._changed = False
        self._busy = self._connect(self.t_s)
        self._active = [station.unit for station in self._busy if station.unit is not None]

    def settle(self) -> None:
        """Let everything due by now happen, and connect what it changed."""
        self._agenda.run_due(self.t_s)
        while self._changed:
            self._refresh()
            self._agenda.run_due(self.t_s)

    def reach(self, until_s: float) -> None:
        """Work everything out up to ``until_s``, which is not in the future, or a step further."""
        if until_s <= self.t_s:
            return
        with self.lock:
            while self.t_s < until_s:
                due_s = self._agenda.next_s()
                if due_s <= self.t_s:
                    self.settle()
                elif self._active:
                    self._run(until_s, due_s)
                else:
                    self.t_s = min(due_s, until_s)

    def land(self, now_s: float) -> None:
        """Work everything out up to now, exactly."""
        self.reach(now_s)
        if self.t_s > now_s and self._active:
            for unit in self._active:
                unit.motor.undo()
            self.t_s -= GRID_S
            for unit in self._active:
                unit.motor.step(self.t_s, now_s - self.t_s)
        self.t_s = now_s
        self.settle()

    def _run(self, until_s: float, due_s: float) -> None:
        """Take some steps while something moves or motor current flows."""
        t = self.t_s
        if t >= self._upkeep_s and self._keep_up():
            return
        room_s = due_s - t
        if room_s < GRID_S:
            self._step(min(room_s, until_s - t))
            return
        steps = min(ceil((until_s - t) / GRID_S), ceil((self._upkeep_s - t) / GRID_S))
        if steps * GRID_S > room_s:
            steps = int(room_s / GRID_S)
        if self._cruise(steps) < steps and self.t_s < until_s:
            self._step(min(GRID_S, until_s - self.t_s, due_s - self.t_s))

    def _keep_up(self) -> bool:
        """Bring heat, fuse, sag and load up to date; True if that changed the circuit."""
        t = self.t_s
        steps = _UPKEEP_STEADY_STEPS
        changed = False
        for station in self._busy:
            if not station.steady():
                steps = _UPKEEP_STEPS
            changed |= station.upkeep(t)
        self._upkeep_s = t + (steps - 0.01) * GRID_S
        changed = changed or self._drifted(t)
        if changed:
            self._refresh()
        return changed or self._agenda.next_s() <= t

    def _cruise(self, steps: int) -> int:
        """Take full steps, together; return how many before one that contains an event."""
        units = self._active
        if len(units) == 1:
            done = units[0].motor.cruise(self.t_s, steps)
            self.t_s += done * GRID_S
            return done
        for number in range(steps):
            went = [unit.motor.cruise(self.t_s, 1) for unit in units]
            if not all(went):
                for unit, gone in zip(units, went, strict=True):
                    if gone:
                        unit.motor.undo()
                return number
            self.t_s += GRID_S
        return steps

    def _step(self, h: float) -> None:
        """Take one step of ``h`` or up to the first event in it."""
        motors = [unit.motor for unit in self._active]
        events = [after for motor in motors if (after := motor.locate(h)) is not None]
        h = min(events, default=h)
        self._rapid = self._rapid + 1 if h < _RAPID_S else 0
        if self._rapid > _RAPID_EVENTS:  # a balance on a knife's edge: go on a little late
            h = _RAPID_S
        for motor in motors:
            motor.step(self.t_s, h)
        self.t_s += h
        if events:
            self._refresh()
            self.settle()
