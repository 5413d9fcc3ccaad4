"""What the output has to turn against."""

from __future__ import annotations

from dataclasses import dataclass
from math import cos, radians, sin

from .cam import within

# A kink sits at one place of the cable's travel, which the lever passes going and coming.
KINK_ARCS = ((70.0, 110.0), (250.0, 290.0))
_SPRING_SHAPE_MAX = 0.6495190528383290  # of (1 - cos a)/2 sin a, at 120 degrees
# The gear's worm does not let a helping load turn it: this share of the friction always remains.
_NEVER_HELPED = 0.2


@dataclass(frozen=True, slots=True)
class Load:
    """Torques in N m: ``dry_nm`` at the rotor, the others at the output, geared down by ``gear``.

    ``steady_nm`` all the way, ``binding_nm`` more over the kink, ``spring_nm`` the greatest of a
    spring that a crank stretches on the way to run and that helps on the way back.
    """

    dry_nm: float
    gear: float
    steady_nm: float = 0.0
    binding_nm: float = 0.0
    spring_nm: float = 0.0

    @property
    def varies(self) -> bool:
        """Whether it depends on the angle."""
        return self.binding_nm != 0.0 or self.spring_nm != 0.0

    def torque_nm(self, angle_deg: float, way: int) -> float:
        """Return the torque against the rotor's motion (N m) at an output angle."""
        output = self.steady_nm
        if self.binding_nm and any(within(arc, angle_deg) for arc in KINK_ARCS):
            output += self.binding_nm
        if self.spring_nm:
            a = radians(angle_deg)
            shape = 0.5 * (1.0 - cos(a)) * sin(a) / _SPRING_SHAPE_MAX
            output += self.spring_nm * shape * way
        return max(self.dry_nm + output / self.gear, _NEVER_HELPED * self.dry_nm)
