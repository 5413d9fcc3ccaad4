"""The master relay, the dead-man timer that holds it and the emergency stop in series."""

from __future__ import annotations

import random
from collections.abc import Callable

from drivers import DeadManWiring

from .agenda import Agenda
from .parameters import RigParameters
from .relay import RigRelay


class Master:
    """Feeds both feeds of every station.

    The timer is retriggered by every edge, either way; a line stuck high or low gives none.  Its
    charge pump needs a few edges before it picks up.  Without a dead-man (``wiring`` None) the
    relay is held by the emergency stop's contact alone.
    """

    def __init__(
        self,
        wiring: DeadManWiring | None,
        rig: RigParameters,
        agenda: Agenda,
        rng: random.Random,
        changed: Callable[[float], None],
    ) -> None:
        self._agenda = agenda
        self._needed = rig.dead_man_edges
        self._hold_s = 0.0 if wiring is None else wiring.timeout_s * rig.dead_man_hold
        self._watched = wiring is not None
        self._edges = 0
        self._expires_s = 0.0
        self._waiting = False
        self.stop_pressed = False
        self.relay = RigRelay(
            agenda,
            rng,
            rig.master_operate_s,
            rig.master_release_s,
            changed,
            rig.bounce_s,
            rig.jitter_s,
        )
        if not self._watched:
            self.relay = RigRelay(agenda, rng, 0.0, 0.0, changed)
            self.relay.command(True, 0.0)

    @property
    def closed(self) -> bool:
        """Whether the master contact (and its auxiliary contact) is closed."""
        return self.relay.closed

    def edge_is_routine(self, time_s: float) -> bool:
        """Take an edge that changes nothing but the timer; False if ``edge`` must take it."""
        if self._edges < self._needed or time_s >= self._expires_s:
            return False
        self._expires_s = time_s + self._hold_s
        return True

    def edge(self, time_s: float) -> None:
        """Take an edge at an instant up to which the world has been worked out."""
        self._edges += 1
        self._expires_s = time_s + self._hold_s
        if not self._waiting:
            self._waiting = True
            self._agenda.at(self._expires_s, self._look)
        self.command(time_s)

    def _look(self, time_s: float) -> None:
        if time_s < self._expires_s:  # retriggered meanwhile
            self._agenda.at(self._expires_s, self._look)
            return
        self._waiting = False
        self._edges = 0
        self.command(time_s)

    def press(self, pressed: bool, time_s: float) -> None:
        """Press or release the emergency stop: its contact is in series with the coil."""
        self.stop_pressed = pressed
        self.command(time_s)

    def command(self, time_s: float) -> None:
        """Energise the coil if everything in series with it allows."""
        held = not self._watched or self._edges >= self._needed
        self.relay.command(held and not self.stop_pressed, time_s)
