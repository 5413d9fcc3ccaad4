"""Fuse against winding: closed forms, the simulated unit, and what the trade goes by."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from drivers import BackendOptions
from drivers.simulated.backend import SimulatedBackend
from drivers.simulated.fuse import Fuse
from rig.analysis.copper import PER_K
from rig.analysis.estimate import Estimate, unknown
from rig.analysis.fuse import COMMON_RATINGS_A, opens_after
from rig.analysis.fuse_race import Protection, fitted_fuse, largest_that_protects, race
from rig.analysis.model import UnitType
from rig.analysis.motor import MotorIdentity
from rig.analysis.winding_heat import (
    Winding,
    copper_heat_j_per_k,
    corners,
    stall_heat,
    winding_of,
)
from rig.diagnosis.fuse_words import over_rated_words
from rig.plans import load_plan, shipped_plans

[QUALIFY] = [load_plan(path) for path in shipped_plans() if path.stem == "qualify"]


def identity(ohm: float, u_ohm: float) -> MotorIdentity:
    nothing = unknown("", "not measured here")
    known = Estimate(ohm, u_ohm, "ohm")
    return MotorIdentity(known, known, nothing, nothing, nothing, nothing, nothing)


# --- heating ----------------------------------------------------------------------------------


@pytest.mark.parametrize("supply_v", [8.0, 12.6, 16.0])
def test_without_cooling_the_heating_has_a_closed_form(supply_v: float) -> None:
    """C dT/dt = V2 / (R (1 + a T)) gives T + a T2 / 2 = V2 t / (R C), T above 20 degrees."""
    winding = Winding(0.75, 30.0, 1e9, 130.0)
    heat = stall_heat(winding, supply_v, 0.0, 600.0)
    rise_k = 110.0
    hot_s = (rise_k + PER_K * rise_k**2 / 2) * 0.75 * 30.0 / supply_v**2
    assert heat.hot_s == pytest.approx(hot_s, rel=1e-5)
    rise_k = np.interp(hot_s, heat.time_s, heat.winding_c) - 20.0
    assert rise_k == pytest.approx(110.0, rel=1e-3)
    # IEC 60028: copper has 1.393 times its resistance 100 K above 20 degrees Celsius.
    at_120_a = np.interp(120.0, heat.winding_c, heat.current_a)
    assert at_120_a == pytest.approx(supply_v / 0.75 / 1.393, rel=1e-4)


@pytest.mark.parametrize("case", [(None, None), (150.0, 2.0)])
def test_in_the_end_what_goes_in_goes_out(case) -> None:
    """V2 / R(T) = (T - Ta) / Rth, a quadratic in T, whatever lies between winding and air."""
    winding = Winding(0.75, 30.0, 8.0, 1e4, case_j_per_k=case[0], winding_case_k_per_w=case[1])
    heat = stall_heat(winding, 5.0, 0.0, 1e5)
    input_k = 5.0**2 / 0.75 * 8.0
    rise_k = (math.sqrt(1.0 + 4.0 * PER_K * input_k) - 1.0) / (2.0 * PER_K)
    assert heat.winding_c[-1] == pytest.approx(20.0 + rise_k, rel=1e-4)


def test_the_simulated_unit_heats_and_its_fuse_opens_as_the_analysis_says(jammed) -> None:
    p = jammed.unit.parameters
    winding = Winding(
        p.winding_ohm,
        p.winding_heat_j_per_k,
        p.winding_case_k_per_w + p.case_air_k_per_w,
        130.0,
        case_j_per_k=p.case_heat_j_per_k,
        winding_case_k_per_w=p.winding_case_k_per_w,
    )
    # Everything that lies in the circuit and is not copper of the winding (drivers.simulated).
    behind = p.loom_ohm + p.relay.contact_ohm
    before = 0.02 + 0.016 + jammed.fuse_ohm + 0.005
    said = stall_heat(winding, jammed.battery_v, behind + before, 60.0)
    time_s, current_a = np.array(jammed.time_s), np.array(jammed.current_a)
    assert len(time_s) > 1
    assert current_a == pytest.approx(np.interp(time_s, said.time_s, said.current_a), rel=2e-3)
    seen_c = np.array(jammed.winding_c)
    assert seen_c == pytest.approx(np.interp(time_s, said.time_s, said.winding_c), abs=0.5)
    if jammed.hot_s is not None:
        assert jammed.hot_s == pytest.approx(said.hot_s, abs=0.05)
    opens = opens_after(said.time_s, said.current_a, jammed.fuse_a)
    assert opens.low_s <= (jammed.blown_s or math.inf) <= opens.high_s
    assert (jammed.blown_s is None) == (jammed.fuse_a > 10.0)


class Jammed:
    """A simulated unit jammed at stop, fed through a fuse until that opens or for 25 s."""

    def __init__(self, fuse_a: float, rig) -> None:
        self.fuse_a, self.battery_v = fuse_a, 14.4
        extra = {"spread": "0", "supply_v": "14.4"}
        wiring = replace(rig, fuse_a=fuse_a, supply=None)
        options = BackendOptions(faults=("jammed=0.5",), extra=extra)
        backend = SimulatedBackend(wiring, options)
        world = backend.world
        station = next(iter(world.stations.values()))
        self.unit, self.fuse_ohm = station.unit, station.fuse.ohm
        self.time_s, self.current_a, self.winding_c = [], [], []
        self.blown_s = self.hot_s = None
        level, fed_s = False, None
        battery, ignition = wiring.stations[0].battery_feed, wiring.stations[0].ignition_feed
        while fed_s is None or (self.blown_s is None and world.now_s - fed_s < 25.0):
            world.now_s += 0.01
            level = not level
            world.output_changed(wiring.dead_man.pin, level)
            if fed_s is None and world.now_s > 0.2:
                for feed in (ignition, battery):
                    world.output_changed(feed.pin, feed.active_high)
                fed_s = world.now_s
            world.bring_up()
            if fed_s is None or world.now_s < fed_s + 0.1:
                continue
            since_s = world.now_s - fed_s - battery.operate_s
            if station.fuse.blown:
                self.blown_s = since_s
                break
            if self.hot_s is None and self.unit.heat.winding_c >= 130.0:
                self.hot_s = since_s
            self.time_s.append(since_s)
            self.current_a.append(station.feed_a)
            self.winding_c.append(self.unit.heat.winding_c)
        backend.close()


@pytest.fixture(params=[7.5, 10.0, 20.0])
def jammed(request, small_rig) -> Jammed:
    return Jammed(request.param, small_rig)


@pytest.fixture
def small_rig():
    from small_rig import RIG

    return RIG


# --- the race ---------------------------------------------------------------------------------


# What the trade feeds such a unit with: from a parked, half charged battery (12.0 V at rest) to one
# on charge (14.4 V).  Common practice, no published source.
SUPPLIES_V = (12.0, 12.6, 13.2, 13.8, 14.4)
# The simulated rig's feed to the sensor and back: a bench supply's 5 mohm or a battery's 20, wiring
# 16, a 10 A fuse 7, shunt 5 mohm; and some to spare.
LEADS_OHM = (0.033, 0.050)
# Behind the sensor: the unit's own leads and its relay's contact.
BEHIND_OHM = 0.007
# 2.5 standard deviations of 2 %, the most that `drivers.simulated.parameters.spread_unit` draws.
SPREAD_REL = 0.05


def shipped(ohm: float = QUALIFY.unit.winding_ohm) -> Winding:
    """Any LM-12, in a workshop of 5 to 35 degrees Celsius, its heat capacity 30 % either way."""
    unit = replace(QUALIFY.unit_type(), winding_ohm=ohm)
    of_type = winding_of(unit, QUALIFY.unit.winding_max_c)
    return replace(of_type, ohm=ohm + BEHIND_OHM, ohm_off=SPREAD_REL * ohm)


@pytest.mark.parametrize("supply_v", SUPPLIES_V)
@pytest.mark.parametrize("lead_ohm", LEADS_OHM)
def test_10_a_protects_the_shipped_type_and_no_larger_fuse_does(
    supply_v: float, lead_ohm: float
) -> None:
    """The trade fuses its feed at 10 A and no more (common practice, no published source).

    The sheets say the same of the LM-12: the slowest 10 A fuse that they allow opens before the
    winding reaches its class limit, whereas a 15 or 20 A one need never open, and 30 A cannot.
    """
    found = {r.rating_a: r for r in race(shipped(), supply_v, lead_ohm)}
    assert set(found) == set(COMMON_RATINGS_A)
    ten = found[10.0]
    assert ten.protection is Protection.PROTECTS
    # Between the sheets' least at 350 % (0.08 s) and half of what the winding takes.
    assert 0.08 < ten.fuse_s.low_s < 0.16
    assert 2.0 < ten.fuse_s.high_s < 0.5 * ten.winding_s.low_s
    assert 25.0 < ten.winding_s.low_s < ten.winding_s.high_s < 110.0
    for rating_a in (15.0, 20.0, 25.0, 30.0):
        assert found[rating_a].protection is not Protection.PROTECTS, rating_a
        assert math.isinf(found[rating_a].fuse_s.high_s), rating_a
    # A quick 15 A one may open; 20 A only where it is coldest, on a battery on charge.
    assert 0.15 < found[15.0].fuse_s.low_s < 0.40
    assert found[20.0].fuse_s.low_s > 0.45
    if supply_v < 13.0:
        assert found[20.0].protection is Protection.DOES_NOT
    assert found[30.0].protection is Protection.DOES_NOT
    assert math.isinf(found[30.0].fuse_s.low_s)
    assert "too big" in found[30.0].sentence()
    assert largest_that_protects(found.values()) == 10.0
    stall_a = supply_v / (QUALIFY.unit.winding_ohm + BEHIND_OHM + lead_ohm)
    assert ten.stall_a[0] < stall_a < ten.stall_a[1]


# What a workshop may have that lies beyond that span: each alone, on 12.0 V behind 50 mohm.
BEYOND = {
    "warm from its work": {"start_c": 75.0, "start_off_c": 5.0},
    "in frost or heat": {"start_c": 20.0, "start_off_c": 25.0},
    "a tenth more resistance": {"ohm_off": 0.10 * QUALIFY.unit.winding_ohm},
    "its copper alone takes the heat": {"heat_j_per_k": 45.0, "heat_off_j_per_k": 0.0},
}


@pytest.mark.parametrize("beyond", BEYOND)
def test_beyond_that_span_even_10_a_may_not_protect(beyond: str) -> None:
    """As README says: such a winding gets too hot before the slowest 10 A fuse opens."""
    [ten] = race(replace(shipped(), **BEYOND[beyond]), 12.0, 0.05, [10.0])
    assert ten.protection is Protection.MAY_NOT


@pytest.mark.parametrize("supply_v", [12.0, 12.6, 13.2])
def test_a_unit_warm_from_its_work_is_protected_on_a_battery_on_charge_alone(
    supply_v: float,
) -> None:
    warm = replace(shipped(), **BEYOND["warm from its work"])
    assert race(warm, supply_v, 0.05, [10.0])[0].protection is Protection.MAY_NOT
    assert race(warm, 14.4, 0.05, [10.0])[0].protection is Protection.PROTECTS


def test_behind_longer_leads_10_a_may_not_protect_on_a_parked_battery() -> None:
    assert race(shipped(), 12.0, 0.088, [10.0])[0].protection is Protection.MAY_NOT


@pytest.mark.parametrize("lead_ohm", [0.05, 0.088, 0.15])
def test_the_rating_to_fit_carries_what_it_does_for_any_unit(lead_ohm: float) -> None:
    """One truth: the same rating raced with the type's tolerances."""
    unit, max_c = QUALIFY.unit_type(), QUALIFY.unit.winding_max_c
    found = fitted_fuse(20.0, unit, max_c, lead_ohm)
    [same] = race(winding_of(unit, max_c), unit.nominal_v, lead_ohm, [10.0])
    assert found.any_unit is same.protection is Protection.MAY_NOT
    assert "even that may not protect" in over_rated_words(found, "LM-12")


def test_a_rating_that_protects_any_unit_is_told_without_a_doubt() -> None:
    """0.4 ohm draw 27 A on 12 V behind 50 mohm: 10 A opens in time, whatever the unit."""
    found = fitted_fuse(20.0, replace(QUALIFY.unit_type(), winding_ohm=0.4), 130.0, 0.05)
    assert (found.protects_a, found.any_unit) == (10.0, Protection.PROTECTS)
    assert "Fit 10 A" in over_rated_words(found, "LM-12")
    assert "even that" not in over_rated_words(found, "LM-12")


@settings(max_examples=20, deadline=None)
@given(st.sampled_from((*COMMON_RATINGS_A, 3.0, 8.0)), st.floats(0.015, 0.088))
def test_a_fitted_fuse_is_over_rated_if_it_is_more_than_protects(
    fitted_a: float, lead_ohm: float
) -> None:
    unit = QUALIFY.unit_type()
    found = fitted_fuse(fitted_a, unit, QUALIFY.unit.winding_max_c, lead_ohm)
    assert found.race.rating_a == fitted_a
    assert found.protects_a == 10.0
    assert found.over_rated == (fitted_a > 10.0)


def test_where_no_common_fuse_protects_only_one_that_cannot_is_over_rated() -> None:
    """5 ohm on 12 V draw 2.4 A, less than any common fuse opens at, and too much for 3 J/K."""
    unit = UnitType("other", winding_ohm=5.0, heat_j_per_k=3.0)
    found = fitted_fuse(5.0, unit, 130.0, 0.05)
    assert found.protects_a is None
    assert found.over_rated
    assert not fitted_fuse(1.0, unit, 130.0, 0.05).over_rated


@pytest.mark.parametrize("ohm", [0.56, 0.62, 0.75])
def test_a_winding_of_more_resistance_is_not_safe_behind_10_a(ohm: float) -> None:
    """Why the LM-12 has no more than it has: its copper would bring the current below 160 %."""
    [ten] = race(shipped(ohm), 12.0, 0.05, [10.0])
    assert ten.protection is Protection.MAY_NOT
    assert math.isinf(ten.fuse_s.high_s)


def test_the_shipped_type_stands_still_as_long_as_the_plans_ask_without_a_fuse_lost() -> None:
    """Why it has no less: a jam is cut off by the guard, not by the fuse (the simulated 10 A one).

    On a bench supply, and on a battery at rest or on charge; the jam test on one that is shorted as
    far as the plan still judges it by its stall current.
    """
    jam = next(step for step in QUALIFY.steps if step.kind == "jam")
    least = replace(shipped(), ohm=(1.0 - SPREAD_REL) * QUALIFY.unit.winding_ohm + BEHIND_OHM)
    for supply_v, lead_ohm in ((12.0, 0.033), (12.6, 0.048), (14.4, 0.048)):
        assert _opens_s(least, supply_v, lead_ohm) > QUALIFY.guard.stall_s
    shorted = replace(least, ohm=12.0 / jam.current_limit_a - 0.033)
    assert _opens_s(shorted, 12.0, 0.033) > jam.stall_s


def _opens_s(winding: Winding, supply_v: float, lead_ohm: float) -> float:
    """Return when (s) the simulated bench's 10 A fuse opens."""
    heat, fuse, now_s = stall_heat(winding, supply_v, lead_ohm, 10.0), Fuse(10.0), 0.0
    while now_s < 10.0:
        now_s += 0.001
        if fuse.carry(float(np.interp(now_s, heat.time_s, heat.current_a)) ** 2, 0.001):
            return now_s
    return math.inf


def test_a_stall_current_of_twice_the_fuse_and_more_is_cut_in_time() -> None:
    """A unit of 0.5 ohm draws 24 A: 10 A opens within 5 s at 200 % (257 sheet)."""
    unit = replace(QUALIFY.unit_type(), winding_ohm=0.5, heat_j_per_k=30.0)
    winding = winding_of(unit, 130.0, identity(0.5, 0.005))
    [ten] = race(winding, 14.4, 0.03, [10.0])
    assert ten.protection is Protection.PROTECTS
    assert ten.fuse_s.high_s < 5.0 < ten.winding_s.low_s


def test_a_doubtful_resistance_widens_both_times() -> None:
    unit = QUALIFY.unit_type()
    [sure] = race(winding_of(unit, 130.0, identity(unit.winding_ohm, 0.002)), 14.4, 0.03, [7.5])
    [vague] = race(winding_of(unit, 130.0), 14.4, 0.03, [7.5])
    assert vague.winding_s.low_s < sure.winding_s.low_s
    assert vague.winding_s.high_s > sure.winding_s.high_s
    assert vague.fuse_s.low_s < sure.fuse_s.low_s
    assert vague.fuse_s.high_s > sure.fuse_s.high_s


def test_a_resistance_at_an_unknown_temperature_is_what_it_begins_with() -> None:
    """12 V on 0.80 ohm as found begin with 15 A, be it at 5 or at 35 degrees Celsius.

    By IEC 60028 it is 0.850 and 0.755 ohm at 20: a factor of 1 + 0.00393 x 15 either way.
    """
    unit = QUALIFY.unit_type()
    known = identity(0.80, 0.0)
    unheated = replace(known, circuit_20c_ohm=unknown("ohm", "no ambient temperature"))
    as_found = winding_of(unit, 130.0, unheated)
    assert winding_of(unit, 130.0, known).ohm == as_found.ohm == 0.80
    assert winding_of(unit, 130.0).ohm == unit.winding_ohm
    [one] = race(as_found, 12.0, 0.0, [10.0])
    assert one.stall_a == pytest.approx((15.0, 15.0))
    cold_ohm = {round(corner.cold_ohm, 3) for corner in corners(as_found)}
    assert cold_ohm == {0.755, 0.850}
    doubted = winding_of(unit, 130.0, replace(unheated, circuit_ohm=Estimate(0.80, 0.005, "ohm")))
    [one] = race(doubted, 12.0, 0.0, [10.0])
    assert one.stall_a == pytest.approx((12.0 / 0.81, 12.0 / 0.79))


def test_a_winding_that_never_gets_too_hot_needs_no_fuse() -> None:
    [one] = race(Winding(10.0, 30.0, 2.0, 130.0), 12.0, 0.05, [30.0])
    assert one.protection is Protection.PROTECTS
    assert "not at all within an hour" in one.sentence()


def test_the_types_heat_capacity_is_that_of_plausible_wire_and_iron() -> None:
    """120 J/K (a guess in the plans): 0.51 ohm wound with 0.65 mm wire, and 170 g of sheet.

    Wire: area .3318 mm2, 4 x .51 x .3318 x 58 = 39.3 m of it, 115.8 g, 44.6 J/K (by hand, from
    IEC 60028 and copper's specific heat, from memory).  Iron: 170 g at 0.449 J/gK (CRC Handbook,
    from memory) are 76 J/K.  0.2 mm of slot liner (0.2 W/mK, from memory) over 0.014 m2 of slot are
    0.07 K/W: with 45 and 76 J/K on its two sides it evens out within 2 s, a stall takes 25 s.
    """
    assert copper_heat_j_per_k(0.51, 0.65) == pytest.approx(44.6, rel=0.01)
    assert copper_heat_j_per_k(0.51, 0.65) + 170 * 0.449 == pytest.approx(
        QUALIFY.unit.heat_j_per_k, rel=0.02
    )
