"""The motors in the netlists of tests/reference/ngspice, read from the netlists themselves."""

from __future__ import annotations

import math
import re
from dataclasses import dataclass
from functools import cache

import spice

_DEFAULTS = {"r": 0.75, "k": 0.0293, "j": 15e-6, "b": 20e-6, "tf": 30e-3, "g": 80.0}
_SCALE = {"m": 1e-3, "u": 1e-6, "meg": 1e6, "n": 1e-9, "k": 1e3, "": 1.0}
CONTACTS_OHM = 0.010  # the relay's contact and the cam's, 5 milliohm each
COPPER_PER_K, HEAT_J_PER_K = 0.00393, 30.0  # of the part "motor" in unit.lib


@dataclass(frozen=True)
class TrueMotor:
    """A circuit's motor.  SI units, at the rotor; ``ohm`` at 20 degrees C with all contacts."""

    ohm: float
    copper_ohm: float
    constant_vs: float
    inertia_kgm2: float
    viscous_nms: float
    dry_nm: float
    gear: float

    @property
    def emf_vs_per_rev(self) -> float:
        return self.constant_vs * self.gear * 2.0 * math.pi

    @property
    def output_kgm2(self) -> float:
        return self.inertia_kgm2 * self.gear**2

    def friction_a(self, supply_v: float) -> float:
        """The current of dry and viscous friction where it has run up at ``supply_v``."""
        k, r, b = self.constant_vs, self.ohm, self.viscous_nms
        speed = (k * supply_v / r - self.dry_nm) / (k * k / r + b)
        return (self.dry_nm + b * speed) / k


@cache
def true_motor(circuit: str) -> TrueMotor:
    text = (spice.NGSPICE / "netlists" / f"{circuit}.cir").read_text().replace("\n+", " ")
    line = next(x for x in text.splitlines() if re.match(r"xm\s", x))
    values = _DEFAULTS | _numbers(line)
    drag = next((x for x in text.splitlines() if re.match(r"xdrag\s", x)), None)
    drag_nm = 0.0 if drag is None else _numbers(drag).get("t", 30e-3)
    joint = sum(_resistors(text))
    return TrueMotor(
        ohm=values["r"] + CONTACTS_OHM + joint,
        copper_ohm=values["r"],
        constant_vs=values["k"],
        inertia_kgm2=values["j"],
        viscous_nms=values["b"],
        dry_nm=values["tf"] + drag_nm,
        gear=values["g"],
    )


def _numbers(line: str) -> dict[str, float]:
    found = re.findall(r"(\w+)=([\d.]+)(meg|[a-z]?)", line)
    return {name: float(number) * _SCALE[scale] for name, number, scale in found}


def _resistors(text: str) -> list[float]:
    """Resistors in the motor's lead: between the cam's node "mp" and the motor's own."""
    found = re.findall(r"(?m)^r\w*\s+mp\s+m\w\s+([\d.]+)(meg|[a-z]?)", text)
    return [float(number) * _SCALE[scale] for number, scale in found]
