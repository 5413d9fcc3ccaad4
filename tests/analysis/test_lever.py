"""The lever's estimated angle against the simulated unit's true one, and against ngspice's."""

from __future__ import annotations

from dataclasses import replace
from functools import cache
from math import nan

import numpy as np
import pytest
from bench_runs import Watcher, make_order, make_plan, make_settings
from hypothesis import given, settings
from hypothesis import strategies as st
from hypothesis.extra.numpy import arrays
from spice import slower, trace_of, unit_of, waveform_of

from drivers.backends import load_backend
from rig.analysis.lever import LEARNED_U_DEG, PLAN_U_DEG, Lever, LeverEstimator
from rig.analysis.model import UnitType
from rig.bench.keeper import DirectKeeper
from rig.bench.session import Session
from rig.records.store import Store

UNIT = UnitType("LM-12", winding_ohm=0.51, turn_vs=7.36)
NO_SCALE = replace(UNIT, turn_vs=None)
TURNS = '[[step]]\nkind = "half_turns"\ncount = 4\npause_s = 0.4\n'
FAULTS = (
    *("binding=6", "dry-gear=7", "broken-cable", "spring-cable=4", "intermittent-brush=8"),
    *("leakage=0.15", "fuse-holder-corroded=0.5", "sensor-offset=0.3", "sensor-noisy=0.5"),
)
FRAME_S = 0.05  # a console feeds what came in a twentieth of a second
COLUMNS = ("time_s", "current_a", "voltage_v", "battery_feed", "ignition_feed")


def apart(a_deg, b_deg):
    """How far two angles are apart, degrees."""
    return abs((a_deg - b_deg + 180.0) % 360.0 - 180.0)


@pytest.fixture(scope="module")
def simulated(tmp_path_factory):
    """Return a function: samples of a run and the world's own lever angle at each."""

    @cache
    def run(faults=(), hz=1000, seed=1):
        order = make_order(
            make_plan(TURNS), faults=faults, seed=seed, settings=make_settings(hz, supply=False)
        )
        backend = load_backend("simulated", order.wiring(), order.options)
        true_deg = []

        def look(_, sample):
            true_deg.append(backend.world.stations[order.station.name].unit.angle_deg)

        watcher = Watcher(look)
        records = tmp_path_factory.mktemp("lever") / "records.sqlite"
        try:
            with Store.open(records) as store:
                Session(order, backend, DirectKeeper(store), watcher).run()
        finally:
            backend.close()
        rows = [
            (*s[:5], nan if s.at_run is None else s.at_run, nan if s.at_stop is None else s.at_stop)
            for s in watcher.samples
        ]
        return np.array(rows, dtype=float).T, np.array(true_deg)

    return run


def followed(columns, unit=UNIT, switches=True, every=None):
    """Return (index of the last sample seen, lever) frame by frame."""
    estimator = LeverEstimator(unit)
    rate = every or max(1, round(FRAME_S / np.median(np.diff(columns[0]))))
    seen = []
    for first in range(0, columns.shape[1], rate):
        part = columns[:, first : first + rate]
        lever = estimator.feed(*part[:5], *(part[5:7] if switches else ()))
        seen.append((min(first + rate, columns.shape[1]) - 1, lever))
    return seen


class TestAgainstTheSimulatedUnit:
    """Measured: within 6.3 degrees while it turns, 4.5 when parked (it overruns its park by 3)."""

    @pytest.mark.parametrize(("hz", "seed"), [(200, 1), (1000, 3)])
    @pytest.mark.parametrize("unit", [UNIT, NO_SCALE])
    def test_sound_unit(self, simulated, hz, seed, unit):
        columns, true_deg = simulated((), hz, seed)
        seen = followed(columns, unit, switches=False)
        errors = {True: [], False: []}
        for index, lever in seen:
            if lever.angle_deg is not None:
                errors[lever.turning].append(apart(lever.angle_deg, true_deg[index]))
        # Without the plan's scale the first half-turn teaches it.
        assert len(errors[True]) >= (3 if unit is NO_SCALE else 4) * 10 * hz / 1000
        assert max(errors[True]) < 8.0
        assert max(errors[False]) < 6.0
        last = seen[-1][1]
        assert (last.parked, last.angle_deg, last.sure) == ("stop", 0.0, True)

    @pytest.mark.parametrize("fault", FAULTS)
    def test_within_what_it_states_with_faults(self, simulated, fault):
        columns, true_deg = simulated((fault,))
        known = 0
        for index, lever in followed(columns, switches=False):
            if lever.angle_deg is not None and lever.u_deg is not None:
                known += 1
                assert apart(lever.angle_deg, true_deg[index]) < lever.u_deg
        assert known > 30

    def test_worn_brushes_mislead_the_first_half_turn_only(self, simulated):
        columns, true_deg = simulated(("worn-brushes=0.6",))
        seen = followed(columns, switches=False)
        late = [(i, lever) for i, lever in seen if lever.turning and columns[0][i] > 4.0]
        assert len(late) > 20
        assert all(apart(lever.angle_deg, true_deg[i]) < LEARNED_U_DEG for i, lever in late)

    def test_shorted_turns_are_found_out_when_the_other_track_conducts(self, simulated):
        columns, true_deg = simulated(("shorted-turns=0.3",))
        seen = followed(columns, switches=False)
        # The second half-turn begins from where the first had parked after all.
        fed = np.flatnonzero(np.diff(columns[4]) < 0)[0]
        second = next(lever for i, lever in seen if i > fed + 100 and lever.turning)
        assert second.sure
        assert 180.0 < second.angle_deg < 250.0
        index, last = seen[-1]
        assert last.parked == "stop"
        assert apart(last.angle_deg, true_deg[index]) < 6.0

    def test_jam(self, simulated):
        columns, true_deg = simulated(("jammed=90",))
        levers = [lever for _, lever in followed(columns)]
        stalled = max(levers, key=lambda lever: lever.still_s)
        assert 0.15 < stalled.still_s < 0.3  # the guard cuts after 0.25 s
        assert stalled.turning
        assert apart(stalled.angle_deg, 90.0) < 5.0
        assert levers[-1].parked is None
        assert apart(levers[-1].angle_deg, true_deg[-1]) < 5.0

    def test_stops_short(self, simulated):
        columns, true_deg = simulated(("cam-short=120",))
        last = followed(columns, switches=False)[-1][1]
        assert last.short
        assert last.parked is None
        assert apart(last.angle_deg, true_deg[-1]) < 15.0  # it runs out by 12 after the cut

    def test_never_parked_is_never_known(self, simulated):
        columns, _ = simulated(("cam-welded",))
        levers = [lever for _, lever in followed(columns, switches=False)]
        assert any(lever.turning for lever in levers)
        assert all(lever.angle_deg is None for lever in levers)

    def test_no_current_is_parked_by_assumption(self, simulated):
        columns, _ = simulated(("open-winding",))
        last = followed(columns, switches=False)[-1][1]
        assert (last.parked, last.sure) == ("stop", False)


class TestAgainstNgspice:
    """Measured: within 21 degrees while it turns; its unit is not braked and overruns by 9 to 17,
    which nothing in current or voltage tells of."""

    @pytest.mark.parametrize("circuit", ["good", "low_supply", "high_supply", "slow_friction"])
    def test_angle(self, circuit):
        wave = waveform_of(circuit)
        columns = columns_of(trace_of(circuit))
        turning, parked = [], []
        for index, lever in followed(columns, unit_of(circuit), switches=False):
            if lever.angle_deg is not None:
                true_deg = np.interp(columns[0][index], wave["time_s"], wave["lever_deg"])
                error = apart(lever.angle_deg, true_deg)
                (parked if lever.parked else turning).append(error)
        assert len(turning) > 30
        assert max(turning) < PLAN_U_DEG
        assert max(parked) < 18.0

    def test_holds_where_it_jammed_when_the_feed_has_gone(self):
        wave = waveform_of("jammed_midway")
        last = followed(columns_of(trace_of("jammed_midway")), switches=False)[-1][1]
        assert apart(last.angle_deg, wave["lever_deg"][-1]) < 5.0


def columns_of(trace):
    return np.array([getattr(trace, name) for name in COLUMNS], dtype=float)


class TestSwitches:
    """The jig's switches, where wired, know better."""

    REST = np.array([np.arange(20) / 200, *np.zeros((4, 20))])

    def test_a_made_switch_tells_the_end_at_once(self):
        made, open_ = np.ones(20), np.zeros(20)
        assert LeverEstimator(UNIT).feed(*self.REST, open_, made) == Lever(0.0, None, "stop", True)
        assert LeverEstimator(UNIT).feed(*self.REST, made, open_) == Lever(180.0, None, "run", True)

    def test_nothing_is_known_without_them(self):
        assert LeverEstimator(UNIT).feed(*self.REST) == Lever()
        assert LeverEstimator(UNIT).feed(*self.REST, np.full(20, nan), np.zeros(20)) == Lever()

    def test_a_park_that_its_switch_does_not_confirm_is_not_sure(self):
        columns = columns_of(slower(trace_of("good"), 5))
        nowhere = np.zeros(columns.shape[1])
        lever = LeverEstimator(UNIT).feed(*columns, nowhere, nowhere)
        assert lever.parked is not None
        assert not lever.sure


class TestAnySamples:
    """What holds whatever is fed."""

    @given(
        cuts=st.lists(st.integers(0, 900), max_size=12),
        circuit=st.sampled_from(["good", "jammed_midway", "noisy_sensor", "bounce"]),
    )
    @settings(max_examples=40, deadline=None)
    def test_how_blocks_are_cut_makes_no_difference(self, cuts, circuit):
        columns = columns_of(slower(trace_of(circuit), 5))
        whole = LeverEstimator(UNIT).feed(*columns)
        half = LeverEstimator(UNIT)
        for first, end in zip([0, *sorted(cuts)], [*sorted(cuts), None], strict=True):
            part = half.feed(*columns[:, first:end])
        assert part.angle_deg == pytest.approx(whole.angle_deg, abs=1e-6)
        assert part.still_s == pytest.approx(whole.still_s, abs=1e-9)
        assert replace(part, angle_deg=0, still_s=0) == replace(whole, angle_deg=0, still_s=0)

    @given(
        values=arrays(float, (4, 40), elements=st.one_of(st.just(nan), st.floats(-50, 50))),
        feeds=arrays(float, (2, 40), elements=st.sampled_from([0.0, 1.0])),
        steps_s=arrays(float, 40, elements=st.floats(0.0, 2.0)),
        scale=st.sampled_from([7.36, None]),
    )
    @settings(max_examples=150, deadline=None)
    def test_any_samples_give_an_angle_of_one_turn_or_none(self, values, feeds, steps_s, scale):
        estimator = LeverEstimator(replace(UNIT, turn_vs=scale))
        switches = np.where(np.isnan(values[2:]), nan, values[2:] > 0)
        for first in range(0, 40, 7):
            part = slice(first, first + 7)
            lever = estimator.feed(
                np.cumsum(steps_s)[part], *values[:2, part], *feeds[:, part], *switches[:, part]
            )
            assert lever.angle_deg is None or 0.0 <= lever.angle_deg < 360.0
            assert (
                lever.parked is None or lever.angle_deg == {"stop": 0.0, "run": 180.0}[lever.parked]
            )
            assert lever.sure <= (lever.angle_deg is not None)
            assert lever.still_s >= 0.0

    def test_a_blown_fuse_teaches_no_scale(self):
        rest, stall = np.zeros(100), np.full(20, 16.0)
        current_a = np.concatenate((rest, stall, rest, stall, rest))
        time_s = np.arange(len(current_a)) / 200
        on = np.ones(len(time_s))
        ignition = np.where(time_s < 0.9, 0.0, 1.0)
        lever = LeverEstimator(NO_SCALE).feed(time_s, current_a, 12.0 * on, on, ignition)
        assert (lever.parked, lever.sure, lever.turning) == ("stop", False, False)

    def test_no_samples(self):
        nothing = np.empty(0)
        assert LeverEstimator(UNIT).feed(nothing, nothing, nothing, nothing, nothing) == Lever()
