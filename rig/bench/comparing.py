"""Taking one point of a calibration: what the station reads while a meter is looked at."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from drivers.ina219 import BUS_STEP_V
from rig.bench.errors import RefusedError
from rig.bench.guard import GuardLimits
from rig.bench.loop import ControlLoop
from rig.bench.requests import BATTERY, OFF, Ask, Drive, Sample
from rig.bench.zero import zero_of
from rig.quality.calibration import Point, Quantity, Reference
from rig.quality.calibration_plan import FED_S, READ_S
from rig.quality.decision import COVERAGE

ZERO_S = 2.0  # a hundred periods of mains hum
BUS_RESOLUTION_V = 4 * BUS_STEP_V  # the driver converts the voltage with 10 bits of 12
AGAIN, CANNOT = "again", "cannot"
FAR_OFF = 0.2  # a reading so far (share) from the station's own was probably mistyped (guess)
OVER_CURRENT_SHARE = 1.25  # more than the largest current expected is another load, or a short
NO_LOAD_A = 1.0  # with nothing but a voltmeter connected: far above any zero, harmless
_NEVER = 1e9

FloatArray = NDArray[np.float64]


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


class NotTakenError(RefusedError):
    """A point could not be taken, for the reason in the text."""


def load_limits(most_a: float, load_ohm: float) -> GuardLimits:
    """Return the guard's limits for a resistor; nothing in it stalls, runs on or has a winding."""
    return GuardLimits(
        over_current_a=max(OVER_CURRENT_SHARE * most_a, NO_LOAD_A),
        over_current_s=0.02,
        stall_s=_NEVER,
        run_on_s=_NEVER,
        step_max_s=FED_S + 2.0,
        winding_max_c=_NEVER,
        winding_ohm=load_ohm,
        heat_j_per_k=_NEVER,
        cooling_k_per_w=_NEVER,
    )


class Comparison:
    """Takes points of one station.

    ``step_a`` is the sensor's step, A; ``bus_every`` as in its wiring; ``ask`` puts a question to
    whoever is at the jig.
    """

    def __init__(
        self, loop: ControlLoop, ask: Callable[[Ask], str], *, step_a: float, bus_every: int
    ) -> None:
        self._loop = loop
        self._ask = ask
        self._step_a = step_a
        self._bus_every = bus_every

    # --- reading --------------------------------------------------------------------------

    def zero(self) -> Point:
        """Return the current's zero, feeds off; NotTakenError if the sensor gives none."""
        samples = []
        end_s = self._loop.clock.now_s() + ZERO_S
        while self._loop.clock.now_s() < end_s:
            samples.append(self._loop.cycle(OFF).current_a)
        return self._point(np.array(samples), Quantity.CURRENT, 0.0, 0.0, 0.0, None)

    def feed(self, limits: GuardLimits) -> Fed:
        """Make the battery feed for `FED_S` s; return what was read in the last `READ_S` of it."""
        taken: list[Sample] = []

        def drive() -> Drive:
            sample: Sample = yield BATTERY
            begin_s = sample.time_s
            while sample.time_s < begin_s + FED_S:
                sample = yield BATTERY
                if sample.time_s >= begin_s + FED_S - READ_S:
                    taken.append(sample)

        loop = self._loop
        loop.recorder.clear()
        loop.guard.begin_step(loop.clock.now_s(), limits)
        try:
            loop.run_step(drive())
        finally:
            loop.guard.end_step()
            loop.recorder.clear()
        if not taken:
            raise NotTakenError("No reading came while the feed was made. Check the sensor's plug.")
        return Fed(
            np.array([sample.current_a for sample in taken]),
            # The voltage is read with every so many samples; the others repeat it.
            np.array([sample.voltage_v for sample in taken[:: self._bus_every]]),
            taken[0].time_s,
            taken[-1].time_s,
        )

    def point(
        self,
        fed: Fed,
        quantity: Quantity,
        shown: Shown,
        meter: Reference,
        resistor: Reference | None = None,
        set_v: float | None = None,
    ) -> Point:
        """Return the point of a stretch at which ``meter`` showed ``shown``.

        Across a ``resistor`` the meter shows volts, and the current is V / R; uncertainties by
        JCGM 100:2008, 5.1.2.  The last digit's half steps: step / sqrt(12).
        """
        value, own_u = shown.value, shown.step / math.sqrt(12)
        common_u = meter.u(value)
        if resistor is not None:
            assert resistor.value_ohm is not None
            ohm = resistor.value_ohm
            value, own_u = value / ohm, own_u / ohm
            common_u = math.hypot(common_u / ohm, value * resistor.u(ohm) / ohm)
        readings = fed.current_a if quantity is Quantity.CURRENT else fed.voltage_v
        return self._point(readings, quantity, value, own_u, common_u, set_v)

    def _point(
        self,
        readings: FloatArray,
        quantity: Quantity,
        reference: float,
        own_u: float,
        common_u: float,
        set_v: float | None,
    ) -> Point:
        step = self._step_a if quantity is Quantity.CURRENT else BUS_RESOLUTION_V
        mean = zero_of(readings, step)
        if mean is None:
            raise NotTakenError(
                "The sensor gave too few readings for a mean. Check its plug and its 3.3 V."
            )
        return Point(
            reference=reference,
            reading=mean.mean_a,
            scatter=mean.noise_a,
            count=int(np.isfinite(readings).sum()),
            reading_u=mean.u_a / COVERAGE,
            own_u=own_u,
            common_u=common_u,
            set_v=set_v,
        )

    # --- asking ---------------------------------------------------------------------------

    def ask_shown(self, fed: Fed, quantity: Quantity, about: float, unit: str) -> Shown | None:
        """Return what the meter showed, None if the point is to be fed once more.

        ``about`` is what it should show.  Raises NotTakenError if it could not be read.
        """
        text = (
            f"What did the meter show at the end, in {unit}? Type the number with all the digits "
            f"it showed; “{AGAIN}” feeds once more, “{CANNOT}” ends the calibration."
        )
        detail = {
            "quantity": "voltage" if unit == "V" else "current",
            "from_s": fed.from_s,
            "to_s": fed.to_s,
        }
        doubted = ""
        while True:
            answer = self._ask(Ask("read_meter", text, (), detail)).strip().lower()
            if answer == AGAIN:
                return None
            if answer == CANNOT:
                raise NotTakenError("The meter could not be read.")
            shown = shown_of(answer)
            if shown is None:
                text = (
                    f"“{answer[:20]}” is no number above zero. What did the meter show, in {unit}?"
                )
            elif abs(shown.value - about) > FAR_OFF * about and answer != doubted:
                doubted = answer
                text = (
                    f"{shown.value:g} {unit} is far from the {about:.3g} {unit} to be expected. "
                    f"Type it once more if that is what the meter showed, or “{AGAIN}”."
                )
            else:
                return shown


def shown_of(text: str) -> Shown | None:
    """Return a meter's reading from what was typed, None if it is none: ``12.04``, ``12,04 V``."""
    number = text.replace(",", ".").removesuffix("v").removesuffix("a").strip()
    whole, _, digits = number.partition(".")
    plain = whole.isascii() and whole.isdigit() and (not digits or digits.isdigit())
    if not plain or not digits.isascii() or len(number) > 12:
        return None
    value = float(number)
    return Shown(value, 10.0 ** -len(digits)) if value > 0 else None
