"""The simulated unit beside ngspice, a general-purpose circuit simulator (Debian package).

The waveforms are those of ``tests/reference/ngspice`` (netlists, and how they are regenerated,
beside them); the unit is given the netlist's parameters, read from it.
"""

from __future__ import annotations

import csv
import gzip
import math
import re
from dataclasses import dataclass, replace
from itertools import pairwise
from pathlib import Path

import numpy as np
import pytest

from drivers.simulated.alone import FeedChange, run_alone
from drivers.simulated.parameters import RelayParameters, UnitParameters

NGSPICE = Path(__file__).parents[2] / "reference" / "ngspice"
CASES = ["good", "low_supply", "high_supply", "slow_friction", "jammed_midway"]
SCALES = {"m": 1e-3, "u": 1e-6, "": 1.0}


def number(text: str) -> float:
    match = re.fullmatch(r"([-+.\d]+)([mu]?)", text)
    assert match is not None, text
    return float(match[1]) * SCALES[match[2]]


@dataclass
class Netlist:
    """What a netlist and its library say."""

    own: str
    library: str

    @classmethod
    def read(cls, name: str) -> Netlist:
        folder = NGSPICE / "netlists"
        own = (folder / f"{name}.cir").read_text().replace("\n+", " ")
        return cls(own, (folder / "unit.lib").read_text().replace("\n+", " "))

    def value(self, part: str, parameter: str) -> float:
        """A parameter of a part as this netlist sets it, else the library's default."""
        for text, line in (
            (self.own, rf"(?m)^x\w+ .*\b{part}\b(.*)$"),
            (self.library, rf"(?m)^\.subckt {part} (.*)$"),
        ):
            for rest in re.findall(line, text):
                found = re.search(rf"\b{parameter}=(\S+)", rest)
                if found:
                    return number(found[1])
        raise KeyError(f"{part} {parameter}")

    def edges(self, source: str) -> list[tuple[float, bool]]:
        """Instants at which a feed's control is half way, and what it becomes."""
        found = re.search(rf"(?m)^{source} .*pwl\((.*)\)", self.own)
        assert found is not None
        numbers = [number(text) for text in found[1].split()]
        points = list(zip(numbers[::2], numbers[1::2], strict=True))
        return [(0.5 * (t0 + t1), v1 > v0) for (t0, v0), (t1, v1) in pairwise(points) if v0 != v1]

    def changes(self) -> list[FeedChange]:
        state = {"vcb": False, "vci": False}
        changes = []
        merged = sorted((t, s, on) for s in state for t, on in self.edges(s))
        for time_s, source, on in merged:
            state[source] = on
            changes.append((time_s, state["vcb"], state["vci"]))
        return changes


def waveform(name: str) -> dict[str, np.ndarray]:
    with gzip.open(NGSPICE / "waveforms" / f"{name}.csv.gz", "rt") as file:
        header, *rows = csv.reader(file)
    columns = np.array(rows, dtype=float).T
    return dict(zip(header, columns, strict=True))


def relay_of(
    net: Netlist, changes: list[FeedChange], theirs: dict[str, np.ndarray]
) -> RelayParameters:
    """The netlist's relay.  Its armature is an RC on an RC, so its release is read off."""
    coil_ohm, coil_h = net.value("selector", "rc"), net.value("selector", "lc")
    drop_v, supply_v = net.value("selector", "voff"), net.value("battery", "volts")
    release_tau_s = coil_h / (coil_ohm + net.value("selector", "rs"))
    relay = RelayParameters(
        coil_ohm=coil_ohm,
        pull_in_v=net.value("selector", "von"),
        drop_out_v=drop_v,
        coil_tau_s=coil_h / coil_ohm,
        release_tau_s=release_tau_s,
        flight_s=net.value("selector", "top"),
        bounce_s=0.0,
        contact_ohm=net.value("selector", "ron"),
    )
    for before, after in pairwise(changes):
        if before[2] and not after[2] and after[1]:
            flows = (theirs["time_s"] > after[0]) & (theirs["current_a"] > 0.1)
            first = int(np.argmax(flows))
            rise_s = theirs["current_a"][first] * net.value("motor", "l") / supply_v
            took_s = theirs["time_s"][first] - rise_s - after[0]
            decay_s = release_tau_s * math.log(supply_v / drop_v)
            return replace(relay, release_flight_s=took_s - decay_s)
    return relay


@pytest.mark.parametrize("name", CASES)
def test_the_unit_follows_ngspice(name: str) -> None:
    """Feed current within 2 % RMS of its peak, lever within 0.3 degrees where it comes to rest."""
    net, theirs = Netlist.read(name), waveform(name)
    changes = net.changes()
    p = UnitParameters(
        winding_ohm=net.value("motor", "r"),
        inductance_h=net.value("motor", "l"),
        constant_vs=net.value("motor", "k"),
        loom_ohm=net.value("selector", "ron"),
        rotor_kgm2=net.value("motor", "j"),
        gear=net.value("motor", "g"),
        dry_nm=net.value("motor", "tf"),
        viscous_nms=net.value("motor", "b"),
        cable_nm=net.value("drag", "t") * net.value("motor", "g"),
        run_track_deg=(0.0, net.value("selector", "aoff")),
        stop_track_deg=(180.0, net.value("selector", "boff")),
        brake_at_park=False,
        # The netlist's copper warms up (or not) and loses nothing.
        winding_heat_j_per_k=net.value("motor", "heatcap") if net.value("motor", "tc") else 1e9,
        winding_case_k_per_w=1e9,
        relay=relay_of(net, changes, theirs),
    )
    path_ohm = net.value("battery", "rint") + sum(
        net.value("station", part) for part in ("wire", "shunt", "ron")
    )
    faults = []
    if "xjam" in net.own:
        at_deg = net.value("jam", "at")
        turns = at_deg // 360.0  # in its last turn only: there before would be in the way
        passed = theirs["time_s"][np.argmax(theirs["lever_deg"] > 360.0 * turns - 90.0)]
        faults.append(f"jammed={at_deg % 360.0}@{passed:.4f}")
    time_s = theirs["time_s"]
    own = run_alone(
        p,
        changes,
        float(time_s[-1]),
        supply_v=net.value("battery", "volts"),
        path_ohm=path_ohm,
        faults=faults,
        angle_deg=net.value("motor", "start"),
        step_s=float(time_s[1] - time_s[0]),
    )
    settled = time_s > 0.01  # the netlist's first instants are its capacitors'
    current_a = np.interp(time_s, own.time_s, own.current_a)[settled]
    expected_a = theirs["current_a"][settled]
    off, flowing = current_a - expected_a, expected_a > 0.1
    for part in (off, off[flowing]):  # with the rests, and without them
        assert float(np.sqrt(np.mean(part**2))) < 0.02 * expected_a.max()
    assert np.median(np.abs(off[flowing])) < 0.01
    apart_deg = (own.angle_deg[-1] - theirs["lever_deg"][-1] + 180.0) % 360.0 - 180.0
    assert abs(apart_deg) < 0.3
