"""`halfturn golden` as a user meets it: a rig that drifts is told before it judges anyone."""

from __future__ import annotations

import json
from pathlib import Path

import pytest
from at_the_prompt import halfturn
from short_rig import short_rig
from study_runs import golden_records, kept, seen

from rig.records.store import Store

DRIFT_SEEN_WITHIN = 5
"""Checks in which a sensor that loses 0.2 % of its gain a check is found out."""


@pytest.fixture
def rig(tmp_path, monkeypatch):
    def make(**golden):
        monkeypatch.chdir(short_rig(tmp_path, **golden))

    return make


def golden(capsys, *words):
    return halfturn(capsys, "golden", *words)


def declared(capsys, baseline=5):
    return golden(capsys, "declare", "SIM-5", "--plan", "short", "--baseline", str(baseline))


def check(capsys, *more):
    return golden(capsys, "check", "SIM-5", "--accept-cautions", "--quiet", *more)


def judge(capsys, *more):
    return halfturn(capsys, "run", "short", "--unit", "U-7", "--accept-cautions", *more)


def test_a_drifting_sensor_is_found_before_it_judges(rig, capsys):
    rig(refuse=True)
    status, out, _ = declared(capsys)
    assert (status, "SIM-5 is golden by the plan short on station A" in out) == (0, True)
    for _ in range(5):
        assert check(capsys)[0] == 0
    assert check(capsys)[0] == 0
    status, out, err = judge(capsys)
    assert (status, "warning: The rig" in err, "rig:" in out) == (0, False, False)
    # The sensor loses gain, check by check; whatever it measures is still well within all limits.
    for number in range(1, DRIFT_SEEN_WITHIN + 1):
        status, out, _ = check(capsys, "--set", f"sensor.gain={1 - 0.002 * number}")
        assert "verdict: PASS" in out
        if status != 0:
            break
    assert status == 1
    words = " ".join(out.split())
    assert "The rig is OUT OF CONTROL by golden unit SIM-5" in words
    assert "running current" in words
    # Nobody's unit is judged by it now, and the record says why.
    status, out, err = judge(capsys, "--json")
    answer = json.loads(out)
    assert (status, answer["verdict"]) == (5, None)
    assert answer["golden"]["standing"] == "out_of_control"
    assert "Nothing was fed" in answer["note"]
    assert answer["note"].startswith("Refused. ")
    assert "warning: The rig is OUT OF CONTROL" in err
    shown = halfturn(capsys, "records", "show", answer["run"])[1]
    assert "Golden    The rig is OUT OF CONTROL" in shown
    # A check may always be made, and a repair begins new limits.
    assert check(capsys, "--set", "sensor.gain=0.98")[0] == 1
    assert golden(capsys, "baseline", "SIM-5", "--reason", "new shunt")[0] == 0
    assert judge(capsys)[0] == 0
    out = golden(capsys, "show", "SIM-5", "--baseline", "1")[1]
    assert "baseline 1 of 2" in out
    assert "beyond its limits" in out
    listed = json.loads(golden(capsys, "list", "--json")[1])
    assert [each["reason"] for each in listed[0]["baselines"]] == ["declared", "new shunt"]
    assert listed[0]["standing"] == "baseline"
    assert halfturn(capsys, "records", "verify")[0] == 0


def test_each_bench_stands_by_its_own_checks(rig, capsys):
    rig()
    with Store.open(Path("logs/records.sqlite")) as store:
        golden_records(store, [2.0, 2.01, 1.99, 2.0, 2.0, 2.0], baseline=5)
        for day in range(6, 9):
            kept(store, seen(3.0, day, simulated=False))
    real, simulated = json.loads(golden(capsys, "list", "--json")[1])
    assert (real["simulated"], real["standing"], len(real["checks"])) == (False, "baseline", 3)
    assert (simulated["simulated"], simulated["standing"]) == (True, "in_control")
    out = golden(capsys, "list")[1]
    assert "G-1, plan short, station A\n" in out
    assert "G-1, plan short, station A, simulated bench\n" in out


def test_a_check_that_is_demanded_and_missing_is_told(rig, capsys):
    rig(every_days=1)
    declared(capsys)
    status, out, err = judge(capsys)
    assert status == 0  # told, not refused
    assert "warning: The rig is not checked by golden unit SIM-5" in err
    assert "rig: The rig is not checked by golden unit SIM-5" in out
    with Store.open(Path("logs/records.sqlite")) as store:
        said = store.run(store.runs()[0].run_id).start.golden
    assert (said["standing"], said["serial"], said["checked_at"]) == ("due", "SIM-5", None)
    check(capsys)
    assert "warning: The rig is not checked" not in judge(capsys)[2]


def test_a_changed_plan_does_not_switch_the_check_off(rig, capsys):
    rig(refuse=True)
    declared(capsys)
    for _ in range(5):
        assert check(capsys)[0] == 0
    plan = Path("test_plans/short.toml")
    plan.write_text(plan.read_text().replace("[12.0, 1.2]", "[12.0, 1.1]"))
    status, out, _ = check(capsys, "--set", "sensor.gain=0.9")
    assert "verdict: PASS" in out
    assert (status, "The rig is not checked by golden unit SIM-5" in out) == (2, True)
    assert "by another text of the plan" in " ".join(out.split())
    assert judge(capsys)[0] == 5  # refused


def test_without_golden_units_nothing_is_said(rig, capsys):
    rig(every_days=1, refuse=True)
    status, out, _ = judge(capsys, "--json", "--quiet")
    assert (status, json.loads(out)["golden"]) == (0, None)
    assert "No golden units" in golden(capsys, "list")[1]


@pytest.mark.parametrize(
    ("words", "status", "said"),
    [
        (("check", "SIM-9", "--accept-cautions"), 6, "SIM-9 is no golden unit"),
        (("declare", "SIM-5", "--plan", "short"), 6, "already"),
        (("declare", "X", "--plan", "short", "--baseline", "3"), 3, "from 5 to 100"),
        (("declare", "X", "--plan", "short", "--measure", "length"), 3, "no measure 'length'"),
        (("baseline", "SIM-5", "--reason", " "), 3, "--reason is empty"),
        (("show", "SIM-5", "--baseline", "4"), 6, "no baseline 4"),
    ],
)
def test_what_cannot_be(rig, capsys, words, status, said):
    rig()
    declared(capsys)
    found, _, err = golden(capsys, *words)
    assert (found, said in " ".join(err.split())) == (status, True), err


def test_withdrawn_it_says_nothing_any_more(rig, capsys):
    rig(every_days=1, refuse=True)
    declared(capsys)
    assert judge(capsys)[0] == 5
    assert golden(capsys, "withdraw", "SIM-5")[0] == 0
    assert judge(capsys)[0] == 0
