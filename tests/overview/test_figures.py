"""What is said of groups of units, held against published intervals and a naive recount."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta

import pytest
from hypothesis import given
from hypothesis import strategies as st

from rig.overview.figures import (
    NOT_TESTABLE,
    Item,
    JudgedRun,
    Lot,
    chance_of,
    lines_by,
    lines_of_suppliers,
    mean_difference,
    pairs,
    spreads,
)

T0 = datetime(2026, 3, 2, 8, tzinfo=UTC)


def run(unit="u", verdict="pass", minutes=0, bench="north", reasons=(), **values):
    at = T0 + timedelta(minutes=minutes)
    values = {
        name: value if isinstance(value, dict) else {"s": value} for name, value in values.items()
    }
    return JudgedRun(unit, "LM-12", "incoming", bench, at, verdict, tuple(reasons), values)


def by_bench(tests):
    return lines_by(tests, lambda test: test.bench)


# Student's data on the additional sleep by two drugs, ten patients (Biometrika 6, 1908, p. 20); the
# interval of their differences is the one that R's help page of `sleep` prints by t.test.
SLEEP = (1.2, 2.4, 1.3, 1.3, 0.0, 1.0, 1.8, 0.8, 4.6, 1.4)


def test_the_interval_of_paired_differences_is_students():
    mean, u = mean_difference(SLEEP)
    assert mean == pytest.approx(1.58)
    assert (mean - u, mean + u) == pytest.approx((0.7001142, 2.4598858), abs=1e-7)
    assert chance_of(SLEEP) == pytest.approx(0.002833, abs=5e-7)  # the p-value printed there


def test_benches_are_held_against_each_other_unit_by_unit():
    tests = [run(f"u{n}", bench="north", run_a=2.0 + n) for n in range(10)]
    tests += [run(f"u{n}", bench="south", run_a=2.0 + n + d) for n, d in enumerate(SLEEP)]
    tests += [run("only here", bench="south", run_a=99.0)]
    (pair,) = pairs(tests)
    assert (pair.one, pair.other, pair.units, pair.differs) == ("north", "south", 10, True)
    assert pair.difference == pytest.approx(1.58)


def test_only_steps_that_both_have_are_held_against_each_other():
    whole = {"at 12 V": 2.0, "at 9 V": 5.0}
    tests = [run(f"u{n}", bench="north", run_a=whole) for n in range(4)]
    tests += [run(f"u{n}", bench="south", run_a={"at 12 V": 2.0}) for n in range(4)]
    (pair,) = pairs(tests)
    assert (pair.difference, pair.differs) == (0.0, False)
    assert [(spread.bench, spread.runs) for spread in spreads(tests)] == [("north", 4)]


def test_among_many_comparisons_one_in_twenty_is_not_told_as_a_difference():
    # p of SLEEP is 0.0028: by itself beyond 5 %, and beyond 5 % / 17 as well, but not / 18 (Holm).
    for others, differs in ((16, True), (17, False)):
        tests = []
        for n, d in enumerate(SLEEP):
            nothing = {f"x{k}": (-1.0) ** n for k in range(others)}
            tests += [run(f"u{n}", bench="north", run_a=0.0, **dict.fromkeys(nothing, 0.0))]
            tests += [run(f"u{n}", bench="south", run_a=d, **nothing)]
        (pair,) = (each for each in pairs(tests) if each.measure == "run_a")
        assert pair.stands_out
        assert pair.differs is differs


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
