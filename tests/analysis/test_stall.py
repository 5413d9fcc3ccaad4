"""Stall current and winding resistance against the exact solution and against ngspice."""

from __future__ import annotations

import itertools
import re
from dataclasses import dataclass, replace

import numpy as np
import pytest
import spice
from hypothesis import assume, given, settings
from hypothesis import strategies as st
from scipy.linalg import expm

from rig.analysis.model import Accuracy
from rig.analysis.stall import stall_and_winding
from rig.analysis.trace import Trace

ACCURACY = Accuracy(gain_u_rel=0.002, voltage_gain_u_rel=0.002, offset_u_a=0.01)
# Of the netlists: relay contact and cam track, and the winding's heat capacity.
CONTACT_OHM, HEAT_J_PER_K = 0.005, 30.0
SOURCE_V, STEP_S, CONVERSION_S, VOLTAGE_EVERY = 12.0, 1e-4, 0.5e-3, 10


@dataclass(frozen=True)
class Jam:
    """A motor that turns for ``reach_s`` and meets an elastic stop; currents as parts of V/R.

    ``stop_s``: the stop holds the motor's whole torque after so much of the running speed; 0 a
    rigid one that takes all of its swing.
    """

    ohm: float
    source_ohm: float = 0.04
    winding_s: float = 1e-3
    tau_s: float = 0.017
    load: float = 0.15
    reach_s: float = 0.0
    stop_s: float = 0.0

    @property
    def stall_a(self) -> float:
        """V/R."""
        return SOURCE_V / (self.ohm + self.source_ohm)


def exact(jam: Jam, fed_s: float) -> np.ndarray:
    """Return the current (A) at each ``STEP_S``: L di/dt = V - R i - e, C de/dt = i - load - k x.

    x is the integral of e beyond the stop.  Turning and at the stop it is linear: a matrix
    exponential solves each without error.
    """
    ohm = jam.ohm + jam.source_ohm
    henry, farad = jam.winding_s * ohm, jam.tau_s / ohm
    load_a, running_v = jam.load * jam.stall_a, (1.0 - jam.load) * SOURCE_V
    reach_vs = running_v * max(jam.reach_s - jam.tau_s, 0.0)
    stiff = (jam.stall_a - load_a) / (running_v * jam.stop_s) if jam.stop_s else 0.0

    def steps(spring: float, *, still: bool = False) -> np.ndarray:
        rates = np.zeros((4, 4))  # current, back-EMF, its integral beyond the stop, one
        rates[0, [0, 1, 3]] = -ohm / henry, -1.0 / henry, SOURCE_V / henry
        rates[1, [0, 2, 3]] = 1.0 / farad, -spring / farad, -load_a / farad
        rates[2, 1] = 1.0
        if still:
            rates[0, 1] = 0.0
            rates[1:3] = 0.0
        return expm(rates * STEP_S)

    free, held = steps(0.0), steps(stiff, still=not jam.stop_s)
    state = np.array([0.0, 0.0, -reach_vs, 1.0])
    found = []
    for _ in range(round(fed_s / STEP_S)):
        found.append(state[0])
        state = (free if state[2] < 0.0 else held) @ state
        if state[2] <= -reach_vs and state[1] < 0.0:  # the load does not turn it back
            state[1], state[2] = 0.0, -reach_vs
    return np.array(found)


def recorded(jam: Jam, fed_s: float, hz: int, seed: int = 0) -> Trace:
    """Return what a sensor reads of it: means over a conversion, noise, the voltage held."""
    rng = np.random.default_rng(seed)
    time_s = np.arange(-0.1 + rng.uniform(0.0, 1.0 / hz), fed_s, 1.0 / hz)
    charge_c = np.concatenate(([0.0], np.cumsum(exact(jam, fed_s)))) * STEP_S
    at_s = np.arange(len(charge_c)) * STEP_S
    until = np.interp(time_s, at_s, charge_c) - np.interp(time_s - CONVERSION_S, at_s, charge_c)
    true_a = until / CONVERSION_S
    volts = (SOURCE_V - jam.source_ohm * true_a)[
        np.arange(len(time_s)) // VOLTAGE_EVERY * VOLTAGE_EVERY
    ]
    fed = time_s >= 0.0
    volts = np.where(fed, np.round(volts / 0.004) * 0.004, SOURCE_V)
    current_a = np.round((true_a + 0.012 * rng.standard_normal(len(time_s))) / 0.002) * 0.002
    return Trace(time_s, current_a, volts, np.ones(len(time_s), dtype=bool), fed)


@settings(max_examples=60, deadline=None)
@given(
    jam=st.builds(
        Jam,
        ohm=st.floats(0.4, 2.0),
        source_ohm=st.sampled_from([0.04, 0.5]),
        winding_s=st.floats(0.3e-3, 2e-3),
        tau_s=st.floats(5e-3, 50e-3),
        load=st.floats(0.05, 0.4),
        reach_s=st.one_of(st.just(0.0), st.floats(0.0, 0.3)),
        stop_s=st.one_of(st.just(0.0), st.floats(0.005, 0.07)),
    ),
    fed_s=st.sampled_from([0.2, 0.3, 0.5]),
    hz=st.sampled_from([200, 500, 1000]),
    seed=st.integers(0, 1000),
)
def test_what_is_told_of_a_jam_is_so(jam: Jam, fed_s: float, hz: int, seed: int) -> None:
    """A lever that creeps to rest or springs back is read at rest, or not at all.

    Left out: one that swings for tenths of a second.  A gear's friction, which these equations do
    not have, holds it long before.
    """
    swings_s = 2.0 * np.pi * (jam.tau_s * jam.stop_s) ** 0.5
    assume(swings_s < 0.1 or jam.stop_s > 4.0 * jam.tau_s)
    stall, winding = stall_and_winding(recorded(jam, fed_s, hz, seed), ACCURACY, VOLTAGE_EVERY)
    if stall.value is not None:
        assert abs(stall.value - jam.stall_a) < stall.u
    if winding.value is not None:
        assert abs(winding.value - jam.ohm) < winding.u
        assert abs(winding.value / jam.ohm - 1.0) < 0.04


@pytest.mark.parametrize("hz", [200, 500, 1000])
@pytest.mark.parametrize("source_ohm", [0.04, 0.5])
@pytest.mark.parametrize("reach_s", [0.0, 0.1])
def test_a_jam_of_three_tenths_of_a_second_is_enough(reach_s, source_ohm, hz) -> None:
    """Common jam tests: the lever locked at stop, or some way off."""
    jam = Jam(0.6, source_ohm=source_ohm, reach_s=reach_s)
    stall, winding = stall_and_winding(recorded(jam, 0.3, hz), ACCURACY, VOLTAGE_EVERY)
    assert stall.value == pytest.approx(jam.stall_a, rel=0.002)
    assert winding.value == pytest.approx(jam.ohm, rel=0.002)
    assert winding.u < 0.02 * jam.ohm


@pytest.mark.parametrize("hz", [200, 500, 1000])
def test_a_lever_that_still_creeps_is_not_read(hz) -> None:
    """0.3 s do not do for a stop this soft: at the end the current is 10 % short of V/R."""
    jam = Jam(1.7, winding_s=1.7e-3, tau_s=6e-3, load=0.4, reach_s=0.13, stop_s=0.09)
    for fed_s, told in ((0.3, False), (0.8, True)):
        _, winding = stall_and_winding(recorded(jam, fed_s, hz), ACCURACY, VOLTAGE_EVERY)
        assert (winding.value is not None) == told
        if winding.value is not None:
            assert winding.value == pytest.approx(jam.ohm, abs=winding.u)


@pytest.mark.parametrize("hz", [200, 500, 1000])
def test_a_heavy_rotor_that_springs_back_is_not_read_at_its_highest(hz) -> None:
    """Thrown back, it is a generator: the current is a seventh above V/R for 80 ms."""
    jam = Jam(0.53, tau_s=0.048, load=0.05, reach_s=0.17, stop_s=0.013)
    assert exact(jam, 0.6).max() > 1.1 * jam.stall_a
    for fed_s in (0.25, 0.28, 0.3):
        for m in stall_and_winding(recorded(jam, fed_s, hz), ACCURACY, VOLTAGE_EVERY):
            true = jam.ohm if m.unit == "ohm" else jam.stall_a
            assert m.value is None or m.value == pytest.approx(true, abs=m.u)


@pytest.mark.parametrize("seed", range(4))
@pytest.mark.parametrize("hz", [200, 500, 1000])
def test_a_motor_that_runs_is_not_read_as_standing(hz, seed) -> None:
    """The inrush draws the voltage to less than half; at 200 Hz so it reads for 50 ms."""
    jam = Jam(0.4, source_ohm=0.6, winding_s=3e-4, tau_s=0.0156, load=0.25, reach_s=9.0)
    trace = recorded(jam, 0.3, hz, seed)
    for m in stall_and_winding(trace, ACCURACY, VOLTAGE_EVERY):
        assert m.value is None


def test_a_voltage_of_before_the_standstill_makes_no_resistance() -> None:
    """At 200 Hz the voltage is read each 50 ms: behind a weak feed it is of another current."""
    trace = recorded(Jam(0.6, source_ohm=0.5), 0.3, 200)
    stale = replace(trace, voltage_v=np.full(len(trace.time_s), SOURCE_V))
    begin = int(np.argmax(trace.ignition_feed))
    short = stale.rows(begin, begin + 16)
    stall, winding = stall_and_winding(short, ACCURACY, voltage_every=12)
    assert stall.value == pytest.approx(SOURCE_V / 1.1, rel=0.01)
    assert winding.value is None


@pytest.mark.parametrize("every", [1, 2, 5])
@pytest.mark.parametrize("circuit", ["jammed_at_once", "jammed_midway", "jam_soft", "jam_rebound"])
def test_jams_of_ngspice(circuit: str, every: int) -> None:
    """Source: ngspice-39 on netlists of our own; the resistance each netlist names, warmed."""
    netlist = (spice.NGSPICE / "netlists" / f"{circuit}.cir").read_text()
    library = (spice.NGSPICE / "netlists" / "unit.lib").read_text()
    named = re.search(r"^xm .* r=([\d.]+)", netlist, re.M)
    usual = re.search(r"\.subckt motor .*?\br=([\d.]+)", library, re.S)
    cold_ohm = float((named or usual)[1]) + 2 * CONTACT_OHM
    jam_s = max(off - on for on, off in itertools.pairwise(t for t, *_ in spice.feeds_of(circuit)))
    stall, winding = stall_and_winding(spice.slower(spice.trace_of(circuit), every), ACCURACY)
    rise_k = stall.value**2 * cold_ohm * jam_s / HEAT_J_PER_K
    warm_ohm = cold_ohm * (1.0 + 0.00393 * rise_k)
    assert cold_ohm - winding.u < winding.value < warm_ohm + winding.u
    assert winding.u < 0.1 * cold_ohm
