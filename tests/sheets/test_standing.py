"""What must stand beside a verdict: how the rig stood, and a sentence that is true by the rule."""

from __future__ import annotations

from dataclasses import replace

import pytest
from paper import text_of

from rig.records.golden_said import GoldenStanding, said
from rig.sheets.label import LabelSize, label_of
from rig.sheets.letterhead import Letterhead
from rig.sheets.lot_report import lot_report
from rig.sheets.of_record import document_of
from rig.sheets.standing import standing_of

HEAD = Letterhead("Low Meadow Pump Works")
TOLD = "Golden unit G-1: the last check was out of control."


def by_golden(run, standing):
    return replace(run, start=replace(run.start, golden=said(standing, TOLD, serial="G-1")))


@pytest.mark.parametrize(
    ("standing", "short"),
    [
        (GoldenStanding.OUT, "RIG OUT OF CONTROL"),
        (GoldenStanding.DUE, "golden check was due"),
        (GoldenStanding.IN_CONTROL, ""),
    ],
)
def test_a_rig_out_of_control_is_said_wherever_its_verdict_stands(store, made, standing, short):
    run_id = made[1]["new"]
    run = by_golden(store.run(run_id), standing)
    document = document_of(store, run, HEAD)
    assert document.data["standing"]["caution"] == short
    assert {"name": "Golden", "text": TOLD} in document.data["rig"]
    assert lot_report(store, [run], HEAD).data["rows"][0]["why"].startswith(short)
    if standing is GoldenStanding.OUT:
        written = text_of(document.pdf())
        assert short in written
        assert TOLD in written
        plain, told = (
            label_of(one, store.checksum(run_id), LabelSize(62.0, 29.0, 203.0), HEAD)
            for one in (store.run(run_id), run)
        )
        assert plain != told


def test_what_golden_units_and_calibration_say_stand_side_by_side(store, made):
    real = store.run(made[1]["pass"])
    before = standing_of(real).cautions
    cautions = standing_of(by_golden(real, GoldenStanding.OUT)).cautions
    assert cautions == ("RIG OUT OF CONTROL", *before)
