"""Calibration of one station's current and voltage: what was found, and whether it holds today.

A station reads ``reading``; what is true is ``gain * (reading - offset)``.  Readings here are
nominal ones: shunt voltage over the rig file's ``shunt_ohm``, bus voltage as the chip gives it,
before any gain or offset.  So a calibration in force takes the place of the rig file's ``gain`` and
``offset_a``; it is not applied on top of them.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date, datetime, timedelta
from enum import StrEnum
from uuid import UUID

from rig.quality.decision import COVERAGE
from rig.quality.instrument import AMBIENT_K
from rig.quality.line_fit import fit_line

GAIN_MOST = 0.05
"""A gain further from 1 than this is none of a sensor's: the chip is within 1 % over temperature
(TI SBOS448G), a shunt within 1 to 3 % (usual tolerances; the bound itself is a guess)."""
OFFSET_MOST_V = 600e-6
"""Largest offset at the shunt, V: three times the 200 uV that TI SBOS448G allows in the widest
range of an INA219A (the factor is a guess)."""
VOLTAGE_OFFSET_MOST_V = 0.2
"""Largest offset of the voltage, V: three times 0.5 % of 12 V (TI SBOS448G; the factor a guess)."""
RATIO_WANTED = 4.0
"""Test uncertainty ratio: what the rig file allows its readings over the reference's expanded
uncertainty.  4:1 is common practice."""


class Quantity(StrEnum):
    """What of a station is calibrated."""

    CURRENT = "current"
    VOLTAGE = "voltage"

    @property
    def unit(self) -> str:
        """The unit of readings, offset and reference."""
        return "A" if self is Quantity.CURRENT else "V"


class ReferenceKind(StrEnum):
    """What a station is held against."""

    RESISTOR = "resistor"  # a known resistance in place of the unit, with a meter across it
    METER = "meter"


@dataclass(frozen=True, slots=True)
class Reference:
    """An instrument with a certificate.  ``value_ohm`` of a resistor only.

    Its expanded uncertainty with coverage factor ``k`` is ``expanded_u_rel`` of what it says and
    ``expanded_u`` besides (ohm, V or A; a meter's digits), together by root sum of squares.
    ``due`` is when its own calibration ends, None if the certificate names no day.  A resistor's
    value goes with its warmth by ``ppm_per_k`` (1e-6/K, either way), and it is ``warms_k_per_w``
    (K/W) hotter at the end of a point; None of a meter, and in older records.
    """

    kind: ReferenceKind
    serial: str
    certificate: str = ""
    due: date | None = None
    value_ohm: float | None = None
    expanded_u_rel: float = 0.0
    expanded_u: float = 0.0
    k: float = COVERAGE
    ppm_per_k: float | None = None
    warms_k_per_w: float | None = None

    def warmth_u_rel(self, watt: float) -> float:
        """Return by how much (share, standard) a resistor's value is uncertain from its warmth.

        The room's and that of ``watt`` in it, both rectangular (JCGM 100:2008, 4.3.7).
        """
        warm_k = math.hypot(AMBIENT_K, (self.warms_k_per_w or 0.0) * watt)
        return (self.ppm_per_k or 0.0) * 1e-6 * warm_k / math.sqrt(3.0)

    def u(self, value: float) -> float:
        """Return the standard uncertainty of ``value`` (ohm, V or A) as it tells it."""
        return math.hypot(self.expanded_u_rel * value, self.expanded_u) / self.k


@dataclass(frozen=True, slots=True)
class Point:
    """One comparison.  ``reference`` is what is true, ``reading`` the mean of ``count`` nominal
    readings with standard deviation ``scatter`` (all A or V).

    Standard uncertainties: ``reading_u`` of the mean as the station's reading at the moment of the
    reference's; ``own_u`` of the reference at this point alone (its display's last digit);
    ``common_u`` shared with all other points (its certificate).
    ``set_v`` is what the supply was set to, None where it cannot be set.
    """

    reference: float
    reading: float
    scatter: float
    count: int
    reading_u: float
    own_u: float = 0.0
    common_u: float = 0.0
    set_v: float | None = None


@dataclass(frozen=True, slots=True)
class Correction:
    """true = ``gain`` * (reading - ``offset``), with the standard uncertainties of both.

    ``offset`` in A or V of nominal reading; ``covariance`` that of gain and offset.
    """

    gain: float = 1.0
    offset: float = 0.0
    gain_u: float = 0.0
    offset_u: float = 0.0
    covariance: float = 0.0

    def true(self, reading: float) -> float:
        """Return what is true (A or V) when a station reads ``reading``."""
        return self.gain * (reading - self.offset)

    def u(self, reading: float) -> float:
        """Return the standard uncertainty of ``true(reading)``, by JCGM 100:2008, 5.2.2."""
        by_gain, by_offset = reading - self.offset, -self.gain
        variance = (
            (by_gain * self.gain_u) ** 2
            + (by_offset * self.offset_u) ** 2
            + 2.0 * by_gain * by_offset * self.covariance
        )
        return math.sqrt(max(variance, 0.0))

    @property
    def best_at(self) -> float:
        """What is true (A or V) where it is known best: about the mean of the points."""
        return self.gain**2 * self.covariance / self.gain_u**2 if self.gain_u else 0.0

    @property
    def best_u(self) -> float:
        """The standard uncertainty (A or V) there; elsewhere ``gain_u_rel`` of the way from there
        counts besides, uncorrelated.
        """
        shared = self.covariance / self.gain_u if self.gain_u else 0.0
        return self.gain * math.sqrt(max(self.offset_u**2 - shared**2, 0.0))

    @property
    def gain_u_rel(self) -> float:
        """The gain's standard uncertainty as a share of it."""
        return self.gain_u / self.gain


@dataclass(frozen=True, slots=True)
class Line:
    """What a calibration found of one quantity: the correction, from these points.

    ``before`` was in force until then (as found); ``residuals`` are reference less line (A or V).
    """

    quantity: Quantity
    correction: Correction
    points: tuple[Point, ...]
    residuals: tuple[float, ...]
    before: Correction

    def found(self, point: Point) -> float:
        """Return the error as found at ``point`` (A or V): what was shown less what was true."""
        return self.before.true(point.reading) - point.reference

    def left(self, point: Point) -> float:
        """Return the error as left at ``point`` (A or V)."""
        return self.correction.true(point.reading) - point.reference

    def astonishing(self) -> tuple[Point, ...]:
        """Return the points at which what was found is more than was claimed (k = 2).

        The claim is the uncertainty of what was in force before, beside the reference's own.  A
        current's error counts from where its zero was: each trace has a zero of its own.
        """
        current = self.quantity is Quantity.CURRENT
        zeros = [self.found(p) for p in self.points if current and p.reference == 0]
        zero = sum(zeros) / len(zeros) if zeros else 0.0
        found = []
        for point in self.points:
            compared_u = math.hypot(point.own_u, point.common_u, point.reading_u)
            claimed = COVERAGE * math.hypot(self.before.u(point.reading), compared_u)
            if point.reference and abs(self.found(point) - zero) > claimed:
                found.append(point)
        return tuple(found)

    def allowed(self, point: Point) -> float:
        """Return how far a point may lie off the line (A or V): expanded uncertainty, k = 2.

        Of what all points share only that counts which a line cannot take up: an error in
        proportion to the reading, or the same everywhere, bends nothing.
        """
        return COVERAGE * math.hypot(self._own_u(point), self._bends_u(point))

    def _bends_u(self, point: Point) -> float:
        own_u = [math.hypot(p.own_u, p.reading_u) for p in self.points]
        common_u = [p.common_u for p in self.points]
        bent = fit_line([p.reading for p in self.points], common_u, own_u, common_u)
        return bent.residuals[self.points.index(point)]

    def _own_u(self, point: Point) -> float:
        return math.hypot(point.own_u, self.correction.gain * point.reading_u)


@dataclass(frozen=True, slots=True)
class Setup:
    """The rig that a calibration was made on, or that a run is made on.

    ``world`` tells simulated rigs apart (empty on a real one); ``range_v`` is the sensor's range
    (V at the shunt): the gain holds in every range, the offset in this one.
    """

    rig: str
    station: str
    backend: str
    simulated: bool
    bus: int
    address: int
    shunt_ohm: float
    range_v: float
    world: str = ""


@dataclass(frozen=True, slots=True)
class Calibration:
    """One calibration of one station, kept for good.  ``voltage`` None: not calibrated.

    ``made_at`` is aware, UTC; ``due`` the last day it holds.
    """

    calibration_id: UUID
    made_at: datetime
    due: date
    operator: str
    setup: Setup
    references: tuple[Reference, ...]
    current: Line
    voltage: Line | None = None
    note: str = ""
    program_version: str = ""

    @property
    def made_on(self) -> date:
        """The day it was made, where this program runs; ``due`` is counted from that day."""
        return self.made_at.astimezone().date()


class CalibrationState(StrEnum):
    """Whether a station's readings rest on a calibration."""

    NEVER = "never"
    IN_FORCE = "in_force"
    OVERDUE = "overdue"  # still applied, since nothing better is known
    RIG_CHANGED = "rig_changed"  # the newest one was made on a rig that is not this one any more
    DATED_AHEAD = "dated_ahead"  # the newest one is of a day to come: the clock is or was wrong


@dataclass(frozen=True, slots=True)
class Standing:
    """How a station stood on a day: with what calibration, and why one there is does not apply.

    `rig.quality.calibration_words` has the words for it.
    """

    state: CalibrationState
    simulated: bool
    on: date
    calibration: Calibration | None = None
    changed: tuple[str, ...] = ()

    @property
    def applies(self) -> bool:
        """Tell whether readings are corrected by it."""
        return self.calibration is not None and self.state in _APPLIES

    @property
    def current(self) -> Correction | None:
        """What the current's nominal readings are corrected by; None: by the rig file alone."""
        made = self.calibration
        return made.current.correction if made is not None and self.applies else None

    @property
    def voltage(self) -> Correction | None:
        """What the voltage's nominal readings are corrected by; None: taken as the chip says."""
        made = self.calibration
        if made is None or made.voltage is None or not self.applies:
            return None
        return made.voltage.correction

    @property
    def days_left(self) -> int | None:
        """How many days it still holds after this one, below zero if it is overdue."""
        return None if self.calibration is None else (self.calibration.due - self.on).days


_APPLIES = frozenset({CalibrationState.IN_FORCE, CalibrationState.OVERDUE})


# --- making one -------------------------------------------------------------------------------


def line_of(quantity: Quantity, points: Sequence[Point], before: Correction) -> Line:
    """Return the line through ``points``.

    The line is reference over reading; a reading's own uncertainty counts in the reference's
    direction (effective variance, slope taken as 1).  Raises ValueError if the points cannot give
    one, in words.
    """
    try:
        line = fit_line(
            [p.reading for p in points],
            [p.reference for p in points],
            [math.hypot(p.own_u, p.reading_u) for p in points],
            [p.common_u for p in points],
        )
    except ValueError as error:
        raise ValueError(f"The points of the {quantity} give no line: {error}.") from error
    gain, level = line.slope, line.intercept
    if not gain > 0:
        raise ValueError(
            f"The {quantity} reads less where the reference says more: check the polarity, and "
            "which reading was typed in for which point."
        )
    (level_var, both), (_, gain_var) = line.covariance
    # offset = -level / gain: JCGM 100:2008, 5.2.2, with the partial derivatives of that.
    by_level, by_gain = -1.0 / gain, level / gain**2
    offset_var = by_level**2 * level_var + by_gain**2 * gain_var + 2 * by_level * by_gain * both
    correction = Correction(
        gain=gain,
        offset=-level / gain,
        gain_u=math.sqrt(gain_var),
        offset_u=math.sqrt(max(offset_var, 0.0)),
        covariance=by_level * both + by_gain * gain_var,
    )
    return Line(quantity, correction, tuple(points), line.residuals, before)


def due_day(made: date, interval_days: int) -> date:
    """Return the last day on which a calibration of ``made`` holds."""
    return made + timedelta(days=interval_days)


def uncertainty_ratio(point: Point, declared: Correction) -> float:
    """Return the test uncertainty ratio at a point: the rig file's word over the reference's.

    ``declared`` holds the rig file's own uncertainties.  Infinite where the reference is exact.
    """
    reference_u = math.hypot(point.own_u, point.common_u)
    declared_u = math.hypot(declared.gain_u_rel * point.reference, declared.offset_u)
    return declared_u / reference_u if reference_u > 0 else math.inf


# --- does it hold? ----------------------------------------------------------------------------


def standing(made: Sequence[Calibration], setup: Setup, on: date) -> Standing:
    """Return how the rig of ``setup`` stands on a day, by the newest of its calibrations.

    Those of other rigs and stations are left out, and on a real rig those of simulated ones.
    """
    own = [m for m in made if (m.setup.rig, m.setup.station) == (setup.rig, setup.station)]
    alike = [m for m in own if m.setup.simulated == setup.simulated]
    if not alike:
        other = "a simulated" if not setup.simulated else "the real"
        why = (f"one was made on {other} bench, which does not count here",) if own else ()
        return Standing(CalibrationState.NEVER, setup.simulated, on, changed=why)
    newest = newest_of(alike)
    assert newest is not None
    changed = (*changes(newest.setup, setup), *out_of_bounds(newest, setup.shunt_ohm))
    if newest.made_on > on:
        state = CalibrationState.DATED_AHEAD
    elif changed:
        state = CalibrationState.RIG_CHANGED
    elif on > newest.due:
        state = CalibrationState.OVERDUE
    else:
        state = CalibrationState.IN_FORCE
    return Standing(state, setup.simulated, on, newest, changed)


def newest_of(made: Sequence[Calibration]) -> Calibration | None:
    """Return the newest by its date, None of none."""
    return max(made, key=lambda m: m.made_at, default=None)


def changes(then: Setup, now: Setup) -> tuple[str, ...]:
    """Return in words what of a rig has changed so that a calibration does not apply."""
    found = []
    if not math.isclose(then.shunt_ohm, now.shunt_ohm, rel_tol=1e-9):
        old, new = then.shunt_ohm * 1000, now.shunt_ohm * 1000
        found.append(f"the shunt was {old:.4g} mohm and is {new:.4g} mohm")
    if (then.bus, then.address) != (now.bus, now.address):
        found.append(
            f"the sensor was at 0x{then.address:02X} on I2C bus {then.bus} and is at "
            f"0x{now.address:02X} on bus {now.bus}"
        )
    if then.backend != now.backend:
        found.append(f"the backend was {then.backend} and is {now.backend}")
    if then.world != now.world:
        found.append("it was made on another simulated rig")
    return tuple(found)


def out_of_bounds(made: Calibration, shunt_ohm: float) -> tuple[str, ...]:
    """Return in words which of a calibration's numbers must not be applied, whoever wrote them."""
    lines = [made.current] if made.voltage is None else [made.current, made.voltage]
    return tuple(text for line in lines for text in beyond_bounds(line, shunt_ohm))


def beyond_bounds(line: Line, shunt_ohm: float) -> tuple[str, ...]:
    """Return in words what of a line is more than any sound sensor can be off by."""
    found = []
    gain, offset = line.correction.gain, line.correction.offset
    unsure = (line.correction.gain_u, line.correction.offset_u, line.correction.covariance)
    if not all(map(math.isfinite, unsure)):
        found.append(
            f"the uncertainty of the {line.quantity} would be no number: the record is damaged"
        )
    current = line.quantity is Quantity.CURRENT
    if not abs(gain - 1.0) <= GAIN_MOST:
        why = (
            "the shunt value in rig.toml is probably wrong"
            if current
            else "the meter was probably not where the sensor measures"
        )
        found.append(
            f"the gain of the {line.quantity} would be {gain:.4f}, beyond {1 - GAIN_MOST:g} to "
            f"{1 + GAIN_MOST:g}: {why}"
        )
    most = OFFSET_MOST_V / shunt_ohm if current else VOLTAGE_OFFSET_MOST_V
    if not abs(offset) <= most:
        why = (
            "something draws current, or the sensor is not sound"
            if current
            else "a reading was probably typed in wrong"
        )
        found.append(
            f"the offset of the {line.quantity} would be {offset:+.3f} {line.quantity.unit}, "
            f"beyond {most:.3g} {line.quantity.unit} either way: {why}"
        )
    return tuple(found)


def objections(line: Line, shunt_ohm: float) -> tuple[str, ...]:
    """Return in words why a line must not be accepted; empty if it may.

    Points lie on a line if each is within its expanded uncertainty (k = 2) of it.
    """
    found = list(beyond_bounds(line, shunt_ohm))
    unit = line.quantity.unit
    for point, residual in zip(line.points, line.residuals, strict=True):
        if abs(residual) > line.allowed(point):
            found.append(
                f"the points of the {line.quantity} do not lie on a line: the one at "
                f"{point.reference:.4g} {unit} is off it by {residual:+.4f} {unit}, more than its "
                f"{line.allowed(point):.4f} {unit}: read the meter again, and look for a "
                "loose clamp or a reference that got warm"
            )
    return tuple(found)
