"""The armature: current, speed and travel, stepped exactly between switching instants.

L di/dt = V - R i - K w and J dw/dt = K i - b w - T with V, R and T constant over a step; the
step is the closed-form matrix exponential, so its length does not limit its accuracy.
"""

from __future__ import annotations

from math import inf
from typing import NamedTuple

from .history import FeedHistory
from .linear import ZERO, Quad, linear_step, single_step

GRID_S = 0.0005  # full steps; short enough for the sensor's window and the load's shape
_LOCATE_S = 5e-9  # how closely the instant of an event is sought
_BACKWARD_RAD_S = -1e-9  # below zero by more than rounding
_CACHED = 24  # matrices kept; the resistance drifts with temperature and old ones fall out

_Factors = tuple[Quad, Quad, Quad]
_Step = tuple[float, ...]


class Constants(NamedTuple):
    """``inductance_h`` (H), ``constant_vs`` (V s/rad), ``inertia_kgm2``, ``viscous_nms``."""

    inductance_h: float
    constant_vs: float
    inertia_kgm2: float
    viscous_nms: float


class Drive(NamedTuple):
    """How the armature is connected and loaded until something switches.  SI units.

    ``open_circuit``: no current; ``held``: no speed.  ``volts`` behind ``ohms`` (the whole loop
    with the winding), ``torque_nm`` against the motion.  ``share`` is 1 if the current comes
    through the feed, else 0; ``leak_a`` flows there as well.  The feed's voltage is
    ``tap_v`` - ``tap_ohm`` x current + ``tap_vs`` x speed.  A current outside ``low_a`` ..
    ``high_a``, speed falling below zero, or travel reaching ``travel_rad`` is an event.
    """

    open_circuit: bool = True
    held: bool = True
    volts: float = 0.0
    ohms: float = 1.0
    torque_nm: float = 0.0
    share: float = 0.0
    leak_a: float = 0.0
    tap_v: float = 0.0
    tap_ohm: float = 0.0
    tap_vs: float = 0.0
    low_a: float = -inf
    high_a: float = inf
    travel_rad: float = inf


class Motor:
    """State of the armature; every step adds a node to ``history``.

    ``current_a``, ``speed_rad_s`` and ``travel_rad`` of the rotor, ``heat_a2s`` the integral of
    current squared.
    """

    def __init__(self, constants: Constants, history: FeedHistory) -> None:
        self.constants = constants
        self.history = history
        self.drive = Drive()
        self.current_a = 0.0
        self.speed_rad_s = 0.0
        self.travel_rad = 0.0
        self.heat_a2s = 0.0
        self._factors: dict[tuple[bool, bool, float], _Factors] = {}
        self._grid: _Step = self._coefficients(GRID_S)
        self._before: tuple[float, float, float, float] | None = None

    def set_constants(self, constants: Constants) -> None:
        """Change what the motor is made of."""
        self.constants = constants
        self._factors.clear()

    def set_drive(self, drive: Drive, time_s: float) -> None:
        """Connect it otherwise from ``time_s`` on."""
        self.drive = drive
        self._grid = self._coefficients(GRID_S)
        self._before = None
        current = drive.share * self.current_a + drive.leak_a
        voltage = drive.tap_v - drive.tap_ohm * self.current_a + drive.tap_vs * self.speed_rad_s
        self.history.mark(time_s, current, voltage)

    # --- stepping -------------------------------------------------------------------------

    def cruise(self, time_s: float, steps: int) -> int:
        """Take up to ``steps`` full steps from ``time_s``; return how many.

        Fewer than asked for means that the next one would contain an event.
        """
        a11, a12, a21, a22, s11, s12, s21, s22, ci, cw, cq, cth = self._grid
        drive = self.drive
        share, low, high, reach = drive.share, drive.low_a, drive.high_a, drive.travel_rad
        tap_v, tap_ohm, tap_vs = drive.tap_v, drive.tap_ohm, drive.tap_vs
        leak, leak_c, h = drive.leak_a, drive.leak_a * GRID_S, GRID_S
        history = self.history
        add_t, add_q = history.times.append, history.charges.append
        add_i, add_v = history.currents.append, history.volts.append
        q = history.charges[-1]
        i, w, th, heat = self.current_a, self.speed_rad_s, self.travel_rad, self.heat_a2s
        before = self._before
        done = 0
        while done < steps:
            i1 = a11 * i + a12 * w + ci
            w1 = a21 * i + a22 * w + cw
            th1 = th + s21 * i + s22 * w + cth
            if w1 < _BACKWARD_RAD_S or th1 >= reach or i1 > high or i1 < low:
                break
            before = (i, w, th, heat)
            q += share * (s11 * i + s12 * w + cq) + leak_c
            heat += (i * i + i * i1 + i1 * i1) * (h / 3.0)
            i, w, th = i1, w1, th1
            done += 1
            add_t(time_s + done * h)
            add_q(q)
            add_i(share * i + leak)
            add_v(tap_v - tap_ohm * i + tap_vs * w)
        self._before = before if done else None
        self.current_a, self.speed_rad_s, self.travel_rad, self.heat_a2s = i, w, th, heat
        return done

    def undo(self) -> None:
        """Take the last full step back."""
        assert self._before is not None
        self.current_a, self.speed_rad_s, self.travel_rad, self.heat_a2s = self._before
        self._before = None
        self.history.drop_last()

    def step(self, time_s: float, h: float) -> None:
        """Take one step of any length ``h`` from ``time_s``, events or not."""
        i, w = self.current_a, self.speed_rad_s
        c = self._coefficients(h)
        drive = self.drive
        i1 = c[0] * i + c[1] * w + c[8]
        w1 = c[2] * i + c[3] * w + c[9]
        self.travel_rad += c[6] * i + c[7] * w + c[11]
        charge = drive.share * (c[4] * i + c[5] * w + c[10]) + drive.leak_a * h
        self.heat_a2s += (i * i + i * i1 + i1 * i1) * (h / 3.0)
        self.current_a, self.speed_rad_s = i1, w1
        self._before = None
        history = self.history
        history.times.append(time_s + h)
        history.charges.append(history.charges[-1] + charge)
        history.currents.append(drive.share * i1 + drive.leak_a)
        history.volts.append(drive.tap_v - drive.tap_ohm * i1 + drive.tap_vs * w1)

    def locate(self, longest_s: float) -> float | None:
        """Return after how long the first event comes, None if not within ``longest_s``.

        The answer is a little late (5 ns), so that the event has happened by then.
        """
        if not self._violates(longest_s):
            return None
        early, late = 0.0, longest_s
        while late - early > _LOCATE_S:
            middle = 0.5 * (early + late)
            if self._violates(middle):
                late = middle
            else:
                early = middle
        return late

    def _violates(self, h: float) -> bool:
        i, w, drive = self.current_a, self.speed_rad_s, self.drive
        c = self._coefficients(h)
        i1 = c[0] * i + c[1] * w + c[8]
        if c[2] * i + c[3] * w + c[9] < _BACKWARD_RAD_S:
            return True
        if i1 > drive.high_a or i1 < drive.low_a:
            return True
        return self.travel_rad + c[6] * i + c[7] * w + c[11] >= drive.travel_rad

    # --- coefficients ---------------------------------------------------------------------

    def _coefficients(self, h: float) -> _Step:
        drive, constants = self.drive, self.constants
        if h == GRID_S:
            key = (drive.open_circuit, drive.held, drive.ohms)
            factors = self._factors.get(key)
            if factors is None:
                if len(self._factors) >= _CACHED:
                    self._factors.clear()
                factors = self._factors[key] = _factors(drive, constants, h)
        else:
            factors = _factors(drive, constants, h)
        (e11, e12, e21, e22), (s11, s12, s21, s22), (d11, d12, d21, d22) = factors
        u = drive.volts / constants.inductance_h
        v = -drive.torque_nm / constants.inertia_kgm2
        return (
            e11, e12, e21, e22, s11, s12, s21, s22,
            s11 * u + s12 * v, s21 * u + s22 * v, d11 * u + d12 * v, d21 * u + d22 * v,
        )  # fmt: skip


def _factors(drive: Drive, constants: Constants, h: float) -> _Factors:
    electrical = drive.ohms / constants.inductance_h
    friction = constants.viscous_nms / constants.inertia_kgm2
    if drive.open_circuit and drive.held:
        return ZERO, ZERO, ZERO
    if drive.open_circuit:
        e, s, d = single_step(friction, h)
        return (0.0, 0.0, 0.0, e), (0.0, 0.0, 0.0, s), (0.0, 0.0, 0.0, d)
    if drive.held:
        e, s, d = single_step(electrical, h)
        return (e, 0.0, 0.0, 0.0), (s, 0.0, 0.0, 0.0), (d, 0.0, 0.0, 0.0)
    return linear_step(
        -electrical,
        -constants.constant_vs / constants.inductance_h,
        constants.constant_vs / constants.inertia_kgm2,
        -friction,
        h,
    )
