"""Simulated units with motors drawn by seed, run on the simulated bench through its sampled sensor.

Their true parameters are the simulator's own; nothing of it is in the traces but current, voltage
and feeds as the drivers read them.
"""

from __future__ import annotations

import math
import random
from dataclasses import dataclass, fields, replace
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import Any

from bench_runs import HEAD, Watcher, make_order, make_plan, make_settings

from drivers.simulated.backend import SimulatedBackend
from drivers.simulated.parameters import UnitParameters
from rig.analysis.model import Accuracy, UnitType
from rig.analysis.trace import Trace
from rig.bench.keeper import DirectKeeper
from rig.bench.session import Session
from rig.records.store import Store

# What the starter's rig file states of its rig, standard uncertainties.
ACCURACY = Accuracy(relay_u_s=0.0015)
TURNS = '[[step]]\nkind = "half_turns"\ncount = {count}\npause_s = 0.35\n'
SWEEP = '[[step]]\nkind = "supply_sweep"\nfrom_v = 12.0\nto_v = 9.0\nstep_v = 1.5\npause_s = 0.4\n'
JAM = '[[step]]\nkind = "jam"\ncurrent_limit_a = 30.0\nstall_s = 0.2\nrest_after_s = 0.5\n'
# A cam that shorts the armature so far behind its edge (degrees) does not brake a unit that comes
# to rest before; one that would coast farther is made to brake.
NEVER_BRAKES_DEG, COASTS_MOST_DEG = 50.0, 40.0
ROTOR = ("winding_ohm", "inductance_h", "constant_vs", "rotor_kgm2", "gear")
LOAD = ("dry_nm", "viscous_nms", "cable_nm", "brake_gap_deg")


@dataclass(frozen=True)
class Drawn:
    """A unit and how it is run: SI units; ``supplies_v`` one run each."""

    seed: int
    unit: UnitParameters
    brakes: bool
    supplies_v: tuple[float, ...]
    sample_hz: int
    bus_every: int
    noise_a: float
    count: int
    faults: tuple[str, ...] = ()

    @property
    def circuit_ohm(self) -> float:
        """What the rig sees of the circuit at 20 degrees C, as it is at ambient temperature."""
        return self.unit.winding_ohm + self.unit.loom_ohm + self.unit.relay.contact_ohm

    @property
    def emf_vs_per_rev(self) -> float:
        return self.unit.constant_vs * self.unit.gear * 2.0 * math.pi

    @property
    def inertia_kgm2(self) -> float:
        return self.unit.rotor_kgm2 * self.unit.gear**2

    @property
    def time_constant_s(self) -> float:
        return self.circuit_ohm * self.unit.rotor_kgm2 / self.unit.constant_vs**2

    @property
    def dry_nm(self) -> float:
        """Dry friction at the rotor, the cable's drag in it."""
        return self.unit.dry_nm + self.unit.cable_nm / self.unit.gear

    @property
    def dry_a(self) -> float:
        return self.dry_nm / self.unit.constant_vs

    @property
    def viscous_as_per_rev(self) -> float:
        return self.unit.viscous_nms * self.unit.gear * 2.0 * math.pi / self.unit.constant_vs

    def friction_a(self, rev_s: float) -> float:
        """All friction at a speed (revolutions of the output a second)."""
        return self.dry_a + self.viscous_as_per_rev * rev_s

    def unit_type(self, *, tells_brake: bool = True) -> UnitType:
        """Nominal data, a few per cent off, as a plan would have them."""
        rng = random.Random(f"nominal {self.seed}")
        return UnitType(
            name="drawn",
            winding_ohm=self.unit.winding_ohm * (1.0 + 0.05 * rng.uniform(-1.0, 1.0)),
            turn_vs=0.5 * self.emf_vs_per_rev * (1.0 + 0.03 * rng.uniform(-1.0, 1.0)),
            heat_j_per_k=self.unit.winding_heat_j_per_k,
            brake_at_park=self.brakes if tells_brake else None,
        )


def draw(seed: int, **fixed: object) -> Drawn:
    """Return the unit of a seed; ``fixed`` overrides what is drawn of its running."""
    rng = random.Random(f"motor {seed}")
    ohm = math.exp(rng.uniform(math.log(0.5), math.log(2.5)))
    constant = math.exp(rng.uniform(math.log(0.018), math.log(0.040)))
    tau_s = rng.uniform(0.007, 0.025)
    gear = rng.uniform(0.9, 1.1) * 1.8 / constant  # half a turn in about half a second
    supply_v = rng.uniform(11.0, 14.0)
    stall_nm = constant * supply_v / ohm
    brakes = rng.random() < 0.5
    dry_nm = stall_nm * rng.uniform(0.04, 0.15)
    inertia = tau_s * constant**2 / ohm
    speed = (supply_v - ohm * dry_nm / constant) / constant
    brakes |= math.degrees(0.5 * inertia * speed**2 / dry_nm / gear) > COASTS_MOST_DEG
    unit = replace(
        UnitParameters(),
        winding_ohm=ohm,
        inductance_h=ohm * rng.uniform(0.4e-3, 1.0e-3),
        constant_vs=constant,
        rotor_kgm2=inertia,
        gear=gear,
        dry_nm=0.6 * dry_nm,
        viscous_nms=rng.uniform(0.005, 0.04) * constant**2 / ohm,
        cable_nm=0.4 * dry_nm * gear,
        brake_gap_deg=0.5 if brakes else NEVER_BRAKES_DEG,
    )
    values: dict[str, object] = {
        "supplies_v": (supply_v,),
        "sample_hz": 1000,
        "bus_every": rng.choice((1, 4, 10)),
        "noise_a": rng.choice((0.004, 0.012, 0.02)),
        "count": 4,
    }
    return Drawn(seed=seed, unit=unit, brakes=brakes, **(values | fixed))  # type: ignore[arg-type]


class Obliging(Watcher):
    """Somebody who does whatever a step asks for, at once."""

    def ask(self, ask: Any, wait: Any) -> bool:
        """Wait as asked, and say yes."""
        wait(lambda: True)
        return True


def traces_of(drawn: Drawn, *steps: str, can_set_supply: bool = False) -> list[Trace]:
    """Return the traces of a run at each supply voltage: one a step (half-turns without any).

    ``can_set_supply``: on a bench supply that the program sets, instead of a battery.
    """
    found: list[Trace] = []
    for supply_v in drawn.supplies_v:
        asked = steps or (TURNS.format(count=drawn.count),)
        found += _run(drawn, supply_v, asked, can_set_supply=can_set_supply)
    return found


def _run(
    drawn: Drawn, supply_v: float, steps: tuple[str, ...], *, can_set_supply: bool
) -> list[Trace]:
    settings = make_settings(sample_hz=drawn.sample_hz, supply=can_set_supply)
    station = settings.stations[0]
    sensor = station.battery_sensor.model_copy(update={"bus_every": drawn.bus_every})
    station = station.model_copy(update={"battery_sensor": sensor})
    settings = settings.model_copy(update={"stations": (station,)})
    usual = UnitParameters()
    unit = {
        f"unit.{f.name}": repr(getattr(drawn.unit, f.name))
        for f in fields(UnitParameters)
        if f.type == "float" and getattr(drawn.unit, f.name) != getattr(usual, f.name)
    }
    head = HEAD.replace("winding_ohm = 0.51", f"winding_ohm = {drawn.unit.winding_ohm:.3f}")
    order = make_order(
        make_plan(*steps, head=head.replace("turn_vs = 7.36\n", "")),
        faults=drawn.faults,
        seed=drawn.seed,
        settings=settings,
        spread="0",
        supply_v=f"{supply_v:.3f}",
        noise_a=f"{drawn.noise_a:.4f}",
        **unit,
    )
    backend = SimulatedBackend(order.wiring(), order.options)
    try:
        with TemporaryDirectory() as folder, Store.open(Path(folder) / "r.sqlite") as store:
            ended = Session(order, backend, DirectKeeper(store), Obliging()).run()
            record = store.run(ended.run_id, with_traces=True)
    finally:
        backend.close()
    return [step.trace for step in record.steps if step.trace is not None]
