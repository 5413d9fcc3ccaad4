"""The motors in the netlists of tests/reference/ngspice, read from the netlists themselves."""

from __future__ import annotations

import math
import re
from dataclasses import dataclass, replace
from functools import cache

import numpy as np
import spice

from rig.analysis.trace import Trace

# Defaults of the part "motor" in unit.lib, and of its contacts: relay and cam, 5 milliohm each.
_DEFAULTS = {
    "r": 0.51,
    "l": 0.41e-3,
    "k": 0.0293,
    "j": 22e-6,
    "b": 29e-6,
    "tf": 44e-3,
    "g": 80.0,
    "tc": 3.93e-3,
    "heatcap": 120.0,
}
_CONTACTS_OHM = 0.010
_SCALE = {"m": 1e-3, "u": 1e-6, "meg": 1e6, "n": 1e-9, "k": 1e3, "": 1.0}
# Circuits whose cam shorts the armature at park.
BRAKED = tuple(
    name
    for name in spice.CIRCUITS
    if re.search(r"(?m)^xbrk\s", (spice.NGSPICE / "netlists" / f"{name}.cir").read_text())
)


@dataclass(frozen=True)
class TrueMotor:
    """A circuit's motor.  SI units, at the rotor; ``ohm`` at 20 degrees C with all contacts."""

    ohm: float
    copper_ohm: float
    inductance_h: float
    constant_vs: float
    inertia_kgm2: float
    viscous_nms: float
    dry_nm: float
    gear: float
    heat_j_per_k: float
    copper_per_k: float

    @property
    def emf_vs_per_rev(self) -> float:
        return self.constant_vs * self.gear * 2.0 * math.pi

    @property
    def output_kgm2(self) -> float:
        return self.inertia_kgm2 * self.gear**2

    @property
    def time_constant_s(self) -> float:
        return self.ohm * self.inertia_kgm2 / self.constant_vs**2

    @property
    def dry_a(self) -> float:
        return self.dry_nm / self.constant_vs

    @property
    def viscous_as_per_rev(self) -> float:
        return self.viscous_nms * self.gear * 2.0 * math.pi / self.constant_vs

    def friction_a(self, rev_s: float) -> float:
        """The current of dry and viscous friction at a speed (revolutions of the output a s)."""
        return self.dry_a + self.viscous_as_per_rev * rev_s

    def warmed_ohm(self, rise_k: float) -> float:
        """The resistance of the circuit when its copper is warmer than 20 degrees C."""
        return self.ohm + self.copper_ohm * self.copper_per_k * rise_k


@cache
def true_motor(circuit: str) -> TrueMotor:
    """Return the motor of a circuit as its netlist gives it."""
    text = (spice.NGSPICE / "netlists" / f"{circuit}.cir").read_text().replace("\n+", " ")
    line = next(x for x in text.splitlines() if re.match(r"xm\s", x))
    values = _DEFAULTS | _numbers(line)
    drag = next((x for x in text.splitlines() if re.match(r"xdrag\s", x)), None)
    drag_nm = 0.0 if drag is None else _numbers(drag).get("t", 30e-3)
    return TrueMotor(
        ohm=values["r"] + _CONTACTS_OHM + sum(_resistors(text)),
        copper_ohm=values["r"],
        inductance_h=values["l"],
        constant_vs=values["k"],
        inertia_kgm2=values["j"],
        viscous_nms=values["b"],
        dry_nm=values["tf"] + drag_nm,
        gear=values["g"],
        heat_j_per_k=values["heatcap"],
        copper_per_k=values["tc"],
    )


@cache
def rises_k(circuit: str) -> tuple[tuple[float, ...], float]:
    """Return how much warmer the copper is at each half-turn's start, and at the very end (K).

    The netlist's own law, C dT/dt = i2 r (1 + tc T), on the circuit's sampled current.
    """
    motor, trace = true_motor(circuit), spice.trace_of(circuit)
    power_w = 0.5 * (trace.current_a[1:] ** 2 + trace.current_a[:-1] ** 2) * motor.copper_ohm
    cold_k = np.concatenate(([0.0], np.cumsum(power_w * np.diff(trace.time_s))))
    cold_k /= motor.heat_j_per_k
    rise_k = np.expm1(motor.copper_per_k * cold_k) / motor.copper_per_k
    starts = [t.start_s for t in spice.true_half_turns(circuit)]
    return tuple(np.interp(starts, trace.time_s, rise_k).tolist()), float(rise_k[-1])


def started_ohm(circuit: str) -> float:
    """Return the circuit's resistance as its starts had it on average."""
    starts_k, _ = rises_k(circuit)
    return true_motor(circuit).warmed_ohm(sum(starts_k) / len(starts_k))


def noisy(circuit: str, noise_a: float = 0.012, seed: int = 1, every: int = 1) -> Trace:
    """Return a circuit's trace with more noise, every so many samples of it."""
    trace = spice.slower(spice.trace_of(circuit), every)
    rng = np.random.default_rng([seed, len(circuit), every])
    return replace(trace, current_a=trace.current_a + noise_a * rng.standard_normal(len(trace)))


def _numbers(line: str) -> dict[str, float]:
    found = re.findall(r"(\w+)=([\d.]+)(meg|[a-z]?)", line)
    return {name: float(number) * _SCALE[scale] for name, number, scale in found}


def _resistors(text: str) -> list[float]:
    """Resistors in the motor's lead: between the cam's node "mp" and the motor's own."""
    found = re.findall(r"(?m)^r\w*\s+mp\s+m\w\s+([\d.]+)(meg|[a-z]?)", text)
    return [float(number) * _SCALE[scale] for number, scale in found]
