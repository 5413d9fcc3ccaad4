"""Units drawn by seed: faults of any degree, on a rig with errors of its own, under a plan."""

from __future__ import annotations

import random
from dataclasses import dataclass
from math import exp, log

from witness import RigErrors

from drivers.simulated.faults import CATALOGUE, Fault, parse_fault

SAMPLE_HZ = (200, 200, 200, 250, 250, 333, 400, 400, 500, 500, 700, 1000, 1000, 1000, 2000)
BUS_EVERY = (1, 4, 10, 10)
# What the starter's rig file states of its rig, standard uncertainties (s, parts, A).
DELAY_U_S, GAIN_U, VOLTAGE_GAIN_U, OFFSET_U_A = 0.0015, 0.005, 0.005, 0.005
NOISE_MOST_A = 0.05

HEAD = """
title = "Campaign"
[unit]
type = "LM-12"
winding_ohm = 0.51
turn_vs = 7.36
heat_j_per_k = 120.0
[limits]
run_on_s = 3.0
stall_s = 0.25
{limits}
[guard]
over_current_a = 33.0
over_current_s = 0.01
"""
USUAL = {
    "half_turn_max_s": "[[8.0, 2.0], [12.0, 1.2], [16.0, 1.0]]",
    "rest_max_a": "0.05",
    "run_max_a": "7.0",
    "peak_max_a": "30.0",
    "response_max_s": "0.1",
}
# Limits that only the second shape of plan has.
MORE = {
    "half_turn_min_s": "[[8.0, 0.3], [12.0, 0.25], [16.0, 0.2]]",
    "sag_max_v": "1.5",
    "dropouts_max": "0",
}
SHAPES = {
    "incoming": """
[[step]]
kind = "zero"
duration_s = 0.3
[[step]]
kind = "rest_draw"
duration_s = 0.3
[[step]]
kind = "half_turns"
count = {count}
pause_s = 0.3
[[step]]
kind = "park_check"
duration_s = 0.3
""",
    "loaded": """
[[step]]
kind = "zero"
duration_s = 0.3
[[step]]
kind = "half_turns"
count = {count}
pause_s = 0.3
[[step]]
kind = "loaded"
count = 2
pause_s = 0.3
load_nm = 2.0
""",
}


@dataclass(frozen=True)
class Drawn:
    """A unit with its faults, on a rig with its errors, under a plan.

    ``close`` names a limit that is laid next to what the unit truly does: by ``close_u`` times
    the stated uncertainty below it (negative: above).
    """

    seed: int
    faults: tuple[str, ...]
    extra: dict[str, str]
    sample_hz: int
    bus_every: int
    errors: RigErrors
    shape: str
    count: int
    programmable: bool
    close: str | None
    close_u: float

    @property
    def rig_fault(self) -> bool:
        """Whether anything is wrong with the rig beyond what its file states."""
        applied = [parse_fault(text) for text in self.faults]
        return any(
            a.fault.kind == "rig"
            and not (a.name == "sensor-offset" and abs(a.degree) <= 2.0 * OFFSET_U_A)
            for a in applied
        )

    def __str__(self) -> str:
        extra = " ".join(f"{name}={value}" for name, value in self.extra.items())
        close = f", {self.close} {self.close_u:+.2f} U away" if self.close else ""
        return (
            f"{' '.join(self.faults) or 'no fault'}; {extra} {self.sample_hz} Hz, voltage every "
            f"{self.bus_every}; plan {self.shape} x{self.count}{close}"
        )


def draw(seed: int) -> Drawn:
    """Return the unit of a seed: about a quarter without any fault."""
    rng = random.Random(f"verdicts {seed}")
    faults = [] if rng.random() < 0.25 else _faults(rng)
    if not any(text.startswith("sensor-offset") for text in faults):
        offset_a = _gauss(rng, OFFSET_U_A)
        faults.append(f"sensor-offset={offset_a:.5f}")
    extra = {
        "supply_v": f"{rng.uniform(8.0, 16.0):.3f}",
        "noise_a": f"{rng.choice((0.0, 0.001, rng.uniform(0.0, NOISE_MOST_A))):.4f}",
    }
    if rng.random() < 0.2:
        extra["angle_deg"] = f"{rng.uniform(0.0, 360.0):.1f}"
    errors = RigErrors(
        _gauss(rng, DELAY_U_S),
        _gauss(rng, DELAY_U_S),
        _gauss(rng, GAIN_U),
        _gauss(rng, VOLTAGE_GAIN_U),
    )
    shape = rng.choice(("incoming", "incoming", "loaded"))
    limits = [*USUAL, *(MORE if shape == "loaded" else ())]
    limits.remove("dropouts_max") if "dropouts_max" in limits else None
    return Drawn(
        seed=seed,
        faults=tuple(faults),
        extra=extra,
        sample_hz=rng.choice(SAMPLE_HZ),
        bus_every=rng.choice(BUS_EVERY),
        errors=errors,
        shape=shape,
        count=rng.choice((2, 2, 2, 2, 2, 2, 4)),
        programmable=any(text.startswith("supply-") for text in faults),
        close=rng.choice(limits) if rng.random() < 0.6 else None,
        close_u=rng.uniform(-3.0, 3.0),
    )


def _gauss(rng: random.Random, sigma: float) -> float:
    """Return a normal error, never beyond the expanded uncertainty."""
    return max(-2.0 * sigma, min(2.0 * sigma, rng.gauss(0.0, sigma)))


def _faults(rng: random.Random) -> list[str]:
    kinds = {
        kind: [f for f in CATALOGUE.values() if f.kind == kind] for kind in ("unit", "feed", "rig")
    }
    chosen: dict[str, str] = {}
    for _ in range(rng.choice((1, 1, 1, 2, 2, 3))):
        kind = rng.choices(("unit", "feed", "rig"), (70, 15, 15))[0]
        fault = rng.choice(kinds[kind])
        chosen[fault.name] = _asked(rng, fault)
    return list(chosen.values())


def _asked(rng: random.Random, fault: Fault) -> str:
    text = fault.name
    if fault.has_degree:
        text += f"={_degree(rng, fault):.6g}"
    if rng.random() < 0.15:
        text += f"@{rng.uniform(1.0, 9.0):.2f}"
    return text


def _degree(rng: random.Random, fault: Fault) -> float:
    """Return a degree over the whole range: even in angle, else even in size."""
    low, high = fault.low, fault.high
    if fault.degree_unit == "deg":
        return rng.uniform(low, high)
    if high <= 0.0:
        return rng.uniform(low, high)
    if low < 0.0:
        return rng.choice((-1.0, 1.0)) * exp(rng.uniform(log(0.002), log(high)))
    least = max(low, high / 2000.0)
    return min(max(exp(rng.uniform(log(least), log(high))), low), high)
