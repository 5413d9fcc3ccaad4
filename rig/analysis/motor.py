"""The motor behind a trace: resistance, back-EMF, friction, inertia, each as far as it shows.

V = R i + L di/dt + K w and J dw/dt = K i - b w - friction.  The starts give R, L and J/K2
(`run_up_fit`), a stall gives R (`stall`), the way from cut-off to cut-off gives K (`emf_constant`),
the current of the way friction (`friction`).  `motor_estimates` adds what the instrument may be
off.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from rig.analysis import motor_estimates as estimates
from rig.analysis.emf_constant import EmfConstant, find_emf_constant
from rig.analysis.estimate import Estimate
from rig.analysis.followed import Followed, follow
from rig.analysis.friction import Friction, find_friction, guess_growth
from rig.analysis.model import Accuracy, UnitType
from rig.analysis.run_up_fit import RunUpFit, StallOhm, fit_run_ups
from rig.analysis.stall import stall_and_winding
from rig.analysis.trace import Trace
from rig.analysis.turned import Turned, find_turned
from rig.analysis.warming import Warming, predict_warming
from rig.analysis.winding import reduced_to_20c
from rig.quality.decision import COVERAGE

# At standstill the resistance depends on where the commutator stands (standard, part, guess); one
# seen at the end of a half-turn that jammed is known less well than one of a jam test.
COMMUTATOR_U, JAMMED_U = 0.01, 0.02
# A level current in a half-turn is that of standstill if the resistance is not far above the
# nominal one; else it may be a leak (guess).
STALL_MOST = 1.6
# Beyond this a fit does not describe the starts; nor beyond that, if the lever soon ran into
# something.  A rippling commutator makes 3 (ngspice, 15 %).
MISFIT_MOST, JAMMED_MISFIT_MOST = 4.0, 1.0


NOT_ASKED = Estimate(None, None, "", "nobody asked for it")


@dataclass(frozen=True, slots=True)
class MotorIdentity:
    """What the traces of one unit say of its motor.

    ``circuit_ohm`` winding, brushes and leads as they were (ohm, at ``winding_c`` degrees C);
    ``circuit_20c_ohm`` the same at 20 degrees C; ``emf_vs_per_rev`` back-EMF at one revolution of
    the output a second (V s per revolution, gear included); ``friction_a`` the current that
    friction alone takes at no load (A); ``time_constant_s`` mechanical (s); ``inertia_kgm2`` of
    everything up to the gear, as felt at the output (kg m2); ``winding_c`` winding temperature
    (degrees C).

    ``friction_a`` is all friction, at ``friction_rev_s`` revolutions of the output a second; of it
    ``viscous_as_per_rev`` grows with speed (A per revolution a second) and ``dry_friction_a`` does
    not.  ``friction_to_run_a`` and ``friction_to_stop_a`` are the load's level each way, a spring
    or a cable that binds one way included (A).  ``inductance_h`` of the circuit (H).  ``rise_k`` by
    how much the winding got warmer from the first start to the end of the last drive (K), by the
    resistance method.  ``notes`` tell in plain words what the values rest on.
    """

    circuit_ohm: Estimate
    circuit_20c_ohm: Estimate
    emf_vs_per_rev: Estimate
    friction_a: Estimate
    time_constant_s: Estimate
    inertia_kgm2: Estimate
    winding_c: Estimate
    dry_friction_a: Estimate = NOT_ASKED
    viscous_as_per_rev: Estimate = NOT_ASKED
    friction_rev_s: Estimate = NOT_ASKED
    friction_to_run_a: Estimate = NOT_ASKED
    friction_to_stop_a: Estimate = NOT_ASKED
    inductance_h: Estimate = NOT_ASKED
    rise_k: Estimate = NOT_ASKED
    notes: tuple[str, ...] = ()


def identify(
    traces: Sequence[Trace],
    unit: UnitType,
    accuracy: Accuracy,
    *,
    ambient_c: float | None = None,
    jam: Sequence[Trace] = (),
) -> MotorIdentity:
    """Return what the traces of one unit say of its motor, in the order they were recorded.

    ``unit`` gives nominal values to begin with.  ``ambient_c`` is the temperature (degrees C) that
    the winding had when the first trace began.  ``jam`` are traces in which it was held still,
    recorded after the others.
    """
    turned, zero_u_a = find_turned([*traces, *jam], unit, accuracy)
    warming = predict_warming(turned, unit)
    stalls = _stalls(turned, warming, len(traces), jam, unit, accuracy)
    fit, why_not = _fit(turned, warming, stalls, unit)
    ohm = estimates.circuit_ohm(fit, stalls, accuracy, why_not)
    friction, emf = None, None
    if fit is not None:
        drives = follow(turned, warming, fit)
        friction = find_friction([d for d in drives if d.drive.whole], fit, unit)
        fit = _with_viscous(fit, friction, drives, unit)
        why_not = estimates.NO_HALF_TURN
        if friction is not None:
            emf = find_emf_constant(drives, fit, friction, unit)
    winding_c = estimates.winding_c(fit, stalls, ambient_c)
    return _identity(
        fit, ohm, friction, emf, warming, accuracy, zero_u_a, winding_c, ambient_c, why_not
    )


def _identity(
    fit: RunUpFit | None,
    ohm: Estimate,
    friction: Friction | None,
    emf: EmfConstant | None,
    warming: Warming,
    accuracy: Accuracy,
    zero_u_a: float,
    winding_c: Estimate,
    ambient_c: float | None,
    why_not: str,
) -> MotorIdentity:
    constant = estimates.emf_vs_per_rev(emf, fit, accuracy, why_not)
    level = estimates.Level(accuracy, zero_u_a, why_not)
    return MotorIdentity(
        circuit_ohm=ohm,
        circuit_20c_ohm=reduced_to_20c(ohm, winding_c),
        emf_vs_per_rev=constant,
        friction_a=level.friction(friction),
        time_constant_s=estimates.time_constant_s(fit, why_not),
        inertia_kgm2=estimates.inertia_kgm2(fit, emf, constant, accuracy),
        winding_c=winding_c,
        dry_friction_a=level.dry(friction),
        viscous_as_per_rev=estimates.viscous_as_per_rev(friction, constant),
        friction_rev_s=estimates.friction_rev_s(friction, constant),
        friction_to_run_a=level.one_way(friction, friction.to_run_a if friction else None),
        friction_to_stop_a=level.one_way(friction, friction.to_stop_a if friction else None),
        inductance_h=estimates.inductance_h(fit, why_not),
        rise_k=estimates.rise_k(fit, warming.end_k, ambient_c, why_not),
        notes=estimates.notes(friction, emf),
    )


def _fit(
    turned: list[Turned], warming: Warming, stalls: list[StallOhm], unit: UnitType
) -> tuple[RunUpFit | None, str]:
    """Return what the starts agree on; None, and what is missing, if they do not."""
    if not turned:
        return None, estimates.NO_START
    if all(t.line is None for t in turned):
        limited = any(t.limited for t in turned)
        return None, estimates.LIMITED if limited else estimates.NO_VOLTAGE
    rises = zip(turned, warming.start_k, strict=True)
    usable = [(t, k) for t, k in rises if t.from_rest and t.line is not None]
    # A lever that soon runs into something does not run up; it serves if nothing else does.
    free = [(t, k) for t, k in usable if t.standing_ohm is None]
    if not usable:
        clipped = any(t.clipped for t in turned)
        return None, estimates.CLIPPED if clipped else estimates.NO_START
    starts, start_k = zip(*(free or usable), strict=True)
    fit = fit_run_ups(starts, start_k, unit.winding_ohm, stalls)
    if fit is None or fit.misfit > (MISFIT_MOST if free else JAMMED_MISFIT_MOST):
        return None, estimates.NOT_FOLLOWED
    return fit, ""


def _stalls(
    turned: list[Turned],
    warming: Warming,
    count: int,
    jam: Sequence[Trace],
    unit: UnitType,
    accuracy: Accuracy,
) -> list[StallOhm]:
    """Return the resistances at standstill, with what they scatter, common gains left out."""
    found: list[StallOhm] = []
    gain_u = estimates.gains(accuracy)
    for number, trace in enumerate(jam, count):
        measure = stall_and_winding(trace, accuracy)[1]
        if measure.value is None or measure.u is None:
            continue
        scatter = max((measure.u / COVERAGE / measure.value) ** 2 - gain_u**2, 0.0) ** 0.5
        u = (scatter**2 + COMMUTATOR_U**2) ** 0.5 * measure.value
        rises = zip(turned, warming.along_k, strict=True)
        means_k = [float(along.mean()) for t, along in rises if t.trace == number]
        found.append(StallOhm(measure.value, u, max(means_k, default=warming.end_k)))
    if not found:
        for t, along in zip(turned, warming.along_k, strict=True):
            if t.standing_ohm is None or t.standing_s is None:
                continue
            if t.standing_ohm < STALL_MOST * unit.winding_ohm:
                rise_k = float(np.interp(t.standing_s, t.time_s, along))
                found.append(StallOhm(t.standing_ohm, JAMMED_U * t.standing_ohm, rise_k))
    return found


def _with_viscous(
    fit: RunUpFit, friction: Friction | None, drives: list[Followed], unit: UnitType
) -> RunUpFit:
    """Return the fit with the inertia that friction growing with speed had hidden.

    C de/dt = i - d - g e runs up with R C / (1 + g R): the fit, which knows a level load, finds a
    C that is smaller by that factor.
    """
    loop_ohm = fit.ohm + sum(float(d.loop_ohm[0]) - fit.ohm for d in drives) / len(drives)
    if friction is not None:
        per_v, u_per_v = friction.per_v, friction.u_per_v
    else:
        load_a = max(sum(fit.load_a) / len(fit.load_a), 0.0)
        running_v = max(sum(d.volts for d in drives) / len(drives) - loop_ohm * load_a, 1e-3)
        per_v, u_per_v = guess_growth(unit, load_a / running_v)
    covariance = fit.covariance.copy()
    covariance[2, 2] += (u_per_v * loop_ohm) ** 2
    return replace(fit, farad=fit.farad * (1.0 + per_v * loop_ohm), covariance=covariance)
