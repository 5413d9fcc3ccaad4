"""Nothing is fed that the reference, the fuse, the shunt, the sensor or the supply do not stand."""

from __future__ import annotations

from dataclasses import replace

import pytest
from hypothesis import given
from hypothesis import strategies as st

from rig.quality.calibration_plan import BATTERY_RISE, FED_S, REST_SHARE, Circuit, plan_points

CIRCUIT = Circuit(
    load_ohm=2.5,
    load_w=100.0,
    battery_v=12.6,
    fuse_a=10.0,
    full_scale_a=32.0,
    shunt_ohm=0.005,
    shunt_w=3.0,
)

circuits = st.builds(
    Circuit,
    load_ohm=st.floats(0.05, 500),
    load_w=st.floats(1, 500),
    battery_v=st.floats(6, 16),
    fuse_a=st.floats(3, 40),
    full_scale_a=st.floats(2, 160),
    shunt_ohm=st.floats(0.0005, 0.1),
    shunt_w=st.floats(0.5, 10),
    supply_v=st.none() | st.floats(6, 20),
    supply_a=st.floats(1, 60),
)


@given(circuits)
def test_whatever_may_be_fed_every_part_stands_it_for_good(circuit):
    planned = plan_points(circuit)
    if planned.refusals:
        return
    battery_v = circuit.battery_v * BATTERY_RISE
    for set_v in planned.current_v:
        volts = battery_v if set_v is None else set_v
        amps = volts / circuit.load_ohm
        assert amps**2 * circuit.load_ohm <= circuit.load_w * 1.000001
        assert amps <= 0.75 * circuit.fuse_a * 1.000001
        assert amps <= 0.9 * circuit.full_scale_a * 1.000001
        assert amps**2 * circuit.shunt_ohm <= circuit.shunt_w * 1.000001
        assert amps <= planned.most_a * 1.000001
        if set_v is not None:
            assert set_v <= circuit.supply_v
            assert amps <= 0.9 * circuit.supply_a * 1.000001
    mean_w = planned.most_w * FED_S / (FED_S + planned.rest_s)
    assert mean_w <= max(REST_SHARE * circuit.load_w, 0) * 1.000001 or planned.rest_s == 0
    if planned.rest_s == 0:
        assert planned.most_w <= REST_SHARE * circuit.load_w * 1.000001


def test_a_resistor_too_small_for_the_battery_is_refused_with_numbers():
    planned = plan_points(replace(CIRCUIT, load_w=50.0))
    (why,) = planned.refusals
    assert "14.5 V" in why  # a battery of 12.6 V on its charger
    assert "the reference's 50 W" in why
    assert "more watt" in why


def test_the_fuse_is_named_if_it_is_the_tightest():
    (why,) = plan_points(replace(CIRCUIT, fuse_a=5.0)).refusals
    assert "75% of the 5 A fuse" in why


def test_a_supply_is_set_as_high_as_all_of_it_stands_and_not_higher():
    planned = plan_points(replace(CIRCUIT, supply_v=16.0, supply_a=30.0))
    assert planned.current_v == (6.3, 11.1, 15.8)  # sqrt(100 W * 2.5 ohm) = 15.81 V
    assert planned.voltage_v == (9.6, 12.8, 16.0)
    assert not planned.refusals


def test_one_point_or_a_small_current_is_cautioned_of():
    assert "always lie on a line" in " ".join(plan_points(CIRCUIT).cautions)
    assert "0.14 A" in " ".join(plan_points(replace(CIRCUIT, load_ohm=100.0)).cautions)


@pytest.mark.parametrize("load_w", [0.1])
def test_a_supply_that_could_only_be_set_to_nothing_is_refused(load_w):
    circuit = replace(CIRCUIT, load_ohm=0.1, load_w=load_w, supply_v=16.0, supply_a=30.0)
    assert plan_points(circuit).refusals
