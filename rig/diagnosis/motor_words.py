"""How the motor differs from its type, in sentences."""

from __future__ import annotations

from collections.abc import Iterator

from rig.analysis.motor_reach import MotorReach
from rig.analysis.wording import with_u
from rig.diagnosis.layout import amps, table, told, wrapped
from rig.diagnosis.model import Diagnosis, Finding, Topic

# Units of a type differ: a motor constant or a resistance this much (part) from the type's stands
# out (guesses; the simulated type spreads by 1 to 2 %).
CONSTANT_PART, OHM_PART = 0.10, 0.10


def motor_findings(found: Diagnosis) -> Iterator[Finding]:
    """Return how back-EMF and resistance differ from the type's; both low is shorted turns."""
    emf, ohm = _emf_off(found), _ohm_below(found)
    if is_shorted(found):
        yield Finding(
            Topic.MOTOR,
            f"Shorted turns: back-EMF {-100.0 * emf:.0f} % and resistance {100.0 * ohm:.0f} % "
            "below the type's. The short brakes the motor, so that what is told as friction "
            f"({amps(found.identity.friction_a)}) is its drag as well.",
        )
        return
    if emf:
        cause = (
            "weak magnets, or another motor or gear"
            if emf < 0.0
            else "not the motor or the gear that the plan describes"
        )
        below = "below" if emf < 0.0 else "above"
        text = f"Back-EMF is {abs(100.0 * emf):.0f} % {below} the type's: {cause}."
        yield Finding(Topic.MOTOR, text)
    if ohm:
        value = found.identity.circuit_ohm
        told = with_u(value.value or 0.0, 2.0 * (value.u or 0.0), "ohm")
        yield Finding(
            Topic.MOTOR,
            f"Resistance is below the type's: {told} against {found.unit.winding_ohm:g} ohm: "
            "another motor, or a short.",
        )


def reach_lines(reach: MotorReach) -> Iterator[str]:
    """Return what the motor can do at the output, and how much of it the stroke takes."""
    if not reach.stall_nm.known:
        return
    yield from table(
        [
            [f"at {reach.supply_v:g} V it can", ""],
            ["draw, standing still", told(reach.stall_a)],
            ["push, standing still", told(reach.stall_nm)],
            ["turn, with nothing on the lever", told(reach.no_load_rev_s)],
            ["and slows, for each N m, by", told(reach.slows_by)],
        ]
    )
    reserve = reach.reserve
    if reserve.value is not None and reserve.u is not None:
        times = with_u(reserve.value, 2.0 * reserve.u, "")
        yield from wrapped(
            f"That is {times} times what its stroke takes where it is heaviest; "
            "the gear's own losses are part of that."
        )


def is_shorted(found: Diagnosis) -> bool:
    """Whether back-EMF and resistance are both below the type's."""
    return _emf_off(found) < 0.0 and _ohm_below(found) > 0.0


def _emf_off(found: Diagnosis) -> float:
    """Return by what part the motor constant is off its type's, 0 if by no more than units are."""
    constant, turn_vs = found.identity.emf_vs_per_rev, found.unit.turn_vs
    if constant.value is None or turn_vs is None:
        return 0.0
    off = constant.value / (2.0 * turn_vs) - 1.0
    return off if abs(off) > max(CONSTANT_PART, (constant.u or 0.0) / turn_vs) else 0.0


def _ohm_below(found: Diagnosis) -> float:
    """Return by what part the resistance is below its type's, 0 if by no more than units are."""
    ohm, nominal = found.identity.circuit_ohm, found.unit.winding_ohm
    if ohm.value is None or ohm.value + 2.0 * (ohm.u or 0.0) > (1.0 - OHM_PART) * nominal:
        return 0.0
    return 1.0 - ohm.value / nominal
