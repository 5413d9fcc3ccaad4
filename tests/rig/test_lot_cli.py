"""`halfturn lot` as a user meets it, on the simulated bench."""

from __future__ import annotations

import json
from pathlib import Path

import pytest
from at_the_prompt import halfturn
from canned_lots import lot_start, made_run
from paper import text_of
from short_rig import short_rig

from rig.records.model import Source
from rig.records.store import Store

SUPPLIER = "Ash Ridge Supply"


@pytest.fixture(autouse=True)
def in_a_rig_folder(tmp_path, monkeypatch):
    monkeypatch.chdir(short_rig(tmp_path))


def lot(capsys, *words):
    return halfturn(capsys, "lot", *words)


def opened(capsys, name="D-1", *more, size="40", aql="10", level="I"):
    """Open a lot of which 5 are taken, and 1 may not conform."""
    words = ["--supplier", SUPPLIER, "--size", size, "--aql", aql, "--level", level]
    return lot(
        capsys,
        "open",
        name,
        *words,
        "--plan",
        "short",
        "--seed",
        "3",
        "--operator",
        "R. Vale",
        *more,
    )


def go_on(capsys, *more, name="D-1"):
    return lot(capsys, "run", name, "--accept-cautions", "--quiet", *more)


def kept(name="D-1"):
    with Store.open(Path("logs/records.sqlite")) as store:
        return store.lots.lot(name)


def canned(name="D-1", verdicts=(), items=(7, 3, 12, 20, 31)):
    """Put a lot into the records whose first items were tested on a real bench."""
    Path("logs").mkdir(exist_ok=True)
    with Store.open(Path("logs/records.sqlite")) as store:
        store.lots.open(lot_start(name, items))
        for item, verdict in zip(items, verdicts, strict=False):
            made_run(store, store.lots.lot(name), item, verdict)


def test_a_lot_from_its_sample_to_its_report(capsys, tmp_path):
    status, out, _ = opened(capsys, "D-1", "--order", "PO-7")
    whole = " ".join(out.split())
    assert status == 0
    assert "lot D-1: 40 units LM-12 from Ash Ridge Supply, order PO-7 (SIMULATED)" in whole
    assert "letter C, 5 of 40 units, of which 1 may be nonconforming (Ac 1, Re 2)" in whole
    assert "Normal inspection, as it is from the first lot on." in whole
    numbers = [item.number for item in kept().sample]
    assert (
        f"counted from 1: {', '.join(map(str, numbers))} (drawn with seed 3, given by hand" in whole
    )
    assert "`halfturn lot run D-1`" in whole

    # One with a fault, one by hand, the rest of themselves.
    status, out, err = go_on(capsys, "--fault", "dry-gear=20")
    assert (status, err) == (1, "")
    assert f"item {numbers[0]} of D-1: nonconforming: Half-turn 1" in " ".join(out.split())
    assert f"1 of 5 items judged, 1 nonconforming; next: item {numbers[1]}" in out
    assert "cannot be closed yet" in lot(capsys, "close", "D-1", "--operator", "R. Vale")[2]
    status, out, _ = lot(
        capsys, "cannot-test", "D-1", str(numbers[1]), "--replace", "--reason", "crushed",
        "--operator", "jo",
    )  # fmt: skip
    assert (status, f"item {numbers[1]} is replaced by item" in out) == (0, True)
    status, out, _ = go_on(capsys, "--all")
    assert status == 0
    assert "5 of 5 items judged, 1 nonconforming, ready to be closed" in out
    assert "the lot can be accepted; close it." in " ".join(out.split())
    status, out, _ = go_on(capsys)
    assert (status, out.startswith("D-1: Nothing was tested: no item is left.")) == (0, True)
    nothing = json.loads(go_on(capsys, "--json")[1])
    assert (nothing["name"], nothing["left"]) == ("D-1", 0)
    status, out, _ = lot(capsys, "close", "D-1", "--operator", "R. Vale", "--note", "as agreed")
    assert (status, "lot D-1: ACCEPTED (SIMULATED)" in out) == (0, True)
    (bad,) = kept().nonconforming
    assert f"goes back all the same: {bad.serial} (item {bad.number})." in " ".join(out.split())

    # Every run is an ordinary one of the lot's; each item is a unit of its own.
    with Store.open(Path("logs/records.sqlite")) as store:
        runs = [store.run(run.run_id) for run in store.runs()]
    assert {run.start.source for run in runs} == {Source.DELIVERY_LOT}
    assert {run.start.reference for run in runs} == {"D-1"}
    assert len({run.start.unit_serial for run in runs}) == len(runs) == 5
    assert len({run.start.backend_facts["seed"] for run in runs}) == 5

    status, out, _ = lot(capsys, "show", "D-1", "--json")
    shown = json.loads(out)
    assert (shown["end"], shown["nonconforming"], shown["left"]) == ("accepted", 1, 0)
    assert shown["risks"][0]["producers"] == pytest.approx(0.08146)  # 1 - .9^5 - 5 x .1 x .9^4
    out = lot(capsys, "show", "D-1")[1]
    for said in ("producer's risk at 10 % (AQL)  8.15 %", "crushed", "closed by R. Vale"):
        assert said in out
    status, out, _ = halfturn(capsys, "sheet", "lot", "--lot", "D-1", "--out", "lot.pdf")
    assert status == 0
    said = text_of(Path("lot.pdf").read_bytes())
    for words in (
        "1 nonconforming item in a sample of 5, and 1 may be: the lot is accepted.",
        "Supplier Ash Ridge Supply",
        "producer's risk at 10 % (AQL) 8.15 % not accepted",
        f"{numbers[1]} replaced: cannot be tested, crushed",
        "as agreed",
    ):
        assert words in said, words
    assert halfturn(capsys, "records", "verify")[0] == 0


def test_a_retest_decides_nothing_and_a_run_is_set_aside_with_its_reason(capsys):
    opened(capsys)
    first = str(kept().sample[0].number)
    status, out, _ = go_on(capsys, "--fault", "sensor-absent@2")
    assert (status, f"item {first} of D-1: to be tested still: the run decides nothing" in out) == (
        5,
        True,
    )
    assert go_on(capsys, "--fault", "dry-gear=20")[0] == 1
    aside = ("set-aside", "D-1", first, "--reason", "lever was tied", "--operator", "jo")
    status, out, _ = lot(capsys, *aside)
    assert (status, f"next: item {first} of the crate" in " ".join(out.split())) == (0, True)
    assert go_on(capsys, "--item", first, "--serial", "SIM-4")[0] == 0
    item = kept().sample[0]
    assert [bool(run.set_aside) for run in item.runs] == [True, True, False]
    assert (item.serial, str(item.result)) == ("SIM-4", "conforming")
    out = lot(capsys, "show", "D-1")[1]
    assert "FAIL, set aside: lever was tied" in " ".join(out.split())


def test_what_is_asked_of_a_run_before_anything_is_fed(capsys):
    opened(capsys)
    one, two, *_ = (str(item.number) for item in kept().sample)
    assert go_on(capsys, "--serial", "SIM-4")[0] == 0
    for words, said in (
        (("--serial", "SIM-4"), f"SIM-4 is item {one} of the lot “D-1” already"),
        (("--item", one), f"Item {one} of the lot “D-1” is conforming already"),
        (("--item", "999"), f"item 999 is not in the sample of D-1. Left are: {two},"),
        (("--all", "--item", two), "--all is for the simulated bench"),
        (("--backend", "pi"), "is tested on the simulated bench"),
    ):
        status, _, err = go_on(capsys, *words)
        assert (status, said in " ".join(err.split())) == (3, True), err
    # A unit of another lot: refused, then taken with the reason.
    shown = "ash ridge  supply", "the supplier is written as in its earlier lots"
    assert shown[1] in opened(capsys, "D-2", "--supplier", shown[0], aql="4")[1]
    status, _, err = go_on(capsys, "--serial", "sim 4", name="D-2")
    assert (status, "say why it is here with --seen-before" in " ".join(err.split())) == (3, True)
    why = ("--seen-before", "came back mended", "--operator", "jo")
    assert go_on(capsys, "--serial", "sim 4", *why, name="D-2")[0] == 0
    assert "came back mended" in " ".join(lot(capsys, "show", "D-2")[1].split())
    assert len(kept().items[0].runs) + sum(len(item.runs) for item in kept().items[1:]) == 1


def test_a_lot_that_cannot_be_accepted_is_told_at_once_and_closed_so(capsys):
    canned(verdicts=["fail", "fail"])
    status, out, _ = lot(capsys, "next", "D-1")
    assert (status, "item 12 of the crate, 3 of 5; 2 nonconforming by now (Ac 1)" in out) == (
        0,
        True,
    )
    out = " ".join(lot(capsys, "show", "D-1")[1].split())
    assert "cannot be accepted any more. Testing the 3 left is recommended" in out
    status, out, _ = lot(capsys, "close", "d-1", "--operator", "R. Vale")
    assert (status, "lot D-1: NOT ACCEPTED" in out, "SIMULATED" in out) == (1, True, False)
    assert "2 nonconforming items in what was tested" in " ".join(out.split())
    out = lot(capsys, "show", "D-1")[1]
    assert (out.count("  not tested\n"), "to be tested" in out) == (3, False)
    assert halfturn(capsys, "sheet", "lot", "--lot", "D-1", "--out", "lot.pdf")[0] == 0
    said = text_of(Path("lot.pdf").read_bytes())
    assert "to be tested" not in said
    assert said.count("not tested") >= 3
    out = " ".join(lot(capsys, "history", "--supplier", SUPPLIER)[1].split())
    assert "broken off with 2 of 5 tested" in out
    assert "draws the average of a few lots up" in out
    status, _, err = lot(capsys, "close", "D-1", "--operator", "R. Vale")
    assert (status, "which is final" in err) == (6, True)
    status, _, err = lot(capsys, "run", "D-1", "--serial", "X-1", "--backend", "simulated")
    assert (status, "which is final. Nothing was fed." in " ".join(err.split())) == (3, True)


def test_the_history_decides_how_severe_the_next_lot_is_inspected(capsys):
    for name in ("D-1", "D-2"):
        canned(name, ["fail", "fail", "pass", "pass", "pass"])
        lot(capsys, "close", name, "--operator", "R. Vale")
    status, out, _ = lot(capsys, "history", "--supplier", SUPPLIER)
    whole = " ".join(out.split())
    assert status == 0
    assert "D-2 normal, 5 of 40, Ac 1: 2 nonconforming, not accepted" in whole
    assert "process average 40 % nonconforming (4 of 10;" in whole
    assert "next lot: tightened. Tightened inspection: 2 of 2 lots in a row" in whole
    found = json.loads(lot(capsys, "history", "--supplier", SUPPLIER, "--json")[1])
    assert (found[0]["severity"], len(found[0]["lots"])) == ("tightened", 2)
    # One name in two spellings is one lot; a supplier that is nearly another is asked about.
    status, _, err = opened(capsys, "d-2")
    assert (status, "There is a lot “D-2” already" in err) == (6, True)
    slip = ("--supplier", "Ash Ridge Suply")
    status, _, err = opened(capsys, "D-3", *slip)
    assert (status, f"there are lots of {SUPPLIER} here" in " ".join(err.split())) == (3, True)
    assert opened(capsys, "D-3", *slip, "--new-supplier")[0] == 0
    lot(capsys, "withdraw", "D-3", "--reason", "a slip", "--operator", "jo")
    # Lots of the simulated bench say nothing of real ones.
    assert "Normal inspection" in opened(capsys, "S-1", aql="4", level="II")[1]
    status, _, err = lot(capsys, "history", "--supplier", "Nobody")
    assert (status, f"no lot of Nobody here; lots of: {SUPPLIER}" in err) == (6, True)
    head, *rows = lot(capsys, "list")[1].splitlines()
    assert head.split()[:3] == ["lot", "opened", "supplier"]
    assert [row.split()[0] for row in rows] == ["S-1", "D-3", "D-2", "D-1"]
    assert f"{SUPPLIER} 40 5 of 5 2 (Ac 1) not accepted" in " ".join(rows[2].split())
    assert all(len(row) <= 80 for row in rows)
    assert "No lots of Nobody." in lot(capsys, "list", "--supplier", "Nobody")[1]
    assert len(json.loads(lot(capsys, "list", "--json")[1])) == 4


def test_what_is_done_by_hand_is_said_and_wants_a_reason_and_a_name(capsys):
    canned()
    by = ("--operator", "jo")
    status, out, _ = lot(
        capsys, "cannot-test", "D-1", "3", "--nonconforming", "--reason", "lost", *by
    )
    assert (status, "item 3 counts as nonconforming" in out) == (0, True)
    status, out, _ = lot(capsys, "can-test", "D-1", "3", "--reason", "found", *by)
    assert (status, "item 3 is to be tested" in " ".join(out.split())) == (0, True)
    for words, said in (
        (("withdraw", "D-1", "--reason", " ", *by), "--reason is empty"),
        (("withdraw", "D-1", "--reason", "typed wrong", "--operator", ""), "--operator is empty"),
        (("cannot-test", "D-1", "3", "--reason", "x", *by), "--nonconforming --replace"),
        (("show", "D-1", "--bad", "1"), "the good one must be below"),
        (("curve", "D-1", "--picture", "oc.gif"), "saved as .png, .svg or .pdf"),
        (("open", "D-2", "--supplier", "x", "--size", "9", "--aql", "7", *by), "no AQL of 7"),
        (("open", "D-2", "--supplier", "x", "--size", "9", "--aql", "1"), "--operator"),
    ):
        status, _, err = lot(capsys, *words)
        assert (status, said in " ".join(err.split())) == (3, True), err
    status, out, _ = lot(capsys, "withdraw", "D-1", "--reason", "typed wrong", *by)
    assert (status, "lot D-1: withdrawn." in out) == (0, True)
    assert [str(event.kind) for event in kept().events] == [
        "opened",
        "untestable",
        "testable",
        "withdrawn",
    ]
    # Nothing of it was tested; it has its report all the same.
    status, _, err = halfturn(capsys, "sheet", "lot", "--lot", "D-1", "--out", "lot.pdf")
    assert (status, err) == (0, "")
    said = text_of(Path("lot.pdf").read_bytes())
    for word in ("WITHDRAWN", "withdrawn before anything of it was judged: typed wrong", "found"):
        assert word in said
    assert halfturn(capsys, "sheet", "lot", "--lot", "D-1", "--reference", "x")[0] == 3


def test_the_curve_is_drawn_and_told(capsys):
    canned()
    status, out, _ = lot(capsys, "curve", "D-1")
    rows = [line.split() for line in out.splitlines()[1:]]
    assert status == 0
    assert rows[0] == ["0", "100", "%", "0", "100", "%"]
    assert len(rows) > 8
    status, out, _ = lot(capsys, "curve", "D-1", "--picture", "oc.png")
    assert (status, "picture: oc.png" in out) == (0, True)
    assert Path("oc.png").read_bytes()[:8] == b"\x89PNG\r\n\x1a\n"
    curve = json.loads(lot(capsys, "curve", "D-1", "--json")[1])
    shares = [accepted for _, accepted in curve["process"]]
    assert shares == sorted(shares, reverse=True)
