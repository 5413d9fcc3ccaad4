"""`halfturn limits` and `halfturn capability` as a user meets them, over made-up records."""

from __future__ import annotations

import json
import tomllib
from pathlib import Path

import numpy as np
import pytest
from at_the_prompt import halfturn
from good_units import drawn_runs, unit_run, write
from paper import text_of
from short_rig import short_rig

from rig.plans import load_plan
from rig.quality.skewed import skewed_interval
from rig.quality.tolerance import Side
from rig.records.lot_records import LotRecords
from rig.records.model import RunFilter
from rig.records.store import Store

RECORDS = Path("logs/records.sqlite")


@pytest.fixture(scope="module")
def made(tmp_path_factory):
    """A rig folder with a lot of good units, one that failed, and one of another lot."""
    folder = short_rig(tmp_path_factory.mktemp("rig"))
    (folder / "logs").mkdir()
    runs = drawn_runs(14)
    with Store.open(folder / RECORDS) as store:
        write(store, runs)
        write(store, {"U-15": unit_run(7.5, 15, verdict="fail")})
        write(store, {"U-90": unit_run(2.0, 60)}, reference="L-9")
    return folder, runs


@pytest.fixture(autouse=True)
def in_the_folder(made, monkeypatch):
    monkeypatch.chdir(made[0])
    return made


def propose(capsys, *words):
    return halfturn(capsys, "limits", "propose", "short", *words)


def capability(capsys, *words):
    return halfturn(capsys, "capability", "short", *words)


def test_limits_out_of_a_lot_into_a_copy_of_the_plan(capsys, made, tmp_path):
    _, runs = made
    plan, picture = tmp_path / "tighter.toml", tmp_path / "plots.png"
    status, out, err = propose(
        capsys, "--reference", "L-2311", "--out", str(plan), "--picture", str(picture)
    )
    assert status == 0, err
    said = " ".join(out.split())
    assert "14 units, one run each" in said
    assert "left out: U-15: its newest run with a verdict is a fail" in said
    assert "take them in with --include fail" in said
    assert f"{plan}: plan short with 2 proposed limits" in err
    last = "By all 2 proposed limits together 0 of these 14 good units would not pass outright"
    assert last in said
    assert "It is not among the rig's plans" in err
    assert picture.read_bytes().startswith(b"\x89PNG")
    new = load_plan(plan)
    worst = [max(turn.run_a for turn in run.half_turns) for run in runs.values()]
    limit = skewed_interval(worst, 0.99, 0.95, Side.HIGH).high
    assert max(worst) < limit <= new.limits.run_max_a - 0.03 < limit + 0.05  # U = 0.03 A
    times = [max(turn.half_turn_s for turn in run.half_turns) for run in runs.values()]
    limit = skewed_interval(times, 0.99, 0.95, Side.HIGH).high
    assert limit <= new.limits.half_turn_max_s.at(12.0) < limit + 0.02
    assert "# From 14 known good units (L-2311), 2026-03-" in plan.read_text()
    assert new.steps == load_plan(Path("test_plans/short.toml")).steps
    # What is printed to be pasted is the same.
    out = propose(capsys, "--reference", "L-2311")[1]
    table = tomllib.loads(out[out.index("[limits]\n") :])["limits"]
    assert table == {
        key: tomllib.loads(plan.read_text())["limits"][key]
        for key in ("half_turn_max_s", "run_max_a")
    }
    # Not written over unless that is said.
    before = plan.read_bytes()
    status, _, err = propose(capsys, "--reference", "L-2311", "--out", str(plan))
    assert (status, "is there already" in err, plan.read_bytes()) == (3, True, before)
    here = Path("test_plans/tighter.toml")
    err = propose(capsys, "--reference", "L-2311", "--out", str(here), "--json")[2]
    here.unlink()
    assert last in " ".join(err.split())
    assert "then it is the plan tighter of this rig" in err
    asked = ("--reference", "L-2311", "--no-band", "--limit", "run_max_a")
    assert propose(capsys, *asked, "--out", str(plan), "--replace")[0] == 0
    assert load_plan(plan).limits.run_max_a < new.limits.run_max_a
    assert propose(capsys, *asked, "--out", "test_plans/short.toml")[0] == 3


def test_units_by_list_and_what_is_taken_in_and_left_out(capsys, tmp_path):
    listed = tmp_path / "good.txt"
    listed.write_text("# service units\nU-01\n\nU-02\nU-03\nU-04\n U-05 \n", encoding="utf-8")
    words = ("--serials", str(listed), "--serial", "U-15", "--serial", "U-06", "--json")
    status, out, _ = propose(capsys, *words, "--include", "fail", "--without", "U-06")
    whole = json.loads(out)
    assert status == 0
    assert [run["unit_serial"] for run in whole["runs"]] == [
        *(f"U-0{n}" for n in range(1, 6)),
        "U-15",
    ]
    assert whole["left_out"] == [{"unit_serial": "U-06", "why": "as asked"}]
    assert propose(capsys, *words[:2], "--json")[0] == 0
    assert propose(capsys, "--serial", "U-01", "--json")[0] == 2  # nothing can be proposed


def test_a_plan_that_would_be_refused_is_not_written(capsys, tmp_path):
    out = tmp_path / "x.toml"
    # So wide a limit on the current that the guard would trip first.
    with Store.open(tmp_path / "r.sqlite") as store:
        rng = np.random.default_rng(1)
        runs = {f"U-{n}": unit_run(float(x), n) for n, x in enumerate(rng.normal(60.0, 30.0, 8))}
        write(store, runs)
    words = ("--records", str(tmp_path / "r.sqlite"), "--reference", "L-2311", "--limit")
    status, _, err = propose(capsys, *words, "run_max_a", "--out", str(out))
    assert (status, out.exists()) == (4, False)
    assert "limits.run_max_a" in err


def test_how_a_lot_and_a_month_lie(capsys, tmp_path):
    picture = tmp_path / "c.svg"
    status, out, err = capability(capsys, "--reference", "L-2311", "--picture", str(picture))
    assert picture.exists()
    assert status == 0, err
    said = " ".join(out.split())
    assert "15 units, one run each" in said
    assert "beyond it as measured: U-15" in said
    assert "Ppk " in said
    by_lot = json.loads(capability(capsys, "--reference", "L-2311", "--json")[1])
    by_month = json.loads(capability(capsys, "--month", "2026-03", "--json")[1])
    assert by_lot == by_month
    assert {run["unit_serial"] for run in by_lot["runs"]} == {f"U-{n:02d}" for n in range(1, 16)}
    by_month = json.loads(capability(capsys, "--month", "2026-05", "--first", "--json")[1])
    assert [run["unit_serial"] for run in by_month["runs"]] == ["U-90"]
    assert by_month["measures"][0]["why_none"].startswith("1 value is too few")


def test_a_lot_report_has_it_in_short(capsys, tmp_path):
    sheet = tmp_path / "lot.pdf"
    assert halfturn(capsys, "sheet", "lot", "--reference", "L-2311", "--out", str(sheet))[0] == 0
    said = text_of(sheet.read_bytes())
    assert "HOW THE UNITS LIE IN THEIR LIMITS" in said.upper()
    measured = json.loads(capability(capsys, "--reference", "L-2311", "--json")[1])["measures"]
    by_label = {each["label"]: each for each in measured}
    assert not by_label["Running current"]["in_control"]  # U-15 jumps out
    assert "No index, and no part of all beyond: the process was not in control" in said
    ppk = by_label["Half-turn time"]["index"]["ppk"]
    assert f"Ppk {ppk['value']:.2f} [{ppk['low']:.2f} to {ppk['high']:.2f}]" in said


@pytest.mark.parametrize(
    ("words", "status", "said"),
    [
        ((), 3, "say which units are known to be good: --reference"),
        (("--reference", "L-0"), 3, "there is no run by plan short among those asked for"),
        (("--serial", "U-77"), 3, "there is no run by plan short of unit U-77"),
        (("--serial", "U-01", "--without", "U-1"), 3, "of unit U-1 among those asked"),
        (("--serials", "none.txt"), 4, "none.txt cannot be read: no such file"),
        (("--reference", "L-2311", "--coverage", "99"), 3, "0.95 for 95 %"),
        (("--reference", "L-2311", "--confidence", "one"), 3, "'one' is not a number"),
        (("--reference", "L-2311", "--limit", "length"), 3, "there is no limit 'length'"),
        (("--reference", "L-2311", "--limit", "sag_max_v"), 3, "the feed's more than the unit's"),
        (("--reference", "L-2311", "--out", "x.txt"), 3, "a plan is saved as .toml"),
        (("--reference", "L-2311", "--picture", "x.gif"), 3, "a picture is saved as"),
        (("--since", "last week"), 3, "is not a date"),
        (("--serial", "U-01", "--out", "y.toml"), 2, "no limit is proposed"),
        (("--reference", "L-2311", "--records", "none.sqlite"), 6, "There are no records"),
    ],
)
def test_what_cannot_be_proposed(capsys, words, status, said):
    found, _, err = propose(capsys, *words)
    assert (found, said in " ".join(err.split())) == (status, True), err


@pytest.mark.parametrize(
    ("words", "status", "said"),
    [
        ((), 3, "say which units: --reference with a job or lot, --month"),
        (("--month", "March"), 3, "is not a month; write it as YYYY-MM"),
        (("--month", "2026-03", "--since", "2026-03-01"), 3, "give one of them"),
        (("--month", "2026-02"), 3, "there is no run by plan short"),
        (("--month", "2026-04"), 3, "there is no run by plan short"),
        (("--reference", "L-2311", "--confidence", "95"), 3, "0.95 for 95 %"),
    ],
)
def test_what_has_no_capability(capsys, words, status, said):
    found, _, err = capability(capsys, *words)
    assert (found, said in " ".join(err.split())) == (status, True), err


def test_a_run_set_aside_in_a_lot_is_no_known_good_unit(capsys, made, monkeypatch):
    with Store.open(RECORDS) as store:
        runs = store.search(RunFilter(reference="L-2311", serial="U-03"), limit=9).runs
    aside = {run.run_id: "label misread" for run in runs}
    monkeypatch.setattr(
        LotRecords, "set_aside_of", lambda self, asked: {r: aside[r] for r in asked if r in aside}
    )
    status, out, err = propose(capsys, "--reference", "L-2311")
    assert status == 0, err
    said = " ".join(out.split())
    assert "13 units, one run each" in said
    assert "1 run set aside left out: U-03 (label misread)." in said
    status, out, _ = capability(capsys, "--reference", "L-2311")
    assert "U-03 (label misread)" in out
