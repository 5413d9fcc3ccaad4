"""Estimates of a motor from what was fitted, with everything the instrument may be off.

Standard uncertainties (k = 1): the covariance of the fit, the model's own error, and the gains and
offsets of `Accuracy`, each by how it enters (law of propagation, JCGM 100:2008, 5.1).
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

from rig.analysis.copper import PER_K
from rig.analysis.emf_constant import EmfConstant
from rig.analysis.estimate import Estimate, unknown
from rig.analysis.friction import ONE_SPEED, Friction
from rig.analysis.model import Accuracy
from rig.analysis.motor_relations import constant_of
from rig.analysis.run_up_fit import RunUpFit, StallOhm
from rig.analysis.warming import HEAT_U
from rig.analysis.winding import USED

OHM, EMF, AMPERE, SECOND, INERTIA, CELSIUS = "ohm", "V s/rev", "A", "s", "kg m2", "degC"
VISCOUS, SPEED, HENRY, KELVIN = "A s/rev", "rev/s", "H", "K"

# What the model leaves out (brushes, ripple) shifts a resistance from starts, and an inertia, by
# these parts; what a contact does between two samples shifts a resistance by a part of the sample
# distance over the mechanical time constant, and an inductance by a part for each millisecond
# (standard; measured on ngspice and simulated motors, 200 Hz to 2 kHz).
OHM_MODEL, OHM_BETWEEN = 0.005, 0.13
INERTIA_MODEL, HENRY_BETWEEN = 0.02, 0.2
# ... and by how much more for each standard deviation that the starts misfit (guess).
MISFIT_COSTS = 2.0
# An inductance is over too soon to be seen in samples farther apart (s).
HENRY_STEP_MOST_S = 0.0012
# Beyond these parts a resistance from starts, or an inertia, is no measurement.
OHM_U_MOST, EMF_U_MOST, INERTIA_U_MOST = 0.10, 0.10, 0.25
# A winding that has rested is at ambient temperature to within this; the starts of a run agree on
# a temperature to within that (K, guesses).
AMBIENT_U_K, DRIFT_U_K = 2.0, 1.0
# The rise follows the shape that nominal heat data give it to this part (guess).
RISE_SHAPE = 0.04
# Where R is off by more between two samples (part), its drift is no temperature.
DRIFT_BETWEEN_MOST = 0.015
# A rise known no better than this (K), or than this part of it, was not measured.
RISE_U_MOST_K, RISE_U_PART = 3.0, 0.4

NO_START = (
    "no start from rest with current is in the traces: a step with half-turns brings it, a jam "
    "test the resistance"
)
NO_VOLTAGE = "the voltage was not recorded: it must be measured beside the current"
CLIPPED = (
    "the inrush was beyond the sensor's range: half-turns with a larger range (a smaller shunt) "
    "bring it"
)
LIMITED = (
    "the supply limited the inrush: half-turns on a supply that gives all of it bring it, a jam "
    "test the resistance"
)
NOT_FOLLOWED = (
    "the starts do not look like a motor that runs up freely: half-turns with the lever free bring "
    "it, a jam test the resistance"
)
TOO_COARSE = (
    "the starts were sampled too rarely, or are too few, to be followed back: a jam test brings "
    "the resistance, half-turns at 500 Hz or more the rest"
)
TOO_COARSE_FOR_L = "the samples are too far apart to show it: half-turns at 1 kHz or more bring it"
NO_HALF_TURN = (
    "no half-turn in the traces ended at its park position: a step with half-turns brings it"
)
NO_AMBIENT = (
    "the winding's temperature at the first start is not known: give the ambient temperature, for "
    "a unit that has rested half an hour"
)
NO_DRIFT = (
    "the resistance did not drift by more than it is known: starts right after a longer drive, at "
    "1 kHz, bring it, with a rest of half an hour before the first"
)


def gains(accuracy: Accuracy) -> float:
    """Return the standard uncertainty that the gains leave a resistance with, as a part of it."""
    return math.hypot(accuracy.gain_u_rel, accuracy.voltage_gain_u_rel)


def circuit_ohm(
    fit: RunUpFit | None, stalls: Sequence[StallOhm], accuracy: Accuracy, missing: str
) -> Estimate:
    """Return the resistance: of the starts with all stalls in it, else of the stalls alone.

    It holds at the temperature that `winding_c` returns.
    """
    if fit is None:
        if not stalls:
            return unknown(OHM, missing)
        mean = mean_stall(stalls)
        return Estimate(mean.ohm, math.hypot(mean.u_ohm, gains(accuracy) * mean.ohm), OHM)
    own = ohm_scatter(fit)
    # Offsets count against the inrush, and against the voltage there.
    inrush_a = fit.supply_v / fit.ohm
    u = math.hypot(
        own,
        gains(accuracy),
        accuracy.offset_u_a / inrush_a,
        accuracy.voltage_offset_u_v / fit.supply_v,
        fit.source_u_ohm / fit.ohm,
        fit.source_scatter_v / fit.supply_v,
    )
    if u > OHM_U_MOST:
        return unknown(OHM, TOO_COARSE)
    return Estimate(fit.ohm, u * fit.ohm, OHM)


def mean_stall(stalls: Sequence[StallOhm]) -> StallOhm:
    """Return the weighted mean of stalls, which had one rise or several.

    Copper's resistance is linear in its temperature: the mean of resistances is that at the mean of
    their rises, with the same weights.  Raises ValueError without a stall.
    """
    if not stalls:
        raise ValueError("a mean needs at least one stall")
    weights = [1.0 / s.u_ohm**2 for s in stalls]
    total = sum(weights)
    ohm = sum(w * s.ohm for w, s in zip(weights, stalls, strict=True)) / total
    rise_k = sum(w * s.rise_k for w, s in zip(weights, stalls, strict=True)) / total
    return StallOhm(ohm, total**-0.5, rise_k)


def ohm_scatter(fit: RunUpFit) -> float:
    """Return how well the starts themselves know R, as a part of it (standard)."""
    return math.hypot(float(fit.covariance[0, 0]) ** 0.5, ohm_model(fit))


def ohm_between(fit: RunUpFit) -> float:
    """Return by what part R is off by what a contact does between two samples (standard)."""
    return OHM_BETWEEN * fit.step_s / fit.time_constant_s


def ill(fit: RunUpFit) -> float:
    """Return by how much the model's own errors are larger than usual: it does not fit as usual."""
    return 1.0 + MISFIT_COSTS * max(fit.misfit - 1.0, 0.0)


def ohm_model(fit: RunUpFit) -> float:
    """Return by what part of R the model is off (standard), and J/K2 the other way."""
    model = math.hypot(OHM_MODEL * ill(fit), ohm_between(fit))
    # Stalls do not depend on the starts' first samples.
    return float((model**-2 + sum((s.ohm / s.u_ohm) ** 2 for s in fit.stalls)) ** -0.5)


def time_constant_s(fit: RunUpFit | None, missing: str) -> Estimate:
    """Return R J/K2 (s).  Gains shift R and J/K2 the opposite ways, and cancel."""
    if fit is None:
        return unknown(SECOND, missing)
    c = fit.covariance
    own = max(float(c[0, 0] + c[2, 2] + 2.0 * c[0, 2]), 0.0) ** 0.5
    u = math.hypot(own, INERTIA_MODEL * ill(fit))
    if u > INERTIA_U_MOST:
        return unknown(SECOND, TOO_COARSE)
    return Estimate(fit.time_constant_s, u * fit.time_constant_s, SECOND)


def inductance_h(fit: RunUpFit | None, missing: str) -> Estimate:
    """Return the inductance (H); it is over in a few samples, and known accordingly."""
    if fit is None:
        return unknown(HENRY, missing)
    u = math.hypot(float(fit.covariance[1, 1]) ** 0.5, HENRY_BETWEEN * fit.step_s / 0.001)
    if fit.step_s > HENRY_STEP_MOST_S or u > 2.0 * INERTIA_U_MOST:
        return unknown(HENRY, TOO_COARSE_FOR_L)
    return Estimate(fit.henry, u * fit.henry, HENRY)


def emf_vs_per_rev(
    emf: EmfConstant | None, fit: RunUpFit | None, accuracy: Accuracy, missing: str
) -> Estimate:
    """Return the back-EMF constant of the output (V s per revolution)."""
    if emf is None or fit is None:
        return unknown(EMF, missing)
    value = emf.emf_vs_per_rev
    # The current's gain shifts R the other way: their product, the drop, stays.
    offset_v = math.hypot(accuracy.voltage_offset_u_v, fit.ohm * accuracy.offset_u_a)
    u = math.hypot(
        emf.u_scatter,
        emf.u_cam,
        emf.u_coast,
        drop_part(emf, fit) * value * ohm_scatter(fit),
        accuracy.voltage_gain_u_rel * value,
        2.0 * offset_v * emf.driven_s,
    )
    if u > EMF_U_MOST * value:
        return unknown(EMF, TOO_COARSE)
    return Estimate(value, u, EMF)


def inertia_kgm2(
    fit: RunUpFit | None, emf: EmfConstant | None, constant: Estimate, accuracy: Accuracy
) -> Estimate:
    """Return the inertia felt at the output (kg m2): C K2."""
    if fit is None or emf is None or constant.value is None or constant.u is None:
        return unknown(INERTIA, constant.missing)
    value = fit.farad * constant_of(constant.value) ** 2
    # What shifts R shifts C and K both the other way: those parts add up.
    part = drop_part(emf, fit)
    c = fit.covariance
    fitted = max(float(c[2, 2] + (2.0 * part) ** 2 * c[0, 0] - 4.0 * part * c[0, 2]), 0.0) ** 0.5
    rest = max((constant.u / constant.value) ** 2 - (part * ohm_scatter(fit)) ** 2, 0.0) ** 0.5
    # C is a charge over a voltage: the current's gain stays, and the voltage's once of K's twice.
    u = math.hypot(
        fitted,
        (1.0 + 2.0 * part) * ohm_model(fit),
        2.0 * rest,
        accuracy.gain_u_rel,
        INERTIA_MODEL * ill(fit),
    )
    if u > INERTIA_U_MOST:
        return unknown(INERTIA, TOO_COARSE)
    return Estimate(value, u * value, INERTIA)


def drop_part(emf: EmfConstant, fit: RunUpFit) -> float:
    """Return by what part of itself K falls for each part that R rises."""
    return abs(emf.per_ohm) * fit.ohm / emf.emf_vs_per_rev


@dataclass(frozen=True, slots=True)
class Level:
    """Friction's currents with what the instrument may be off (A)."""

    accuracy: Accuracy
    zero_u_a: float
    missing: str

    def friction(self, friction: Friction | None) -> Estimate:
        """Return all friction."""
        if friction is None:
            return unknown(AMPERE, self.missing)
        return Estimate(friction.level_a, self._u(friction.level_a, friction.u_a), AMPERE)

    def one_way(self, friction: Friction | None, level_a: float | None) -> Estimate:
        """Return the load's level one way."""
        if friction is None or level_a is None:
            return unknown(AMPERE, self.missing or NO_HALF_TURN)
        return Estimate(level_a, self._u(level_a, friction.u_a), AMPERE)

    def dry(self, friction: Friction | None) -> Estimate:
        """Return what does not grow with speed."""
        if friction is None:
            return unknown(AMPERE, self.missing)
        if not friction.told:
            return unknown(AMPERE, ONE_SPEED)
        own = math.hypot(friction.u_a, friction.u_per_v * friction.emf_v)
        return Estimate(friction.dry_a, self._u(friction.dry_a, own), AMPERE)

    def _u(self, level_a: float, own_a: float) -> float:
        accuracy = self.accuracy
        return math.hypot(own_a, accuracy.gain_u_rel * level_a, accuracy.offset_u_a, self.zero_u_a)


def viscous_as_per_rev(friction: Friction | None, emf: Estimate) -> Estimate:
    """Return by how much friction grows with speed (A per revolution a second)."""
    if friction is None or emf.value is None or emf.u is None:
        return unknown(VISCOUS, emf.missing)
    if not friction.told:
        return unknown(VISCOUS, ONE_SPEED)
    u = math.hypot(friction.u_per_v * emf.value, friction.per_v * emf.u)
    return Estimate(friction.per_v * emf.value, u, VISCOUS)


def friction_rev_s(friction: Friction | None, emf: Estimate) -> Estimate:
    """Return the speed that the friction was seen at (revolutions of the output a second)."""
    if friction is None or emf.value is None or emf.u is None:
        return unknown(SPEED, emf.missing)
    value = friction.emf_v / emf.value
    return Estimate(value, value * emf.u / emf.value, SPEED)


def winding_c(
    fit: RunUpFit | None, stalls: Sequence[StallOhm], ambient_c: float | None
) -> Estimate:
    """Return the temperature (degrees C) that the resistance holds at.

    Of stalls alone it is the ambient temperature and their mean predicted rise, which a unit's heat
    data put off by `HEAT_U` for all of them alike.
    """
    if ambient_c is None:
        return unknown(CELSIUS, NO_AMBIENT)
    if fit is None:
        warmer_k = mean_stall(stalls).rise_k if stalls else 0.0
        return Estimate(ambient_c + warmer_k, math.hypot(AMBIENT_U_K, HEAT_U * warmer_k), CELSIUS)
    u_warmed = float(fit.covariance[3, 3]) ** 0.5
    value = ambient_c + fit.warmed * fit.rise_k
    return Estimate(value, math.hypot(AMBIENT_U_K, u_warmed * fit.rise_k), CELSIUS)


def rise_k(
    fit: RunUpFit | None, predicted_k: float, ambient_c: float | None, missing: str
) -> Estimate:
    """Return the rise (K) that the resistance shows, ``predicted_k`` by nominal heat data.

    The resistance method: (k + T) times the relative change of resistance.
    """
    if fit is None:
        return unknown(KELVIN, missing)
    square = float(fit.covariance[3, 3])
    # What the drift says by itself: the nominal data that the fit also leant on taken out.
    told = 1.0 / max(square, 1e-12) - 1.0 / HEAT_U**2
    if told <= 0.0 or ohm_between(fit) > DRIFT_BETWEEN_MOST:
        return unknown(KELVIN, NO_DRIFT)
    nominal_c = 20.0 if ambient_c is None else ambient_c
    kelvin_per_part = PER_K * (USED.value + nominal_c)
    warmed = 1.0 + (fit.warmed - 1.0) / (1.0 - square / HEAT_U**2)
    value = warmed * predicted_k * kelvin_per_part
    scatter_k = told**-0.5 * predicted_k * kelvin_per_part
    # Each start's own error, as it falls on a line through all of them.
    starts_k = kelvin_per_part / PER_K * ohm_between(fit) * 2.0 / len(fit.load_a) ** 0.5
    u = math.hypot(scatter_k, starts_k, DRIFT_U_K, RISE_SHAPE * value)
    if u > max(RISE_U_MOST_K, RISE_U_PART * abs(value)):
        return unknown(KELVIN, NO_DRIFT)
    return Estimate(value, u, KELVIN)


def notes(friction: Friction | None, emf: EmfConstant | None) -> tuple[str, ...]:
    """Return what the values rest on that a reader ought to know."""
    found: list[str] = []
    if friction is not None and friction.uneven:
        found.append(
            "The load is not level over the half-turn (a spring, or something that binds): "
            "friction is that of the evenest stretch."
        )
    if emf is not None and 0.05 < emf.braked < 0.95:
        found.append(
            "Whether the cam brakes the motor at park is not known, so how far it coasts is not "
            "either: say so in the unit's data, or run half-turns at a second supply voltage, 3 V "
            "away or more."
        )
    if emf is not None and emf.u_cam > 0.0:
        found.append(
            "The half-turns do not make a whole turn from cut-off to cut-off, so the place of the "
            "cam's edges counts (1 degree taken, a guess): four half-turns in one step avoid it."
        )
    return tuple(found)
