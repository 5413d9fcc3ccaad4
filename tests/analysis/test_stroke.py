"""Stroke profiles and binds: where, how hard, which way, and in what.

Places and heights: what the simulated unit was told (drivers.simulated.load), and the netlists of
ngspice's binding units (tests/reference/ngspice/netlists, ngspice-39, Debian package), which share
nothing with it.  False alarms on many seeds: tests/bench/campaign_binding.py.
"""

from __future__ import annotations

import random
from dataclasses import replace
from functools import cache

import numpy as np
import pytest
import spice
from stroke_traces import (
    LM_12,
    UNIT,
    Conditions,
    effect,
    half_turns,
    identity_of,
    kink,
    run,
    tooth,
)

from drivers.simulated.parameters import spread_unit
from rig.analysis.binding import Site, find_binds
from rig.analysis.half_turns import find_half_turns
from rig.analysis.model import Accuracy, Direction
from rig.analysis.motor import identify
from rig.analysis.stroke import lever_deg, stroke_profiles
from rig.analysis.stroke_mean import compare_profiles, mean_profile
from rig.analysis.trace import Trace

PLACE_DEG = 5.0
NM_PER_A = LM_12.constant_vs * LM_12.gear
COLUMNS = ("time_s", "current_a", "voltage_v", "battery_feed", "ignition_feed")
TO_RUN, TO_STOP = Direction.TO_RUN, Direction.TO_STOP


IDENTITY = identity_of(LM_12)


def profiles_of(identity=IDENTITY, **changes):
    trace, _ = run(Conditions(**({"count": 4} | changes)))
    return stroke_profiles(trace, half_turns(trace), UNIT, identity)


def one_way(profiles, direction):
    return [p for p in profiles if p.direction is direction]


# --- the profile ---------------------------------------------------------------------------------


@pytest.mark.parametrize("hz", [200, 1000])
def test_a_level_load_gives_a_level_profile_of_the_right_height(hz):
    """The cable's 2.9 N m at the output; friction is the identity's."""
    for profile in profiles_of(hz=hz):
        known = np.isfinite(profile.load_a)
        assert known.sum() > 70
        assert profile.angle_deg[known][0] < (18.0 if profile.direction is TO_RUN else 198.0)
        load_nm = profile.load_nm[known]
        assert np.median(load_nm) == pytest.approx(LM_12.cable_nm, rel=0.025)
        assert load_nm.std() < 0.06
        assert profile.above_friction


@pytest.mark.parametrize("hz", [200, 1000])
def test_the_speed_is_the_worlds_own(hz):
    """Against the rotor's true speed over the true angle, within 2 % of the highest."""
    trace, true = run(Conditions(hz=hz, faults=kink(6.0, 100.0, 40.0)))
    profile = stroke_profiles(trace, half_turns(trace), UNIT, identity_of(LM_12))[0]
    speed = np.degrees(np.array(true.speed_rad_s)) / LM_12.gear
    angle = np.array(true.angle_deg)
    turning = (speed > 1.0) & (np.array(true.time_s) < 1.4) & (angle < 180.0)
    expected = np.interp(profile.angle_deg, angle[turning], speed[turning])
    middle = slice(10, -3)
    off = profile.speed_deg_per_s[middle] - expected[middle]
    assert np.sqrt(np.mean(off**2)) < 0.02 * expected.max()


def test_without_an_identity_friction_stays_in_the_load():
    (profile, *_) = profiles_of(identity=None)
    assert not profile.above_friction
    assert profile.load_nm is None
    assert profile.nm_per_a.missing
    friction_a = LM_12.dry_nm / LM_12.constant_vs
    known = np.isfinite(profile.load_a)
    assert np.median(profile.load_a[known]) > LM_12.cable_nm / NM_PER_A + friction_a


def test_the_lever_passes_the_same_places_both_ways():
    assert lever_deg(np.array([0.0, 70.0, 180.0, 290.0, 360.0])).tolist() == [0, 70, 180, 70, 0]


# --- where it binds ------------------------------------------------------------------------------


@pytest.mark.parametrize("identified", [True, False])
@pytest.mark.parametrize("hz", [200, 333, 1000])
@pytest.mark.parametrize("seed", range(2))
def test_a_kink_anywhere_is_found_both_ways(seed, hz, identified):
    rng = random.Random(f"kink {seed} {hz}")
    place, width, nm = rng.uniform(45, 135), rng.uniform(8, 50), rng.uniform(1.0, 8.0)
    unit = spread_unit(LM_12, rng)
    (bind,) = find_binds(
        profiles_of(
            identity_of(unit) if identified else None,
            hz=hz,
            seed=seed,
            parameters=unit,
            supply_v=rng.uniform(10.5, 14.5),
            faults=kink(nm, place, width),
        )
    )
    assert bind.directions == (TO_RUN, TO_STOP)
    assert bind.lever_deg == pytest.approx(place, abs=PLACE_DEG)
    assert bind.width_deg == pytest.approx(width, abs=PLACE_DEG)
    if identified:
        for direction in bind.directions:
            torque = bind.torque_nm(direction)
            assert torque.value == pytest.approx(nm, rel=0.1)
            assert torque.u < 0.1 * nm
    assert bind.site is Site.UNTOLD
    assert "Unhook the cable" in bind.missing


@pytest.mark.parametrize(("output_deg", "lever", "way"), [(70, 70, TO_RUN), (250, 110, TO_STOP)])
def test_a_tooth_binds_one_way_only(output_deg, lever, way):
    (bind,) = find_binds(profiles_of(faults=tooth(4.0, output_deg), hz=500))
    assert bind.directions == (way,)
    assert bind.lever_deg == pytest.approx(lever, abs=PLACE_DEG)
    other = bind.to_stop_a if way is TO_RUN else bind.to_run_a
    assert not other.known
    assert not bind.torque_nm(TO_STOP if way is TO_RUN else TO_RUN).known


def test_two_kinks_are_two_binds():
    profiles = profiles_of(faults=(*kink(4.0, 55.0, 20.0), *tooth(4.0, 125.0)))
    first, second = find_binds(profiles)
    assert first.lever_deg == pytest.approx(55.0, abs=PLACE_DEG)
    assert second.lever_deg == pytest.approx(125.0, abs=PLACE_DEG)
    assert (first.directions, second.directions) == ((TO_RUN, TO_STOP), (TO_RUN,))


@pytest.mark.parametrize("every", [1, 2, 5])
@pytest.mark.parametrize(
    ("circuit", "way", "from_deg", "to_deg", "amperes"),
    [
        # arc_drag t=0.2 N m at the rotor, k=45m (binding_arc.cir)
        ("binding_arc", TO_RUN, 70.0, 115.0, 0.2 / 0.045),
        # arc_drag t=62m, k=21m; given from the record's own stop position (binding_arc_slow.cir)
        ("binding_arc_slow", TO_STOP, 360.0 - 330.0, 360.0 - 205.0, 0.062 / 0.021),
    ],
)
def test_ngspice_binds_are_where_the_netlist_put_them(
    circuit, way, from_deg, to_deg, amperes, every
):
    trace = spice.slower(spice.trace_of(circuit), every)
    unit = replace(spice.unit_of(circuit), brake_at_park=False)
    (bind,) = find_binds(stroke_profiles(trace, find_half_turns(trace, unit, spice.LIMITS), unit))
    assert bind.directions == (way,)
    assert bind.lever_deg == pytest.approx(0.5 * (from_deg + to_deg), abs=PLACE_DEG)
    assert bind.width_deg == pytest.approx(to_deg - from_deg, abs=PLACE_DEG)
    height = bind.to_run_a if way is TO_RUN else bind.to_stop_a
    # Slower over the bind, viscous drag gives some of it back.
    assert height.value == pytest.approx(amperes, rel=0.06)


@pytest.mark.parametrize("brake", [True, None])
@pytest.mark.parametrize("every", [1, 2, 5])
def test_a_kink_in_ngspice_is_met_both_ways(every, brake):
    """One place of the cable, 115 to 145 degrees; 12 mA of noise (kinked_cable.cir).

    Its soft edges leave 94 % of t=73m at the middle: 0.5 (1 + tanh(40 (1 - cos 15))), k=29.3m.
    """
    trace = spice.slower(spice.trace_of("kinked_cable"), every)
    unit = replace(spice.unit_of("kinked_cable"), brake_at_park=brake)
    (bind,) = find_binds(stroke_profiles(trace, find_half_turns(trace, unit, spice.LIMITS), unit))
    assert bind.directions == (TO_RUN, TO_STOP)
    assert bind.lever_deg == pytest.approx(130.0, abs=PLACE_DEG)
    assert bind.width_deg == pytest.approx(30.0, abs=PLACE_DEG)
    for height in (bind.to_run_a, bind.to_stop_a):
        assert height.value == pytest.approx(0.94 * 0.073 / 0.0293, rel=0.1)


def test_a_brake_nobody_knows_of_is_in_the_uncertainty():
    trace, unit = spice.trace_of("binding_arc"), spice.unit_of("binding_arc")
    assert unit.brake_at_park is None
    (bind,) = find_binds(stroke_profiles(trace, find_half_turns(trace, unit, spice.LIMITS), unit))
    assert abs(bind.lever_deg - 92.5) < 2.0 * bind.lever_u_deg
    assert bind.lever_u_deg > 2.0


# --- in the cable or in the unit -----------------------------------------------------------------


@pytest.mark.parametrize("hz", [250])
@pytest.mark.parametrize(
    ("faults", "site"),
    [
        (kink(4.0, 110.0, 25.0), Site.CABLE),
        (tooth(4.0, 75.0), Site.UNIT),
        (tooth(3.0, 280.0), Site.UNIT),
    ],
)
def test_unhooking_the_cable_tells(faults, site, hz):
    hooked = profiles_of(faults=faults, hz=hz)
    bare = profiles_of(faults=(*faults, "broken-cable"), hz=hz, seed=2)
    (bind,) = find_binds(hooked, bare)
    assert bind.site is site
    assert not bind.missing
    # One condition alone: with nothing hooked on it can only be the unit.
    assert [b.site for b in find_binds((), bare)] == ([site] if site is Site.UNIT else [])


def test_unhooked_half_turns_of_the_other_way_tell_nothing():
    hooked = profiles_of(faults=tooth(4.0, 75.0))
    bare = one_way(profiles_of(faults=(*tooth(4.0, 75.0), "broken-cable")), TO_STOP)
    (bind,) = find_binds(hooked, bare)
    assert bind.site is Site.UNTOLD
    assert bind.missing


# --- no false alarms -----------------------------------------------------------------------------


@pytest.mark.parametrize("hz", [200, 1000])
@pytest.mark.parametrize(
    "faults",
    [
        (),
        (effect("spring_nm", 4.0),),
        ("dry-gear=5",),
        ("dragging-cable=6",),
        ("broken-cable",),
        ("weak-supply=0.6",),
        ("intermittent-brush=8",),
    ],
)
def test_what_does_not_bind_is_not_said_to(faults, hz):
    assert find_binds(profiles_of(identity=None, faults=faults, hz=hz, seed=hz)) == ()


@pytest.mark.parametrize(
    "circuit", [c for c in spice.CIRCUITS if not c.startswith(("binding", "kinked"))]
)
def test_no_other_circuit_of_ngspice_binds(circuit):
    every = 5 if circuit in ("spring_cable", "worn_brushes", "good", "high_supply") else 1
    trace, unit = spice.slower(spice.trace_of(circuit), every), spice.unit_of(circuit)
    turns = find_half_turns(trace, unit, spice.LIMITS)
    assert find_binds(stroke_profiles(trace, turns, unit)) == ()


@pytest.mark.parametrize("seed", [0, 15, 36])
def test_drop_outs_too_short_to_be_seen_are_no_binds(seed):
    """At 200 Hz a brush that lifts for some ms leaves a dip, and the rotor speeding up again."""
    faults = ("intermittent-brush=8",)
    assert find_binds(profiles_of(identity=None, faults=faults, hz=200, seed=seed)) == ()


def test_what_cannot_be_read_gives_no_profile():
    trace = spice.trace_of("open_winding")
    unit = spice.unit_of("open_winding")
    assert stroke_profiles(trace, find_half_turns(trace, unit, spice.LIMITS), unit) == ()
    assert stroke_profiles(trace.rows(0, 5), (), unit) == ()
    assert find_binds(()) == ()


DAMAGE = {
    "noisy": lambda a, v, rng: (a + rng.normal(0.0, rng.uniform(0.1, 3.0), len(a)), v),
    "holes": lambda a, v, rng: (np.where(rng.random(len(a)) < 0.2, np.nan, a), v),
    "no voltage": lambda a, v, rng: (a, np.full(len(v), np.nan)),
    "clipped": lambda a, v, rng: (np.minimum(a, rng.uniform(0.5, 6.0)), v),
    "other voltage": lambda a, v, rng: (a, v * rng.uniform(0.0, 2.0)),
    "backwards": lambda a, v, rng: (-a, v),
}


@pytest.mark.parametrize("damage", DAMAGE)
def test_a_damaged_trace_gives_fewer_profiles_and_no_error(damage):
    rng = np.random.default_rng(len(damage))
    for seed in range(6):
        made = Conditions(
            hz=(200, 1000)[seed % 2], faults=(kink(8.0, 90.0, 30.0), ())[seed % 3 > 0]
        )
        trace, _ = run(made)
        amps, volts = DAMAGE[damage](trace.current_a, trace.voltage_v, rng)
        seen = replace(trace, current_a=amps, voltage_v=volts)
        kept = np.sort(rng.choice(len(amps), int(rng.uniform(0.3, 1.0) * len(amps)), replace=False))
        seen = Trace(*(getattr(seen, name)[kept] for name in COLUMNS))
        profiles = stroke_profiles(seen, half_turns(seen), UNIT, (None, IDENTITY)[seed % 2])
        find_binds(profiles)
        assert all(np.isfinite(p.current_a).all() for p in profiles)


# --- with the identification's own identity ------------------------------------------------------


@pytest.mark.parametrize("hz", [250, 1000])
def test_with_an_identity_from_the_trace_itself(hz):
    trace, _ = run(Conditions(count=6, hz=hz, faults=kink(5.0, 65.0, 30.0)))
    identity = identify([trace], UNIT, Accuracy())
    (bind,) = find_binds(stroke_profiles(trace, half_turns(trace), UNIT, identity))
    assert bind.lever_deg == pytest.approx(65.0, abs=PLACE_DEG)
    for direction in bind.directions:
        assert bind.torque_nm(direction).value == pytest.approx(5.0, rel=0.1)


# --- means and departures ------------------------------------------------------------------------


@cache
def reference(direction):
    """Eight units as a production spreads them."""
    found = []
    for seed in range(8):
        unit = spread_unit(LM_12, random.Random(f"reference {seed}"))
        found += one_way(
            profiles_of(identity_of(LM_12), parameters=unit, seed=seed, count=2, hz=500), direction
        )
    return mean_profile(found)


def units(seeds, **changes):
    for seed in seeds:
        unit = spread_unit(LM_12, random.Random(f"another {seed}"))
        yield profiles_of(parameters=unit, seed=100 + seed, count=2, hz=500, **changes)


@pytest.mark.parametrize("direction", list(Direction))
def test_a_unit_like_the_others_does_not_depart(direction):
    found = [
        compare_profiles(p, reference(direction))
        for profiles in units(range(8))
        for p in one_way(profiles, direction)
    ]
    assert len(found) == 8
    assert not any(c.departures for c in found)
    # 95.45 % are promised for each (Student's t, eight units).
    assert sum(c.is_general for c in found) <= 2


def test_a_drag_is_general_and_a_kink_a_place():
    (dragging,) = units([1], faults=("dragging-cable=4.4",))
    told = compare_profiles(one_way(dragging, TO_RUN)[0], reference(TO_RUN))
    assert told.is_general
    assert told.general_a.value == pytest.approx(4.4 / NM_PER_A, rel=0.15)
    assert told.departures == ()

    (kinked,) = units([2], faults=kink(2.9, 120.0, 20.0))
    told = compare_profiles(one_way(kinked, TO_STOP)[0], reference(TO_STOP))
    assert not told.is_general
    (departure,) = told.departures
    assert departure.from_deg == pytest.approx(230.0, abs=PLACE_DEG)
    assert departure.to_deg == pytest.approx(250.0, abs=PLACE_DEG)
    assert departure.load_a == pytest.approx(2.9 / NM_PER_A, rel=0.2)


def test_one_profile_is_no_reference_but_a_difference():
    first, second = one_way(profiles_of(), TO_RUN)
    told = compare_profiles(first, mean_profile([second]))
    assert told.missing
    assert not told.is_general
    assert told.general_a.u is None
    assert abs(told.general_a.value) < 0.03


def test_what_has_no_common_mean_is_refused():
    profiles = profiles_of(count=2)
    with pytest.raises(ValueError, match="at least one"):
        mean_profile([])
    with pytest.raises(ValueError, match="no common mean"):
        mean_profile(profiles)
    with pytest.raises(ValueError, match="friction"):
        mean_profile([profiles[0], profiles_of(identity=None, count=2)[0]])
    with pytest.raises(ValueError, match="not compared"):
        compare_profiles(profiles[1], mean_profile(profiles[:1]))
