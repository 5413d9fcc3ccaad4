"""Reading for a calibration: what the station reads while a meter is looked at, and the meter."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np

from rig.bench.guard import GuardLimits
from rig.bench.loop import ControlLoop
from rig.bench.points import Fed, FloatArray, NotTakenError, Shown
from rig.bench.requests import BATTERY, OFF, Ask, Drive, Sample
from rig.quality.calibration import Quantity
from rig.quality.calibration_plan import FED_S, READ_S

ZERO_S = 2.0  # a hundred periods of mains hum
AGAIN, CANNOT = "again", "cannot"
FAR_OFF = 0.2  # a reading so far (share) from the station's own was probably mistyped (guess)
OVER_CURRENT_SHARE = 1.25  # more than the largest current expected is another load, or a short
NO_LOAD_A = 1.0  # with nothing but a voltmeter connected: far above any zero, harmless
_NEVER = 1e9


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
    """Reads one station and has the meter read.

    ``bus_every`` as in the sensor's wiring; ``ask`` puts a question to whoever is at the jig.
    """

    def __init__(self, loop: ControlLoop, ask: Callable[[Ask], str], *, bus_every: int) -> None:
        self._loop = loop
        self._ask = ask
        self._bus_every = bus_every

    # --- reading --------------------------------------------------------------------------

    def rest(self) -> FloatArray:
        """Return the current's readings with the feeds off, A."""
        samples = []
        end_s = self._loop.clock.now_s() + ZERO_S
        while self._loop.clock.now_s() < end_s:
            samples.append(self._loop.cycle(OFF).current_a)
        return np.array(samples)

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
                raise NotTakenError("The meter could not be read. See to it and calibrate again.")
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
