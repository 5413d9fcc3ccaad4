"""The guard, fed with samples as the control loop would feed it."""

from math import nan

import pytest
from hypothesis import given
from hypothesis import strategies as st

from drivers import CLIPPED, LOST
from rig.bench.errors import TripKind
from rig.bench.guard import Guard, GuardLimits
from rig.bench.requests import Sample

LIMITS = GuardLimits(
    over_current_a=28.0,
    over_current_s=0.05,
    stall_s=0.4,
    run_on_s=3.0,
    step_max_s=60.0,
    winding_max_c=130.0,
    winding_ohm=0.75,
    heat_j_per_k=30.0,
    cooling_k_per_w=8.0,
)


def sample(t, amps=0.0, volts=12.0, battery=True, ignition=True, flags=0, stop=False):
    return Sample(t, amps, volts, battery, ignition, flags, nan, stop, None, None)


def feed(guard, current, *, hz=1000, start_s=0.0, duration_s=5.0, fed=True, volts=12.0):
    """Feed ``current(t)`` until the guard trips; return the trip, None if it never did."""
    for k in range(int(duration_s * hz)):
        t = start_s + k / hz
        at_unit_v = volts if fed else 0.0
        trip = guard.check(sample(t, current(t - start_s), at_unit_v, battery=fed), fed=fed)
        if trip is not None:
            return trip
    return None


@pytest.mark.parametrize("volts", [8.0, 12.0, 16.0])
@pytest.mark.parametrize("hz", [200, 1000])
def test_a_jam_trips_within_the_stall_time(volts, hz):
    stall_a = volts / 0.75
    trip = feed(Guard(LIMITS), lambda t: stall_a, hz=hz, volts=volts)
    assert trip.kind is TripKind.STALL
    assert trip.of_unit
    # The smoothing of the current delays the start of the count by some 14 ms.
    assert trip.time_s <= LIMITS.stall_s + 0.03


@pytest.mark.parametrize("extra_ohm", [0.0, 0.4, 0.75])
def test_a_jam_behind_bad_contacts_still_trips_as_a_stall(extra_ohm):
    trip = feed(Guard(LIMITS), lambda t: 12.0 / (0.75 + extra_ohm))
    assert trip.kind is TripKind.STALL


def running(t, level_a=2.5):
    # An inrush that has fallen to the running level within a tenth of a second.
    return level_a + (14.0 - level_a) * 2.718 ** (-t / 0.02)


def test_a_unit_that_turns_is_left_alone_until_it_runs_on():
    trip = feed(Guard(LIMITS), running)
    assert trip.kind is TripKind.RUN_ON
    assert trip.time_s == pytest.approx(LIMITS.run_on_s, abs=0.05)


def test_a_heavily_loaded_unit_is_not_taken_for_jammed():
    # 60 % of V/R for two and a half seconds: slow, not standing still.
    assert feed(Guard(LIMITS), lambda t: running(t, 0.6 * 16.0), duration_s=2.5) is None


def test_a_parked_unit_with_a_leak_does_not_run_on():
    guard = Guard(LIMITS)
    assert feed(guard, lambda t: 0.1, duration_s=10.0) is None


def test_over_current_is_allowed_for_the_inrush_and_no_longer():
    assert feed(Guard(LIMITS), lambda t: 30.0 if t < 0.04 else 3.0, duration_s=1.0) is None
    trip = feed(Guard(LIMITS), lambda t: 30.0)
    assert trip.kind is TripKind.OVER_CURRENT
    assert trip.time_s <= LIMITS.over_current_s + 0.002


def test_clipped_samples_trip_as_long_as_over_current_would_and_blame_the_rig():
    guard = Guard(LIMITS)
    trips = [guard.check(sample(k / 1000, 20.0, flags=CLIPPED), fed=True) for k in range(60)]
    first = next(trip for trip in trips if trip)
    assert first.kind is TripKind.SENSOR_CLIPPED
    assert not first.of_unit


def test_emergency_stop_trips_at_once_fed_or_not():
    for fed in (True, False):
        trip = Guard(LIMITS).check(sample(0.0, stop=True), fed=fed)
        assert trip.kind is TripKind.EMERGENCY_STOP
        assert not trip.of_unit


def test_a_lost_sensor_trips_within_three_samples_and_only_when_fed():
    guard = Guard(LIMITS)
    lost = [sample(k / 1000, nan, nan, flags=LOST) for k in range(4)]
    assert [guard.check(s, fed=True) is None for s in lost[:3]] == [True, True, False]
    unfed = Guard(LIMITS)
    assert all(unfed.check(s, fed=False) is None for s in lost)


def test_one_lost_sample_is_forgiven():
    guard = Guard(LIMITS)
    for k in range(1000):
        flags = LOST if k % 3 == 0 else 0
        amps = nan if flags else 2.0
        assert guard.check(sample(k / 1000, amps, flags=flags), fed=True) is None


@pytest.mark.parametrize(("late_s", "trips"), [(0.003, False), (0.010, True)])
def test_a_lost_sample_that_was_long_in_coming_is_not_waited_for_again(late_s, trips):
    """A bus that is held makes each read last 10 ms: three of them would be 30."""
    guard = Guard(LIMITS, fresh_s=0.0031)
    assert guard.check(sample(1.000, 2.0), fed=True) is None
    trip = guard.check(sample(1.000 + late_s, nan, nan, flags=LOST), fed=True)
    assert (trip is not None) is trips
    if trips:
        assert trip.kind is TripKind.SENSOR_LOST


def test_nothing_is_fed_while_the_sensor_is_lost():
    guard = Guard(LIMITS)
    for k in range(3):
        assert guard.may_feed(k * 0.001) is None
        guard.check(sample(k * 0.001, nan, nan, battery=False, flags=LOST), fed=False)
    assert guard.may_feed(0.003).kind is TripKind.SENSOR_LOST
    guard.check(sample(0.004, 0.0, 0.0, battery=False), fed=False)
    assert guard.may_feed(0.005) is None


@pytest.mark.parametrize("volts", [0.0, nan])
def test_a_jam_cannot_hide_where_the_voltage_is_not_read(volts):
    """Without a voltage no stall is seen; the rig is blamed, well before the stall time."""
    trip = feed(Guard(LIMITS), lambda t: 16.0, volts=volts)
    assert trip.kind is TripKind.VOLTAGE_MISSING
    assert trip.time_s < LIMITS.stall_s / 2
    assert not trip.of_unit


def test_a_supply_that_limits_its_current_is_no_missing_voltage():
    """Held down to 3 A a jammed unit leaves 2.25 V: that is a stall."""
    assert feed(Guard(LIMITS), lambda t: 3.0, volts=2.25).kind is TripKind.STALL


def test_current_without_voltage_and_feed_is_told_as_a_sensor_that_may_be_wrong():
    trip = feed(Guard(LIMITS), lambda t: 2.0, fed=False)
    assert "Pull the supply now" in trip.text
    assert "may be the sensor" in trip.text


def test_current_with_the_feed_off_is_an_alarm_to_pull_the_supply():
    trip = feed(Guard(LIMITS), lambda t: 3.0, fed=False)
    assert trip.kind is TripKind.LIVE_WITH_FEED_OFF
    assert "Pull the supply" in trip.text


def test_voltage_at_the_unit_with_the_feed_off_is_the_same_alarm():
    guard = Guard(LIMITS)
    trips = [guard.check(sample(k / 1000, 0.0, 12.0, battery=False), fed=False) for k in range(300)]
    first = next(trip for trip in trips if trip)
    assert first.kind is TripKind.LIVE_WITH_FEED_OFF
    assert "12.0 V" in first.text


def test_a_voltage_from_before_the_machine_stood_still_is_no_alarm():
    """The voltage is read with every tenth sample: until then it is that of the feed still on."""
    guard = Guard(LIMITS)
    guard.check(sample(0.0), fed=True)
    times = [0.001, *(0.4 + k / 1000 for k in range(10))]
    stale = [guard.check(sample(t, 0.0, 12.0, battery=False), fed=False) for t in times]
    assert stale == [None] * 11
    assert guard.check(sample(0.41, 0.0, 0.0, battery=False), fed=False) is None
    assert feed(guard, lambda t: 3.0, start_s=0.5, fed=False).kind is TripKind.LIVE_WITH_FEED_OFF


def test_current_that_dies_away_after_the_feed_is_no_alarm():
    assert feed(Guard(LIMITS), lambda t: 15.0 if t < 0.1 else 0.0, fed=False) is None


def test_a_gap_with_a_feed_on_trips():
    guard = Guard(LIMITS)
    assert guard.check(sample(0.0), fed=True) is None
    trip = guard.check(sample(0.2), fed=True)
    assert trip.kind is TripKind.LOOP_LATE


def test_a_step_has_an_end():
    guard = Guard(LIMITS)
    guard.begin_step(0.0, LIMITS.for_step(step_max_s=2.0))
    trip = feed(guard, lambda t: 0.0)
    assert trip.kind is TripKind.OVER_TIME


def test_the_winding_estimate_trips_and_stays_warm_from_step_to_step():
    limits = LIMITS.for_step(stall_s=1e9, run_on_s=1e9, heat_j_per_k=5.0)
    guard = Guard(limits)
    trip = feed(guard, lambda t: 10.0, duration_s=60.0)
    assert trip.kind is TripKind.OVER_TEMPERATURE
    guard.begin_step(trip.time_s, limits)
    assert guard.winding_c > 120.0


def test_the_winding_estimate_follows_the_heat_balance():
    # Adiabatic: without cooling, C dT = i2 R dt with R rising by copper's 0.00393 per K (IEC
    # 60028): T - 20 = (exp(0.00393 i2 R t / C) - 1) / 0.00393.
    from math import exp

    limits = LIMITS.for_step(stall_s=1e9, run_on_s=1e9, winding_max_c=1e9, cooling_k_per_w=1e12)
    guard = Guard(limits)
    feed(guard, lambda t: 8.0, duration_s=20.0)
    expected = (exp(0.00393 * 64 * 0.75 * 19.999 / 30.0) - 1) / 0.00393
    assert guard.winding_c - 20.0 == pytest.approx(expected, rel=2e-3)


@given(
    st.lists(
        st.tuples(
            st.floats(-50, 200, allow_nan=False),
            st.floats(-1, 30, allow_nan=False),
            st.sampled_from([0, CLIPPED, LOST]),
        ),
        max_size=200,
    ),
    st.booleans(),
)
def test_whatever_the_samples_are_a_trip_is_a_sentence(rows, fed):
    guard = Guard(LIMITS)
    for k, (amps, volts, flags) in enumerate(rows):
        trip = guard.check(sample(k / 500, amps, volts, flags=flags), fed=fed)
        if trip is not None:
            assert trip.text.endswith(".")
            assert trip.time_s == k / 500
