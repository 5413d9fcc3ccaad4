"""What makes a station's current, voltage and time uncertain, component by component.

Data sheet: TI SBOS448 (INA219).  Its limits are taken as they are printed, over temperature, and as
rectangular: nothing is said of where within them a chip lies (JCGM 100:2008, 4.3.7).
"""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import dataclass

from rig.analysis.model import Accuracy
from rig.quality.budget import Budget, Component, Shape, Source, root_sum_square

# --- the data sheet ---------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class Grade:
    """Limits of a chip's grade, either way.

    ``gain_rel`` of the current measurement over temperature, ``offset_v`` at the shunt by PGA.
    """

    gain_rel: float
    offset_v: tuple[float, float, float, float]


GRADES = {
    "A": Grade(0.010, (100e-6, 125e-6, 150e-6, 200e-6)),
    "B": Grade(0.005, (50e-6, 75e-6, 75e-6, 100e-6)),
}
BUS_GAIN_REL = 0.010  # bus voltage error over temperature, either way, both grades
GAIN_DRIFT_PER_K, OFFSET_DRIFT_V_PER_K = 10e-6, 0.1e-6
CMRR_V_PER_V = 1e-5  # 100 dB at least: shunt offset for each volt that both inputs rise

# --- what a rig file need not say ----------------------------------------------------------------

SHUNT_TOLERANCE = 0.01
"""The shunt of the README's wiring table: 1 %."""
SHUNT_PPM_PER_K = 100.0
"""Temperature coefficient of a shunt of unknown make (guess; metal strip shunts have less)."""
FED_ZERO_A = 0.01
"""How far from nothing a rest draw may read with an empty jig: the README's wiring check, by which
R4 is fitted.  The zero as seen with the feeds off cannot tell of it."""
COIL_ZERO_U_A = 0.005
"""Standard uncertainty of the zero of a sensor in the ignition feed whose grade is not named
(guess)."""
DELAY_U_S = 0.0015
"""Standard uncertainty of a feed relay's delay that nobody measured (guess: 12 V relays of one type
differ by a few ms)."""

AMBIENT_K = 10.0  # a workshop's temperature, either way of what it was when things were set (guess)
SHUNT_RISE_K = 100.0  # how much hotter a shunt is at its rated power (guess, by derating curves)
NOISE_DIGITS = 0.5  # noise of a reading in digits, where nobody measured it (guess)
# Linux slews its clock by up to 500 ppm to follow a time server (adjtimex); a Pi's crystal is good
# for 50 ppm (guess).
CLOCK_REL = 550e-6
# A voltage that is not read with every sample may fall by so much meanwhile (V/s; guess: a battery
# under a running motor).
SETTLED_V_PER_S = 0.5

HIGHEST_V = 16.0  # a coil's zero is looked at without voltage and used at up to this one
# Readings that a rest, a zero or the middle of a half-turn is the median of, at least.
READINGS = 100

_CALIBRATE = "calibrate the station"


@dataclass(frozen=True, slots=True)
class CurrentSide:
    """What is known of a current sensor.

    ``pga`` 0 to 3; ``gain`` of the rig file.  ``gain_u_rel`` and ``offset_u_a``: declared standard
    uncertainties, None if not declared.  ``calibrated_u_rel`` and ``calibrated_offset_u_a``:
    those of a calibration in force.  ``noise_a`` as measured at rest, None if not.  ``of_coil``
    tells a sensor in the ignition feed: it has no R4, and its zero need not be looked at.
    """

    shunt_ohm: float
    shunt_w: float
    step_v: float
    pga: int = 3
    gain: float = 1.0
    grade: str | None = None
    shunt_tolerance: float = SHUNT_TOLERANCE
    shunt_ppm_per_k: float = SHUNT_PPM_PER_K
    tolerance_declared: bool = False
    gain_u_rel: float | None = None
    offset_u_a: float | None = None
    calibrated_u_rel: float | None = None
    calibrated_offset_u_a: float | None = None
    noise_a: float | None = None
    of_coil: bool = False

    @property
    def sheet(self) -> Grade:
        """The limits of its grade; of the A grade, the worse one, where none is named."""
        return GRADES[self.grade or "A"]

    @property
    def step_a(self) -> float:
        """The smallest step of a reading (A)."""
        return self.step_v / self.shunt_ohm * self.gain

    def gain_parts(self) -> tuple[Component, ...]:
        """Return what its gain is uncertain by, relative; the shunt's own heat apart."""
        warmth = Component(
            "shunt with the room's temperature",
            self.shunt_ppm_per_k * 1e-6 * AMBIENT_K,
            "1",
            Shape.RECTANGULAR,
            Source.GUESS,
            remedy="use a shunt with a small temperature coefficient",
        )
        if self.calibrated_u_rel is not None:
            known = Component("gain", self.calibrated_u_rel, "1", Shape.NORMAL, Source.CALIBRATION)
        elif self.gain_u_rel is not None:
            known = Component(
                "gain",
                self.gain_u_rel,
                "1",
                Shape.NORMAL,
                Source.DECLARED,
                remedy=f"{_CALIBRATE} (gain_u_rel is what the rig file says)",
            )
        else:
            return (self._chip(), self._shunt(), warmth)
        drift = Component(
            "chip's gain with the room's temperature",
            GAIN_DRIFT_PER_K * AMBIENT_K,
            "1",
            Shape.RECTANGULAR,
            Source.DATA_SHEET,
        )
        return (known, drift, warmth)

    def _chip(self) -> Component:
        return Component(
            f"chip's gain, grade {self.grade}" if self.grade else "chip's gain, grade not named",
            self.sheet.gain_rel,
            "1",
            Shape.RECTANGULAR,
            Source.DATA_SHEET,
            remedy=_CALIBRATE,
        )

    def _shunt(self) -> Component:
        return Component(
            "shunt's tolerance",
            self.shunt_tolerance,
            "1",
            Shape.RECTANGULAR,
            Source.DECLARED if self.tolerance_declared else Source.GUESS,
            remedy=_CALIBRATE,
        )

    def heat_part(self, current_a: float) -> Component:
        """Return what the gain is uncertain by, relative, since the shunt warms itself."""
        rise_k = SHUNT_RISE_K * current_a * current_a * self.shunt_ohm / self.shunt_w
        return Component(
            "shunt with its own heat",
            self.shunt_ppm_per_k * 1e-6 * rise_k,
            "1",
            Shape.RECTANGULAR,
            Source.GUESS,
            remedy="use a shunt of more watts or with a small temperature coefficient",
        )

    def offset_parts(self) -> tuple[Component, ...]:
        """Return what a reading is off by (A), whatever flows; its zero taken off, if no coil's."""
        drift_a = OFFSET_DRIFT_V_PER_K * AMBIENT_K / self.shunt_ohm * self.gain
        half_a = 0.5 * self.step_a
        better = "use a shunt of more resistance, if its heat allows"
        step = Component(
            "step of a reading", half_a, "A", Shape.RECTANGULAR, Source.DATA_SHEET, remedy=better
        )
        return (
            *self._zero_parts(),
            Component("drift of the zero", drift_a, "A", Shape.RECTANGULAR, Source.DATA_SHEET),
            step,
            Component("step of the zero", half_a, "A", Shape.RECTANGULAR, Source.DATA_SHEET),
        )

    def _zero_parts(self) -> tuple[Component, ...]:
        name = "zero with the feed made"
        if self.offset_u_a is not None:
            u_a = self.offset_u_a
            return (Component(name, u_a, "A", Shape.NORMAL, Source.DECLARED),)
        if not self.of_coil:
            better = "fit R4 better (README, Wiring) and state offset_u_a"
            rectangular, guess = Shape.RECTANGULAR, Source.GUESS
            return (Component(name, FED_ZERO_A, "A", rectangular, guess, remedy=better),)
        if self.grade is None:
            better = "name the sensor_grade"
            return (Component(name, COIL_ZERO_U_A, "A", Shape.NORMAL, Source.GUESS, remedy=better),)
        return (self.unzeroed_part(), self.fed_zero_part(HIGHEST_V))

    def unzeroed_part(self) -> Component:
        """Return what a reading is off by (A) where no zero was taken off."""
        if self.calibrated_offset_u_a is not None:
            u_a = self.calibrated_offset_u_a
            return Component("zero", u_a, "A", Shape.NORMAL, Source.CALIBRATION)
        limit_a = self.sheet.offset_v[self.pga] / self.shunt_ohm * self.gain
        return Component(
            "zero, not looked at",
            limit_a,
            "A",
            Shape.RECTANGULAR,
            Source.DATA_SHEET,
            remedy='begin the plan with a step of kind "zero"',
        )

    def fed_zero_part(self, supply_v: float) -> Component:
        """Return by how much (A) a zero moves when both inputs rise to ``supply_v``."""
        limit_a = CMRR_V_PER_V * supply_v / self.shunt_ohm * self.gain
        return Component("common-mode voltage", limit_a, "A", Shape.RECTANGULAR, Source.DATA_SHEET)

    def scatter_part(self, name: str, readings: int) -> Component:
        """Return what noise leaves the median of so many readings with (A)."""
        spread_a = NOISE_DIGITS * self.step_a if self.noise_a is None else self.noise_a
        measured = self.noise_a is not None
        # The median scatters by the root of pi / 2 more than the mean does.
        spread_a *= math.sqrt(0.5 * math.pi / readings) if readings > 1 else 1.0
        return Component(
            name,
            spread_a,
            "A",
            Shape.NORMAL,
            Source.MEASURED if measured else Source.GUESS,
            by_readings=measured and readings > 1,
            dof=readings - 1 if measured and readings > 1 else math.inf,
            remedy="keep the sense leads twisted and short",
        )


@dataclass(frozen=True, slots=True)
class VoltageSide:
    """What is known of the voltage: ``step_v`` of a reading, which stands for ``held_s``.

    Of a calibration in force: it is known to ``calibrated_at_u_v`` (V, standard) at
    ``calibrated_at_v`` (V), and by ``calibrated_u_rel`` of the way less well elsewhere.
    """

    step_v: float
    held_s: float
    calibrated_u_rel: float | None = None
    calibrated_at_v: float = 0.0
    calibrated_at_u_v: float | None = None

    def gain_parts(self) -> tuple[Component, ...]:
        """Return what its gain is uncertain by, of the way from ``calibrated_at_v``."""
        if self.calibrated_u_rel is None:
            limit = BUS_GAIN_REL
            return (
                Component(
                    "chip's voltage error",
                    limit,
                    "1",
                    Shape.RECTANGULAR,
                    Source.DATA_SHEET,
                    remedy=f"{_CALIBRATE}'s voltage",
                ),
            )
        u_rel = self.calibrated_u_rel
        return (Component("voltage's gain", u_rel, "1", Shape.NORMAL, Source.CALIBRATION),)

    def offset_parts(self) -> tuple[Component, ...]:
        """Return what a voltage is off by (V), whatever it is."""
        half_v = 0.5 * self.step_v
        age_v = SETTLED_V_PER_S * self.held_s
        parts = (
            Component(
                "step of a voltage",
                half_v,
                "V",
                Shape.RECTANGULAR,
                Source.DATA_SHEET,
                remedy="read the voltage with a finer sensor",
            ),
            Component(
                "age of a voltage",
                age_v,
                "V",
                Shape.RECTANGULAR,
                Source.GUESS,
                remedy="read the voltage more often (bus_every)",
            ),
        )
        if self.calibrated_at_u_v is None:
            return parts
        drift_v = GAIN_DRIFT_PER_K * AMBIENT_K * HIGHEST_V  # as much at less: it is little
        name = f"voltage at {self.calibrated_at_v:.3g} V"
        return (
            *parts,
            Component(name, self.calibrated_at_u_v, "V", Shape.NORMAL, Source.CALIBRATION),
            Component(
                "voltage's gain with the room's temperature",
                drift_v,
                "V",
                Shape.RECTANGULAR,
                Source.DATA_SHEET,
            ),
        )


@dataclass(frozen=True, slots=True)
class TimeSide:
    """What is known of times: a feed relay's delay, how often is sampled, how old a sample is.

    ``conversion_s`` is the longest time from one conversion to the next, within which the chip
    runs free of the program.
    """

    conversion_s: float
    sample_s: float
    delay_u_s: float = DELAY_U_S
    delay_declared: bool = False

    def relay_part(self) -> Component:
        """Return what the contact's moment is uncertain by (s)."""
        return Component(
            "feed relay's delay",
            self.delay_u_s,
            "s",
            Shape.NORMAL,
            Source.DECLARED if self.delay_declared else Source.GUESS,
            remedy="measure the relay's delay and state delay_u_s",
        )

    def age_part(self) -> Component:
        """Return what a sample's moment is uncertain by (s)."""
        half_s = 0.5 * self.conversion_s
        return Component("age of a conversion", half_s, "s", Shape.RECTANGULAR, Source.DATA_SHEET)

    def clock_part(self) -> Component:
        """Return what the clock's rate is uncertain by, relative."""
        return Component("clock's rate", CLOCK_REL, "1", Shape.RECTANGULAR, Source.GUESS)

    def end_parts(self) -> tuple[Component, ...]:
        """Return what the two ends of a time are uncertain by (s), lying between two samples.

        The trace itself may place the cut-off better: a sample that caught it shares it out.
        """
        return tuple(
            Component(
                name,
                0.5 * self.sample_s,
                "s",
                Shape.RECTANGULAR,
                Source.DECLARED,
                remedy="sample more often (sample_hz)",
            )
            for name in ("feed change between two samples", "cut-off between two samples")
        )


# --- a whole station ---------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class Instrument:
    """A station's battery feed as an instrument."""

    current: CurrentSide
    voltage: VoltageSide
    time: TimeSide

    def current_budget(
        self, current_a: float, *, readings: int = READINGS, zeroed: bool = True
    ) -> Budget:
        """Return the budget of a current (A) that is the median of so many readings."""
        side = self.current
        parts = [part.scaled(current_a) for part in side.gain_parts()]
        parts += [side.heat_part(current_a).scaled(current_a), *side.offset_parts()]
        parts.append(side.scatter_part("noise of the readings", readings))
        zero = side.scatter_part("noise of the zero", READINGS) if zeroed else side.unzeroed_part()
        return Budget("current", current_a, "A", (*parts, zero))

    def voltage_budget(self, voltage_v: float) -> Budget:
        """Return the budget of a voltage (V)."""
        from_v = abs(voltage_v - self.voltage.calibrated_at_v)
        gains = (part.scaled(from_v) for part in self.voltage.gain_parts())
        return Budget("voltage", voltage_v, "V", (*gains, *self.voltage.offset_parts()))

    def time_budget(self, time_s: float) -> Budget:
        """Return the budget of the time (s) from a feed change to a cut-off, in a quiet trace."""
        time = self.time
        clock = time.clock_part().scaled(time_s)
        return Budget(
            "time", time_s, "s", (time.relay_part(), time.age_part(), clock, *time.end_parts())
        )

    def accuracy(self, full_scale_a: float | None = None) -> Accuracy:
        """Return what the analysis is told: the same components, put together.

        It adds what only a trace shows: its noise, its zero's, and where its ends lie.
        """
        current, voltage, time = self.current, self.voltage, self.time
        return Accuracy(
            relay_u_s=time.relay_part().standard_u,
            sensor_delay_u_s=time.age_part().standard_u,
            clock_u_rel=time.clock_part().standard_u,
            gain_u_rel=_u(current.gain_parts()),
            gain_u_per_a2=current.heat_part(1.0).standard_u,
            offset_u_a=_u(current.offset_parts()),
            unzeroed_u_a=current.unzeroed_part().standard_u,
            fed_zero_u_a=current.fed_zero_part(HIGHEST_V).standard_u,
            voltage_gain_u_rel=_u(voltage.gain_parts()),
            voltage_offset_u_v=_u(voltage.offset_parts()),
            voltage_best_v=voltage.calibrated_at_v,
            full_scale_a=full_scale_a,
        )


def _u(parts: Iterable[Component]) -> float:
    return root_sum_square(parts)
