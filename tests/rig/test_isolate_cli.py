"""`halfturn isolate` as a user meets it, with the knowledge that ships."""

from __future__ import annotations

import json

import pytest
from at_the_prompt import halfturn
from study_runs import T0

import rig.commands.direct
from rig.bench.errors import Stopped
from rig.bench.events import StepBegan
from rig.commands.direct import DirectConsole
from rig.plans import shipped_plans
from rig.records.store import Store
from rig.records.study_model import GoldenStart
from rig.settings import starter_text

SUSPECT = next(path for path in shipped_plans() if path.stem == "suspect")


@pytest.fixture(autouse=True)
def in_an_empty_folder(tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)


def isolate(capsys, *words):
    return halfturn(capsys, "isolate", "--backend", "simulated", *words)


def changed(tmp_path, old, new):
    """Return the shipped plan with a line of its own."""
    text = SUSPECT.read_text()
    assert old in text
    (tmp_path / "mine.toml").write_text(text.replace(old, new))
    return str(tmp_path / "mine.toml")


def test_a_bad_relay_is_found_told_and_recorded(capsys):
    status, out, err = isolate(capsys, "--fault", "relay-dead", "--unit", "LM-12-0777")
    assert status == 0
    assert out.startswith("cause: relay-")
    assert "(SIMULATED)" in out
    assert "what to do:\n  Replace the unit's relay. Then isolate again" in out
    assert "Half-turns, relay as fitted: 4 no movement" in out
    assert "verdict: FAIL" in out
    assert "next: Half-turns, relay as fitted (about 0.6 min)." in err
    assert err.count("[") >= 10  # bars
    run = out.rsplit("run ", 1)[1].split()[0]
    status, shown, _ = halfturn(capsys, "records", "show", run)
    assert status == 0
    assert "What it comes to (ranking" in shown
    assert "to do: Replace the unit's relay." in shown


def test_a_sound_unit_sends_to_the_vehicle_as_json_too(capsys):
    status, out, err = isolate(capsys, "--json", "--quiet")
    assert err == ""
    answer = json.loads(out)
    found = answer["isolation"]
    assert (status, answer["verdict"]) == (0, "retest")
    assert (found["cause"], found["sure"]) == ("sound", True)
    assert found["probability"] == found["ranking"][0]["probability"]  # the cause's own
    assert found["repair_probability"] >= found["confidence"] == 0.95
    assert found["confirmed"]
    assert found["left_out"] == []
    assert "ignition signal" in found["to_do"]
    assert found["ranking"][0]["name"] == "sound"
    assert {"name", "says", "probability", "speaks_for", "speaks_against"} == set(
        found["ranking"][0]
    )
    assert all(set(done) == {"test", "told", "counts"} for done in found["tests"])
    assert found["repairs"]


def test_a_plan_that_allows_too_little_is_not_sure_with_status_2(capsys, tmp_path):
    # A golden unit whose check is due is told with the result, as a run tells it.
    demanded = starter_text().replace("every_days = 0", "every_days = 1", 1)
    (tmp_path / "rig.toml").write_text(demanded)
    with Store.open(tmp_path / "logs" / "records.sqlite") as store:
        store.golden.declare(GoldenStart("G-1", "LM-12", "short", "A", 15, ("run",), T0, "jo"))
    plan = changed(tmp_path, "confidence = 0.95", 'confidence = 0.95\ntests = ["rest"]')
    status, out, _ = isolate(capsys, "--plan", plan, "--fault", "relay-dead", "--quiet")
    assert status == 2
    assert "below the 95 % asked for" in out
    assert "Not sure." in out
    assert "what to do:\n  This is not enough to repair anything by: " in out
    assert "rig: The rig is not checked by golden unit G-1" in out
    run = out.rsplit("run ", 1)[1].split()[0]
    _, shown, _ = halfturn(capsys, "records", "show", run)
    assert "to do: This is not enough to repair anything by: " in shown
    assert "  - At rest: draws 0.000 A at rest" in out


@pytest.mark.parametrize(
    ("old", "new", "said"),
    [
        ("confidence = 0.95", "confidence = 1.5", "isolation.confidence: 1.5 is too large"),
        ("direct = 4.0", "drect = 4.0", 'no test "drect" (did you mean "direct"?)'),
        ("poor-earth = 6.0", "poor-earth = -2.0", "poor-earth: -2 is not a number from 0"),
        ("[isolation.minutes]", "[isolation.prices]", "isolation.prices: this key is not known"),
    ],
)
def test_a_mistake_in_the_plans_table_is_told_where_it_is(capsys, tmp_path, old, new, said):
    status, _, err = isolate(capsys, "--plan", changed(tmp_path, old, new))
    assert status == 4
    assert "mine.toml, line" in err
    assert said in err


def test_no_unit_is_called_sound_by_a_sensor_that_is_not(capsys):
    status, out, _ = isolate(capsys, "--fault", "sensor-noisy=0.75", "--quiet")
    assert status == 2
    assert "cause: sound" in out
    assert "by a rig that was not sound" in out
    assert "readings scatter" in out
    assert "what to do:\n  Put the rig right, then isolate again.\n" in out


def test_a_rig_fault_ends_it_with_status_5_and_blames_nobody(capsys):
    status, out, _ = isolate(capsys, "--fault", "feed-relay-stuck-open", "--quiet")
    assert status == 5
    assert "cause:" not in out
    assert out.startswith("not finished; this was known by then\nlikeliest:\n  sound ")
    assert "Check the rig's fuse, its supply and the feed relay" in out
    assert "verdict: RETEST" in out


def test_questions_need_a_terminal(capsys):
    status, _, err = isolate(capsys, "--ask")
    assert status == 3
    assert "no terminal" in err
    assert "Nobody was there to answer a question." in err
    assert "Error" not in err
    assert "failed" not in err


@pytest.mark.parametrize(("unit", "told"), [("LM-12", False), ("LM-24", True)])
def test_a_type_that_was_not_learnt_from_is_cautioned_of(capsys, tmp_path, unit, told):
    plan = changed(tmp_path, 'type = "LM-12"', f'type = "{unit}"')
    _, _, err = isolate(capsys, "--plan", plan)
    hint = "The causes were learnt from LM-12; for another type take the ranking as a hint."
    assert (hint in " ".join(err.split())) == told


@pytest.mark.parametrize(
    ("fault", "confirms"),
    [("binding", "Look: cable"), ("fuse-holder-corroded", "Look: fuse and holder")],
)
def test_no_cause_is_called_found_before_somebody_looked(capsys, fault, confirms):
    status, out, err = isolate(capsys, "--fault", fault)
    assert status == 0
    assert out.startswith(f"cause: {fault} (")
    assert "not confirmed" not in out
    assert f"  - {confirms}: a fault is seen" in out
    assert f"next: {confirms}" in err


def test_nothing_is_fed_after_leads_that_may_be_crossed(capsys):
    status, out, err = isolate(capsys, "--fault", "wrong-polarity")
    assert (status, out.splitlines()[0].split()[1]) == (0, "wrong-polarity")
    tests = out.partition("\ntests:\n")[2].splitlines()[:2]
    assert tests == [
        "  - Half-turns, relay as fitted: 5 parked",
        "  - Look: battery and earth leads: a fault is seen",
    ]
    assert "The leads may be crossed" in " ".join(err.split())


def test_what_is_not_on_the_jig_is_told_at_the_start_at_the_end_and_in_the_record(capsys, tmp_path):
    plan = changed(tmp_path, "confidence = 0.95", 'confidence = 0.95\nat_hand = ["wiring"]')
    _, out, err = isolate(capsys, "--plan", plan)
    told = "The unit's own relay is not in it: a known good one stays in it; no fault of these"
    assert err.index(told) < err.index("step 1:")
    assert "left out:\n  - The cable is not on the lever: no fault of these" in out
    assert f"  - {told}" in out
    assert "Half-turns, known good relay" not in out + err
    assert "unhooked" not in out + err
    run = out.rsplit("run ", 1)[1].split()[0]
    _, shown, _ = halfturn(capsys, "records", "show", run)
    assert "not looked for: " in shown


def test_a_list_of_runs_tells_an_isolation_and_its_cause(capsys):
    isolate(capsys, "--fault", "relay-dead", "--quiet")
    _, listed, _ = halfturn(capsys, "records", "list")
    assert listed.splitlines()[1].split()[4:6] == ["isolation", "relay-dead"]
    _, listed, _ = halfturn(capsys, "records", "list", "--json")
    (run,) = json.loads(listed)
    assert run["isolation"] == {"cause": "relay-dead", "sure": True}
    assert run["plan_name"] == "suspect"
    _, shown, _ = halfturn(capsys, "records", "show", run["run_id"])
    assert shown.index("Isolated: relay-dead") < shown.index("Unit ")
    assert "suspect, lent to an isolation" in shown


def test_a_stop_prints_what_was_known_by_then(capsys, monkeypatch):
    """Ctrl-C before the third step: what two steps told is not lost, and the status is a stop's."""

    class Stopping(DirectConsole):
        steps = 0

        def __init__(self, show, flag):
            super().__init__(show, flag)
            self.tell, self.show = show, self.count

        def count(self, event):
            self.steps += isinstance(event, StepBegan)
            self.tell(event)

        def listen(self):
            if self.steps > 2:
                raise Stopped("Stopped by Ctrl-C.", by_operator=True)
            return ()

    monkeypatch.setattr(rig.commands.direct, "DirectConsole", Stopping)
    status, out, _ = isolate(capsys, "--fault", "relay-dead", "--quiet")
    assert status == 7
    assert out.startswith("not finished; this was known by then\nlikeliest:\n  ")
    assert "  - Half-turns, relay as fitted: 4 no movement" in out
    assert "(stopped)" in out


def test_a_lever_without_its_cable_is_sound_if_the_plan_tells_so(capsys, tmp_path):
    three = '["own_relay", "known_good_relay", "wiring"]'
    plan = changed(tmp_path, "confidence = 0.95", f"confidence = 0.95\nat_hand = {three}")
    status, out, _ = isolate(capsys, "--plan", plan, "--fault", "broken-cable", "--quiet")
    assert status == 0  # not sure, if the parted cable were only ruled out
    assert out.startswith("cause: sound (")
    assert "broken-cable" not in out
