"""`halfturn budget`, and what a decision rule does from plan file to verdict."""

import json
from pathlib import Path

import numpy as np
import pytest
import spice
from at_the_prompt import halfturn

from rig.plans import shipped_plans
from rig.quality.decision import Rule
from rig.settings import starter_text

QUALIFY = next(path for path in shipped_plans() if path.stem == "qualify").read_text()
TRACE = str(spice.NGSPICE / "traces" / "good.csv.gz")


@pytest.fixture(autouse=True)
def a_folder(tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)


def test_the_budgets_in_words_fit_a_terminal(capsys):
    status, out, err = halfturn(capsys, "budget")
    assert (status, err) == (0, "")
    lines = out.splitlines()
    assert max(map(len, lines)) <= 80
    assert lines[0] == "Station A, plan qualify"
    for heading in ("Current at 7 A", "Voltage at 12 V", "Time at 1.2 s", "At the plan's limits"):
        assert heading in lines
    assert "k = 2" in out
    assert "calibrate the station" in out


def test_a_budget_is_of_one_plan_and_each_limit_says_what_would_be_better(capsys):
    status, out, err = halfturn(capsys, "budget", "incoming", "suspect")
    assert (status, out) == (3, "")
    assert "one plan at a time" in err
    told = " ".join(halfturn(capsys, "budget")[1].partition("What U is made of there")[2].split())
    assert "% of it; to do better, " in told
    assert "% of it." not in told


def test_the_json_adds_up(capsys):
    status, out, _ = halfturn(capsys, "budget", "incoming", "--json")
    told = json.loads(out)
    assert status == 0
    assert told["decision"]["rule"] == "guarded"
    assert [budget["quantity"] for budget in told["budgets"]] == ["current", "voltage", "time"]
    for budget in (*told["budgets"], *(limit["budget"] for limit in told["limits"])):
        parts = budget["components"]
        squares = sum((p["spread"] / p["divisor"] * p["sensitivity"]) ** 2 for p in parts)
        assert budget["standard_u"] == pytest.approx(np.sqrt(squares))
        assert budget["expanded_u"] == pytest.approx(budget["k"] * budget["standard_u"])
        assert sum(part["share"] for part in parts) == pytest.approx(1.0)
    for limit in told["limits"]:
        sign = -1 if limit["is_upper"] else 1
        assert limit["guard_band"] == pytest.approx(limit["expanded_u"])
        assert limit["acceptance_limit"] == pytest.approx(
            limit["value"] + sign * limit["expanded_u"]
        )


def test_a_rig_file_of_ones_own_counts(capsys):
    text = starter_text().replace("shunt_tolerance = 0.01 #", "shunt_tolerance = 0.05 #")
    Path("rig.toml").write_text(text)
    _, out, _ = halfturn(capsys, "budget")
    assert "running current: shunt's tolerance: 9" in out


@pytest.mark.parametrize("words", [("budget", "no-such"), ("budget", "--station", "Z")])
def test_what_is_not_there_is_told(capsys, words):
    status, out, err = halfturn(capsys, *words)
    assert (status, out) == (4, "")
    assert "there is no" in err


def test_a_plan_that_the_station_cannot_run_has_no_budget(capsys):
    text = starter_text().replace("shunt_ohm = 0.005", "shunt_ohm = 0.1")
    Path("rig.toml").write_text(text)
    status, _, err = halfturn(capsys, "budget")
    assert status == 4
    assert "shunt" in err


def test_limits_that_no_unit_can_pass_are_told(capsys):
    """Nothing lies between guard bands wider than half a tolerance, nor below a limit next to 0."""
    narrow = QUALIFY.replace("winding_min_ohm = 0.42", "winding_min_ohm = 0.509")
    narrow = narrow.replace("winding_max_ohm = 0.65", "winding_max_ohm = 0.511")
    narrow = narrow.replace("rest_max_a = 0.05 ", "rest_max_a = 0.003 ")
    Path("narrow.toml").write_text(narrow)
    _, out, _ = halfturn(capsys, "budget", "narrow.toml", "--json")
    told = json.loads(out)
    edges = {limit["limit"]: limit["acceptance_limit"] for limit in told["limits"]}
    assert edges["winding_min_ohm"] > edges["winding_max_ohm"]
    assert edges["rest_max_a"] < 0.0
    rest, winding = told["cautions"]
    assert rest.startswith("No rest current can pass: at most 0.003 A leaves nothing above 0")
    assert winding.startswith(
        "No winding resistance can pass: at least 0.509 ohm and at most 0.511 ohm leave nothing"
    )
    _, out, _ = halfturn(capsys, "budget", "narrow.toml")
    assert "CAUTION: No winding resistance can pass" in out
    assert json.loads(halfturn(capsys, "budget", "--json")[1])["cautions"] == []


# --- a rule, from the plan file to the verdict --------------------------------------------------


def judged(capsys, limit_s, rule):
    plan = QUALIFY.replace("half_turn_max_s = [[8.0, 2.0], [12.0, 1.2], [16.0, 1.0]]", "#")
    limit = f"[[8.0, {limit_s}], [16.0, {limit_s}]]"  # the same at every voltage
    plan = plan.replace("[limits]\n", f"[limits]\nhalf_turn_max_s = {limit}\n")
    Path("mine.toml").write_text(f'{plan}\n[decision]\nrule = "{rule}"\n')
    status, out, _ = halfturn(capsys, "judge", TRACE, "--plan", "mine.toml", "--json")
    return status, json.loads(out)


@pytest.mark.parametrize(
    ("rule", "just_met", "just_broken"),
    [
        (Rule.GUARDED, 2, 2),
        (Rule.SIMPLE_ACCEPTANCE, 0, 1),
        (Rule.GUARDED_ACCEPTANCE, 1, 1),
        (Rule.GUARDED_REJECTION, 0, 0),
    ],
)
def test_the_plans_rule_decides_near_a_limit(capsys, rule, just_met, just_broken):
    _, plain = judged(capsys, 1.2, rule)
    longest = max(plain["half_turns"], key=lambda turn: turn["half_turn_s"])
    near_s = 0.3 * longest["half_turn_u_s"]
    for limit_s, status in (
        (longest["half_turn_s"] + near_s, just_met),
        (longest["half_turn_s"] - near_s, just_broken),
    ):
        found, told = judged(capsys, round(limit_s, 6), rule)
        assert found == status, (limit_s, told["reasons"])
        assert told["decision"]["rule"] == str(rule)
        [check] = [
            check
            for check in told["checks"]
            if check["measure"] == "half_turn_s" and check["half_turn"] == longest["number"]
        ]
        # 0.3 U is 0.6 standard uncertainties: normal tables.
        expected = 0.7257 if limit_s > longest["half_turn_s"] else 0.2743
        assert check["conformance"] == pytest.approx(expected, abs=0.001)
