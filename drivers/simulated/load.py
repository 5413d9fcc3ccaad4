"""What the output has to turn against."""

from __future__ import annotations

from dataclasses import dataclass
from math import cos, radians, sin

from .cam import Arc, within

# Where a kink sits in the cable's travel, and how long it is, unless told otherwise (degrees).
KINK_DEG, KINK_WIDTH_DEG = 90.0, 40.0
# How long a damaged tooth of the output wheel catches (degrees).
TOOTH_WIDTH_DEG = 12.0
_SPRING_SHAPE_MAX = 0.6495190528383290  # of (1 - cos a)/2 sin a, at 120 degrees
# The gear's worm does not let a helping load turn it: this share of the friction always remains.
_NEVER_HELPED = 0.2


@dataclass(frozen=True, slots=True)
class Load:
    """Torques in N m: ``dry_nm`` at the rotor, the others at the output, geared down by ``gear``.

    ``steady_nm`` all the way, ``binding_nm`` more over the kink, ``spring_nm`` the greatest of a
    spring that a crank stretches on the way to run and that helps on the way back.  ``tooth_nm``
    more at one angle of the output, cable or not.

    A kink sits at one place of the cable's travel, which the lever passes going and coming: at
    output angle ``kink_deg`` to run and 360 - ``kink_deg`` to stop.  The tooth comes by once in a
    turn, ``tooth_deg`` being from 0 to 360.
    """

    dry_nm: float
    gear: float
    steady_nm: float = 0.0
    binding_nm: float = 0.0
    spring_nm: float = 0.0
    kink_deg: float = KINK_DEG
    kink_width_deg: float = KINK_WIDTH_DEG
    tooth_nm: float = 0.0
    tooth_deg: float = 90.0

    @property
    def varies(self) -> bool:
        """Whether it depends on the angle."""
        return self.binding_nm != 0.0 or self.spring_nm != 0.0 or self.tooth_nm != 0.0

    def torque_nm(self, angle_deg: float, way: int) -> float:
        """Return the torque against the rotor's motion (N m) at an output angle."""
        output = self.steady_nm
        if self.binding_nm and self._kinked(angle_deg):
            output += self.binding_nm
        if self.tooth_nm and within(_arc(self.tooth_deg, TOOTH_WIDTH_DEG), angle_deg):
            output += self.tooth_nm
        if self.spring_nm:
            a = radians(angle_deg)
            shape = 0.5 * (1.0 - cos(a)) * sin(a) / _SPRING_SHAPE_MAX
            output += self.spring_nm * shape * way
        return max(self.dry_nm + output / self.gear, _NEVER_HELPED * self.dry_nm)

    def _kinked(self, angle_deg: float) -> bool:
        there = _arc(self.kink_deg, self.kink_width_deg)
        back = _arc(360.0 - self.kink_deg, self.kink_width_deg)
        return within(there, angle_deg) or within(back, angle_deg)


def _arc(centre_deg: float, width_deg: float) -> Arc:
    return centre_deg - 0.5 * width_deg, centre_deg + 0.5 * width_deg
