"""The stroke: speed and load of a half-turn over the angle of the output.

V = R i + K w gives the speed at every sample, its integral the angle; a half-turn that parked has
turned from one park position to the other, which is the scale.  What the current does not spend
on friction and on speeding the rotor up goes into the load:

    i = i_friction + i_load + (tau / R) d(V - R i)/dt

with tau the mechanical time constant R J / K^2, so that neither J nor K has to be known (motor
relations: any catalogue of brushed direct-current motors).

Geometry.  The output turns one way only: 0 degrees is the stop position, a half-turn to run sweeps
0 to 180, one to stop 180 to 360.  Lever and cable hang on a crank, so they stand at output angle
360 - a on the way to stop where they stood at a on the way to run.  That place, 0 (stop) to 180
(run) degrees, is the *lever position*.  A unit coasts a little past the cam's edge, and its next
half-turn begins there.  How far is not seen; it follows from the speed at the edge, and from
whether the unit type has a brake contact (`turn_time.coast_vs`).
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from rig.analysis.at_voltage import TAU_S, TAU_U_S
from rig.analysis.backemf import (
    Electric,
    bridged,
    choose_ohm,
    find_family,
    integral,
    read_electric,
    without_spikes,
)
from rig.analysis.cutoff import Cut
from rig.analysis.drive import Drive
from rig.analysis.edges import find_windows
from rig.analysis.estimate import Estimate, unknown
from rig.analysis.half_turns import AS_IT_COMES, find_drives
from rig.analysis.levels import MAD_TO_SIGMA, median
from rig.analysis.model import Accuracy, Direction, HalfTurn, UnitType
from rig.analysis.motor import MotorIdentity
from rig.analysis.signal import Signal, make_signal
from rig.analysis.trace import FloatArray, Trace
from rig.analysis.turn_time import COAST_MOST, coast_vs

GRID_DEG = 2.0
HALF_TURN_DEG = 180.0
# Nothing is said of the load before so many time constants: there the current is nearly all for
# the rotor, and an error of the time constant would look like load (after 4, 2 % of it are left).
RUN_UP = 4.0
# ... nor while the winding's inductance has its part (s: several times L/R of motors this size).
INDUCTIVE_S = 0.012
# Nor in the last samples before the cut-off, the last of which it may cut in two.
BEFORE_CUT = 2.5
# Where the time constant is taken from the run-up itself (relative standard uncertainty, guess).
RUN_UP_U = 0.15
# Fewer samples than this in a half-turn are no profile.
SAMPLES = 24
# More than this part clipped, or dropped out, and the current says too little (guess).
LOST_MOST = 0.1


@dataclass(frozen=True, slots=True, eq=False)
class StrokeProfile:
    """Speed and load of one half-turn (or the mean of several) over the output's angle.

    ``angle_deg`` centres of even steps of the output's angle (0 to 180 to run, 180 to 360 to
    stop); ``speed_deg_per_s`` the output's speed; ``current_a`` all of the current (A); ``load_a``
    that above friction, inertia's part taken off (A), NaN where it cannot be told (the run-up).
    ``load_u_a`` is its standard uncertainty from noise and inertia; an error that is the same at
    all angles (friction, the sensor's gain) is not in it.  ``above_friction`` tells whether
    friction was known: if not, it is still in ``load_a``.  ``nm_per_a`` turns load into torque at
    the output (N m/A, the gear's own losses left out).  ``start_u_deg`` is the standard uncertainty
    of the angle at the half-turn's beginning, from where it falls evenly to nothing at its end.
    ``half_turn`` is its number, 0 for a mean.
    """

    half_turn: int
    direction: Direction
    angle_deg: FloatArray
    speed_deg_per_s: FloatArray
    current_a: FloatArray
    load_a: FloatArray
    load_u_a: FloatArray
    above_friction: bool
    nm_per_a: Estimate
    start_u_deg: float = 0.0

    @property
    def lever_deg(self) -> FloatArray:
        """The lever's position at each angle: 0 (stop) to 180 (run)."""
        return lever_deg(self.angle_deg)

    @property
    def load_nm(self) -> FloatArray | None:
        """The load at the output (N m); None if the motor constant is not known."""
        return None if self.nm_per_a.value is None else self.load_a * self.nm_per_a.value


def lever_deg(angle_deg: FloatArray) -> FloatArray:
    """Return the lever position (0 stop, 180 run) at output angles from 0 to 360 degrees."""
    return np.where(angle_deg > HALF_TURN_DEG, 2.0 * HALF_TURN_DEG - angle_deg, angle_deg)


def stroke_profiles(
    trace: Trace,
    half_turns: Sequence[HalfTurn],
    unit: UnitType,
    identity: MotorIdentity | None = None,
    accuracy: Accuracy = AS_IT_COMES,
) -> tuple[StrokeProfile, ...]:
    """Return the profile of every half-turn of ``trace`` that parked, late or not.

    ``half_turns`` are those found in this trace.  ``identity`` gives resistance, time constant,
    friction and motor constant as far as it knows them; else the first two are taken from the
    trace and ``unit``, and the load is not parted from friction.
    """
    windows = find_windows(trace)
    signal = make_signal(trace, unit, accuracy)
    if not windows or len(signal) < SAMPLES:
        return ()
    drives = find_drives(signal, windows, unit)
    parked = {t.start_s: t for t in half_turns if t.half_turn_s is not None}
    seen = [
        (parked[drive.window.start_s], drive, read_electric(signal, drive, unit))
        for drive in drives
        if drive.window.start_s in parked and _is_readable(signal, drive)
    ]
    family = find_family([electric for _, _, electric in seen])
    ohm = None if identity is None else _known(identity.circuit_ohm)
    strokes = [
        (
            turn,
            _stroke(signal, drive, drive.cut, electric, ohm or choose_ohm(electric, family, unit)),
        )
        for turn, drive, electric in seen
        if drive.cut is not None and math.isfinite(electric.supply_v)
    ]
    turned = [(turn, stroke) for turn, stroke in strokes if stroke.vs[-1] > 0.0]
    tau_s = _time_constant([stroke for _, stroke in turned], identity)
    return tuple(_profile(turn, stroke, tau_s, identity, unit) for turn, stroke in turned)


@dataclass(frozen=True, slots=True)
class _Stroke:
    """Sample by sample, from the contact's making (or the first current) to the cut-off.

    ``vs`` is the back-EMF integral so far (V s), ``charge_c`` the charge; ``noise_a`` that of the
    current from sample to sample, ``step_s`` the usual distance of samples; ``out_s`` from when to
    when the current dropped out.
    """

    time_s: FloatArray
    current_a: FloatArray
    emf_v: FloatArray
    vs: FloatArray
    charge_c: FloatArray
    ohm: float
    noise_a: float
    step_s: float
    out_s: tuple[tuple[float, float], ...]


def _known(value: Estimate | None) -> float | None:
    return None if value is None or not value.value else value.value


def _is_readable(signal: Signal, drive: Drive) -> bool:
    if not drive.flows or drive.cut is None or drive.carried:
        return False
    if drive.end - drive.begin < SAMPLES:
        return False
    lost = sum(b - a for a, b in drive.out)
    if signal.clipped is not None:
        lost += int(np.count_nonzero(signal.clipped[drive.begin : drive.end]))
    return lost <= LOST_MOST * (drive.end - drive.begin)


def _stroke(signal: Signal, drive: Drive, cut: Cut, electric: Electric, ohm: float) -> _Stroke:
    time_s = signal.time_s[drive.begin : drive.end]
    raw_a = drive.above_a[drive.begin - drive.first : drive.end - drive.first]
    current_a = without_spikes(bridged(drive, raw_a))
    current_a[-1] = current_a[-2]  # the cut-off may fall into the last sample's conversion
    emf_v = bridged(drive, electric.voltage_v) - ohm * current_a
    # Up to the peak the inductance holds the current back, which would look like speed.
    rise = electric.peak_at + 1
    emf_v[:rise] = np.linspace(0.0, max(float(emf_v[electric.peak_at]), 0.0), rise)
    # From the contact's making, to the cut-off.
    time_s = np.concatenate(([min(drive.begin_s, time_s[0] - 1e-6)], time_s, [cut.time_s]))
    time_s[-1] = max(time_s[-1], time_s[-2] + 1e-6)
    current_a = np.concatenate(([0.0], current_a, current_a[-1:]))
    emf_v = np.concatenate(([0.0], emf_v, emf_v[-1:]))
    rough = current_a[2:-2] - 0.5 * (current_a[1:-3] + current_a[3:-1])
    return _Stroke(
        time_s=time_s,
        current_a=current_a,
        emf_v=emf_v,
        vs=_so_far(time_s, emf_v),
        charge_c=_so_far(time_s, current_a),
        ohm=ohm,
        noise_a=max(
            MAD_TO_SIGMA * median(np.abs(rough)) / math.sqrt(1.5), drive.rest.noise_a, 1e-6
        ),
        step_s=max(signal.step_s, 1e-6),
        out_s=tuple((float(signal.time_s[a]), float(signal.time_s[b])) for a, b in drive.out),
    )


def _so_far(time_s: FloatArray, values: FloatArray) -> FloatArray:
    """Return the running integral by the trapezium rule."""
    parts = 0.5 * np.diff(time_s) * (values[1:] + values[:-1])
    return np.concatenate(([0.0], np.cumsum(parts)))


def _time_constant(
    strokes: Sequence[_Stroke], identity: MotorIdentity | None
) -> tuple[float, float]:
    """Return the mechanical time constant and its standard uncertainty (s).

    The charge that an inrush takes beyond the running current has sped the rotor up:
    J w = K (charge beyond), that is tau = R (charge beyond) / (K w).
    """
    own = identity.time_constant_s if identity is not None else None
    if own is not None and own.value is not None:
        return own.value, own.u if own.u is not None else RUN_UP_U * own.value
    found = [tau for stroke in strokes if (tau := _run_up_s(stroke)) is not None]
    if not found:
        return TAU_S, TAU_U_S
    tau_s = median(np.array(found))
    return tau_s, RUN_UP_U * tau_s


def _run_up_s(stroke: _Stroke) -> float | None:
    n = len(stroke.time_s)
    # The rotor has run up where the speed first comes near what it has over the next while.
    top_v = float(np.median(stroke.emf_v[n // 8 : n // 3]))
    up = int(np.argmax(stroke.emf_v > 0.95 * top_v))
    last = 2 * up + 3
    if last > n // 2:  # it never ran up: there is no steady current to compare with
        return None
    after = slice(last, last + max(n // 20, 4))
    steady_a = float(np.median(stroke.current_a[after]))
    part = slice(0, last + 1)
    beyond_c = integral(stroke.time_s[part], stroke.current_a[part] - steady_a)
    gained_v = float(np.median(stroke.emf_v[after]))
    if gained_v <= 0.0 or beyond_c <= 0.0:
        return None
    return stroke.ohm * beyond_c / gained_v


def _coast_vs(stroke: _Stroke, tau_s: float, brake: bool | None) -> tuple[float, float]:
    """Return how far the rotor turns after the cut-off, and its standard u (V s)."""
    n = len(stroke.time_s)
    last = slice(n - max(n // 20, 6), n - 2)
    emf_v = float(np.median(stroke.emf_v[last]))
    drop_v = stroke.ohm * float(np.median(stroke.current_a[last]))
    vs, u_vs = coast_vs(emf_v, drop_v, tau_s, brake)
    most_vs = COAST_MOST * float(stroke.vs[-1])
    return min(vs, most_vs), min(u_vs, most_vs)


def _profile(
    turn: HalfTurn,
    stroke: _Stroke,
    tau_s: tuple[float, float],
    identity: MotorIdentity | None,
    unit: UnitType,
) -> StrokeProfile:
    time_s = stroke.time_s
    part = np.maximum.accumulate(stroke.vs) + 1e-9 * (time_s - time_s[0])
    before_vs, before_u_vs = _coast_vs(stroke, tau_s[0], unit.brake_at_park)
    turned_deg = HALF_TURN_DEG * (part + before_vs) / (part[-1] + before_vs)
    edges_deg = np.arange(0.0, HALF_TURN_DEG + 0.5 * GRID_DEG, GRID_DEG)
    edges_s = np.interp(edges_deg, turned_deg, time_s)
    # Steps before the start take no time.
    edges_s += 1e-9 * np.arange(len(edges_s))
    took_s = np.diff(edges_s)
    current_a = np.diff(np.interp(edges_s, time_s, stroke.charge_c)) / took_s
    emf_v = np.diff(np.interp(edges_s, time_s, stroke.vs)) / took_s
    middle_s = 0.5 * (edges_s[1:] + edges_s[:-1])
    inertia_a = tau_s[0] / stroke.ohm * np.gradient(emf_v, middle_s)
    friction_a = _friction_a(identity, GRID_DEG / took_s / 360.0)
    load_a = current_a - inertia_a - (0.0 if friction_a is None else friction_a)
    blind_s = time_s[0] + max(RUN_UP * tau_s[0], INDUCTIVE_S)
    blind = (edges_s[:-1] < blind_s) | (edges_s[1:] > time_s[-1] - BEFORE_CUT * stroke.step_s)
    for out_s, back_s in stroke.out_s:  # and then it runs up again
        again_s = back_s + RUN_UP * tau_s[0]
        blind |= (edges_s[1:] > out_s - stroke.step_s) & (edges_s[:-1] < again_s)
    load_a[blind] = np.nan
    # Noise: of the current's mean, and through the slope of the speed.
    mean_u_a = stroke.noise_a * np.sqrt(np.minimum(stroke.step_s / took_s, 1.0))
    span_s = np.gradient(middle_s) * 2.0
    slope_u_a = tau_s[0] * math.sqrt(2.0) * mean_u_a / span_s
    load_u_a = np.sqrt(
        mean_u_a**2 + slope_u_a**2 + (tau_s[1] / max(tau_s[0], 1e-9) * inertia_a) ** 2
    )
    start_deg = 0.0 if turn.direction is Direction.TO_RUN else HALF_TURN_DEG
    return StrokeProfile(
        half_turn=turn.number,
        direction=turn.direction,
        angle_deg=start_deg + 0.5 * (edges_deg[1:] + edges_deg[:-1]),
        speed_deg_per_s=np.where(edges_deg[:-1] < turned_deg[0], np.nan, GRID_DEG / took_s),
        current_a=current_a,
        load_a=load_a,
        load_u_a=load_u_a,
        above_friction=friction_a is not None,
        nm_per_a=_nm_per_a(identity),
        start_u_deg=HALF_TURN_DEG * before_u_vs / (part[-1] + before_vs),
    )


def _friction_a(identity: MotorIdentity | None, rev_s: FloatArray) -> FloatArray | None:
    """Return friction's current at speeds in revolutions of the output a second; None if unknown.

    Where its parts are known it follows the speed, else it is the same at all of them.
    """
    if identity is None:
        return None
    dry_a, viscous_as = identity.dry_friction_a.value, identity.viscous_as_per_rev.value
    if dry_a is not None and viscous_as is not None:
        return np.asarray(dry_a + viscous_as * rev_s)
    level_a = identity.friction_a.value
    return None if level_a is None else np.full(len(rev_s), level_a)


def _nm_per_a(identity: MotorIdentity | None) -> Estimate:
    """K in V s/rad is the same number in N m/A."""
    emf = identity.emf_vs_per_rev if identity is not None else None
    if emf is None or emf.value is None:
        missing = "the motor constant is not known" if emf is None else emf.missing
        return unknown("N m/A", missing)
    turn = 2.0 * math.pi
    return Estimate(emf.value / turn, None if emf.u is None else emf.u / turn, "N m/A")
