"""Relays: those of the rig, by their times, and the unit's own, by its coil."""

from __future__ import annotations

import random
from bisect import bisect_right
from collections.abc import Callable
from math import exp, log

from .agenda import Agenda, Entry
from .parameters import RelayParameters

_SAME_V = 0.02  # coil voltages closer than this are not told apart
_KEEP = 512  # stretches of coil current; each lasts 2 ms or more, the sensor looks back 0.14 s


def bounces(rng: random.Random, length_s: float) -> list[float]:
    """Return the instants after the first touch at which a contact opens and closes again."""
    if length_s <= 0.0:
        return []
    return sorted(rng.uniform(0.05, 1.0) * length_s for _ in range(4))


class RigRelay:
    """A make contact that follows its command ``operate_s`` and ``release_s`` later.

    It bounces as it closes.  ``stuck`` holds the contact open (False) or closed (True).
    """

    def __init__(
        self,
        agenda: Agenda,
        rng: random.Random,
        operate_s: float,
        release_s: float,
        changed: Callable[[float], None],
        bounce_s: float = 0.0,
        jitter_s: float = 0.0,
    ) -> None:
        self._agenda = agenda
        self._rng = rng
        self._operate_s = operate_s
        self._release_s = release_s
        self._bounce_s = bounce_s
        self._jitter_s = jitter_s
        self._changed = changed
        self._due: list[Entry] = []
        self._contact = False
        self.commanded = False
        self.stuck: bool | None = None

    @property
    def closed(self) -> bool:
        """Whether the contact conducts."""
        return self._contact if self.stuck is None else self.stuck

    def command(self, on: bool, time_s: float) -> None:
        """Energise or release the coil."""
        if on == self.commanded:
            return
        self.commanded = on
        for entry in self._due:
            self._agenda.cancel(entry)
        self._due.clear()
        takes_s = self._operate_s if on else self._release_s
        if takes_s > 0.0 and self._jitter_s > 0.0:
            takes_s = max(takes_s + self._rng.gauss(0.0, self._jitter_s), 0.0)
        if on != self._contact:
            self._plan(time_s + takes_s, on)

    def _plan(self, at_s: float, closed: bool) -> None:
        self._arrange(at_s, closed)
        if closed:
            state = True
            for after_s in bounces(self._rng, self._bounce_s):
                state = not state
                self._arrange(at_s + after_s, state)

    def _arrange(self, at_s: float, state: bool) -> None:
        def act(time_s: float) -> None:
            self._contact = state
            self._changed(time_s)

        self._due.append(self._agenda.at(at_s, act))


class UnitRelay:
    """A changeover relay: the coil's current pulls the armature over and lets it go.

    ``made`` is where the armature is or is going, ``touching`` whether its contact conducts.
    Faults: ``dead`` (the armature does not move), ``coil_open``, ``welded`` (stays made).
    """

    def __init__(
        self,
        agenda: Agenda,
        rng: random.Random,
        parameters: RelayParameters,
        changed: Callable[[float], None],
    ) -> None:
        self._agenda = agenda
        self._rng = rng
        self._changed = changed
        self.parameters = parameters
        self.pull_in_v = parameters.pull_in_v
        self.dead = False
        self.coil_open = False
        self.welded = False
        self.extra_ohm = 0.0
        self._armature = False
        self._on_contact = True
        self._pulled = False
        self._due: list[Entry] = []
        self._crossing: Entry | None = None
        self._volts = 0.0
        # Stretches of coil current: it tends from ``start`` to ``target`` with ``tau``.
        self._starts: list[float] = [0.0]
        self._stretches: list[tuple[float, float, float, float]] = [(0.0, 0.0, 1.0, 0.0)]

    @property
    def made(self) -> bool:
        """Whether the armature is at (or on its way to) the make contact."""
        return self.welded or self._armature

    @property
    def touching(self) -> bool:
        """Whether the contact at that side conducts at this moment."""
        return self.welded or self._on_contact

    @property
    def contact_ohm(self) -> float:
        """Resistance of the closed contact (ohm)."""
        return self.parameters.contact_ohm + self.extra_ohm

    # --- coil -----------------------------------------------------------------------------

    def drive(self, time_s: float, volts: float, connected: bool, afresh: bool = False) -> None:
        """Put a voltage on the coil, or disconnect it.

        ``afresh``: look at the coil again though the voltage is the same: a fault has come or gone.
        """
        volts = volts if connected else 0.0
        if (
            not afresh
            and abs(volts - self._volts) < _SAME_V
            and (volts == 0.0) == (self._volts == 0.0)
        ):
            return
        self._volts = volts
        p = self.parameters
        current = self.coil_a(time_s)
        target = 0.0 if self.coil_open else volts / p.coil_ohm
        tau = p.coil_tau_s if connected and not self.coil_open else p.release_tau_s
        self._starts.append(time_s)
        self._stretches.append((current, target, tau, volts))
        if len(self._starts) > _KEEP:
            del self._starts[: _KEEP // 2], self._stretches[: _KEEP // 2]
        self._foresee(time_s, current, target, tau)

    def _foresee(self, time_s: float, current: float, target: float, tau: float) -> None:
        """Arrange for the instant at which the coil current crosses its threshold."""
        self._agenda.cancel(self._crossing)
        self._crossing = None
        p = self.parameters
        pull_a, drop_a = self.pull_in_v / p.coil_ohm, p.drop_out_v / p.coil_ohm
        if not self._pulled and not self.dead and max(current, target) > pull_a:
            wait = 0.0 if current >= pull_a else tau * log((target - current) / (target - pull_a))
            self._crossing = self._agenda.at(time_s + wait, self._pull)
        elif self._pulled and (min(current, target) < drop_a or self.dead):
            late = current <= drop_a or self.dead
            wait = 0.0 if late else tau * log((current - target) / (drop_a - target))
            self._crossing = self._agenda.at(time_s + wait, self._drop)

    def coil_a(self, time_s: float) -> float:
        """Return the coil current (A)."""
        k = max(bisect_right(self._starts, time_s) - 1, 0)
        start, target, tau, _ = self._stretches[k]
        return target + (start - target) * exp(-max(time_s - self._starts[k], 0.0) / tau)

    def mean_coil_a(self, t0_s: float, t1_s: float) -> float:
        """Return the mean coil current (A) over a window."""
        if t1_s <= t0_s:
            return self.coil_a(t1_s)
        total = 0.0
        for (start, target, tau, _), begin, left, right in self._pieces(t0_s, t1_s):
            swing = exp(-(left - begin) / tau) - exp(-(right - begin) / tau)
            total += target * (right - left) + (start - target) * tau * swing
        return total / (t1_s - t0_s)

    def mean_coil_v(self, t0_s: float, t1_s: float) -> float:
        """Return the mean voltage (V) on the coil over a window."""
        if t1_s <= t0_s:
            return self._stretches[max(bisect_right(self._starts, t1_s) - 1, 0)][3]
        pieces = self._pieces(t0_s, t1_s)
        return sum(p[3] * (right - left) for p, _, left, right in pieces) / (t1_s - t0_s)

    def _pieces(
        self, t0_s: float, t1_s: float
    ) -> list[tuple[tuple[float, float, float, float], float, float, float]]:
        starts = self._starts
        k = max(bisect_right(starts, t0_s) - 1, 0)
        found = []
        while k < len(starts):
            end = starts[k + 1] if k + 1 < len(starts) else t1_s
            left, right = max(t0_s, starts[k]), min(t1_s, end)
            if right > left:
                found.append((self._stretches[k], starts[k], left, right))
            if end >= t1_s:
                break
            k += 1
        return found

    # --- armature -------------------------------------------------------------------------

    def _pull(self, time_s: float) -> None:
        self._crossing = None
        self._pulled = True
        self._fly(time_s, True, self.parameters.flight_s)

    def _drop(self, time_s: float) -> None:
        self._crossing = None
        self._pulled = False
        self._fly(time_s, False, self.parameters.release_flight_s)

    def _fly(self, time_s: float, made: bool, flight_s: float) -> None:
        for entry in self._due:
            self._agenda.cancel(entry)
        self._due.clear()
        self._set(time_s, self._armature, False)
        self._due.append(self._agenda.at(time_s + flight_s, lambda t: self._set(t, made, True)))
        touching = True
        for after_s in bounces(self._rng, self.parameters.bounce_s):
            touching = not touching
            self._due.append(self._later(time_s + flight_s + after_s, made, touching))

    def _later(self, at_s: float, made: bool, touching: bool) -> Entry:
        return self._agenda.at(at_s, lambda t: self._set(t, made, touching))

    def _set(self, time_s: float, armature: bool, on_contact: bool) -> None:
        self._armature = armature
        self._on_contact = on_contact
        self._changed(time_s)
