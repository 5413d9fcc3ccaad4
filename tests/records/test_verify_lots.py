"""`halfturn records verify` works the lots out again: what does not add up is told."""

from __future__ import annotations

import shutil
import sqlite3
from contextlib import closing
from datetime import timedelta
from pathlib import Path

import pytest
from canned_lots import T0, begun, ended, lot_start, made_run

from rig.quality.sampling_draw import drawing_order
from rig.records.lot_model import LotStart
from rig.records.model import RunState
from rig.records.store import Store
from rig.records.verify import verify

WHO = "R. Vale"
LATER = T0 + timedelta(days=1)
OF = "(SELECT id FROM lots WHERE name = '{}')"
ITEM = f"(SELECT id FROM lot_items WHERE number = {{}} AND lot_id = {OF.format('D-1')})"


def lots(store: Store) -> LotStart:
    """Keep lots that went every way there is; return how the first was opened."""
    start = lot_start()
    store.lots.open(start)
    first, second, third, *rest = start.items
    lot = store.lots.lot("D-1")
    made_run(store, lot, first, "fail", serial="WRONG")
    store.lots.set_aside("D-1", first, "label misread", WHO, LATER)
    ended(store, begun(store, lot, first), None, RunState.STOPPED)
    made_run(store, lot, first, "fail")
    instead = drawing_order(start.size, start.n + 1, start.seed)[-1]
    store.lots.not_testable("D-1", second, "crushed", WHO, LATER, replaced_by=instead)
    store.lots.not_testable("D-1", third, "no cable", WHO, LATER)
    store.lots.testable("D-1", third, "found one", WHO, LATER)
    lot = store.lots.lot("D-1")
    for number in (third, instead, *rest):
        made_run(store, lot, number)
    store.lots.close("D-1", WHO, LATER)
    store.lots.open(lot_start("D-2", severity="reduced", seed=6))
    store.lots.withdraw("D-2", WHO, LATER, "wrong size")
    store.lots.open(lot_start("D-3", size=5000, level="III", aql=1.0, seed=7, simulated=True))
    store.lots.open(lot_start("D-4", size=2, seed=8))
    for item in store.lots.lot("D-4").items[:1]:
        made_run(store, store.lots.lot("D-4"), item.number, "retest")
    return start


@pytest.fixture(scope="module")
def kept(tmp_path_factory):
    path = tmp_path_factory.mktemp("lots") / "records.db"
    with Store.open(path) as store:
        start = lots(store)
    return path, start


def told(path: Path) -> list[str]:
    return [problem.what for problem in verify(path).problems]


def changed(path: Path, tmp_path: Path, *statements: str) -> list[str]:
    copy = Path(shutil.copy(path, tmp_path))
    with closing(sqlite3.connect(copy)) as raw, raw:
        for statement in statements:
            assert raw.execute(statement).rowcount > 0, statement
    return told(copy)


def test_lots_that_went_any_way_add_up(kept):
    assert told(kept[0]) == []


def test_what_does_not_fit_is_told_in_whole_sentences(kept, tmp_path):
    altered = "UPDATE lots SET ac = 5, re = 6 WHERE name = 'D-4'"
    (what,) = changed(kept[0], tmp_path, altered)
    assert what == (
        "The lot “D-4” does not add up: by size 2, AQL 10 %, level I, normal inspection, "
        "Ac is 5, not 1, Re is 6, not 2."
    )


@pytest.mark.parametrize(
    ("statement", "words"),
    [
        ("UPDATE lots SET n = 4 WHERE name = 'D-1'", "n is 4, not 5"),
        ("UPDATE lots SET letter = 'B' WHERE name = 'D-3'", ", letter is B, not "),
        ("UPDATE lots SET aql = 1.1 WHERE name = 'D-1'", "no plan for size 40, AQL 1.1 %"),
        ("UPDATE lots SET size = 39 WHERE name = 'D-1'", "of the draw is"),
        ("UPDATE lots SET size = 1 WHERE name = 'D-1'", "no plan for size 1"),
        ("UPDATE lots SET seed = 4 WHERE name = 'D-3'", "with the seed 4, item 1 of the draw is"),
        ("UPDATE lots SET level = 'IV' WHERE name = 'D-1'", "cannot be worked out again"),
        ("UPDATE lots SET seed = 'x' WHERE name = 'D-1'", "cannot be worked out again"),
        ("UPDATE lot_items SET number = 40 WHERE number = {last}", "item 6 of the draw is 40"),
        (
            f"UPDATE lot_items SET untestable = NULL WHERE id = {ITEM.format('{second}')}",
            "it has 6 items, not 5 and one for each of 0 replaced",
        ),
        (
            f"UPDATE lot_items SET replaces = {ITEM.format('{third}')} WHERE replaces NOT NULL",
            "not one for each that was replaced",
        ),
        (
            f"UPDATE lot_items SET replaces = id WHERE id = {ITEM.format('{third}')}",
            "an item of the first draw replaces another",
        ),
        ("UPDATE lots SET simulated = 1 WHERE name = 'D-4'", "plan, unit type and world"),
        ("UPDATE lots SET unit_type = 'LM-24' WHERE name = 'D-4'", "plan, unit type and world"),
        ("UPDATE lots SET version = 9 WHERE name = 'D-2'", "changed 9 times, and 2 changes"),
        (f"DELETE FROM lot_events WHERE lot_id = {OF.format('D-2')}", "and 0 changes are kept"),
        (f"DELETE FROM lot_runs WHERE item_id = {ITEM.format('{third}')}", "come to open"),
        ("UPDATE lot_runs SET position = 7 WHERE position = 2", "missing or there twice"),
        (
            f"UPDATE lot_items SET serial = 'U-1' WHERE id = {ITEM.format('{third}')}",
            "is “U-1”, and was tested as “D-1-",
        ),
        ("UPDATE lot_events SET item = 39 WHERE kind = 'set_aside'", "none of its sample"),
        ("UPDATE lot_events SET text = 'x' WHERE kind = 'set_aside'", "nobody is noted to have"),
        ("UPDATE lot_events SET kind = 'untestable' WHERE kind = 'testable'", "tested or not is"),
        ("UPDATE lot_events SET kind = 'opened' WHERE kind = 'withdrawn'", "noted last"),
        ("UPDATE lots SET end = NULL WHERE name = 'D-1'", "it is open and closed at once"),
        (
            "UPDATE lots SET end = 'not_accepted' WHERE name = 'D-1'",
            "closed as not accepted, and its items come to accepted",
        ),
        (
            "UPDATE runs SET verdict = 'fail' WHERE verdict = 'pass'",
            "closed as accepted, and its items come to not accepted",
        ),
        ("UPDATE lots SET end = 'withdrawn' WHERE name = 'D-1'", "something of it was judged"),
    ],
)
def test_a_lot_that_was_altered_does_not_add_up(kept, tmp_path, statement, words):
    path, start = kept
    first, second, third, *_ = start.items
    last = drawing_order(start.size, start.n + 1, start.seed)[-1]
    statement = statement.format(first=first, second=second, third=third, last=last)
    what = changed(path, tmp_path, statement)
    assert any(words in one and one.startswith("The lot “D-") for one in what), what


def test_a_lot_taken_in_without_all_of_its_runs_may_lack_them(kept, tmp_path):
    bench = "ab" * 16
    lost = (
        f"DELETE FROM lot_runs WHERE position = 0 AND item_id = {ITEM.format(kept[1].items[0])}",
        f"DELETE FROM lot_runs WHERE item_id = {ITEM.format(kept[1].items[2])}",
    )
    assert any("changes are kept" in what for what in changed(kept[0], tmp_path, *lost))
    theirs = (
        f"INSERT INTO benches (id, name, own, machine, token) VALUES ('{bench}', 'B', 0, '', '')",
        f"UPDATE lots SET bench_id = '{bench}'",
    )
    assert changed(kept[0], tmp_path, *theirs) == []
    assert changed(kept[0], tmp_path, *theirs, *lost) == []
    (what,) = changed(
        kept[0], tmp_path, *theirs, *lost, "UPDATE lots SET ac = 2 WHERE ac = 1 AND name = 'D-1'"
    )
    assert "Ac is 2, not 1" in what
