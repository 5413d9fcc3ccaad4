"""How well the motor behind a trace is found: error of every parameter, and the naive reading's.

Circuits of ngspice with noise added, at 1 kHz and slower, and simulated units drawn by seed: errors
in per cent of the truth, with the stated standard uncertainty.  At the end, by parameter, the root
mean square error, the naive reading's, and how often the truth lies within k = 2.

Naive is what a meter and a plan give: supply over the highest reading; the nominal resistance's
back-EMF times the time of half a turn; the current it runs at.

Run by hand: ``python tests/bench/bench_identify.py --units 12``.
"""

from __future__ import annotations

import argparse
import math
import sys
import time
from collections import defaultdict
from collections.abc import Iterator, Sequence
from dataclasses import replace
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parents[1] / "support"))

import drawn_motors as dm
import spice
import true_motors as tm

from rig.analysis.half_turns import find_half_turns
from rig.analysis.model import Accuracy, UnitType
from rig.analysis.motor import MotorIdentity, identify
from rig.analysis.trace import Trace

NAMES = {
    "circuit_ohm": "R",
    "emf_vs_per_rev": "K",
    "friction_a": "friction",
    "time_constant_s": "tau",
    "inertia_kgm2": "J",
    "inductance_h": "L",
    "viscous_as_per_rev": "viscous",
}


class Table:
    """Rows as they come, then a summary by parameter."""

    def __init__(self, title: str) -> None:
        print(f"\n{title}")
        print(f"{'':26}" + "".join(f"{short:>16}" for short in NAMES.values()))
        self._errors: dict[str, list[tuple[float, float, float]]] = defaultdict(list)

    def row(
        self, name: str, found: MotorIdentity, truth: dict[str, float], naive: dict[str, float]
    ) -> None:
        """Print a unit's errors."""
        cells = []
        for key in NAMES:
            estimate, true = getattr(found, key), truth.get(key)
            if estimate.value is None or not true:
                cells.append("-")
                continue
            error, u = 100.0 * (estimate.value / true - 1.0), 100.0 * estimate.u / true
            other = 100.0 * (naive[key] / true - 1.0) if key in naive else math.nan
            self._errors[key].append((error, u, other))
            cells.append(f"{error:+.2f} ({u:.1f})")
        print(f"{name:26}" + "".join(f"{cell:>16}" for cell in cells))

    def summary(self) -> None:
        """Print what all rows come to."""
        print(f"{'':12}{'units':>6}{'rms %':>9}{'worst %':>9}{'naive rms %':>13}{'within 2u':>11}")
        for key, short in NAMES.items():
            rows = self._errors[key]
            if not rows:
                continue
            rms, naive = (math.sqrt(sum(r[k] ** 2 for r in rows) / len(rows)) for k in (0, 2))
            worst = max(abs(r[0]) for r in rows)
            within = sum(abs(r[0]) <= 2.0 * r[1] for r in rows) / len(rows)
            print(f"{short:12}{len(rows):6}{rms:9.2f}{worst:9.2f}{naive:13.2f}{within:10.0%}")


def naive_reading(traces: Sequence[Trace], unit: UnitType) -> dict[str, float]:
    """Return what the plain measures of the half-turns give."""
    turns = [h for t in traces for h in find_half_turns(t, unit, spice.LIMITS)]
    peaks = [h.supply_v / h.peak_a for h in turns if h.peak_a and h.supply_v]
    timed = [h for h in turns if h.half_turn_s and h.run_a and h.supply_v]
    said = {"circuit_ohm": min(peaks)} if peaks else {}
    if timed:
        said["friction_a"] = sum(h.run_a or 0.0 for h in timed) / len(timed)
        emf = [
            2.0 * (h.supply_v - unit.winding_ohm * h.run_a) * h.half_turn_s
            for h in timed
            if h.supply_v and h.run_a and h.half_turn_s
        ]
        said["emf_vs_per_rev"] = sum(emf) / len(emf)
    return said


def of_circuits(noise_a: float, every: int) -> None:
    """Print the table of the circuits, every so many samples of them."""
    table = Table(f"ngspice, {1000 // every} Hz, {1000.0 * noise_a:g} mA of noise added")
    accuracy = Accuracy(sensor_delay_u_s=266e-6)
    for circuit in spice.CIRCUITS:
        unit = replace(spice.unit_of(circuit), brake_at_park=circuit in tm.BRAKED)
        trace = tm.noisy(circuit, noise_a, every=every)
        found = identify([trace], unit, accuracy, ambient_c=20.0)
        if not found.circuit_ohm.known:
            continue
        motor, ohm = tm.true_motor(circuit), tm.started_ohm(circuit)
        truth = {
            "circuit_ohm": ohm,
            "emf_vs_per_rev": motor.emf_vs_per_rev,
            "time_constant_s": motor.time_constant_s * ohm / motor.ohm,
            "inertia_kgm2": motor.output_kgm2,
            "inductance_h": motor.inductance_h,
            "viscous_as_per_rev": motor.viscous_as_per_rev,
        }
        if found.friction_rev_s.value is not None:
            truth["friction_a"] = motor.friction_a(found.friction_rev_s.value)
        table.row(circuit, found, truth, naive_reading([trace], unit))
    table.summary()


def of_simulated(units: int, sample_hz: int, supplies_v: tuple[float, ...] | None) -> None:
    """Print the table of simulated units."""
    voltages = "one voltage" if supplies_v is None else f"{supplies_v} V"
    table = Table(f"simulated units, {sample_hz} Hz, {voltages}")
    spent_s: list[float] = []
    for drawn in _drawn(units, sample_hz, supplies_v):
        traces, unit = dm.traces_of(drawn), drawn.unit_type()
        began_s = time.perf_counter()
        found = identify(traces, unit, dm.ACCURACY, ambient_c=20.0)
        spent_s.append(time.perf_counter() - began_s)
        truth = {
            "circuit_ohm": drawn.circuit_ohm,
            "emf_vs_per_rev": drawn.emf_vs_per_rev,
            "time_constant_s": drawn.time_constant_s,
            "inertia_kgm2": drawn.inertia_kgm2,
            "inductance_h": drawn.unit.inductance_h,
            "viscous_as_per_rev": drawn.viscous_as_per_rev,
        }
        if found.friction_rev_s.value is not None:
            truth["friction_a"] = drawn.friction_a(found.friction_rev_s.value)
        name = f"{drawn.seed}: {drawn.unit.winding_ohm:.2f} ohm, bus {drawn.bus_every}"
        table.row(name, found, truth, naive_reading(traces, unit))
    table.summary()
    print(f"identify: {1000.0 * max(spent_s):.0f} ms at most")


def _drawn(units: int, sample_hz: int, supplies_v: tuple[float, ...] | None) -> Iterator[dm.Drawn]:
    for seed in range(1, units + 1):
        fixed: dict[str, object] = {"sample_hz": sample_hz}
        if supplies_v is not None:
            fixed["supplies_v"] = supplies_v
        yield dm.draw(seed, **fixed)


def main() -> None:
    """Do what the command line asks."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--units", type=int, default=12, help="simulated units a table")
    parser.add_argument("--noise", type=float, default=0.012, help="added to circuits (A)")
    asked = parser.parse_args()
    for every in (1, 2, 5):
        of_circuits(asked.noise, every)
    if asked.units > 0:
        for sample_hz in (1000, 500, 200):
            of_simulated(asked.units, sample_hz, None)
        of_simulated(asked.units, 1000, (9.5, 13.5))


if __name__ == "__main__":
    main()
