"""Which points a calibration takes, and whether the reference stands them."""

from __future__ import annotations

import math
from dataclasses import dataclass

FUSE_SHARE = 0.75
"""A blade fuse is not loaded beyond this share of its rating for long (common practice)."""
FULL_SHARE = 0.9
"""Of the sensor's full scale and of what a supply can give: beyond, either may limit (guess)."""
BATTERY_RISE = 1.15
"""A lead battery may stand so much above the rig file's voltage: 14.4 V on a charger for 12.6 V."""
LEVELS = (0.4, 0.7, 1.0)
"""Where the points lie, as shares of the highest, where the supply can be set."""
FED_S, READ_S, LAST_S = 8.0, 4.0, 1.0
"""A point is fed for `FED_S` s.  The last `LAST_S` s count, when the meter is read: a hand meter
settles in two or three.  What the readings drifted by in the last `READ_S` s tells how much that
moment matters."""
REST_SHARE = 0.25
"""Mean power in the reference over feeding and pausing, as a share of its rating: a resistor that
gets hot has another value than its certificate says, and burns fingers (guess)."""
CURRENT_WANTED_A = 2.0
"""Less says little of the amperes that a motor draws: the sensor's step and zero weigh too much
(guess)."""


@dataclass(frozen=True, slots=True)
class Circuit:
    """What a calibration is fed with and through.

    ``load_ohm`` and ``load_w`` are the reference resistor's, or those of the load that a meter is
    in series with.  ``supply_v`` and ``supply_a`` are what a programmable supply can give, None
    where a battery of ``battery_v`` feeds.
    """

    load_ohm: float
    load_w: float
    battery_v: float
    fuse_a: float
    full_scale_a: float
    shunt_ohm: float
    shunt_w: float
    supply_v: float | None = None
    supply_a: float | None = None


@dataclass(frozen=True, slots=True)
class PlannedPoints:
    """``current_v`` are the voltages (V) to take currents at, ``voltage_v`` those with no load.

    None stands for the battery's voltage, whatever it is.  ``most_a`` is the largest current
    expected, ``rest_s`` the pause after each current (s).  ``refusals`` are sentences: with any of
    them nothing may be fed; ``cautions`` are told and no more.
    """

    current_v: tuple[float | None, ...]
    voltage_v: tuple[float | None, ...]
    most_a: float
    most_w: float
    rest_s: float
    refusals: tuple[str, ...] = ()
    cautions: tuple[str, ...] = ()


def plan_points(circuit: Circuit) -> PlannedPoints:
    """Return the points to take, the highest as high as everything in the circuit stands.

    All limits are for continuous load; the few seconds of a point are no reason to go beyond.
    """
    limits_v = {
        f"the reference's {circuit.load_w:g} W": math.sqrt(circuit.load_w * circuit.load_ohm),
        f"{FUSE_SHARE:.0%} of the {circuit.fuse_a:g} A fuse": (
            FUSE_SHARE * circuit.fuse_a * circuit.load_ohm
        ),
        f"the sensor's {circuit.full_scale_a:.3g} A": (
            FULL_SHARE * circuit.full_scale_a * circuit.load_ohm
        ),
        f"the shunt's {circuit.shunt_w:g} W": (
            math.sqrt(circuit.shunt_w / circuit.shunt_ohm) * circuit.load_ohm
        ),
    }
    if circuit.supply_a is not None:
        limits_v[f"the supply's {circuit.supply_a:g} A"] = (
            FULL_SHARE * circuit.supply_a * circuit.load_ohm
        )
    tightest = min(limits_v, key=lambda name: limits_v[name])
    stands_v = limits_v[tightest]
    if circuit.supply_v is None:
        return _from_battery(circuit, stands_v, tightest)
    # Round down to a tenth of a volt: what a supply shows and somebody can compare.
    top_v = math.floor(min(circuit.supply_v, stands_v) * 10) / 10
    levels = tuple(round(top_v * share, 1) for share in LEVELS)
    most_a = top_v / circuit.load_ohm
    refusals: tuple[str, ...] = ()
    if levels[0] < 1.0:
        refusals = (
            f"With {circuit.load_ohm:g} ohm {tightest} allows no more than {stands_v:.2g} V: "
            "too little to calibrate at. Take a reference of more ohm or more watt.",
        )
    no_load = tuple(round(circuit.supply_v * share, 1) for share in (0.6, 0.8, 1.0))
    return _planned(circuit, levels, no_load, most_a, refusals)


def _from_battery(circuit: Circuit, stands_v: float, tightest: str) -> PlannedPoints:
    most_v = circuit.battery_v * BATTERY_RISE
    refusals: tuple[str, ...] = ()
    if most_v > stands_v:
        wanted = circuit.load_ohm * most_v / stands_v
        refusals = (
            f"The battery may stand at {most_v:.1f} V: {most_v / circuit.load_ohm:.3g} A and "
            f"{most_v**2 / circuit.load_ohm:.3g} W through {circuit.load_ohm:g} ohm; "
            f"{tightest} allows {stands_v:.3g} V. Take a reference of more ohm"
            + (
                f" (from {wanted:.2g} ohm on)."
                if not tightest.startswith("the reference")
                else " or of more watt."
            ),
        )
    most_a = most_v / circuit.load_ohm
    planned = _planned(circuit, (None,), (None,), most_a, refusals)
    alone = (
        "With a battery there is one point besides zero: two points always lie on a line, so "
        "nothing shows whether the sensor is linear. A supply that can be set shows it."
    )
    return PlannedPoints(
        planned.current_v,
        planned.voltage_v,
        planned.most_a,
        planned.most_w,
        planned.rest_s,
        planned.refusals,
        (*planned.cautions, alone),
    )


def _planned(
    circuit: Circuit,
    current_v: tuple[float | None, ...],
    voltage_v: tuple[float | None, ...],
    most_a: float,
    refusals: tuple[str, ...],
) -> PlannedPoints:
    most_w = most_a**2 * circuit.load_ohm
    cautions: tuple[str, ...] = ()
    if most_a < CURRENT_WANTED_A:
        cautions = (
            f"The largest current will be {most_a:.2g} A. From {CURRENT_WANTED_A:g} A on the "
            "sensor's step and zero weigh little in the gain: a reference of less ohm (and enough "
            "watt) says more.",
        )
    # on / (on + rest) times the power is to stay below the share of the rating.
    rest_s = max(0.0, FED_S * (most_w / (REST_SHARE * circuit.load_w) - 1.0))
    return PlannedPoints(current_v, voltage_v, most_a, most_w, rest_s, refusals, cautions)
