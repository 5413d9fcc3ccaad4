"""What the analysis is told (unit type, limits, accuracy) and what it answers."""

from __future__ import annotations

from dataclasses import dataclass, field
from enum import StrEnum
from itertools import pairwise
from math import hypot

from rig.quality.decision import DEFAULT_RULE, DecisionRule


class Direction(StrEnum):
    """Which way a half-turn goes."""

    TO_RUN = "to_run"
    TO_STOP = "to_stop"


class Outcome(StrEnum):
    """What one half-turn did."""

    PARKED = "parked"
    SLOW = "slow"
    STALLED = "stalled"
    RUNS_ON = "runs_on"
    STOPS_SHORT = "stops_short"
    NO_MOVEMENT = "no_movement"
    NO_FEED = "no_feed"
    NOT_MEASURED = "not_measured"


class Verdict(StrEnum):
    """What the unit gets."""

    PASS = "pass"
    FAIL = "fail"
    RETEST = "retest"


@dataclass(frozen=True, slots=True)
class UnitType:
    """Nominal data of a unit type, at 20 degrees Celsius.

    ``winding_ohm`` terminal resistance; ``turn_vs`` back-EMF integral of one full half-turn
    (volt-seconds: motor constant x gear ratio x pi), which does not depend on supply or load;
    ``heat_j_per_k`` and ``cooling_k_per_w`` the winding's heat capacity and thermal resistance;
    ``brake_at_park`` whether the cam shorts the armature once it has cut off (None: not known).
    """

    name: str
    nominal_v: float = 12.0
    winding_ohm: float = 0.8
    turn_vs: float | None = None
    heat_j_per_k: float = 30.0
    cooling_k_per_w: float = 8.0
    brake_at_park: bool | None = None


@dataclass(frozen=True, slots=True)
class VoltageLimit:
    """A limit given at one or more supply voltages, straight lines between, flat outside.

    ``points``: (volts, limit) in rising volts; one point is a plain limit.
    """

    points: tuple[tuple[float, float], ...]

    def at(self, supply_v: float) -> float:
        """Return the limit at ``supply_v`` volts."""
        points = self.points
        if supply_v <= points[0][0]:
            return points[0][1]
        for (v0, x0), (v1, x1) in pairwise(points):
            if supply_v <= v1:
                return x0 + (x1 - x0) * (supply_v - v0) / (v1 - v0)
        return points[-1][1]


@dataclass(frozen=True, slots=True)
class Limits:
    """Pass limits of a plan.  None means: not judged.

    Half-turn time (s) by supply voltage; ``run_on_s`` and ``stall_s`` the times after which a
    unit counts as running on or stalled; currents in A; ``sag_max_v`` V; ``response_max_s`` s;
    ``lowest_supply_max_v`` the highest acceptable lowest working voltage (V).  Of the unit's own
    relay: ``pull_in_max_v`` and ``drop_out_min_v`` (V), ``coil_*_ohm`` as found, not reduced to 20
    degrees, ``operate_max_s`` and ``release_max_s``.  ``rule`` says how values are held against all
    of these.
    """

    half_turn_max_s: VoltageLimit
    run_on_s: float = 3.0
    stall_s: float = 0.4
    half_turn_min_s: VoltageLimit | None = None
    rest_max_a: float | None = None
    run_max_a: float | None = None
    peak_max_a: float | None = None
    sag_max_v: float | None = None
    response_max_s: float | None = None
    dropouts_max: int | None = None
    dropout_max_s: float | None = None
    lowest_supply_max_v: float | None = None
    stall_min_a: float | None = None
    stall_max_a: float | None = None
    winding_min_ohm: float | None = None
    winding_max_ohm: float | None = None
    swap_change_max: float | None = None
    pull_in_max_v: float | None = None
    drop_out_min_v: float | None = None
    coil_min_ohm: float | None = None
    coil_max_ohm: float | None = None
    operate_max_s: float | None = None
    release_max_s: float | None = None
    rule: DecisionRule = DEFAULT_RULE


@dataclass(frozen=True, slots=True)
class Accuracy:
    """Standard uncertainties (k = 1) of what was recorded.

    ``relay_u_s`` of the feed's contact time; ``sensor_delay_u_s`` of the sample's time stamp (an
    INA219's 12-bit conversion is over by 0 to 0.53 ms when it is read, and spans 0.53 ms);
    ``clock_u_rel`` of the clock's rate.  ``gain_u_rel`` relative, and ``gain_u_per_a2`` what the
    shunt's own heat adds to it at the square of a current (1/A2); ``offset_u_a`` A, with the zero
    as the trace shows it taken off, and ``unzeroed_u_a`` (A) what it is more where none shows.
    ``voltage_gain_u_rel`` relative, ``voltage_offset_u_v`` V; a calibration knows a voltage best
    among its points, at ``voltage_best_v`` (V), and the gain counts from there.  ``full_scale_a``
    marks clipping (A) if known.  ``zero_moved_a`` is by how much (A) the sensor's zero moved over
    the recording that a trace is a part of, if seen.  ``fed_zero_u_a`` (A) is what the zero of a
    coil's sensor is off by once its feed is made, where ``offset_u_a`` allows for a zero that was
    not looked at.

    Of a station they come from its budget (`rig.quality.uncertainty`).  The values here are for a
    trace from a rig that nothing is known of: a guess.
    """

    relay_u_s: float = 0.0
    sensor_delay_u_s: float = 0.0004
    clock_u_rel: float = 0.0
    gain_u_rel: float = 0.005
    gain_u_per_a2: float = 0.0
    offset_u_a: float = 0.005
    unzeroed_u_a: float = 0.0
    fed_zero_u_a: float = 0.0
    voltage_gain_u_rel: float = 0.005
    voltage_offset_u_v: float = 0.004
    voltage_best_v: float = 0.0
    full_scale_a: float | None = None
    zero_moved_a: float = 0.0

    def current_u_a(self, current_a: float) -> float:
        """Return the standard uncertainty of a current (A), without its readings' scatter."""
        heat_u_rel = self.gain_u_per_a2 * current_a * current_a
        return hypot(self.gain_u_rel * current_a, heat_u_rel * current_a, self.offset_u_a)

    def voltage_u_v(self, voltage_v: float) -> float:
        """Return the standard uncertainty of a voltage (V)."""
        from_v = voltage_v - self.voltage_best_v
        return hypot(self.voltage_gain_u_rel * from_v, self.voltage_offset_u_v)

    def time_u_s(self, lasted_s: float) -> float:
        """Return the standard uncertainty of a time (s) from a feed change, ends' places apart."""
        return hypot(self.relay_u_s, self.sensor_delay_u_s, self.clock_u_rel * lasted_s)


@dataclass(frozen=True, slots=True)
class HalfTurn:
    """One half-turn: outcome and measures.  None = could not be measured.

    Times in s, currents in A, charge in C, energy in J; ``*_u_*`` are expanded uncertainties
    (k = 2).  ``start_s`` is the feed change and ``end_s`` the cam's cut-off on the trace's axis.
    ``supply_v`` is the median voltage while it turned, ``supply_u_v`` its uncertainty (None in a
    record from before it was kept), ``sag_v`` how far it fell below the
    voltage before.  ``turned_deg`` is the angle estimated from back-EMF.  ``note`` says in plain
    words what decided the outcome.  ``cut_by_rig`` tells that the feed was taken away while
    current still flowed.
    """

    number: int
    direction: Direction
    outcome: Outcome
    start_s: float
    end_s: float | None = None
    response_s: float | None = None
    half_turn_s: float | None = None
    half_turn_u_s: float | None = None
    nominal_half_turn_s: float | None = None
    nominal_half_turn_u_s: float | None = None
    peak_a: float | None = None
    peak_u_a: float | None = None
    run_a: float | None = None
    run_u_a: float | None = None
    rest_a: float | None = None
    rest_u_a: float | None = None
    charge_c: float | None = None
    energy_j: float | None = None
    supply_v: float | None = None
    supply_u_v: float | None = None
    sag_v: float | None = None
    sag_u_v: float | None = None
    dropouts: int = 0
    longest_dropout_s: float = 0.0
    turned_deg: float | None = None
    peak_speed_deg_per_s: float | None = None
    cut_by_rig: bool = False
    note: str = ""


@dataclass(frozen=True, slots=True)
class Measure:
    """One measured value with its unit and expanded uncertainty (k = 2), None if unknown."""

    name: str
    value: float | None
    unit: str
    u: float | None = None


REPEATED = "repeat"
"""The measure of a reason that tells of a step done more than once: it argues for nothing."""


@dataclass(frozen=True, slots=True)
class Reason:
    """Why a verdict is what it is: ``text`` in plain words, and the verdict it argues for.

    ``half_turn`` is the number of the half-turn meant (0 = the whole run), ``measure`` its name.
    """

    verdict: Verdict
    text: str
    measure: str = ""
    half_turn: int = 0


@dataclass(frozen=True, slots=True)
class Judgement:
    """A verdict with its reasons, worst first."""

    verdict: Verdict
    reasons: tuple[Reason, ...] = field(default=())
