"""The budgets of a station, and what the analysis is told of them.

Rig file, plan and calibration come in; `Accuracy`, by which everything is judged, is made of the
very components that the budgets show.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

from drivers.ina219 import BUS_READ_STEP_V, SHUNT_STEP_V, SensorPlan, plan_sensor
from rig.analysis.model import Accuracy
from rig.plan_steps import RelayCheckStep
from rig.plans import Plan
from rig.quality.budget import Budget, root_sum_square
from rig.quality.calibration import Correction, Standing
from rig.quality.decision import DecisionRule
from rig.quality.instrument import (
    BUS_GAIN_REL,
    DELAY_U_S,
    CurrentSide,
    Instrument,
    TimeSide,
    VoltageSide,
)
from rig.quality.limit_budgets import LimitBudget, Situation, limit_budgets
from rig.settings import IGNITION_MAX_A, SensorSettings, StationSettings


def instrument_of(
    station: StationSettings, plan: Plan, standing: Standing | None = None
) -> Instrument:
    """Return a station's battery feed as an instrument while it carries out a plan.

    ``standing`` tells of a calibration, if it applies.  Raises SensorError if the station's sensor
    cannot be ranged for the plan.
    """
    return _instrument(station, station.battery_sensor, plan.largest_a, standing)


def coil_instrument_of(station: StationSettings) -> Instrument | None:
    """Return a station's ignition feed as an instrument; None if it has no sensor."""
    sensor = station.ignition_sensor
    return None if sensor is None else _instrument(station, sensor, IGNITION_MAX_A, None)


def _instrument(
    station: StationSettings, sensor: SensorSettings, max_a: float, standing: Standing | None
) -> Instrument:
    ranged = plan_sensor(sensor.wiring(max_a))
    return Instrument(
        replace(
            _current(sensor, ranged, standing),
            of_coil=sensor is station.ignition_sensor,
        ),
        _voltage(station, None if standing is None else standing.voltage),
        _time(station, ranged),
    )


def _current(sensor: SensorSettings, ranged: SensorPlan, standing: Standing | None) -> CurrentSide:
    side = replace(_declared(sensor), pga=ranged.pga)
    if standing is None or standing.current is None or standing.calibration is None:
        return side
    correction, made = standing.current, standing.calibration
    # The chip's offset differs from range to range (TI SBOS448G).
    same_range = made.setup.range_v == ranged.range_v
    return replace(
        side,
        calibrated_u_rel=correction.gain_u_rel,
        calibrated_offset_u_a=correction.offset_u if same_range else None,
    )


def _declared(sensor: SensorSettings) -> CurrentSide:
    return CurrentSide(
        shunt_ohm=sensor.shunt_ohm,
        shunt_w=sensor.shunt_w,
        step_v=SHUNT_STEP_V,
        gain=sensor.gain,
        grade=sensor.sensor_grade,
        shunt_tolerance=sensor.shunt_tolerance,
        shunt_ppm_per_k=sensor.shunt_ppm_per_k,
        tolerance_declared="shunt_tolerance" in sensor.model_fields_set,
        gain_u_rel=sensor.gain_u_rel,
        offset_u_a=sensor.offset_u_a,
    )


def _voltage(station: StationSettings, correction: Correction | None) -> VoltageSide:
    return VoltageSide(
        step_v=BUS_READ_STEP_V,
        held_s=station.battery_sensor.bus_every / station.sample_hz,
        calibrated_u_rel=None if correction is None else correction.gain_u_rel,
        calibrated_at_v=0.0 if correction is None else correction.best_at,
        calibrated_at_u_v=None if correction is None else correction.best_u,
    )


def _time(station: StationSettings, ranged: SensorPlan) -> TimeSide:
    feed = station.ignition_feed
    return TimeSide(
        conversion_s=ranged.slowest_pair_s,
        sample_s=1.0 / station.sample_hz,
        delay_u_s=feed.delay_u_s,
        # The starter file states the guess itself: a number that nobody changed tells nothing.
        delay_declared=feed.delay_u_s != DELAY_U_S,
    )


UNCALIBRATED_VOLTAGE = Correction(gain_u=BUS_GAIN_REL / math.sqrt(3.0))
"""What a voltage is corrected by that nobody calibrated: nothing, with the chip's own limit."""


def declared_of(station: StationSettings) -> Correction:
    """Return the rig file's own correction of a station's current, as uncertain as it leaves it."""
    sensor = station.battery_sensor
    return Correction(
        gain=sensor.gain,
        offset=sensor.offset_a,
        gain_u=sensor.gain * root_sum_square(_declared(sensor).gain_parts()),
        offset_u=sensor.zero_u_a,
    )


def shunt_heat_u_rel(station: StationSettings, current_a: float) -> float:
    """Return what a station's gain is uncertain by, relative, as ``current_a`` warms its shunt."""
    return _declared(station.battery_sensor).heat_part(current_a).standard_u


def accuracy_of(
    station: StationSettings,
    plan: Plan,
    standing: Standing | None = None,
    full_scale_a: float | None = None,
) -> Accuracy:
    """Return the standard uncertainties of a station's battery feed while it carries out a plan.

    Raises SensorError as `instrument_of` does.
    """
    return instrument_of(station, plan, standing).accuracy(full_scale_a)


def coil_accuracy_of(station: StationSettings) -> Accuracy | None:
    """Return those of the sensor in a station's ignition feed; None if there is none."""
    coil = coil_instrument_of(station)
    return None if coil is None else coil.accuracy()


# --- what is shown ------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class Budgets:
    """The budgets of a station that carries out a plan.

    ``current`` at the running current, ``voltage`` at the nominal voltage, ``time`` at the limit of
    a half-turn; ``limits`` one for each limit of the plan; ``calibrated`` tells that a calibration
    is in force for the current.
    """

    station: str
    plan: str
    rule: DecisionRule
    current: Budget
    voltage: Budget
    time: Budget
    limits: tuple[LimitBudget, ...]
    calibrated: bool

    @property
    def all(self) -> tuple[Budget, ...]:
        """The budgets of current, voltage and time."""
        return (self.current, self.voltage, self.time)


def budgets_of(
    station: StationSettings,
    plan: Plan,
    calibration: Standing | None = None,
    noise_a: float | None = None,
) -> Budgets:
    """Return the budgets of a station at a plan's limits.

    ``calibration`` is how the station stands, None without one; ``noise_a`` a reading's scatter at
    rest (A, standard deviation) if it was measured.  Raises SensorError if the station's sensor
    cannot be ranged for the plan.
    """
    instrument = instrument_of(station, plan, calibration)
    instrument = replace(instrument, current=replace(instrument.current, noise_a=noise_a))
    limits, unit = plan.analysis_limits(), plan.unit_type()
    steps = [step.step_v for step in plan.steps if isinstance(step, RelayCheckStep)]
    at = Situation(
        instrument=instrument,
        coil=coil_instrument_of(station),
        unit=unit,
        limits=limits,
        stall_a=plan.unit.stall_a,
        trial_step_v=max(steps, default=None),
    )
    return Budgets(
        station=station.name,
        plan=plan.name,
        rule=limits.rule,
        current=instrument.current_budget(at.run_a),
        voltage=instrument.voltage_budget(unit.nominal_v),
        time=instrument.time_budget(limits.half_turn_max_s.at(unit.nominal_v)),
        limits=tuple(limit_budgets(at)),
        calibrated=calibration is not None and calibration.current is not None,
    )


def decision_words(plan: Plan) -> str:
    """Return the rule by which a plan decides, with U's coverage factor, for whoever reads it."""
    return plan.analysis_limits().rule.words()
