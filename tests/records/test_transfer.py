"""Whole records between two files: all of them, the same sums, never doubled, each by its owner."""

from __future__ import annotations

import sqlite3
from contextlib import closing
from dataclasses import replace
from pathlib import Path
from uuid import uuid4

import pytest
import quick_schema
from sqlalchemy import text
from whole_records import everything, made, study

from rig.records.bundles import BELOW, ROOTS, SHARED, Bench, Kind, own_bench, plain_tables, read
from rig.records.errors import RecordsError
from rig.records.outbox import Mark, count_waiting, mark, waiting
from rig.records.store import Store
from rig.records.transfer import Fate, put
from rig.records.verify import verify

DATA = Path(__file__).with_name("data")


@pytest.fixture(scope="module", autouse=True)
def _quickly():
    with quick_schema.using(quick_schema.upgrade):
        yield


@pytest.fixture
def other(tmp_path):
    with Store.open(tmp_path / "other.db") as opened:
        yield opened


def bundles(store, kind, **how):
    with store.reading() as connection:
        return read(connection, kind, waiting(connection, kind, limit=1000), **how)


def take(store, sent):
    with store.taking() as connection:
        return put(connection, sent)


def cross(source, target, **how):
    """Take everything that waits over; return what became of it by kind."""
    return {kind: take(target, bundles(source, kind, **how)) for kind in Kind}


def fates(taken):
    return [str(fate) for each in taken.values() for fate in each.fates.values()]


def rows_of(store, *, without=("benches", "versions", "centrals", "alembic_version")):
    with closing(sqlite3.connect(store.path)) as raw:
        names = [n for (n,) in raw.execute("SELECT name FROM sqlite_master WHERE type = 'table'")]
        return {
            name: sorted(map(repr, raw.execute(f"SELECT * FROM {name}")))
            for name in names
            if name not in without
        }


def test_everything_crosses_once_with_its_checksum(store, other, make):
    runs = everything(store, make)
    assert set(fates(cross(store, other))) == {"new"}
    assert [other.checksum(run) for run in runs] == [store.checksum(run) for run in runs]
    once = rows_of(other)
    assert {name: len(rows) for name, rows in once.items()} == {
        name: len(rows) for name, rows in rows_of(store).items()
    }
    assert set(fates(cross(store, other))) == {"known already"}
    assert rows_of(other) == once
    assert verify(other.path).problems == []


def test_every_table_crosses_or_says_why_not():
    crossing = {*ROOTS.values(), *SHARED, *(b.table for each in BELOW.values() for b in each)}
    assert set(plain_tables()) - crossing == {"benches", "versions", "centrals"}


@pytest.mark.parametrize("frozen", sorted(DATA.glob("*.sql")), ids=lambda path: path.stem)
def test_old_records_keep_their_checksums_on_the_way(frozen, tmp_path, other):
    path = tmp_path / "old.db"
    with closing(sqlite3.connect(path)) as raw:
        raw.executescript(frozen.read_text("utf-8"))
    with Store.open(path) as old:
        cross(old, other)
        (run,) = (each.run_id for each in old.runs())
        assert other.checksum(run) == old.checksum(run)


def test_copies_of_one_old_file_are_one_bench(tmp_path):
    found = []
    for name in ("a", "b"):
        with closing(sqlite3.connect(tmp_path / name)) as raw:
            raw.executescript((DATA / "revision_0001.sql").read_text("utf-8"))
        with Store.open(tmp_path / name) as store, store.reading() as connection:
            found.append(own_bench(connection))
    assert found[0] == found[1]
    assert found[0].machine == "bench"  # the computer that made its newest run


def test_a_unit_that_both_know_stays_one(store, other, make):
    made(other, make)
    made(store, make)
    made(store, make, unit_serial="LM12-0077")
    cross(store, other)
    assert len(rows_of(other)["units"]) == 2
    assert [line.unit_serial for line in other.runs()].count("LM12-0041") == 2


def test_a_run_that_goes_on_waits_until_it_has_ended(store, other, make):
    run = made(store, make, end=None)
    assert bundles(store, Kind.RUN) == []
    store.finish_run(run, make.run_end())
    assert fates(cross(store, other)) == ["new"]


def test_only_what_changed_is_sent_again(store, other, make):
    first, second = made(store, make), made(store, make, unit_serial="LM12-0077")
    sent = bundles(store, Kind.RUN)
    with store.taking() as connection:
        mark(connection, [Mark(each.row_id, each.version) for each in sent])
        assert not any(count_waiting(connection).values())
    take(other, sent)
    store.add_event(first, make.event("written later", kind="note"))
    (again,) = bundles(store, Kind.RUN)
    assert again.row_id == first
    assert take(other, [again]).fates == {first: Fate.UPDATED}
    assert [event.text for event in other.run(first).events] == ["written later"]
    assert other.checksum(second) == store.checksum(second)
    assert take(other, [replace(sent[0])]).fates == {first: Fate.OLDER}


def test_what_waits_is_found_by_an_index(store):
    query = "SELECT row_id FROM versions WHERE kind = 'run' AND (sent < version OR traces = 0)"
    with store.reading() as connection:
        plan = connection.execute(text(f"EXPLAIN QUERY PLAN {query} ORDER BY rowid")).all()
    assert [line[3] for line in plan] == [
        "SEARCH versions USING INDEX ix_versions_waiting (kind=?)"
    ]


def test_traces_may_be_filled_in_later(store, other, make):
    run = made(store, make)
    (bare,) = bundles(store, Kind.RUN, traces=False)
    take(other, [bare])
    with store.taking() as connection:
        mark(connection, [Mark(run, bare.version, traces=False)])
        assert waiting(connection, Kind.RUN, limit=9, traces=False) == []
    assert other.checksum(run) != store.checksum(run)
    assert fates(cross(store, other)) == ["brought up to date"]
    assert other.checksum(run) == store.checksum(run)


def test_another_owner_under_the_same_key_is_refused_and_nothing_merged(store, other, make):
    run = made(store, make)
    (sent,) = bundles(store, Kind.RUN)
    take(other, [sent])
    before = rows_of(other)
    root = sent.root | {"operator": "somebody else"}
    strange = replace(sent, bench=Bench(uuid4(), "far"), rows=sent.rows | {"runs": [root]})
    for version in (sent.version, sent.version + 5):
        taken = take(other, [replace(strange, version=version)])
        assert taken.fates == {run: Fate.REFUSED}
        assert "another one of the bench" in taken.why[run]
    assert rows_of(other) == before


def test_one_bad_bundle_does_not_keep_the_others_out(store, other, make):
    good, bad = made(store, make), made(store, make, unit_serial="LM12-0077")
    sent = {bundle.row_id: bundle for bundle in bundles(store, Kind.RUN)}
    steps = [row | {"title": None} for row in sent[bad].rows["steps"]]
    taken = take(other, [sent[good], replace(sent[bad], rows=sent[bad].rows | {"steps": steps})])
    assert taken.fates == {good: Fate.NEW, bad: Fate.REFUSED}
    assert "does not fit" in taken.why[bad]
    assert other.has_run(good)
    assert not other.has_run(bad)
    assert take(other, [sent[bad]]).fates == {bad: Fate.NEW}


def test_a_row_of_another_run_cannot_be_taken_over(store, other, make):
    first, second = made(store, make), made(store, make, unit_serial="LM12-0077")
    sent = {bundle.row_id: bundle for bundle in bundles(store, Kind.RUN)}
    take(other, list(sent.values()))
    stolen = [row | {"run_id": second} for row in sent[first].rows["steps"]]
    greedy = replace(sent[second], version=99, rows=sent[second].rows | {"steps": stolen})
    before = rows_of(other)
    assert take(other, [greedy]).fates == {second: Fate.REFUSED}
    assert rows_of(other) == before


def test_what_came_from_another_bench_serves_for_nothing_here(store, other, make):
    run, _ = everything(store, make)
    cross(store, other)
    assert other.calibrations() == ()
    assert other.gauge.all() == []
    assert other.golden.in_use() == []
    assert other.lots.all() == []
    assert not any(bundles(other, kind) for kind in Kind)  # and is not this bench's to send
    other.gauge.begin(study())  # of the same name
    with pytest.raises(RecordsError, match="made by another bench"):
        other.add_event(run, make.event(kind="note"))


def test_what_comes_home_is_the_benchs_own_again(store, other, make, tmp_path):
    run, _ = everything(store, make)
    cross(store, other)
    with Store.open(tmp_path / "new card.db") as restored:
        with restored.taking() as connection, store.reading() as from_old:
            own = own_bench(from_old)
            connection.execute(text("UPDATE benches SET id = :id"), {"id": own.id.hex})
        with other.reading() as connection:
            home = [read(connection, kind, list(waits_of(store, kind))) for kind in Kind]
        for each in home:
            if each:
                take(restored, each)
        assert len(restored.calibrations()) == 1
        assert restored.checksum(run) == store.checksum(run)


def waits_of(store, kind):
    with store.reading() as connection:
        return waiting(connection, kind, limit=99)
