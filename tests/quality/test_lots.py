"""Acceptance probabilities, risks and averages of lot sampling, against published values."""

from __future__ import annotations

import csv
from fractions import Fraction
from itertools import pairwise
from math import comb
from pathlib import Path

import numpy as np
import pytest
from hypothesis import assume, given
from hypothesis import strategies as st

from rig.quality.lots import (
    accept_probability,
    lot_accept_probability,
    nonconforming_at,
    oc_curve,
    process_average,
    quality_at,
    risks,
)
from rig.quality.sampling_tables import SamplingError

REFERENCE = Path(__file__).parents[1] / "reference"


# --- published ------------------------------------------------------------------------------------


def test_a_handbook_plan():
    # NIST/SEMATECH e-Handbook 6.2.3.2, N = 10000, n = 52, c = 3.  Its third digit is off by one at
    # 4 %.
    printed = {1: 0.998, 2: 0.980, 3: 0.930, 4: 0.845, 5: 0.739, 6: 0.620}
    ours = {percent: accept_probability(52, 3, percent / 100) for percent in printed}
    assert ours == pytest.approx(printed, abs=0.0011)
    # Its average total inspection, n + (1 - Pa)(N - n), is cut off to whole units.
    inspected = [52 + (1 - accept_probability(52, 3, p / 100)) * 9948 for p in (1, 2, 3, 4)]
    assert inspected == pytest.approx([70, 253, 753, 1584], abs=0.5)


def test_the_vignette_of_a_public_r_package_on_acceptance_sampling():
    shares = (0.05, 0.15)
    assert [accept_probability(20, 0, share) for share in shares] == pytest.approx(
        [0.35848592, 0.03875953], abs=5e-9
    )
    assert [accept_probability(80, 7, share) for share in shares] == pytest.approx(
        [0.953408, 0.072717], abs=5e-7
    )


def test_a_published_plan_for_one_and_five_per_cent():
    # The documentation of a public R package on designing sampling plans.
    found = risks(144, 4, 10_000, 1.0, 5.0)
    assert (found.producers, found.consumers) == pytest.approx((0.01534843, 0.1487162), abs=5e-8)


def test_a_published_average_outgoing_quality():
    # The manual of a statistics package: N = 5000, n = 52, c = 2; AOQ = Pa p (N - n) / N.
    outgoing = {p: accept_probability(52, 2, p) * p * 4948 / 5000 for p in (0.015, 0.043)}
    assert outgoing[0.015] == pytest.approx(0.01420, abs=5e-6)
    assert outgoing[0.043] == pytest.approx(0.02603, abs=5e-5)


def test_a_published_law_and_a_published_text():
    # 7 CFR 42.140 (defects per hundred units, Poisson): n = 500, Ac = 3.
    assert accept_probability(500, 3, 0.010) == pytest.approx(0.26, abs=0.005)
    assert accept_probability(500, 3, 0.001) == pytest.approx(0.99, abs=0.01)
    # Birolini, Reliability Engineering: c = 1, 10 % accepted: m = 3.9, n = 195 for 2 % (Poisson).
    assert 195 * quality_at(195, 1, 0.10) == pytest.approx(3.9, abs=0.05)


def test_the_curves_stay_where_they_were():
    # Computed, not published: tests/reference/sampling_oc_computed.csv.
    lines = (REFERENCE / "sampling_oc_computed.csv").read_text().splitlines()
    for row in csv.DictReader(line for line in lines if not line.startswith("#")):
        n, ac = int(row["n"]), int(row["ac"])
        for head in list(row)[3:]:
            ours = 100 * quality_at(n, ac, int(head) / 100)
            assert ours == pytest.approx(float(row[head]), abs=6e-6), (n, ac, head)


# --- against the definitions ----------------------------------------------------------------------

PLANS = st.tuples(st.integers(1, 80), st.integers(0, 12))


@given(PLANS, st.floats(0.0, 1.0))
def test_a_process_is_accepted_as_the_binomial_has_it(plan, share):
    n, ac = plan
    exact = sum(comb(n, x) * share**x * (1 - share) ** (n - x) for x in range(min(ac, n) + 1))
    assert accept_probability(n, ac, share) == pytest.approx(exact, abs=1e-12)


def exactly(n, ac, bad, size):
    ways = sum(comb(bad, x) * comb(size - bad, n - x) for x in range(min(ac, n) + 1))
    return float(Fraction(ways, comb(size, n)))


@given(PLANS, st.integers(0, 300), st.integers(1, 300))
def test_a_lot_is_accepted_as_the_hypergeometric_has_it(plan, bad, size):
    n, ac = plan
    assume(n <= size and bad <= size)
    ours = lot_accept_probability(n, ac, bad, size)
    assert ours == pytest.approx(exactly(n, ac, bad, size), rel=1e-10, abs=1e-300)


@pytest.mark.parametrize(
    ("n", "ac", "bad", "size"),
    # The largest samples of the tables; a probability whose first terms no float can hold.
    [(3150, 1, 60, 1_000_000), (2000, 21, 900, 90_000), (1250, 590, 40_000, 80_000)],
)
def test_large_lots(n, ac, bad, size):
    ours = lot_accept_probability(n, ac, bad, size)
    assert ours == pytest.approx(exactly(n, ac, bad, size), rel=1e-9)


def test_of_a_very_large_lot_both_say_the_same():
    of_lot = lot_accept_probability(80, 2, 200_000, 10_000_000)
    assert of_lot == pytest.approx(accept_probability(80, 2, 0.02), abs=1e-5)


@given(PLANS, st.floats(0.001, 0.999))
def test_the_quality_at_a_probability_has_that_probability(plan, probability):
    n, ac = plan
    assume(ac < n)
    assert accept_probability(n, ac, quality_at(n, ac, probability)) == pytest.approx(probability)


@given(PLANS, st.integers(1, 300), st.floats(0.001, 0.999))
def test_the_most_nonconforming_of_a_lot_accepted_so_often(plan, size, probability):
    n, ac = plan
    assume(n <= size)
    most = nonconforming_at(n, ac, size, probability)
    assert lot_accept_probability(n, ac, most, size) >= probability
    if most < size:
        assert lot_accept_probability(n, ac, most + 1, size) < probability


@given(PLANS, st.integers(1, 5000))
def test_a_curve_falls_from_all_to_next_to_nothing(plan, size):
    n, ac = plan
    assume(n <= size)
    curve = oc_curve(n, ac, size, 41)
    for points in (curve.process, curve.lot):
        assert points[0].percent == 0.0
        assert points[0].accepted == 1.0
        assert len(points) <= 41
        for before, after in pairwise(points):
            assert before.percent < after.percent <= 100.0
            assert after.accepted <= before.accepted + 1e-12
        assert points[-1].accepted < 0.003 or ac >= n
    assert oc_curve(n, ac).lot == ()
    assert {round(point.percent * size / 100, 6) % 1 for point in curve.lot} == {0.0}


# --- risks ----------------------------------------------------------------------------------------


def test_risks_of_a_lot_and_of_a_process():
    # Worked by hand: 1 of 20 inspected, none may be bad.  Of 4 % of 50, that is 2, the sample holds
    # one with 1 - C(48, 20) / C(50, 20) = 1 - 30 x 29 / (50 x 49).
    found = risks(20, 0, 50, 4.0, 10.0)
    assert (found.good_units, found.bad_units) == (2, 5)
    assert found.lot_producers == pytest.approx(1 - 30 * 29 / (50 * 49))
    assert found.lot_consumers == pytest.approx(comb(45, 20) / comb(50, 20))
    assert found.producers == pytest.approx(1 - 0.96**20)
    assert found.consumers == pytest.approx(0.9**20)


def test_a_lot_has_whole_units():
    # 1 % of 50 is half a unit: no worse than that has none, no better than that one.
    found = risks(20, 0, 50, 1.0, 1.5)
    assert (found.good_units, found.bad_units) == (0, 1)
    assert (found.lot_producers, found.lot_consumers) == pytest.approx((0.0, 0.6))


def test_a_lot_inspected_whole_leaves_no_risk():
    found = risks(30, 1, 30, 100 / 30, 200 / 30)
    assert (found.good_units, found.bad_units) == (1, 2)
    assert (found.lot_producers, found.lot_consumers) == (0.0, 0.0)


# --- past lots ------------------------------------------------------------------------------------


def at_most(x, n, share):
    return sum(comb(n, k) * share**k * (1 - share) ** (n - k) for k in range(x + 1))


@given(st.lists(st.tuples(st.integers(1, 50), st.integers(0, 9)), min_size=1, max_size=6))
def test_the_process_average_and_its_interval(lots):
    samples = [(n, min(bad, n)) for n, bad in lots]
    average = process_average(samples, 0.90)
    n, bad = sum(n for n, _ in samples), sum(bad for _, bad in samples)
    assert average.share == bad / n
    # Clopper and Pearson: at either end so few, so many, would be seen once in twenty times.
    assert average.low <= average.share <= average.high
    if bad:
        assert 1 - at_most(bad - 1, n, average.low) == pytest.approx(0.05)
    else:
        assert average.low == 0.0
    if bad < n:
        assert at_most(bad, n, average.high) == pytest.approx(0.05)
    else:
        assert average.high == 1.0


def test_no_past_lots_say_nothing():
    assert process_average([]) is None
    none_bad = process_average([(32, 0), (18, 0)])
    assert (none_bad.low, none_bad.high) == pytest.approx((0.0, 1 - 0.025 ** (1 / 50)))


def test_samples_broken_off_belong_in_the_average():
    # Lots of a process of 6 %: 50 inspected, 2 may be bad; the third bad one ends the sample.
    n, ac, share, histories, lots = 50, 2, 0.06, 800, 8
    bad = np.cumsum(np.random.default_rng(5).random((histories * lots, n)) < share, axis=1)
    refused = bad[:, -1] > ac
    seen = np.where(refused, np.argmax(bad > ac, axis=1) + 1, n)
    samples = list(zip(map(int, seen), map(int, np.minimum(bad[:, -1], ac + 1)), strict=True))
    assert process_average(samples).share == pytest.approx(share, rel=0.02)
    to_their_end = [sample for sample in samples if sample[0] == n]
    assert process_average(to_their_end).share < 0.5 * share
    each = [process_average(samples[at : at + lots]) for at in range(0, len(samples), lots)]
    assert np.mean([one.low <= share <= one.high for one in each]) >= 0.95


# --- what is refused ------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("asked", "about"),
    [
        (lambda: accept_probability(0, 0, 0.1), "n"),
        (lambda: accept_probability(5, -1, 0.1), "ac"),
        (lambda: accept_probability(5, 0, 1.1), "share"),
        (lambda: accept_probability(5, 0, float("nan")), "share"),
        (lambda: lot_accept_probability(6, 0, 1, 5), "n"),
        (lambda: lot_accept_probability(5, 0, 6, 5), "nonconforming"),
        (lambda: quality_at(5, 5, 0.5), "ac"),
        (lambda: quality_at(5, 0, 1.0), "probability"),
        (lambda: risks(5, 0, 10, 5.0, 5.0), "bad"),
        (lambda: risks(5, 0, 10, 5.0, 101.0), "bad"),
        (lambda: process_average([(5, 6)]), "nonconforming"),
    ],
)
def test_what_is_no_sampling(asked, about):
    with pytest.raises(SamplingError) as caught:
        asked()
    assert caught.value.about == about
