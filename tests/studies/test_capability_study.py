"""How the units of a lot lie in their limits: values, control, indices, words."""

from __future__ import annotations

import json
from dataclasses import replace
from statistics import fmean, stdev
from types import SimpleNamespace

import numpy as np
import pytest
from good_units import PLAN, chosen, drawn_runs, unit_run
from study_runs import whole

from rig.sheets.capability_part import capability_part, part_of_runs
from rig.studies.capability import capability_rows
from rig.studies.capability_words import capability_lines, index_words
from rig.studies.spread_json import capability_object
from rig.studies.units import CONCLUSIVE


def of(runs, key="run_max_a", **options):
    study = capability_rows(chosen(runs, wanted=CONCLUSIVE), **options)
    return study, next(one for one in study.found if key in one.bound.keys)


def text_of(study, **options):
    lines = list(capability_lines(study, **options))
    assert all(len(line) <= 80 for line in lines)
    return " ".join(" ".join(lines).split())


def test_the_index_is_of_each_units_worst_half_turn_and_fails_count_too():
    runs = drawn_runs(20, mean=6.0, sd=0.3)
    runs["U-05"] = unit_run(7.2, 5, verdict="fail")
    study, found = of(runs)
    values = [max(turn.run_a for turn in run.half_turns) for run in runs.values()]
    assert found.readings.numbers == values
    assert found.index.ppk.value == pytest.approx((7.0 - fmean(values)) / (3 * stdev(values)))
    assert found.index.exact
    assert found.broken == ("U-05",)
    assert found.in_control
    said = text_of(study, plot=True)
    assert "beyond it as measured: U-05" in said
    assert f"Ppk {found.index.ppk.value:.2f} [" in said
    assert "NIST's handbook (6.1.6) calls the same Cpk and Cp" in said
    given = json.loads(json.dumps(capability_object(study)))
    assert given["measures"][1]["index"]["ppk"]["value"] == found.index.ppk.value


def test_a_drift_over_the_lot_takes_the_index_its_meaning():
    rng = np.random.default_rng(1)
    runs = {
        f"U-{n:02d}": unit_run(4.0 + 0.06 * n + rng.normal(0.0, 0.1), n, run_u_a=0.3)
        for n in range(24)
    }
    study, found = of(runs)
    assert not found.in_control
    said = text_of(study)
    assert "In control? No: " in said
    assert "No index, and no part of all beyond: the process was not in control" in said
    by_itself = said[said.index("Running current") :].split("In control?")[1].split("Ppk is the")[0]
    assert "expected beyond" not in by_itself.split("In control?")[0]
    assert "Ppk " not in by_itself.split("In control?")[0]
    assert "U = 0.30 A: up to" in said
    assert found.share_of_u == pytest.approx((0.15 / found.sd) ** 2)


def test_too_few_none_that_differs_and_what_was_not_measured():
    study, found = of(drawn_runs(3))
    assert found.index is None
    assert "No index: 3 values are too few for an index; 5 at least." in text_of(study)
    study, found = of(drawn_runs(8), key="rest_max_a")
    assert found.why.startswith("all 8 units read the same")


def test_values_in_steps_are_not_out_of_control_for_their_steps():
    tenths = [30, 30, 30, 30, 31, 30, 30, 30, 30, 30, 30, 30, 31, 30, 30, 30, 30, 30, 31, 30]
    runs = {f"U-{n:02d}": unit_run(tenth / 10, n) for n, tenth in enumerate(tenths)}
    _, found = of(runs)
    assert found.look.in_steps
    assert found.in_control
    assert "the values come in steps" in index_words(found)


def test_of_two_limits_the_value_nearest_to_breaking_one_counts():
    runs = {}
    for serial, run in drawn_runs(8).items():
        (measure,) = run.measures
        ohms = (0.48, 1.1) if serial == "U-03" else (0.75, 0.76)
        runs[serial] = replace(run, measures=tuple(replace(measure, value=ohm) for ohm in ohms))
    limits = replace(PLAN.analysis_limits(), winding_min_ohm=0.5, winding_max_ohm=2.5)
    plan = SimpleNamespace(unit=PLAN.unit, analysis_limits=lambda: limits)
    study = capability_rows(replace(chosen(runs, wanted=CONCLUSIVE), plan=plan))
    found = next(one for one in study.found if "winding_min_ohm" in one.bound.keys)
    assert found.broken == ("U-03",)  # and not 1.1, which is farther from what most have


def test_several_that_jump_out_are_told_as_several():
    values = [4.0, 4.1, 3.9, 4.0, 4.05, 6.5, 4.0, 3.95, 4.1, 4.0, 3.9, 6.5, 4.0, 4.1, 3.9, 4.0]
    study, found = of({f"U-{n:02d}": unit_run(a, n) for n, a in enumerate(values)})
    assert found.look.refused
    said = text_of(study)
    assert "In control? No: U-05, U-11 jump out" in said
    assert "Values that are not normal may look so without any change." in said


def test_as_a_part_of_a_sheet():
    runs = drawn_runs(20, mean=6.0, sd=0.3)
    study, found = of(runs)
    part = capability_part(study)
    row = part["rows"][1]
    assert (row["name"], row["limit"], row["odd"]) == ("Running current", "at most 7 A", False)
    assert row["index"].startswith(f"Ppk {found.index.ppk.value:.2f} [")
    assert "no index of the rest draw: all 20 units read the same" in part["says"]
    assert part["says"].startswith("20 units, each by its newest run with a verdict")
    assert capability_part(of(drawn_runs(3))[0]) is None
    records = [whole(run, serial) for serial, run in runs.items()]
    stalled = whole(unit_run(6.0, 50, outcome="stalled", verdict="fail"), "U-21")
    again = part_of_runs([stalled, *records[::-1]])
    assert again["says"].startswith("21 units")
    assert "did not park, and has no values to count for it: U-21, half-turn 2" in again["says"]
    assert part_of_runs(records)["rows"] == part["rows"]
