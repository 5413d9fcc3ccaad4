"""The report of an isolation: it claims no more than was looked for."""

from __future__ import annotations

from dataclasses import replace
from math import nan

import pytest
from paper import text_of

from rig.analysis.faults.causes import SOUND
from rig.isolation.words import VEHICLE, left_out_words
from rig.records.model import RunEvent
from rig.sheets.isolation_report import report_of
from rig.sheets.letterhead import Letterhead

HEAD = Letterhead("Low Meadow Pump Works")
LEFT_OUT = list(left_out_words([], {}))


@pytest.fixture
def report(store, made):
    """Return the report of an isolation whose conclusion differs as said."""
    run = store.run(made[1]["isolation"])

    def of(events=(), **answers):
        *steps, last = run.steps
        last = replace(last, answers={**last.answers, **answers})
        changed = replace(run, steps=(*steps, last), events=(*run.events, *events))
        return report_of(store, changed, HEAD)

    return of


def test_a_unit_is_sound_only_in_what_was_looked_for(report):
    assert len(LEFT_OUT) >= 3
    whole = report(cause=SOUND, probability=0.98, sure=True)
    assert whole.data["conclusion"]["word"] == "The unit is sound"
    part = report(cause=SOUND, probability=0.98, sure=True, **{"not looked for": LEFT_OUT})
    assert part.data["conclusion"]["word"] == "The unit is sound in all that was looked for"
    said = " ".join(text_of(part.pdf()).split())
    for sentence in LEFT_OUT:
        assert sentence in said


def test_what_was_left_out_at_the_start_is_told_of_an_isolation_without_a_conclusion(
    store, made, report
):
    begun = store.run(made[1]["isolation"]).start.started_at
    left_out = RunEvent(begun, 1.0, "left_out", LEFT_OUT[0])
    document = report([left_out], cause="")
    assert document.data["conclusion"]["word"] == "No conclusion"
    assert document.data["conclusion"]["left_out"] == [LEFT_OUT[0]]


def test_what_to_look_at_on_the_vehicle_stands_once(report):
    to_do = f"On the vehicle, look at: {'; '.join(VEHICLE)}."
    said = " ".join(text_of(report(cause=SOUND, sure=True, **{"to do": to_do}).pdf()).split())
    assert said.count(VEHICLE[0]) == 1


def test_it_says_whose_plan_it_was_and_by_which_rule_it_judged(report):
    document = report()
    (plan,) = [one["text"] for one in document.data["identity"] if one["name"] == "Plan"]
    assert plan.endswith("lent to an isolation")
    assert "JCGM 106:2012" in document.data["rule"]


def test_a_ranking_that_holds_no_number_is_no_part(report):
    document = report(ranking={"jammed": nan, "relay-dead": 0.5}, probability=nan)
    assert [cause["part"] for cause in document.data["causes"]] == [0.5, 0.0]
    assert document.pages(40.0)


TWO = {"relay-dead": 0.81, "relay-coil-open": 0.12, "cam-short": 0.03, "relay-welded": 0.02}


def test_how_sure_it_is_of_the_remedy_is_what_the_plan_asks_for(report):
    """The plan of this isolation asks for 90 %; one cause alone is less, what is done is more."""
    answers = {"cause": "relay-dead", "probability": 0.81, "sure": True, "ranking": TWO}
    document = report(**answers, **{"repair probability": 0.96})
    said = document.data["conclusion"]["text"]
    assert said.endswith("cures: 96 %, where the plan asks for 90 %: sure enough.")
    same = {cause["says"] for cause in document.data["causes"] if cause["same"]}
    assert same == {"the relay's coil is open", "the relay's contact is welded"}
    assert text_of(document.pdf()).count("same remedy") == 2


def test_an_older_record_without_it_says_the_least_it_can_be(store, made, report):
    old = {"cause": "relay-dead", "probability": 0.81, "ranking": TWO, "repair probability": None}
    assert "cures: at least 95 %," in report(**old).data["conclusion"]["text"]


def test_what_is_kept_of_an_isolation_is_the_remedys_probability_too(store, made):
    last = store.run(made[1]["isolation"]).steps[-1].answers
    assert last["repair probability"] >= last["probability"]
    assert last["sure"] == (last["repair probability"] >= 0.9)


def test_a_conclusion_stands_once(report):
    document = report()
    said = " ".join(text_of(document.pdf()).split())
    assert said.count("Replace the unit's relay.") == 1
    assert said.count("The relay's armature does not move") == 1
    assert said.count("An isolation passes no unit: qualify it.") == 1
