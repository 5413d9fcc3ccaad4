"""Gauge studies of runs: their order, how far they are, what they came to."""

from __future__ import annotations

import csv
import json
from collections import Counter, defaultdict
from itertools import pairwise
from pathlib import Path

import numpy as np
import pytest
from gauge_values import drawn
from hypothesis import given
from hypothesis import strategies as st
from study_runs import gauge_study, seen

from rig.quality.gauge_fit import Fitness
from rig.studies.as_json import results_object
from rig.studies.gauge import results_of
from rig.studies.gauge_words import measure_lines, order_lines, progress_words, results_lines
from rig.studies.order import DesignError, draw_order

REFERENCE = Path(__file__).parents[1] / "reference" / "gauge_study_aiag.csv"
PARTS, OPERATORS = [f"U-{k}" for k in range(1, 6)], ["jo", "ann", "lee"]


@given(st.integers(2, 5), st.integers(2, 3), st.integers(2, 4), st.integers(0, 10**6))
def test_everything_is_measured_as_often_round_by_round(p, o, trials, seed):
    order = draw_order(PARTS[:p], OPERATORS[:o], trials, seed)
    assert Counter(order) == Counter(set(order))
    assert len(order) == p * o * trials
    assert [each.trial for each in order] == sorted(each.trial for each in order)
    for start in range(0, len(order), p):  # nobody is called away in the midst of a round
        block = order[start : start + p]
        assert len({(each.operator, each.trial) for each in block}) == 1
        assert {each.part for each in block} == set(PARTS[:p])
    for before, after in pairwise(order):
        assert (before.operator, before.part) != (after.operator, after.part)


def test_the_order_is_drawn_and_kept_by_its_seed():
    orders = {draw_order(PARTS, OPERATORS, 3, seed) for seed in range(20)}
    assert len(orders) == 20
    assert draw_order(PARTS, OPERATORS, 3, 7) == draw_order(PARTS, OPERATORS, 3, 7)


@pytest.mark.parametrize(
    ("parts", "operators", "trials", "words"),
    [
        (["U-1"], OPERATORS, 3, "at least 2 parts"),
        (PARTS, ["jo"], 3, "at least 2 operators"),
        (PARTS, OPERATORS, 1, "at least 2 trials"),
        (["U-1", "U-1"], OPERATORS, 2, "U-1 is named twice"),
        (PARTS, OPERATORS, 100, "1500 runs; 1000 are the most"),
    ],
)
def test_designs_that_are_refused(parts, operators, trials, words):
    with pytest.raises(DesignError, match=words):
        draw_order(parts, operators, trials, 1)


def running(results):
    return next(each for each in results.measures if each.measure.name == "run")


def test_the_components_that_were_put_in_come_out():
    rng = np.random.default_rng(5)
    values = drawn(rng, 10, 3, 3, 0.3, 0.0, 0.0, 0.02) - 8.0
    found = running(results_of(*gauge_study(values.tolist())))
    assert found.result.repeatability.sd == pytest.approx(0.02, rel=0.2)
    assert found.result.repeatability.low < 0.02**2 < found.result.repeatability.high
    assert found.result.part.sd == pytest.approx(0.3, rel=0.6)
    # The plan's limit is 7 A, the units draw about 2 A.
    assert (found.judged.low, found.judged.high) == (None, 7.0)
    assert found.fit.share == pytest.approx(3 * found.result.gauge.sd / (7 - found.result.mean))
    assert found.judged.guard == pytest.approx(0.03)
    # Fit by its spread, were it not for the stated 0.03 A: two standard deviations are more.
    assert found.fit.fitness is Fitness.MARGINAL
    assert "too small" in found.fit.text


def test_before_the_last_trial_there_is_no_result():
    study, runs = gauge_study([[[2.0, None]], [[2.1, 2.1]]])
    found = running(results_of(study, runs))
    assert found.result is None
    assert found.missing.startswith("3 of 4 trials are done")
    assert progress_words(study) == "3 of 4 trials done; next: trial 3, unit U-1 by jo, second time"


def test_a_run_without_the_measure_is_named():
    values = [[[2.0, 2.0], [2.0, 2.1]], [[2.2, 2.1], [2.1, 2.1]]]
    study, runs = gauge_study(values)
    runs[study.trials[2].trial_id] = seen(None)
    results = results_of(study, runs)
    assert running(results).missing == (
        "The run of trial 3 measured no running current. Set it aside and repeat it."
    )
    assert all(each.result is None for each in results.measures if each.measure.name == "run")


def test_measures_that_no_run_has_are_left_out():
    study, runs = gauge_study([[[2.0, 2.0], [2.0, 2.1]], [[2.2, 2.1], [2.1, 2.1]]])
    names = [each.measure.name for each in results_of(study, runs).measures]
    assert names == ["to_run", "to_stop", "run", "rest", "winding"]


def test_as_json_and_as_text():
    rng = np.random.default_rng(5)
    study, runs = gauge_study((drawn(rng, 4, 2, 2, 0.3, 0.1, 0.05, 0.02) - 8.0).tolist())
    results = results_of(study, runs)
    whole = json.loads(json.dumps(results_object(results)))
    measured = {each["name"]: each for each in whole["measures"]}
    assert whole["done"] == whole["trials"] == len(measured["run"]["values"]) == 16
    assert measured["run"]["result"]["components"][0]["name"] == "gauge"
    assert measured["rest"]["result"] is None  # every value is the same
    text = "\n".join(results_lines(results))
    assert all(len(line) <= 80 for line in text.splitlines())
    assert "Running current, A  [run]" in text
    table = list(measure_lines(running(results), table=True))
    assert any(line.split()[:1] == ["repeatability"] for line in table)
    assert sum("done" in line for line in order_lines(study)) == 16


def test_the_study_by_hand_stands_beside_it_and_names_who_scattered():
    # The manual's worked example (tests/reference): one cell's range lies beyond its limit.
    readings = defaultdict(dict)
    with REFERENCE.open() as file:
        for row in csv.DictReader(line for line in file if not line.startswith("#")):
            readings[int(row["part"]), row["operator"]][int(row["trial"])] = float(row["value"])
    values = [
        [[readings[part, who][trial] + 5.0 for trial in (1, 2, 3)] for who in "ABC"]
        for part in range(1, 11)
    ]
    found = running(results_of(*gauge_study(values)))
    text = " ".join(" ".join(measure_lines(found, table=True)).split())
    assert "By averages and ranges: rig and people 0.3058 (26.7 % of the study)" in text
    assert "5 distinct categories" in text
    assert "differ by more than 0.8797 A, as the others do not: unit U-4 by ann." in text
    assert "unit U-4 by ann" in " ".join(" ".join(measure_lines(found)).split())
