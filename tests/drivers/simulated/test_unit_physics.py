"""The simulated unit against other solvers, catalogues and data sheets."""

from __future__ import annotations

import csv
import math
import random
from dataclasses import replace
from itertools import pairwise
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.integrate import solve_ivp
from scipy.linalg import expm

from drivers.simulated.agenda import Agenda
from drivers.simulated.alone import Waveform, run_alone
from drivers.simulated.fuse import Fuse
from drivers.simulated.heat import Heat
from drivers.simulated.linear import exponential, linear_step, single_step
from drivers.simulated.load import Load
from drivers.simulated.parameters import RelayParameters, UnitParameters
from drivers.simulated.relay import UnitRelay

REFERENCE = Path(__file__).parents[2] / "reference"


def rows(name: str) -> list[dict[str, str]]:
    lines = (REFERENCE / name).read_text().splitlines()
    return list(csv.DictReader(line for line in lines if not line.startswith("#")))


def happened(found: Waveform, what: str) -> list[float]:
    return [h.time_s for h in found.happenings if h.what == what]


# --- the exact step, against SciPy ----------------------------------------------------------------

RATES = st.floats(-3000.0, -10.0)
COUPLINGS = st.floats(-5000.0, 5000.0)


@settings(max_examples=60, deadline=None)
@given(RATES, COUPLINGS, RATES, st.floats(1e-7, 5e-3))
def test_the_step_is_the_matrix_exponential(a: float, bc: float, d: float, h: float) -> None:
    b, c = -abs(bc), abs(bc) + 1.0
    own = np.array(linear_step(a, b, c, d, h)).reshape(3, 2, 2)
    # Van Loan's block matrix: its exponential holds E, S and D at once.
    block = np.zeros((6, 6))
    block[:2, :2] = [[a, b], [c, d]]
    block[:2, 2:4] = block[2:4, 4:] = np.eye(2)
    other = expm(block * h)
    expected = np.array([other[:2, :2], other[:2, 2:4], other[:2, 4:]])
    for mine, theirs in zip(own, expected, strict=True):
        assert mine == pytest.approx(theirs, rel=1e-6, abs=1e-7 * np.abs(theirs).max())


def test_a_stiff_step_does_not_overflow() -> None:
    e = exponential(-2e9, -1.0, 1.0, -1.0, 0.1)
    assert all(math.isfinite(x) for x in e)
    assert e[3] == pytest.approx(math.exp(-0.1), rel=1e-6)


@settings(max_examples=60, deadline=None)
@given(st.floats(0.0, 1e5), st.floats(1e-9, 1e-2))
def test_the_single_step_is_the_exponential(rate: float, h: float) -> None:
    block = np.array([[-rate, 1.0, 0.0], [0.0, 0.0, 1.0], [0.0, 0.0, 0.0]])
    e, s, d = single_step(rate, h)
    theirs = expm(block * h)[0]
    assert (e, s, d) == pytest.approx(tuple(theirs), rel=1e-6, abs=1e-18)


# --- a whole half-turn, against SciPy -------------------------------------------------------------

QUIET_RELAY = RelayParameters(bounce_s=0.0)
PATH_OHM = 0.03


@pytest.mark.parametrize("supply_v", [9.5, 12.6, 16.0])
@pytest.mark.parametrize(("friction", "look_s"), [(1.0, 1e-4), (7.0, 2.3e-3)])
def test_a_half_turn_follows_scipy(supply_v: float, friction: float, look_s: float) -> None:
    """Current within 0.1 % of its peak (RMS), cut-off within 0.02 %: R(T), friction, cable."""
    nominal = UnitParameters()
    p = replace(nominal, relay=QUIET_RELAY, dry_nm=friction * nominal.dry_nm)
    changes = [(0.01, True, True)]
    found = run_alone(p, changes, 3.0, supply_v=supply_v, path_ohm=PATH_OHM, step_s=look_s)
    fed_s = happened(found, "track closed")[0]
    opened_s = happened(found, "track opened")[0]
    torque_nm = p.dry_nm + p.cable_nm / p.gear
    other_ohm = PATH_OHM + p.loom_ohm + p.relay.contact_ohm

    def slope(_: float, x: np.ndarray) -> list[float]:
        current, speed, _, winding_c, case_c = x
        winding_ohm = p.winding_ohm * (1.0 + 0.00393 * (winding_c - 20.0))
        torque = p.constant_vs * current - p.viscous_nms * speed - torque_nm
        across = (winding_c - case_c) / p.winding_case_k_per_w
        return [
            (supply_v - (winding_ohm + other_ohm) * current - p.constant_vs * speed)
            / p.inductance_h,
            torque / p.rotor_kgm2 if speed > 0.0 or torque > 0.0 else 0.0,
            speed,
            (current**2 * winding_ohm - across) / p.winding_heat_j_per_k,
            (across - (case_c - p.ambient_c) / p.case_air_k_per_w) / p.case_heat_j_per_k,
        ]

    def cut_off(_: float, x: np.ndarray) -> float:
        return float(x[2] - math.pi * p.gear)

    cut_off.terminal = True  # type: ignore[attr-defined]
    theirs = solve_ivp(
        slope,
        (fed_s, 3.0),
        [0.0, 0.0, 0.0, p.ambient_c, p.ambient_c],
        events=cut_off,
        rtol=1e-8,
        atol=1e-10,
        max_step=5e-4,
        dense_output=True,
    )
    their_s = theirs.t_events[0][0]
    assert opened_s - fed_s == pytest.approx(their_s - fed_s, rel=2e-4)
    time_s = np.array(found.time_s)
    turning = (time_s > fed_s) & (time_s < min(opened_s, their_s))
    current_a = np.array(found.current_a)[turning]
    expected = theirs.sol(time_s[turning])
    rms_a = float(np.sqrt(np.mean((current_a - expected[0]) ** 2)))
    assert rms_a < 1e-3 * current_a.max()
    assert np.array(found.winding_c)[turning] == pytest.approx(expected[3], abs=0.02)
    assert np.array(found.angle_deg)[turning] == pytest.approx(
        np.degrees(expected[2]) / p.gear, abs=0.03
    )


def test_the_cam_stops_it_after_half_a_turn_and_the_brake_holds_it() -> None:
    """180 degrees an actuation, no draw when parked: common practice, no published source."""
    changes = [(0.1, True, False), (0.2, True, True), (1.5, True, False), (3.0, True, True)]
    found = run_alone(UnitParameters(), changes, 4.5, supply_v=12.6, path_ohm=PATH_OHM)
    angle = dict(zip(np.round(found.time_s, 4).tolist(), found.angle_deg, strict=True))
    current = dict(zip(np.round(found.time_s, 4).tolist(), found.current_a, strict=True))
    stops = [angle[0.15], angle[1.4], angle[2.9], angle[4.4]]
    turned = [(b - a) % 360.0 for a, b in pairwise(stops)]
    assert turned[1:] == pytest.approx([180.0, 180.0], abs=0.2)
    assert turned[0] == pytest.approx(182.0, abs=1.5)  # from the edge itself, not from rest
    assert [current[t] for t in (0.15, 1.4, 2.9, 4.4)] == [0.0] * 4


# --- motor catalogues -----------------------------------------------------------------------------

MOTORS = rows("dc_motor_rows.csv")


def bare_motor(row: dict[str, str], inductance_h: float) -> UnitParameters:
    """A motor of the catalogue in place of the unit's own, without gear, cable and brake."""
    constant_vs = float(row["km_mnm_per_a"]) * 1e-3
    return replace(
        UnitParameters(),
        winding_ohm=float(row["ohm"]),
        inductance_h=inductance_h,
        constant_vs=constant_vs,
        loom_ohm=0.0,
        rotor_kgm2=float(row["j_gcm2"]) * 1e-7,
        gear=1.0,
        dry_nm=constant_vs * float(row["no_load_ma"]) * 1e-3,
        viscous_nms=0.0,
        cable_nm=0.0,
        brake_at_park=False,
        # Catalogue values are those of a winding at its rated temperature, here kept there.
        winding_heat_j_per_k=1e9,
        relay=RelayParameters(bounce_s=0.0, contact_ohm=0.0),
    )


def spun(row: dict[str, str], p: UnitParameters, until_s: float, *faults: str) -> Waveform:
    return run_alone(
        p,
        [(0.001, True, False)],
        until_s,
        supply_v=float(row["volts"]),
        faults=("cam-welded", *faults),
    )


@pytest.mark.parametrize("row", MOTORS, ids=lambda row: row["type"])
def test_catalogue_motors_run_and_stall_as_printed(row: dict[str, str]) -> None:
    p = bare_motor(row, float(row["mh"]) * 1e-3)
    idle = spun(row, p, 0.5)
    assert idle.speed_rad_s[-1] * 30.0 / math.pi == pytest.approx(
        float(row["no_load_rpm"]), rel=0.01
    )
    assert idle.current_a[-1] == pytest.approx(float(row["no_load_ma"]) * 1e-3, rel=0.01)
    stalled = spun(row, p, 0.1, "jammed=0")
    assert stalled.current_a[-1] == pytest.approx(float(row["stall_a"]), rel=0.01)
    assert stalled.current_a[-1] * p.constant_vs == pytest.approx(
        float(row["stall_mnm"]) * 1e-3, rel=0.01
    )


@pytest.mark.parametrize("row", [m for m in MOTORS if m["tau_ms"]], ids=lambda row: row["type"])
def test_catalogue_motors_start_with_the_printed_time_constant(row: dict[str, str]) -> None:
    p = bare_motor(row, 1e-7)  # the catalogue's time constant leaves the inductance out
    found = run_alone(
        p,
        [(0.0, True, False)],
        0.1,
        supply_v=float(row["volts"]),
        faults=["cam-welded"],
        step_s=2e-5,
    )
    speed = np.array(found.speed_rad_s)
    share = speed / speed[-1]
    begun, reached = (np.interp(x, share[:-1], found.time_s[:-1]) for x in (0.0, 1 - math.exp(-1)))
    assert (reached - begun) * 1e3 == pytest.approx(float(row["tau_ms"]), rel=0.01)


def test_the_thermal_time_constants_of_a_catalogue_motor() -> None:
    """RE 40 data sheet: 1.93 K/W and 41.5 s winding to housing, 4.65 K/W and 809 s to the air."""
    heat = Heat(41.5 / 1.93, 809.0 / 4.65, 1.93, 4.65, 25.0)
    heat.take(10.0, 41.5)
    across = heat.winding_c - heat.case_c
    assert across == pytest.approx(19.3 * (1.0 - math.exp(-1.0)), rel=0.06)  # the housing warms too
    for _ in range(2000):
        heat.take(10.0, 10.0)
    assert heat.winding_c == pytest.approx(25.0 + 10.0 * (1.93 + 4.65), rel=1e-3)
    assert heat.case_c == pytest.approx(25.0 + 46.5, rel=1e-3)


def test_heating_in_short_steps_is_heating_in_one() -> None:
    short, long = (Heat(30.0, 150.0, 2.0, 6.0, 20.0) for _ in range(2))
    short.case_c = long.case_c = 80.0
    for _ in range(5000):
        short.take(50.0, 0.002)
    long.take(50.0, 10.0)
    assert short.winding_c == pytest.approx(long.winding_c, abs=0.01)
    assert short.case_c == pytest.approx(long.case_c, abs=0.01)


def test_copper_warms_as_iec_60028_says() -> None:
    """0.00393 per K at 20 C: 2.00 ohm at 20 C is 2.40 ohm at 70.89 C (IEC 60028 coefficient)."""
    hot = replace(UnitParameters(), winding_ohm=2.0, loom_ohm=0.0, ambient_c=70.89, relay=NO_RELAY)
    found = run_alone(hot, [(0.0, True, False)], 0.05, faults=["jammed=0", "cam-welded"])
    assert 12.0 / found.current_a[-1] == pytest.approx(2.40, rel=1e-3)


NO_RELAY = RelayParameters(bounce_s=0.0, contact_ohm=0.0)


def test_a_spring_helps_the_way_it_resisted() -> None:
    load = Load(dry_nm=0.03, gear=80.0, spring_nm=4.0)
    assert load.torque_nm(120.0, 1) == pytest.approx(0.03 + 4.0 / 80.0)  # its greatest
    assert load.torque_nm(240.0, 1) == load.torque_nm(120.0, -1) < 0.01
    assert load.torque_nm(240.0, -1) == pytest.approx(0.03 + 4.0 / 80.0)


# --- fuse -----------------------------------------------------------------------------------------


def melts_after_s(rating_a: float, current_a: float, longest_s: float) -> float:
    fuse = Fuse(rating_a)
    time_s, step_s = 0.0, 0.001
    while time_s < longest_s:
        time_s += step_s
        if fuse.carry(current_a**2, step_s):
            return time_s
        step_s = min(step_s * 1.02, 100.0 if time_s > 600.0 else 0.1)
    return math.inf


@pytest.mark.parametrize("gate", rows("blade_fuse_gates.csv"), ids=lambda gate: gate["percent"])
@pytest.mark.parametrize("rating_a", [3.0, 10.0, 30.0])
def test_the_fuse_passes_the_published_gates(gate: dict[str, str], rating_a: float) -> None:
    earliest_s = float(gate["earliest_s"])
    latest_s = float(gate["latest_s"]) if gate["latest_s"] else math.inf
    current_a = rating_a * float(gate["percent"]) / 100.0
    melted_s = melts_after_s(rating_a, current_a, min(latest_s, 400_000.0) + 1.0)
    assert earliest_s <= melted_s <= latest_s


def test_a_20_a_fuse_has_its_published_melting_integral() -> None:
    """Littelfuse 257 sheet, 20 A: 520 A2s, 3.38 mohm cold."""
    current_a = 2000.0  # so high that no heat is lost meanwhile
    fuse = Fuse(20.0)
    time_s = 0.0
    while not fuse.carry(current_a**2, 1e-7):
        time_s += 1e-7
    assert current_a**2 * time_s == pytest.approx(520.0, rel=0.02)
    assert fuse.ohm == pytest.approx(3.38e-3, rel=0.01)


@settings(deadline=None)
@given(st.lists(st.floats(0.0, 50.0), min_size=1, max_size=20))
def test_a_blown_fuse_stays_blown_and_melts_once(currents: list[float]) -> None:
    fuse = Fuse(5.0)
    melts = sum(fuse.carry(current**2, 0.3) for current in currents)
    assert melts == int(fuse.blown)


# --- relay ----------------------------------------------------------------------------------------

SHEET = {row["quantity"]: float(row["value"]) for row in rows("power_relay.csv")}


class Coil:
    """A unit's relay alone, on a voltage."""

    def __init__(self) -> None:
        self.agenda = Agenda()
        self.seen: list[tuple[float, bool, bool]] = []
        self.relay = UnitRelay(self.agenda, random.Random(1), RelayParameters(), self.note)

    def note(self, time_s: float) -> None:
        self.seen.append((time_s, self.relay.made, self.relay.touching))

    def at(self, time_s: float, volts: float) -> None:
        self.agenda.run_due(time_s)
        self.relay.drive(time_s, volts, volts > 0.0)

    def settles(self) -> bool:
        self.agenda.run_due(10.0)
        return self.relay.made


def test_relay_times_are_those_of_a_typical_component() -> None:
    coil = Coil()
    assert RelayParameters().coil_ohm == pytest.approx(SHEET["coil"], rel=SHEET["coil_tolerance"])
    coil.at(0.0, 12.0)
    assert coil.settles()
    first_s = next(time_s for time_s, made, touching in coil.seen if made and touching)
    assert first_s == pytest.approx(SHEET["operate_typical"], rel=0.05)
    coil.seen.clear()
    coil.at(10.0, 0.0)
    assert not coil.settles() or coil.agenda.run_due(11.0) is None
    back_s = next(time_s for time_s, made, touching in coil.seen if not made and touching)
    assert back_s - 10.0 == pytest.approx(SHEET["release_typical"], rel=0.05)


def test_relay_operates_and_releases_within_the_sheet() -> None:
    for volts, operates in ((SHEET["operate_at_most"], True), (6.0, False)):
        coil = Coil()
        coil.at(0.0, volts)
        assert coil.settles() is operates
    coil = Coil()
    coil.at(0.0, 12.0)
    coil.agenda.run_due(1.0)
    coil.at(1.0, 4.0)
    coil.agenda.run_due(2.0)
    assert coil.relay.made  # holds far below its pull-in
    coil.at(2.0, SHEET["release_at_least"])
    coil.agenda.run_due(3.0)
    assert not coil.relay.made


@settings(max_examples=40, deadline=None)
@given(st.lists(st.floats(0.001, 0.05), min_size=1, max_size=12), st.floats(0.0, 0.2))
def test_the_coil_current_mean_is_the_mean_of_the_coil_current(
    holds: list[float], start_s: float
) -> None:
    coil = Coil()
    time_s = 0.0
    for number, hold in enumerate(holds):
        coil.at(time_s, 12.0 if number % 2 == 0 else 0.0)
        time_s += hold
    grid = np.linspace(start_s, start_s + 0.01, 2001)
    sampled = [coil.relay.coil_a(t) for t in grid]
    mean = coil.relay.mean_coil_a(grid[0], grid[-1])
    assert mean == pytest.approx(float(np.trapezoid(sampled, grid)) / 0.01, abs=1e-4)


# --- rules that hold for every unit ---------------------------------------------------------------

UNITS = st.builds(
    lambda ohm, constant, dry, gear: replace(
        UnitParameters(), winding_ohm=ohm, constant_vs=constant, dry_nm=dry, gear=gear
    ),
    st.floats(0.3, 2.0),
    st.floats(0.02, 0.05),
    st.floats(0.005, 0.05),
    st.floats(60.0, 120.0),
)


@settings(max_examples=12, deadline=None)
@given(UNITS, st.floats(9.0, 16.0))
def test_any_unit_parks_after_half_a_turn_and_then_draws_nothing(
    p: UnitParameters, supply_v: float
) -> None:
    found = run_alone(
        p,
        [(0.0, True, False), (0.1, True, True)],
        8.0,
        supply_v=supply_v,
        path_ohm=0.05,
        step_s=2e-3,
    )
    assert found.current_a[-1] == 0.0
    assert 180.0 <= found.angle_deg[-1] < 195.0
    assert max(found.current_a) < supply_v / p.winding_ohm


@settings(max_examples=6, deadline=None)
@given(st.floats(2e-4, 0.03), st.floats(9.0, 16.0))
def test_how_often_one_looks_does_not_alter_the_unit(look_s: float, supply_v: float) -> None:
    """The world may run ahead of a look and go back: the half-turn must not know."""
    changes = [(0.0, True, False), (0.05, True, True), (0.3, False, True), (0.31, True, True)]
    coarse = run_alone(UnitParameters(), changes, 2.0, supply_v=supply_v, step_s=0.5)
    fine = run_alone(UnitParameters(), changes, 2.0, supply_v=supply_v, step_s=look_s)
    # While the relay bounces the rotor may rest for a fraction of a millisecond, seen only by who
    # looks so often: the first start and the last stop are the half-turn's.
    for what, which in (("track opened", 0), ("stopped", -1), ("moving", 0)):
        seen = happened(coarse, what)[which], happened(fine, what)[which]
        assert seen[0] == pytest.approx(seen[1], abs=5e-5)
    assert len(happened(coarse, "track opened")) == len(happened(fine, "track opened"))
