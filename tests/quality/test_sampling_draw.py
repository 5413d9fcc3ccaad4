"""The draw of a sample: every unit as likely, and the same again."""

from __future__ import annotations

from collections import Counter
from hashlib import sha256
from itertools import permutations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from rig.quality.sampling_draw import draw, drawing_order
from rig.quality.sampling_tables import SamplingError

# Chi-square of 23 degrees of freedom, of 11: not above these but once in a thousand (any table).
OF_23, OF_11 = 49.73, 31.26


def test_every_order_is_as_likely():
    seeds = 2400
    seen = Counter(drawing_order(4, 4, seed) for seed in range(seeds))
    expected = seeds / 24
    assert set(seen) == set(permutations((1, 2, 3, 4)))
    assert sum((count - expected) ** 2 / expected for count in seen.values()) < OF_23


def test_every_unit_is_as_likely():
    seeds, size, n = 2000, 12, 5
    seen = Counter(unit for seed in range(seeds) for unit in draw(size, n, seed))
    expected = seeds * n / size
    # Without replacement the counts spread less, by (N - n) / (N - 1).
    spread = sum((seen[unit] - expected) ** 2 / expected for unit in range(1, size + 1))
    assert spread * (size - 1) / (size - n) < OF_11


@given(st.integers(2, 60), st.integers(0, 2**63 - 1))
def test_the_draw_as_its_words_have_it(size, seed):
    units = list(range(1, size + 1))
    for place in range(size):
        chance = int(sha256(f"{seed} {place}".encode()).hexdigest(), 16)
        other = place + chance % (size - place)
        units[place], units[other] = units[other], units[place]
    assert list(drawing_order(size, size, seed)) == units


def test_a_seed_means_the_same_for_good():
    # What stands in records: whoever changes this changes what they say was drawn.
    assert drawing_order(20, 6, 1) == (11, 15, 10, 16, 18, 1)
    assert draw(10_000_000, 3, 2026) == (1_090_445, 5_714_243, 8_310_924)


@given(st.integers(1, 10_000_000), st.integers(0, 50), st.integers())
def test_a_sample(size, n, seed):
    n = min(n, size)
    sample = draw(size, n, seed)
    assert len(set(sample)) == n
    assert list(sample) == sorted(sample)
    assert all(1 <= unit <= size for unit in sample)
    assert set(sample) <= set(drawing_order(size, min(size, n + 3), seed))


@pytest.mark.parametrize(("size", "count"), [(5, 6), (5, -1)])
def test_more_than_the_lot_has(size, count):
    with pytest.raises(SamplingError, match="cannot be drawn"):
        drawing_order(size, count, 1)
