"""`halfturn gauge` as a user meets it, on the simulated bench."""

from __future__ import annotations

import json
import re
from pathlib import Path

import pytest
from at_the_prompt import halfturn
from short_rig import short_rig

from rig.records.store import Store
from rig.studies.gauge import results_of


@pytest.fixture(autouse=True)
def in_a_rig_folder(tmp_path, monkeypatch):
    # At lower rates the samples' steps hide what little the half-turn times scatter.
    monkeypatch.chdir(short_rig(tmp_path, sample_hz=1000))


def gauge(capsys, *words):
    return halfturn(capsys, "gauge", *words)


def new(capsys, *more, parts=("SIM-1", "SIM-2"), trials=2):
    words = [word for part in parts for word in ("--part", part)]
    words += ["--operator", "jo", "--operator", "ann", "--trials", str(trials), "--seed", "3"]
    return gauge(capsys, "new", "spring", "--plan", "short", *words, *more)


def go_on(capsys, *more):
    return gauge(capsys, "next", "spring", "--accept-cautions", "--quiet", *more)


def test_a_study_from_its_order_to_its_results(capsys):
    status, out, _ = new(capsys)
    assert status == 0
    assert "2 units x 2 operators x 2 trials" in out
    assert "0 of 8 trials done; next: trial 1, unit SIM-" in out
    assert re.search(r"about \d+ s a run, \d+ (s|min) of tests for all 8", out)
    # One trial, another day the others.
    status, out, _ = go_on(capsys)
    assert (status, "verdict: PASS (SIMULATED)" in out) == (0, True)
    status, out, _ = gauge(capsys, "show", "spring")
    assert "1 of 8 trials done" in out
    assert "the result comes with the last one" in " ".join(out.split())
    status, _, _ = go_on(capsys, "--all")
    status, out, _ = gauge(capsys, "show", "spring", "--json")
    whole = json.loads(out)
    assert (whole["done"], whole["next"]) == (8, None)
    # Every run is an ordinary one, in the name of whose turn it was.
    with Store.open(Path("logs/records.sqlite")) as store:
        by_run = {str(run.run_id): run for run in store.runs(limit=None)}
        study, runs = store.gauge.measured("spring")
    for trial in whole["order"]:
        run = by_run[trial["run"]]
        assert (run.unit_serial, run.operator, run.reference) == (
            trial["part"],
            trial["operator"],
            "spring",
        )
    # What was put in: units that differ, relays and a sensor that scatter little, no operators.
    found = {each.measure.name: each for each in results_of(study, runs).measures}
    times = found["to_run"].result
    assert times.part.sd > 3 * times.repeatability.sd > 0
    assert times.reproducibility.variance < 4 * times.repeatability.variance
    # The contact's time scatters by some tenths of a millisecond (drivers/simulated/parameters.py).
    assert 0.0001 < times.repeatability.sd < 0.003
    status, out, _ = gauge(capsys, "show", "spring")
    assert "The rig is fit to judge the half-turn time to run by this plan" in " ".join(out.split())
    status, out, _ = gauge(capsys, "next", "spring")
    assert (status, "all 8 trials are done" in out) == (0, True)


def test_a_name_with_spaces_is_quoted_where_it_is_to_be_typed(capsys):
    parts = ("--part", "A", "--part", "B", "--operator", "jo", "--operator", "ann")
    status, out, _ = gauge(capsys, "new", "spring 26", "--plan", "short", *parts, "--trials", "2")
    assert status == 0
    assert "`halfturn gauge next 'spring 26'`" in out
    _, _, err = gauge(capsys, "next", "spring 26", "--accept-cautions")
    assert "spring 26: trial 1 of 8: unit " in " ".join(err.split())


def test_a_bad_run_is_set_aside_and_made_again(capsys):
    new(capsys)
    assert go_on(capsys, "--fault", "sensor-absent@2")[0] == 5
    out = gauge(capsys, "show", "spring", "--order")[1]
    assert "0 of 8 trials done; next: trial 1" in out
    assert "not counted" in out
    assert go_on(capsys)[0] == 0
    status, out, _ = gauge(capsys, "repeat", "spring", "--trial", "1", "--reason", "loose clamp")
    assert (status, "set aside: trial 1" in out) == (0, True)
    out = gauge(capsys, "show", "spring", "--order")[1]
    assert "set aside: loose clamp" in out
    assert go_on(capsys)[0] == 0
    out = gauge(capsys, "list")[1]
    assert "1 of 8 trials done; next: trial 2" in " ".join(out.split())
    with Store.open(Path("logs/records.sqlite")) as store:
        assert len(store.runs()) == 3
        assert len(store.gauge.study("spring").trials[0].runs) == 3
    assert halfturn(capsys, "records", "verify")[0] == 0


@pytest.mark.parametrize(
    ("words", "status", "said"),
    [
        (("show", "spring"), 6, "There are no records"),
        (("new", "x", "--plan", "short", "--part", "A"), 3, "at least 2 parts"),
        (("new", "x", "--plan", "none", "--part", "A"), 4, "no such plan"),
        (("show", "spring", "--measure", "length"), 6, ""),
        ((), 3, "ACTION"),
    ],
)
def test_what_cannot_be(capsys, words, status, said):
    found, _, err = gauge(capsys, *words)
    assert (found, said in err) == (status, True), err


def test_who_is_named_must_be_whose_turn_it_is(capsys):
    new(capsys)
    out = gauge(capsys, "list", "--json")[1]
    assert json.loads(out)[0]["next"] == 1
    turn = gauge(capsys, "show", "spring")[1].split(" by ")[1].split(",")[0]
    other = {"jo": "ann", "ann": "jo"}[turn]
    status, _, err = go_on(capsys, "--operator", other)
    assert (status, f"not {other}'s" in err) == (3, True)
    assert gauge(capsys, "show", "spring", "--measure", "length")[0] == 3
    assert gauge(capsys, "show", "spring", "--pool-above", "2")[0] == 3
    assert gauge(capsys, "repeat", "spring", "--trial", "1", "--reason", "x")[0] == 6
