"""What is said of groups of units, held against published intervals and a naive recount."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from math import sqrt
from statistics import stdev

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from rig.overview.figures import (
    NOT_TESTABLE,
    Item,
    JudgedRun,
    Lot,
    lines_by,
    lines_of_suppliers,
    mean_difference,
    pairs,
    spreads,
)

T0 = datetime(2026, 3, 2, 8, tzinfo=UTC)


def run(unit="u", verdict="pass", minutes=0, bench="north", reasons=(), **values):
    at = T0 + timedelta(minutes=minutes)
    places = {
        name: value if isinstance(value, dict) else {"half_turns 1": value}
        for name, value in values.items()
    }
    return JudgedRun(unit, "LM-12", "incoming", bench, at, verdict, tuple(reasons), places)


def by_bench(tests):
    return lines_by(tests, lambda test: test.bench)


# Student's data on the additional sleep by two drugs, ten patients (Biometrika 6, 1908, p. 20); the
# interval of their differences is the one that R's help page of `sleep` prints by t.test.
SLEEP = (1.2, 2.4, 1.3, 1.3, 0.0, 1.0, 1.8, 0.8, 4.6, 1.4)


def test_the_interval_of_paired_differences_is_students():
    mean, u = mean_difference(SLEEP)
    assert mean == pytest.approx(1.58)
    assert (mean - u, mean + u) == pytest.approx((0.7001142, 2.4598858), abs=1e-7)


def test_benches_are_held_against_each_other_unit_by_unit():
    tests = [run(f"u{n}", bench="north", run_a=2.0 + n) for n in range(10)]
    tests += [run(f"u{n}", bench="south", run_a=2.0 + n + d) for n, d in enumerate(SLEEP)]
    tests += [run("only here", bench="south", run_a=99.0)]
    (pair,) = pairs(tests)
    assert (pair.one, pair.other, pair.units, pair.differs) == ("north", "south", 10, True)
    assert pair.difference == pytest.approx(1.58)


def two_benches(north, south, measure="to_run_s"):
    """Four units on both benches, each with what both read of it."""
    return [
        run(f"u{n}", bench=bench, **{measure: value(n)})
        for n in range(4)
        for bench, value in (("north", north), ("south", south))
    ]


def test_what_one_run_has_beyond_the_other_does_not_count():
    # South's runs ended after the first step; the second, slower one is in none of its means.
    both = {"half_turns 1": 0.7, "half_turns 2": 0.9}
    tests = two_benches(lambda _: both, lambda n: {"half_turns 1": 0.7 + 0.001 * (n % 2)})
    (pair,) = pairs(tests)
    assert (pair.units, pair.difference) == (4, pytest.approx(0.0005))
    assert not pair.differs
    tests = two_benches(lambda _: {"half_turns 1": 0.7}, lambda _: {"half_turns 2": 0.9})
    assert pairs(tests) == []


def test_times_as_taken_count_only_where_none_is_at_nominal_voltage():
    taken = two_benches(lambda _: 0.7, lambda _: 0.95, "to_run_as_taken_s")
    assert [each.measure for each in pairs(taken)] == ["to_run_as_taken_s"]
    nominal = [run(f"u{n}", bench="north", to_run_s=0.95) for n in range(4)]
    assert pairs([*taken, *nominal]) == []  # south has none
    assert {each.measure for each in spreads([*taken, *nominal])} == {"to_run_s"}


def test_a_cut_off_run_is_not_in_a_benchs_spread():
    whole = [run(f"u{n}", to_run_s={"half_turns 1": 0.7, "half_turns 2": 0.9}) for n in range(3)]
    (spread,) = spreads([*whole, run("short", to_run_s={"half_turns 1": 0.7})])
    assert (spread.runs, spread.median) == (3, pytest.approx(0.8))


def test_intervals_of_several_comparisons_are_bonferronis():
    # t for 9 degrees of freedom: 3.250 at 99 % both sides (Fisher and Yates, Statistical Tables,
    # table III), which five intervals need for 95 % together.
    _, u = mean_difference(SLEEP, 5)
    assert u / (stdev(SLEEP) / sqrt(10)) == pytest.approx(3.250, abs=5e-4)


def test_benches_that_read_alike_are_seldom_said_to_differ():
    # Four benches, three measures: 18 comparisons.  At 95 % each, most reports would name one.
    rng = np.random.default_rng(5)
    measures = ("to_run_s", "to_stop_s", "run_a")
    blamed = 0
    for _ in range(60):
        tests = [
            run(f"u{n}", bench=bench, **dict(zip(measures, rng.normal(1.0, 0.01, 3), strict=True)))
            for n in range(6)
            for bench in "abcd"
        ]
        found = pairs(tests)
        assert len(found) == 18
        blamed += any(pair.differs for pair in found)
    assert blamed <= 7  # of 3 to be expected at most; more than 7 in one of 100 seeds (binomial)


def test_two_units_are_too_few_to_tell():
    tests = [run(f"u{n}", bench=b, run_a=1.0 + n) for n in range(2) for b in ("north", "south")]
    (pair,) = pairs(tests)
    assert (pair.units, pair.u, pair.differs) == (2, None, False)


def test_a_benchs_spread_is_median_and_quartiles():
    # The quartiles of 1 to 5 by linear interpolation are 2 and 4 (Hyndman and Fan, The American
    # Statistician 50, 1996, definition 7).
    (spread,) = spreads([run(f"u{n}", run_a=float(n)) for n in range(1, 6)])
    assert (spread.runs, spread.median, spread.low, spread.high) == (5, 3.0, 2.0, 4.0)


def test_the_interval_is_clopper_and_pearsons():
    # None of 10: 1 - 0.025 ** (1 / 10); the closed form of the exact interval where nothing failed.
    (line,) = by_bench([run(f"u{n}") for n in range(10)])
    assert (line.judged, line.nonconforming) == (10, 0)
    assert line.average.high == pytest.approx(1 - 0.025**0.1)


def test_a_unit_counts_once_by_its_last_conclusive_run():
    tests = [
        run("a", "fail", 1, reasons=("run_a",)),
        run("a", "pass", 2),
        run("a", "retest", 3),
        run("b", "retest", 1),
        run("b", "fail", 2, reasons=("run_a", "half_turn_s")),
        run("c", "retest", 1),
        run("d", "pass", 1),
    ]
    (line,) = by_bench(tests)
    assert (line.judged, line.nonconforming, line.first_pass) == (3, 1, 1)
    assert line.reasons == (("half_turn_s", 1), ("run_a", 1))


def test_a_suppliers_items_count_as_their_lots_are_judged():
    lots = [
        Lot("Hollow Lane", True, (Item((run("a", "retest"), run("a", "pass", 1))), Item())),
        Lot("Hollow Lane", False, (Item((run("b", "fail", reasons=("rest_a",)),)), Item((), True))),
        Lot("Far Side", None, ()),
    ]
    far, hollow = lines_of_suppliers(lots)
    assert (far.name, far.lots, far.judged, far.average) == ("Far Side", 1, 0, None)
    assert (hollow.lots, hollow.accepted, hollow.not_accepted) == (2, 1, 1)
    assert (hollow.judged, hollow.nonconforming, hollow.first_pass) == (3, 2, 0)
    assert hollow.reasons == ((NOT_TESTABLE, 1), ("rest_a", 1))


runs_drawn = st.lists(
    st.tuples(
        st.sampled_from("abc"),
        st.sampled_from(("pass", "fail", "retest")),
        st.sampled_from(("north", "south")),
    ),
    max_size=15,
)


@given(runs_drawn)
def test_any_runs_come_to_what_a_naive_recount_gives(drawn):
    tests = [run(u, v, n, b) for n, (u, v, b) in enumerate(drawn)]
    said = {line.name: (line.judged, line.nonconforming) for line in by_bench(tests)}
    for bench in {test.bench for test in tests}:
        last = {t.unit: t.verdict for t in tests if t.bench == bench and t.verdict != "retest"}
        assert said[bench] == (len(last), list(last.values()).count("fail"))
