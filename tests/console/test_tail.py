"""The last minute of samples: in order, whole, and honest about what was lost."""

from contextlib import contextmanager
from math import isnan, nan
from unittest.mock import patch

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from rig.bench import ring as ring_module
from rig.bench.requests import Sample
from rig.bench.ring import COLUMNS, SampleRing
from rig.console import tail as tail_module
from rig.console.tail import Tail

# Sizes of a toy: what matters is how writes and takes fall against them.
RING, KEPT = 40, 100


@pytest.fixture(autouse=True, scope="module")
def small():
    with patch.object(ring_module, "SAMPLES", RING), patch.object(tail_module, "KEPT", KEPT):
        yield


@contextmanager
def made_ring():
    ring = SampleRing()
    try:
        yield ring
    finally:
        ring.close()


def sample(k):
    """Return a sample that tells its number in more than one column."""
    return Sample(k / 1000, k % 17, 12.0, k % 2 == 0, k % 3 == 0, 0, nan, False, None, True)


def rows_from(first, count):
    """Return ``count`` rows of the ring's columns, numbered from ``first``."""
    rows = np.zeros((count, len(COLUMNS)))
    rows[:, 0] = np.arange(first, first + count)
    rows[:, 1] = -rows[:, 0]
    return rows


def test_an_empty_tail_has_no_value_to_show():
    tail = Tail()
    assert len(tail) == 0
    assert isnan(tail.last("current_a"))
    assert len(tail.column("time_s")) == 0
    assert len(tail.column("time_s", 3.0)) == 0


@given(st.lists(st.integers(0, 3 * KEPT), max_size=20))
def test_whatever_is_added_the_newest_are_there_in_order(sizes):
    tail = Tail()
    total = 0
    for size in sizes:
        tail.add(rows_from(total, size))
        total += size
        kept = min(total, KEPT)
        times = tail.column("time_s")
        assert len(tail) == len(times) == kept
        np.testing.assert_array_equal(times, np.arange(total - kept, total))
        np.testing.assert_array_equal(tail.column("current_a"), -times)
        if total:
            assert tail.last("time_s") == total - 1


@given(st.lists(st.integers(0, 60), min_size=1, max_size=8), st.floats(-5, 300))
def test_a_column_can_be_had_from_a_moment_on(sizes, since_s):
    tail = Tail()
    total = 0
    for size in sizes:
        tail.add(rows_from(total, size))
        total += size
    times = tail.column("time_s")
    np.testing.assert_array_equal(tail.column("time_s", since_s), times[times >= since_s])
    np.testing.assert_array_equal(tail.column("current_a", since_s), -times[times >= since_s])


@given(st.lists(st.tuples(st.integers(0, 2 * RING), st.booleans()), max_size=25))
def test_takes_lose_nothing_but_what_they_count_as_lost(bursts):
    tail = Tail()
    expected = []
    number = waiting = lost = 0
    with made_ring() as ring:
        for burst, taken in [*bursts, (0, True)]:
            for _ in range(burst):
                ring.write(sample(number))
                number += 1
            waiting += burst
            if taken:
                # A full ring gives all but the slot that its writer may be at.
                readable = waiting if waiting < RING else RING - 1
                assert tail.take(ring) == readable
                expected.extend(range(number - readable, number))
                lost += waiting - readable
                waiting = 0
    assert tail.lost == lost
    kept = np.array(expected[-KEPT:], dtype=float)
    np.testing.assert_array_equal(tail.column("time_s"), kept / 1000)
    np.testing.assert_array_equal(tail.column("current_a"), kept % 17)
    np.testing.assert_array_equal(tail.column("battery_feed"), kept % 2 == 0)


def test_clearing_forgets_samples_and_losses_and_begins_with_a_new_ring():
    tail = Tail()
    with made_ring() as ring:
        for number in range(2 * RING):
            ring.write(sample(number))
        tail.take(ring)
    assert tail.lost > 0
    tail.clear()
    assert (len(tail), tail.lost) == (0, 0)
    assert isnan(tail.last("time_s"))
    with made_ring() as ring:
        ring.write(sample(5))
        assert tail.take(ring) == 1
        assert tail.take(ring) == 0
    assert tail.last("time_s") == 0.005
    assert tail.lost == 0


def test_what_is_not_wired_is_not_a_number():
    tail = Tail()
    with made_ring() as ring:
        ring.write(sample(1))
        tail.take(ring)
    assert isnan(tail.last("at_run"))
    assert isnan(tail.last("ignition_a"))
    assert tail.last("at_stop") == 1.0
