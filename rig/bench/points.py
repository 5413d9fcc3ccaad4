"""The points of a calibration: what a station read, with all that makes it uncertain there."""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from drivers.ina219 import BUS_STEP_V
from rig.bench.errors import RefusedError
from rig.bench.zero import BLOCKS, zero_of
from rig.quality.calibration import Point, Quantity, Reference
from rig.quality.calibration_plan import LAST_S, READ_S
from rig.quality.decision import COVERAGE

BUS_RESOLUTION_V = 4 * BUS_STEP_V  # the driver converts the voltage with 10 bits of 12

FloatArray = NDArray[np.float64]


class NotTakenError(RefusedError):
    """A point could not be taken, for the reason in the text."""


@dataclass(frozen=True, slots=True)
class Fed:
    """The readings of one stretch, and when it was (bench clock, s)."""

    current_a: FloatArray
    voltage_v: FloatArray
    from_s: float
    to_s: float


@dataclass(frozen=True, slots=True)
class Shown:
    """What a meter showed, and the step of its last digit that was written down."""

    value: float
    step: float


@dataclass(frozen=True, slots=True)
class FedZero:
    """How far the current's zero is known to stay (A, standard) at a voltage (V).

    With the feed made it is another than without (R4), by an amount that grows with the voltage.
    """

    at_v: float
    u_a_per_v: float

    def u_a(self, voltage_v: float) -> float:
        """Return the standard uncertainty (A) of the zero at another voltage than it was seen."""
        return self.u_a_per_v * abs(voltage_v - self.at_v)


@dataclass(frozen=True, slots=True)
class PointMaker:
    """Makes the points of one station of its readings.

    ``step_a`` is the sensor's step (A); ``unseen_zero_u_a`` how far its zero may move when the feed
    is made (A, standard), where that was not seen; ``heat_u_rel`` returns what its gain is
    uncertain by, relative, when the shunt is warmed by so many A.
    """

    step_a: float
    unseen_zero_u_a: float
    heat_u_rel: Callable[[float], float]

    def zero(self, current_a: FloatArray) -> Point:
        """Return the zero of readings with the feeds off (A), as one for readings of a feed."""
        return self._point(current_a, Quantity.CURRENT, shift_u=self.unseen_zero_u_a)

    def fed_zeros(
        self, off: Point, empty: Sequence[tuple[Fed, float | None]]
    ) -> tuple[tuple[Point, ...], FedZero]:
        """Return the zeros as they were with the feed made to an empty jig, and what they tell.

        ``off`` is the zero with the feeds off; each stretch comes with what the supply was set to.
        """
        at_v = float(np.mean([np.nanmean(fed.voltage_v) for fed, _ in empty]))
        fed_a = float(np.mean([np.nanmean(fed.current_a) for fed, _ in empty]))
        moved_a = math.hypot(fed_a - off.reading, self.step_a)
        zero = FedZero(at_v, moved_a / max(at_v, 1.0))
        points = tuple(
            self._point(
                fed.current_a,
                Quantity.CURRENT,
                set_v=set_v,
                shift_u=zero.u_a(float(np.nanmean(fed.voltage_v))),
            )
            for fed, set_v in empty
        )
        return points, zero

    def point(
        self,
        fed: Fed,
        quantity: Quantity,
        shown: Shown,
        meter: Reference,
        resistor: Reference | None = None,
        set_v: float | None = None,
        zero: FedZero | None = None,
    ) -> Point:
        """Return the point of a stretch at which ``meter`` showed ``shown``.

        Across a ``resistor`` the meter shows volts, and the current is V / R; uncertainties by
        JCGM 100:2008, 5.1.2.  The last digit's half steps: step / sqrt(12).  ``zero`` None: the
        current's zero is the one with the feeds off, and uncertain in the line's own zero.
        """
        value, own_u = shown.value, shown.step / math.sqrt(12)
        common_u = meter.u(value)
        if resistor is not None:
            assert resistor.value_ohm is not None
            ohm = resistor.value_ohm
            warmth_u_rel = resistor.warmth_u_rel(value * value / ohm)
            value, own_u = value / ohm, own_u / ohm
            ohm_u_rel = math.hypot(resistor.u(ohm) / ohm, warmth_u_rel)
            common_u = math.hypot(common_u / ohm, value * ohm_u_rel)
        if quantity is Quantity.VOLTAGE:
            return self._point(fed.voltage_v, quantity, value, own_u, common_u, set_v)
        shift_u = value * self.heat_u_rel(value)
        if zero is not None:
            shift_u = math.hypot(shift_u, zero.u_a(float(np.nanmean(fed.voltage_v))))
        return self._point(fed.current_a, quantity, value, own_u, common_u, set_v, shift_u)

    def _point(
        self,
        readings: FloatArray,
        quantity: Quantity,
        reference: float = 0.0,
        own_u: float = 0.0,
        common_u: float = 0.0,
        set_v: float | None = None,
        shift_u: float = 0.0,
    ) -> Point:
        """Return a point at the mean of its last second, which is when a meter was read.

        Whoever reads it needs a moment: what the readings drifted by before counts as uncertainty.
        ``shift_u`` (A or V, standard) is what else a reading may be off by there.
        """
        step = self.step_a if quantity is Quantity.CURRENT else BUS_RESOLUTION_V
        whole = readings[np.isfinite(readings)]
        last = whole if reference == 0 else whole[-max(2 * BLOCKS, _last(len(whole))) :]
        mean = zero_of(last, step)
        if mean is None:
            raise NotTakenError(
                "The sensor gave too few readings for a mean. Check its plug and its 3.3 V, then "
                "calibrate again."
            )
        drift = abs(mean.mean_a - float(whole.mean()))
        return Point(
            reference=reference,
            reading=mean.mean_a,
            scatter=mean.noise_a,
            count=len(last),
            reading_u=math.hypot(mean.u_a / COVERAGE, drift, shift_u),
            own_u=own_u,
            common_u=common_u,
            set_v=set_v,
        )


def _last(count: int) -> int:
    return round(count * LAST_S / READ_S)
