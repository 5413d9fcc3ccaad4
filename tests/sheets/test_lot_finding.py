"""The report of a lot that a sample judges: all that decided it stands on it, and what did not."""

from __future__ import annotations

from datetime import timedelta

import pytest
from canned_lots import T0, lot_start, made_run

from rig.records.golden_said import GoldenStanding, golden_in_short, said
from rig.records.store import Store
from rig.sheets.code import SheetCode
from rig.sheets.letterhead import Letterhead
from rig.sheets.lot_finding import finding_of
from rig.sheets.lot_report import LONG, lot_report

HEAD = Letterhead("Low Meadow Pump Works")
WHO, WHEN = "R. Vale", T0 + timedelta(days=1)


@pytest.fixture
def own(tmp_path):
    with Store.open(tmp_path / "own.db") as opened:
        yield opened


def report_of(store, name="D-1"):
    lot = store.lots.lot(name)
    runs = [run.run_id for item in lot.items for run in item.runs]
    return lot_report(store.whole_runs(runs), HEAD, finding=finding_of(lot)).data


def test_every_item_stands_with_its_run_and_whatever_did_not_decide(own):
    own.lots.open(lot_start())
    lot = own.lots.lot("D-1")
    aside = made_run(own, lot, 3, "fail")
    own.lots.set_aside("D-1", 3, "lever was tied", WHO, WHEN)
    out = said(GoldenStanding.OUT, "It is out.", serial="G-1", checked_at=T0)
    good = made_run(own, lot, 3, golden=out)
    made_run(own, lot, 7, "fail")
    own.lots.not_testable("D-1", 12, "crushed", WHO, WHEN)
    own.lots.not_testable("D-1", 20, "not in the crate", WHO, WHEN, replaced_by=25)
    data = report_of(own)
    found = data["finding"]
    assert (found["word"], found["standing"]["kind"]) == ("NOT ACCEPTABLE", "fail")
    items = {row["number"]: row for row in found["items"]}
    assert list(items) == ["3", "7", "12", "20", "25", "31"]
    code = SheetCode.of(good, own.checksum(good)).digits[:8].upper()
    assert items["3"]["code"] == f"{str(good)[:8]} {code}"
    # The rig was out of control by its golden unit: that must stand beside what it found.
    beside = items["3"]["beside"]
    assert f"run {str(aside)[:8]} FAIL, set aside: lever was tied" in beside
    assert golden_in_short(out) in beside
    assert items["20"]["result"] == "replaced: cannot be tested, not in the crate"
    assert items["25"]["beside"] == "for item 20"
    assert items["31"]["result"] == "to be tested"
    assert [(row["number"], row["serial"], row["why"]) for row in found["against"]] == [
        ("7", "U-007", "As it was made."),
        ("12", "not known", "cannot be tested: crushed"),
    ]
    assert [row["what"] for row in found["by_hand"]] == [
        "opened",
        "item 3 runs set aside",
        "item 12 cannot be tested",
        "item 20 cannot be tested",
    ]
    # Every run is on the report, once.
    told = {row["code"][:8]: row["told"] for row in data["rows"]}
    assert len(told) == 3
    assert [run for run, there in told.items() if not there] == [str(aside)[:8]]
    assert "nothing of a single one" in data["says_lot"]


def test_a_lot_that_goes_on_reads_as_no_verdict_and_a_simulated_one_as_simulated(own):
    own.lots.open(lot_start())
    made_run(own, own.lots.lot("D-1"), 3)
    standing = report_of(own)["finding"]["standing"]
    assert (standing["word"], standing["kind"], standing["marks"]) == ("OPEN", "none", [])
    own.lots.open(lot_start("S-1", (1,), ac=0, size=2, simulated=True))
    made_run(own, own.lots.lot("S-1"), 1, simulated=True)
    own.lots.close("S-1", WHO, WHEN)
    data = report_of(own, "S-1")
    assert data["finding"]["standing"]["marks"] == ["SIMULATED"]
    assert (data["finding"]["word"], data["finding"]["standing"]["kind"]) == ("ACCEPTED", "pass")
    assert [mark["word"] for mark in data["marks"]] == ["SIMULATED"]


def test_what_no_page_can_hold_is_not_measured_for_one(own):
    own.lots.open(lot_start(items=range(1, LONG + 2), size=LONG + 1))
    lot = own.lots.lot("D-1")
    made_run(own, lot, 1)
    assert not report_of(own)["long"]
    summed = list(own.whole_runs([own.runs()[0].run_id])) * (LONG + 1)
    assert lot_report(summed, HEAD).data["long"]
