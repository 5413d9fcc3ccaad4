"""How long a half-turn takes, from what the motor and its load are.

J dw/dt = K i - torque - drag w and V = R i + K w, from standstill: the back-EMF runs up as
E (1 - exp(-t / tau)), with

    E = (V - R torque / K) / (1 + R drag / K^2)      tau = R J / K^2 / (1 + R drag / K^2)

(a source that sags slows the run-up: in tau, R is that of motor and source together)
(relations of any catalogue of brushed direct-current motors).  Its integral reaches that of half a
revolution, less what it had coasted into the half-turn from the one before (`coast_vs`), when

    E (t - tau (1 - exp(-t / tau))) = half of the back-EMF constant - coast
"""

from __future__ import annotations

import math
from dataclasses import dataclass

HALF_REV = 0.5
TURN_RAD = 2.0 * math.pi
# Below this part of the voltage a motor is taken to stand.
STANDS_SHARE = 0.02
# No unit coasts further than this part of a half-turn (guess; 0.12 seen without a brake).
COAST_MOST = 0.2
ROUNDS, SURE_S = 50, 1e-12


@dataclass(frozen=True, slots=True)
class Turning:
    """What a half-turn's time follows from.

    ``supply_v`` at the unit while it turns (V), ``ohm`` of the motor circuit, ``emf_vs_per_rev``
    of the output (V s); at the output, ``torque_nm`` of friction and load, ``drag_nms`` what more
    it takes for each rad/s, and ``inertia_kgm2``; ``delay_s`` from the feed change to the first
    current.  ``source_ohm`` of what feeds it.  ``brake_at_park``: the cam shorts the armature once
    it has cut off (None: not known).
    """

    supply_v: float
    ohm: float
    emf_vs_per_rev: float
    torque_nm: float
    inertia_kgm2: float
    delay_s: float
    drag_nms: float = 0.0
    source_ohm: float = 0.0
    brake_at_park: bool | None = None

    @property
    def nm_per_a(self) -> float:
        """Torque at the output for each ampere (N m/A): K in V s/rad is the same number."""
        return self.emf_vs_per_rev / TURN_RAD

    @property
    def tau_s(self) -> float:
        """Mechanical time constant of the run-up (s)."""
        stiffness = self.nm_per_a**2 / (self.ohm + self.source_ohm) + self.drag_nms
        return self.inertia_kgm2 / stiffness

    @property
    def coast_tau_s(self) -> float:
        """Mechanical time constant of motor and drag alone (s)."""
        return self.inertia_kgm2 / (self.nm_per_a**2 / self.ohm + self.drag_nms)

    @property
    def emf_v(self) -> float:
        """Back-EMF at steady speed (V)."""
        standing_v = self.supply_v - self.ohm * self.torque_nm / self.nm_per_a
        return standing_v / (1.0 + self.ohm * self.drag_nms / self.nm_per_a**2)


def coasts_vs(emf_v: float, drop_v: float, tau_s: float) -> tuple[float, float]:
    """Return how far a rotor turns on after its cut-off, braked and free, as back-EMF integral.

    ``emf_v`` at the cut-off, ``drop_v`` resistance times the current of friction and load.  From
    J dw/dt = K i - torque with the leads joined, and with no current.
    """
    emf_v, drop_v = max(emf_v, 0.0), max(drop_v, 1e-3)
    braked_vs = tau_s * (emf_v - drop_v * math.log1p(emf_v / drop_v))
    return braked_vs, 0.5 * tau_s * emf_v**2 / drop_v


def coast_vs(emf_v: float, drop_v: float, tau_s: float, brake: bool | None) -> tuple[float, float]:
    """Return how far a rotor turns on after its cut-off, as back-EMF integral, and its u (V s).

    Anywhere between braked and free where it is not known which.
    """
    braked_vs, free_vs = coasts_vs(emf_v, drop_v, tau_s)
    if brake is None:
        return 0.5 * (braked_vs + free_vs), 0.5 * (free_vs - braked_vs) / math.sqrt(3.0)
    return (braked_vs if brake else free_vs), 0.0


def half_turn_time(turning: Turning) -> float | None:
    """Return the half-turn time (s), None if the motor would not turn."""
    emf_v, tau_s = turning.emf_v, turning.tau_s
    if emf_v <= STANDS_SHARE * turning.supply_v:
        return None
    whole_vs = HALF_REV * turning.emf_vs_per_rev
    drop_v, coast_tau_s = turning.supply_v - emf_v, turning.coast_tau_s
    before_vs, _ = coast_vs(emf_v, drop_v, coast_tau_s, turning.brake_at_park)
    steady_s = (whole_vs - min(before_vs, COAST_MOST * whole_vs)) / emf_v
    # Newton's method from above: the left side is convex and rising, so it never oversteps.
    t = steady_s + tau_s
    for _ in range(ROUNDS):
        late = math.exp(-t / tau_s) if tau_s > 0.0 else 0.0
        step_s = (t - tau_s * (1.0 - late) - steady_s) / max(1.0 - late, 1e-9)
        t -= step_s
        if abs(step_s) < SURE_S:
            break
    return turning.delay_s + t
