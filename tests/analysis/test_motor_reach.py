"""What a motor can do, from its half-turns: against ngspice and against catalogue rows."""

from __future__ import annotations

import csv
import math
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
import spice
from stroke_traces import LM_12, UNIT, identity_of

from rig.analysis.estimate import Estimate, unknown
from rig.analysis.model import Accuracy
from rig.analysis.motor import identify
from rig.analysis.motor_reach import motor_reach

REFERENCE = Path(__file__).parents[1] / "reference"
ROWS = (REFERENCE / "dc_motor_rows.csv").read_text().splitlines()
MOTORS = list(csv.DictReader(line for line in ROWS if not line.startswith("#")))


@pytest.mark.parametrize("row", MOTORS, ids=lambda row: row["type"])
def test_a_motor_identified_as_in_its_catalogue_does_what_the_catalogue_says(row):
    """Source of each row: its data sheet, named in dc_motor_rows.csv; printed to 1 %."""
    number = {k: float(row[k]) for k in ("volts", "ohm", "km_mnm_per_a", "no_load_ma")}
    identity = identity_with(
        circuit_ohm=Estimate(number["ohm"], 0.01 * number["ohm"], "ohm"),
        emf_vs_per_rev=Estimate(number["km_mnm_per_a"] * 1e-3 * 2.0 * math.pi, 1e-4, "V s"),
        friction_a=Estimate(number["no_load_ma"] * 1e-3, 1e-3, "A"),
    )
    reach = motor_reach(identity, number["volts"])
    assert reach.stall_a.value == pytest.approx(float(row["stall_a"]), rel=0.01)
    assert reach.stall_nm.value == pytest.approx(float(row["stall_mnm"]) * 1e-3, rel=0.01)
    assert 60.0 * reach.no_load_rev_s.value == pytest.approx(float(row["no_load_rpm"]), rel=0.01)
    # From no load to standstill by the gradient, friction's own torque beside the load's.
    free_rev_s = number["volts"] / identity.emf_vs_per_rev.value
    assert reach.slows_by.value * reach.stall_nm.value == pytest.approx(free_rev_s)
    assert reach.stall_a.u == pytest.approx(0.01 * reach.stall_a.value)
    assert not reach.reserve.known


def identity_with(**known: Estimate):
    """Return an identity of which only these are known."""
    return replace(identity_of(LM_12), **known)


@pytest.mark.parametrize("every", [1, 2])
def test_the_stall_current_is_foretold_from_half_turns(every):
    """Source: ngspice-39, circuit jammed_midway: two half-turns, then one that jams.

    It draws V/R of its own netlist at the voltage it then has, some K warmer (2 % of copper).
    """
    trace = spice.slower(spice.trace_of("jammed_midway"), every)
    jam_s = spice.true_half_turns("jammed_midway")[2].start_s
    before = trace.between(-math.inf, jam_s - 0.01)
    held = trace.between(jam_s + 0.6, jam_s + 0.9)
    volts, drawn_a = float(np.median(held.voltage_v)), float(np.median(held.current_a))
    unit = spice.unit_of("jammed_midway")
    reach = motor_reach(identify([before], unit, Accuracy()), volts)
    assert reach.stall_a.value == pytest.approx(drawn_a, abs=2.0 * reach.stall_a.u + 0.02 * drawn_a)
    assert reach.stall_a.u < 0.03 * drawn_a


def test_what_is_not_known_is_named():
    none = identity_with(circuit_ohm=unknown("ohm", "no start"))
    assert motor_reach(none, UNIT.nominal_v).stall_nm.missing == "no start"
    no_emf = motor_reach(identity_with(emf_vs_per_rev=unknown("V s", "no half-turn")), 12.0)
    assert no_emf.stall_a.known
    assert no_emf.no_load_rev_s.missing == "no half-turn"
