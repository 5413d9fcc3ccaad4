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
    finding, asides = finding_of(lot, store.lots.all()), store.lots.set_aside_of(runs)
    return lot_report(store.whole_runs(runs), HEAD, "", finding, asides).data


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
    # And beside the lot's verdict, of which it is a part.
    assert found["standing"]["caution"] == golden_in_short(out)
    told = f"Mind the rig by the runs that decide (1 of 2: {golden_in_short(out)})."
    assert found["sentence"].endswith(told)
    assert items["20"]["result"] == "replaced: cannot be tested, not in the crate"
    assert items["25"]["beside"] == "for item 20"
    assert items["31"]["result"] == "to be tested"
    assert [(row["number"], row["serial"], row["why"]) for row in found["against"]] == [
        ("7", "D-1-007", "As it was made."),
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


def test_a_run_that_was_set_aside_counts_for_nothing_on_the_report(own):
    own.lots.open(lot_start())
    lot = own.lots.lot("D-1")
    for number in (3, 7, 12):
        made_run(own, lot, number)
    own.lots.set_aside("D-1", 3, "label misread", WHO, WHEN)
    own.lots.not_testable("D-1", 3, "crushed", WHO, WHEN)
    data = report_of(own)
    assert [(one["word"], one["count"]) for one in data["counts"]] == [
        ("PASS", "2"), ("FAIL", "0"), ("RETEST", "0"), ("SET ASIDE", "1"),
    ]  # fmt: skip
    facts = {fact["name"]: fact["text"] for fact in data["facts"]}
    assert facts["Units"] == "2 in 2 runs; 1 run set aside, which count for nothing below"
    assert facts["Last run"] == "2 units PASS"
    (row,) = (row for row in data["rows"] if not row["told"])
    assert (row["verdict"], row["why"], row["odd"]) == ("PASS", "set aside: label misread", True)


def test_a_lot_without_a_run_has_its_report(own):
    """Refused for what arrived damaged: the supplier wants that on paper, too."""
    own.lots.open(lot_start(simulated=True, seed_given=True))
    for number in (3, 7):
        own.lots.not_testable("D-1", number, "crushed", WHO, WHEN)
    own.lots.close("D-1", WHO, WHEN)
    data = report_of(own)
    assert (data["lot"], data["finding"]["word"], data["rows"]) == ("D-1", "NOT ACCEPTED", [])
    assert data["dated"] == "2026-03-03"
    assert [row["why"] for row in data["finding"]["against"]] == ["cannot be tested: crushed"] * 2
    (mark,) = data["marks"]
    assert mark["word"] == "SIMULATED"
    assert "nothing is proved of one" in mark["sentence"]
    drawn = next(fact for fact in data["finding"]["facts"] if fact["name"] == "Drawn")
    assert "with seed 3642002, given by hand" in drawn["text"]
    # One that was withdrawn has one as well, and the next of its delivery names it.
    own.lots.open(lot_start("D-2"))
    own.lots.withdraw("D-2", WHO, WHEN, "typed wrong")
    assert report_of(own, "D-2")["finding"]["word"] == "WITHDRAWN"
    own.lots.open(lot_start("D-3"))
    facts = {fact["name"]: fact["text"] for fact in report_of(own, "D-3")["finding"]["facts"]}
    assert facts["Withdrawn"] == "before it: D-2, 40 units: typed wrong"


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
