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
