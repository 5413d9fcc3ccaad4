"""Lots in the records: what counts, what is refused, and that nothing recorded is lost."""

from __future__ import annotations

import sqlite3
from contextlib import closing, suppress
from dataclasses import dataclass, field, replace
from datetime import timedelta
from uuid import uuid4

import pytest
from canned_lots import T0, begun, ended, lot_start, made_run
from hypothesis import given, settings
from hypothesis import strategies as st

from rig.records.copies import back_up, restore
from rig.records.lot_model import ItemResult, LotEnd, LotEventKind, LotResult
from rig.records.lot_records import as_named
from rig.records.model import RunState, Source
from rig.records.store import RecordsError, Store
from rig.records.verify import verify

WHO, WHEN = "R. Vale", T0 + timedelta(days=1)


@pytest.fixture
def lot(store):
    store.lots.open(lot_start())
    return store.lots.lot("D-1")


def test_a_lot_is_kept_as_it_was_opened(store):
    start = lot_start(
        order_number="PO-7", doubt="4 or 5", steady=True, agreed_by="A. Reed", acted="new cams"
    )
    store.lots.open(start)
    kept = store.lots.lot("D-1")
    for name in start.__dataclass_fields__.keys() - {"items", "plan_text"}:
        assert getattr(kept, name) == getattr(start, name), name
    assert kept.plan_text == start.plan_text
    assert [item.number for item in kept.items] == [7, 3, 31, 12, 20]  # as drawn
    assert [item.number for item in kept.sample] == [3, 7, 12, 20, 31]  # as in the crate
    assert (kept.next_item.number, kept.judged, kept.result) == (3, 0, LotResult.OPEN)
    assert [(event.kind, event.operator) for event in kept.events] == [
        (LotEventKind.OPENED, "R. Vale")
    ]


def test_a_name_is_given_once_and_lots_are_counted_as_they_are_opened(store, lot):
    with pytest.raises(RecordsError, match="There is a lot “D-1” already"):
        store.lots.open(lot_start())
    # Its clock was wrong, it came later all the same.
    store.lots.open(lot_start("D-2", opened_at=T0 - timedelta(days=400), supplier="Other"))
    assert [one.name for one in store.lots.all()] == ["D-2", "D-1"]
    assert [one.name for one in store.lots.all(supplier="Other")] == ["D-2"]
    assert [one.name for one in store.lots.all(supplier="ash  ridge supply")] == ["D-1"]
    assert store.lots.all(supplier="Ash Ridge") == []
    with pytest.raises(RecordsError, match=r"no lot “D-3”.*There is: D-2, D-1"):
        store.lots.lot("D-3")


def test_a_run_is_an_items_from_its_first_row_on(store, lot):
    run_id = begun(store, lot, 3, "U-1")
    start = store.run(run_id).start
    item = next(item for item in store.lots.lot("D-1").items if item.number == 3)
    assert (start.lot_item, start.source, start.reference) == (
        item.item_id,
        Source.DELIVERY_LOT,
        "D-1",
    )
    assert (item.serial, item.on_jig.run_id, item.result) == ("U-1", run_id, ItemResult.LEFT)
    # Another station takes the next.
    assert store.lots.lot("D-1").next_item.number == 7
    ended(store, run_id, "fail", why="Half-turn 1 stalled.")
    kept = store.lots.lot("D-1")
    (bad,) = kept.nonconforming
    assert (bad.serial, bad.run.run_id, bad.run.why) == ("U-1", run_id, "Half-turn 1 stalled.")


def test_accepted_when_all_are_judged_and_few_enough_do_not_conform(store, lot):
    for number, verdict in ((3, "pass"), (7, "fail"), (12, "pass"), (20, "pass")):
        made_run(store, lot, number, verdict)
    with pytest.raises(RecordsError, match=r"cannot be closed yet: 1 of 5 items are not judged"):
        store.lots.close("D-1", WHO, WHEN)
    made_run(store, lot, 31)
    assert store.lots.lot("D-1").result is LotResult.ACCEPTABLE
    closed = store.lots.close("D-1", WHO, WHEN, "as agreed")
    assert (closed.end, closed.closed_by, closed.closed_at, closed.closing_note) == (
        LotEnd.ACCEPTED,
        WHO,
        WHEN,
        "as agreed",
    )


def test_not_acceptable_as_soon_as_too_many_do_not_conform(store, lot):
    made_run(store, lot, 3, "fail")
    assert store.lots.lot("D-1").result is LotResult.OPEN
    made_run(store, lot, 7, "fail")
    kept = store.lots.lot("D-1")
    assert (kept.result, len(kept.left)) == (LotResult.NOT_ACCEPTABLE, 3)
    made_run(store, lot, 12)  # the rest may be tested all the same
    assert store.lots.close("D-1", WHO, WHEN).end is LotEnd.NOT_ACCEPTED


def test_a_closed_lot_is_final(store, lot):
    made_run(store, lot, 3, "fail")
    made_run(store, lot, 7, "fail")
    store.lots.close("D-1", WHO, WHEN)
    before = store.lots.lot("D-1")
    for again in (
        lambda: store.lots.close("D-1", WHO, WHEN),
        lambda: store.lots.withdraw("D-1", WHO, WHEN, "no"),
        lambda: store.lots.set_aside("D-1", 3, "no", WHO, WHEN),
        lambda: store.lots.not_testable("D-1", 12, "no", WHO, WHEN),
        lambda: made_run(store, lot, 12),
    ):
        with pytest.raises(RecordsError, match=r"was closed .* \(not accepted\), which is final"):
            again()
    assert store.lots.lot("D-1") == before
    assert len(store.runs()) == 2  # a refused run leaves nothing


def test_a_lot_of_which_something_was_judged_cannot_be_withdrawn(store, lot):
    made_run(store, lot, 3, "retest")
    made_run(store, lot, 7)
    with pytest.raises(RecordsError, match="items of it judged: 1, and what was found stands"):
        store.lots.withdraw("D-1", WHO, WHEN, "wrong size")
    store.lots.open(lot_start("D-2"))
    gone = store.lots.withdraw("D-2", WHO, WHEN, "wrong size")
    assert (gone.end, gone.closing_note) == (LotEnd.WITHDRAWN, "wrong size")
    store.lots.open(lot_start("D-3"))
    assert store.lots.withdraw("D-3", WHO, WHEN, "wrong too").closed_number == 2
    assert gone.closed_number == 1


def test_what_came_to_pass_or_fail_is_not_withdrawn_by_setting_it_aside(store, lot):
    made_run(store, lot, 3, "fail")
    store.lots.set_aside("D-1", 3, "lever was tied", WHO, WHEN)
    with pytest.raises(RecordsError, match="came to pass or fail, set aside or not: 1, and what"):
        store.lots.withdraw("D-1", WHO, WHEN, "wrong size")


def test_a_lot_is_not_withdrawn_while_an_item_is_on_the_jig(store, lot):
    run_id = begun(store, lot, 3)
    with pytest.raises(RecordsError, match=r"Item 3 .* is being tested since"):
        store.lots.withdraw("D-1", WHO, WHEN, "wrong size")
    ended(store, run_id, "fail")
    assert store.lots.lot("D-1").is_open


def test_a_seed_given_by_hand_is_kept_as_such(store, lot):
    assert not lot.seed_given
    store.lots.open(lot_start("D-2", seed_given=True))
    kept = store.lots.lot("D-2")
    assert (kept.seed_given, kept.events[-1].text) == (True, str(kept.seed))


@pytest.mark.parametrize(
    ("verdict", "state"),
    [("retest", RunState.FINISHED), (None, RunState.STOPPED), ("fail", RunState.INTERRUPTED)],
)
def test_what_decides_nothing_is_made_again_and_kept(store, lot, verdict, state):
    ended(store, begun(store, lot, 3), verdict, state)
    assert store.lots.lot("D-1").next_item.number == 3
    good = made_run(store, lot, 3)
    item = store.lots.lot("D-1").sample[0]
    assert (item.run.run_id, len(item.runs)) == (good, 2)


def test_the_first_run_that_decides_stands_until_it_is_set_aside_with_a_reason(store, lot):
    bad = made_run(store, lot, 3, "fail")
    with pytest.raises(RecordsError, match="Item 3 of the lot “D-1” is nonconforming already"):
        made_run(store, lot, 3)
    kept = store.lots.set_aside("D-1", 3, "lever was tied", WHO, WHEN)
    assert (kept.sample[0].result, kept.sample[0].serial) == (ItemResult.LEFT, "")
    good = made_run(store, lot, 3)
    item = store.lots.lot("D-1").sample[0]
    assert [(run.run_id, run.set_aside) for run in item.runs] == [
        (bad, "lever was tied"),
        (good, ""),
    ]
    assert item.result is ItemResult.CONFORMING
    assert store.lots.set_aside_of([good, bad]) == {bad: "lever was tied"}
    event = store.lots.lot("D-1").events[-1]
    assert (event.kind, event.item, event.text, event.operator, event.at) == (
        LotEventKind.SET_ASIDE,
        3,
        "lever was tied",
        WHO,
        WHEN,
    )
    with pytest.raises(RecordsError, match=r"Item 7 .* has no run that may count"):
        store.lots.set_aside("D-1", 7, "x", WHO, WHEN)
    with pytest.raises(RecordsError, match=r"Item 8 is not in the sample.*3, 7, 12, 20, 31"):
        store.lots.set_aside("D-1", 8, "x", WHO, WHEN)


def test_no_unit_is_counted_twice(store, lot):
    made_run(store, lot, 3, serial="U-1")
    with pytest.raises(RecordsError, match="U-1 is item 3 of the lot “D-1” already"):
        begun(store, lot, 7, "U-1")
    made_run(store, lot, 7, "retest", serial="U-2")
    with pytest.raises(RecordsError, match="Item 7 of the lot “D-1” is U-2, not U-3"):
        begun(store, lot, 7, "U-3")
    # The label was misread: what was made of it is set aside, and the serial is free.
    store.lots.set_aside("D-1", 7, "label misread", WHO, WHEN)
    made_run(store, lot, 7, serial="U-3")
    made_run(store, lot, 12, serial="U-2")


@pytest.mark.parametrize(
    "typed",
    [
        "sim-7",
        "SIM\N{NON-BREAKING HYPHEN}7",
        "SIM 7",
        "SIM - 7",
        "ＳＩＭ－７",
        "SIM\N{MINUS SIGN}7",
    ],
)
def test_a_unit_is_one_however_its_label_is_typed(store, lot, typed):
    made_run(store, lot, 3, serial="SIM-7")
    with pytest.raises(RecordsError, match="is item 3 of the lot “D-1” already"):
        begun(store, lot, 7, typed)
    # Its own item is tested again under the name it has.
    made_run(store, lot, 12, "retest", serial="SIM-8")
    item = next(one for one in store.lots.lot("D-1").items if one.number == 12)
    again = typed.replace("7", "8").replace("７", "8")
    assert as_named(item, again) == "SIM-8"
    made_run(store, lot, 12, serial=again)
    assert [one.serial for one in store.lots.lot("D-1").sample[:3]] == ["SIM-7", "", "SIM-8"]


def test_a_unit_of_another_lot_is_taken_only_with_a_reason(store, lot):
    made_run(store, lot, 3, serial="U-1")
    store.lots.open(lot_start("D-2"))
    two = store.lots.lot("D-2")
    said = "u 1 was item 3 of the lot “D-1” \\(conforming\\). If it is that unit again, say why"
    with pytest.raises(RecordsError, match=said):
        begun(store, two, 3, "u 1")
    assert len(store.runs()) == 1
    with pytest.raises(RecordsError, match="No other lot has the unit U-2"):
        store.lots.seen_before("D-2", 3, "U-2", "x", WHO, WHEN)
    noted = store.lots.seen_before("D-2", 3, "u 1", "repaired by the supplier", WHO, WHEN)
    assert (noted.sample[0].result, noted.events[-1].kind, noted.events[-1].text) == (
        ItemResult.LEFT,
        LotEventKind.SEEN_BEFORE,
        "u 1 was item 3 of the lot “D-1” (conforming): repaired by the supplier",
    )
    # It was another unit after all; that name is free for the next item.
    made_run(store, two, 3, serial="U-9")
    store.lots.seen_before("D-2", 7, "U-1", "repaired by the supplier", WHO, WHEN)
    made_run(store, two, 7, serial="U-1")
    # Another type, another world and a lot that was withdrawn say nothing of it.
    for name, changes in (("D-3", {"unit_type": "LM-24"}), ("D-4", {"simulated": True})):
        store.lots.open(lot_start(name, **changes))
        made_run(store, store.lots.lot(name), 3, serial="U-1", **changes)
    store.lots.open(lot_start("D-5"))
    made_run(store, store.lots.lot("D-5"), 3, "retest", serial="U-5")
    store.lots.withdraw("D-5", WHO, WHEN, "typed wrong")
    made_run(store, lot, 7, serial="U-5")


def test_a_lot_that_is_offered_again_has_the_units_of_those_before_it(store, lot):
    made_run(store, lot, 3, "fail", serial="U-1")
    made_run(store, lot, 7, "fail", serial="U-2")
    before = store.lots.close("D-1", WHO, WHEN)
    for name in ("D-2", "D-3"):
        store.lots.open(lot_start(name, resubmitted_of=before.lot_id))
        before = store.lots.lot(name)
    made_run(store, before, 3, serial="U-1")  # not in the sample of D-2
    store.lots.open(lot_start("D-4"))
    with pytest.raises(RecordsError, match="U-2 was item 7 of the lot “D-1”"):
        begun(store, store.lots.lot("D-4"), 3, "U-2")


def test_why_runs_were_set_aside_is_told_of_any(store, lot):
    aside, counts = made_run(store, lot, 3, "fail"), made_run(store, lot, 7)
    store.lots.set_aside("D-1", 3, "lever was tied", WHO, WHEN)
    assert store.lots.set_aside_of([aside, counts, uuid4()]) == {aside: "lever was tied"}


@pytest.mark.parametrize(
    "changes",
    [{"plan_text": "another"}, {"simulated": True}, {"unit_type": "LM-24"}],
    ids=["plan", "world", "type"],
)
def test_a_run_of_another_kind_is_none_of_a_lots(store, lot, changes):
    with pytest.raises(RecordsError, match=r"plan short as it was when the lot was opened"):
        begun(store, lot, 3, **changes)
    assert (store.runs(), store.lots.lot("D-1")) == ([], lot)


def test_an_item_is_on_one_jig_at_a_time(store, lot):
    run_id = begun(store, lot, 3)
    with pytest.raises(RecordsError, match=r"Item 3 .* is being tested since"):
        begun(store, lot, 3)
    for meddle in (
        lambda: store.lots.set_aside("D-1", 3, "x", WHO, WHEN),
        lambda: store.lots.not_testable("D-1", 3, "x", WHO, WHEN),
    ):
        with pytest.raises(RecordsError, match="is being tested since"):
            meddle()
    ended(store, run_id, "fail")
    made_run(store, lot, 7, "fail")
    last = begun(store, lot, 12)
    with pytest.raises(RecordsError, match=r"Item 12 .* is being tested; close the lot when"):
        store.lots.close("D-1", WHO, WHEN)
    ended(store, last)
    store.lots.close("D-1", WHO, WHEN)


def test_a_lost_item_counts_as_nonconforming_or_another_takes_its_place(store, lot):
    kept = store.lots.not_testable("D-1", 3, "broken in transit", WHO, WHEN)
    assert [item.number for item in kept.nonconforming] == [3]
    with pytest.raises(RecordsError, match=r"Item 3 .* is nonconforming already"):
        begun(store, lot, 3)
    kept = store.lots.not_testable("D-1", 7, "not in the crate", WHO, WHEN, replaced_by=25)
    assert [item.number for item in kept.sample] == [3, 12, 20, 25, 31]
    assert next(item for item in kept.items if item.number == 25).replaces == 7
    with pytest.raises(RecordsError, match=r"Item 7 .* is replaced already"):
        begun(store, lot, 7)
    for number in (25, 41, 0):
        with pytest.raises(RecordsError, match="cannot take another's place"):
            store.lots.not_testable("D-1", 12, "x", WHO, WHEN, replaced_by=number)
    kept = store.lots.testable("D-1", 3, "found and repaired by nobody", WHO, WHEN)
    assert (kept.nonconforming, kept.next_item.number) == ((), 3)
    with pytest.raises(RecordsError, match="not one that counts as nonconforming because"):
        store.lots.testable("D-1", 7, "x", WHO, WHEN)
    made_run(store, store.lots.lot("D-1"), 12)
    with pytest.raises(RecordsError, match=r"Item 12 .* is conforming already"):
        store.lots.not_testable("D-1", 12, "x", WHO, WHEN)
    assert [event.kind for event in store.lots.lot("D-1").events] == [
        LotEventKind.OPENED,
        LotEventKind.UNTESTABLE,
        LotEventKind.UNTESTABLE,
        LotEventKind.TESTABLE,
    ]


def test_a_run_for_an_item_that_is_not_there_is_not_begun(store, lot):
    gone = replace(lot, items=(replace(lot.items[0], item_id=uuid4()),))
    with pytest.raises(RecordsError, match="not in these records"):
        begun(store, gone, 7)
    assert store.runs() == []


def test_every_change_is_a_new_version(store, lot):
    seen = [lot.version]
    made_run(store, lot, 3)
    seen.append(store.lots.lot("D-1").version)
    seen.append(store.lots.set_aside("D-1", 3, "x", WHO, WHEN).version)
    seen.append(store.lots.not_testable("D-1", 7, "x", WHO, WHEN).version)
    assert seen == sorted(set(seen))


def test_a_backup_has_the_lots_and_damage_to_them_is_seen(store, lot, tmp_path):
    made_run(store, lot, 3)
    assert verify(store.path).sound
    copy, back = tmp_path / "copy", tmp_path / "back.db"
    back_up(store.path, copy)
    restore(back, copy)
    with Store.open(back) as other:
        assert other.lots.lot("D-1") == store.lots.lot("D-1")
    with closing(sqlite3.connect(back)) as raw, raw:
        raw.execute("DELETE FROM lot_items WHERE position = 1")
        raw.execute("UPDATE lots SET end = 'burnt'")
    told = " ".join(problem.what for problem in verify(back).problems)
    assert "Some lot-items of a lot are missing or there twice." in told
    assert "lots.end holds what cannot be: “burnt”" in told


def test_hundreds_of_lots_are_read_by_few_questions(store):
    for number in range(3):
        store.lots.open(lot_start(f"D-{number}"))
    asked = []
    from sqlalchemy import event

    with store._read() as session:
        engine = session.get_bind()
    event.listen(engine, "before_cursor_execute", lambda *a: asked.append(a[2]))
    store.lots.all()
    assert len(asked) <= 6


# --- any order of runs and of what is done by hand ------------------------------------------------


@dataclass
class Item:
    """An item as one would note it on paper."""

    runs: list[tuple[str, bool]] = field(default_factory=list)  # what it came to, set aside
    lost: bool = False
    replaced: bool = False

    @property
    def verdict(self):
        if self.lost:
            return "fail"
        for came, aside in self.runs:
            if came in ("pass", "fail") and not aside:
                return came
        return None


ACTS = ("pass", "fail", "retest", "stopped", "aside", "lose", "find", "replace")
DONE = st.lists(st.tuples(st.sampled_from(ACTS), st.integers(0, 3)), max_size=14)


@pytest.fixture(scope="module")
def shared(tmp_path_factory):
    with Store.open(tmp_path_factory.mktemp("lots") / "records.db") as opened:
        yield opened


@settings(max_examples=12)
@given(done=DONE, ac=st.integers(0, 2))
def test_any_order_gives_what_a_recount_gives(shared, done, ac):
    name = str(uuid4())
    shared.lots.open(lot_start(name, (4, 2, 9), ac, size=12))
    paper = {4: Item(), 2: Item(), 9: Item()}
    spare = iter(range(10, 13))
    for act, k in done:
        kept = shared.lots.lot(name)
        number = list(paper)[k % len(paper)]
        item = paper[number]
        free = item.verdict is None and not item.replaced
        may = {
            "aside": any(not aside for _, aside in item.runs) and not item.replaced,
            "find": item.lost,
        }.get(act, free)
        new = next(spare, None) if act == "replace" and free else 1
        if new is None:
            continue  # nothing is left to be drawn
        try:
            if act in ("pass", "fail", "retest"):
                made_run(shared, kept, number, act)
            elif act == "stopped":
                ended(shared, begun(shared, kept, number), None, RunState.STOPPED)
            elif act == "aside":
                shared.lots.set_aside(name, number, "x", WHO, WHEN)
            elif act == "find":
                shared.lots.testable(name, number, "x", WHO, WHEN)
            else:
                other = new if act == "replace" else None
                shared.lots.not_testable(name, number, "x", WHO, WHEN, replaced_by=other)
        except RecordsError:
            assert not may
            continue
        assert may
        if act == "aside":
            item.runs = [(came, True) for came, _ in item.runs]
        elif act in ("lose", "find"):
            item.lost = act == "lose"
        elif act == "replace":
            item.replaced = True
            paper[new] = Item()
        else:
            item.runs.append((act, False))
    kept = shared.lots.lot(name)
    found = [item.verdict for item in paper.values() if not item.replaced]
    bad, left = found.count("fail"), found.count(None)
    assert (len(kept.nonconforming), len(kept.left), len(kept.sample)) == (bad, left, 3)
    assert sum(len(item.runs) for item in kept.items) == sum(len(i.runs) for i in paper.values())
    wanted = (
        LotResult.NOT_ACCEPTABLE if bad > ac else LotResult.OPEN if left else LotResult.ACCEPTABLE
    )
    assert kept.result is wanted
    with suppress(RecordsError):
        end = shared.lots.close(name, WHO, WHEN).end
        assert end is (LotEnd.NOT_ACCEPTED if bad > ac else LotEnd.ACCEPTED)
    assert shared.lots.lot(name).is_open == (wanted is LotResult.OPEN)
