"""The lease on held feeds: nothing is asked for later than the last sign of life and its lease."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from rig.bench.commands import FIRST_LEASE_S, LEASE_MAX_S, LEASE_S, Hold
from rig.bench.holding import Holding
from rig.console.holding import BATTERY, BOTH, IGNITION, MOUSE_LONGEST_S, OFF, HeldFeeds

FEEDS = st.sampled_from([BATTERY, IGNITION, BOTH])
# What happens, how long after the last thing, and how long it lay in a queue (s).
HAPPENINGS = st.lists(
    st.tuples(
        st.one_of(
            st.tuples(st.just("key"), FEEDS),
            st.tuples(st.just("mouse_down"), FEEDS),
            st.tuples(st.sampled_from(["renew", "let_go"]), st.none()),
        ),
        st.floats(0.0, 2.0),
        st.one_of(st.just(0.0), st.floats(0.0, 1.5)),
    ),
    max_size=40,
)


@given(HAPPENINGS)
def test_nothing_is_asked_for_later_than_the_last_event_and_its_lease(happenings):
    held, bench, now_s, sign_s = HeldFeeds(), Holding(), 0.0, float("-inf")
    for (what, feeds), later_s, queued_s in happenings:
        # Up to the next event: off as soon as the lease since the last sign of life is over.
        for t in (now_s, now_s + later_s / 2, now_s + later_s):
            if t > sign_s + FIRST_LEASE_S + 1e-9:
                assert held.asked(t) == bench.feeds_at(t) == OFF
        now_s += later_s
        at_s = now_s - queued_s
        if what == "renew":
            told = held.renew(now_s)
            sign_s = max(sign_s, now_s) if told and told.battery | told.ignition else sign_s
        elif what == "let_go":
            told = held.let_go()
            assert held.asked(now_s) == OFF
        else:
            told = getattr(held, what)(feeds, at_s, now_s)
            sign_s = max(sign_s, at_s)
        if told is None:
            continue
        if told.battery or told.ignition:
            assert 0.0 < told.lease_s <= FIRST_LEASE_S <= LEASE_MAX_S
            assert now_s + told.lease_s <= sign_s + FIRST_LEASE_S + 1e-9
        bench.take(told, now_s)
        assert bench.feeds_at(now_s) == held.asked(now_s)


@given(
    feeds=FEEDS,
    first_s=st.floats(0.15, 0.7),
    gaps_s=st.lists(st.floats(0.01, 0.25), max_size=40),
)
def test_a_held_key_holds_without_a_gap(feeds, first_s, gaps_s):
    held, now_s = HeldFeeds(), 10.0
    assert held.key(feeds, now_s, now_s) == Hold(*feeds, FIRST_LEASE_S)
    for gap_s in [first_s, *gaps_s]:
        assert held.asked(now_s + gap_s) == feeds
        now_s += gap_s
        told = held.key(feeds, now_s, now_s)
        assert told.lease_s == pytest.approx(LEASE_S)
    assert held.asked(now_s + LEASE_S + 1e-6) == OFF
    assert held.holds


def test_another_key_takes_over_without_a_gap_and_as_a_first_press():
    held = HeldFeeds()
    held.key(BOTH, 1.0, 1.0)
    assert held.key(BATTERY, 1.2, 1.2) == Hold(True, False, FIRST_LEASE_S)
    assert held.key(BATTERY, 1.5, 1.5).lease_s == pytest.approx(LEASE_S)
    assert held.key(BOTH, 1.6, 1.6).lease_s == pytest.approx(FIRST_LEASE_S)


def test_the_same_key_much_later_is_a_first_press():
    held = HeldFeeds()
    held.key(BOTH, 1.0, 1.0)
    assert held.key(BOTH, 2.1, 2.1).lease_s == pytest.approx(FIRST_LEASE_S)


def test_a_key_that_lay_in_a_queue_has_used_up_its_lease():
    held = HeldFeeds()
    assert held.key(BOTH, 1.0, 1.5).lease_s == pytest.approx(FIRST_LEASE_S - 0.5)
    assert held.key(BATTERY, 1.6, 2.6) is None
    assert held.asked(2.6) == OFF


def test_the_mouse_holds_as_long_as_it_is_looked_after():
    held, now_s = HeldFeeds(), 5.0
    assert held.mouse_down(BOTH, now_s, now_s) == Hold(True, True, LEASE_S)
    for _ in range(100):
        now_s += 0.05
        assert held.renew(now_s).lease_s == pytest.approx(LEASE_S)
    assert held.renew(now_s + 2 * LEASE_S) == Hold(False, False)
    assert held.renew(now_s + 2 * LEASE_S) is None


def test_a_press_that_lay_in_a_queue_keeps_nothing_else_made():
    held = HeldFeeds()
    held.key(BATTERY, 1.0, 1.0)
    assert held.mouse_down(BOTH, 1.0, 1.4) is None
    assert held.renew(1.5) is None


def test_a_mouse_button_never_seen_to_come_up_ends_some_time():
    held, now_s = HeldFeeds(), 0.0
    held.mouse_down(BATTERY, now_s, now_s)
    while now_s < MOUSE_LONGEST_S:
        now_s += 0.1
        told = held.renew(now_s)
        if not told.battery:
            break
    assert now_s == pytest.approx(MOUSE_LONGEST_S, abs=0.2)
    assert held.asked(now_s) == OFF


def test_a_key_takes_over_from_the_mouse():
    held = HeldFeeds()
    held.mouse_down(BOTH, 1.0, 1.0)
    held.key(BATTERY, 1.1, 1.1)
    assert held.renew(1.2) is None
