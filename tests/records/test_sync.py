"""A bench's records sent to the central ones: all, once, whatever happens on the way."""

from __future__ import annotations

import math
import re
import shutil
import subprocess
import sys
import threading
from contextlib import contextmanager
from pathlib import Path
from uuid import uuid4

import psycopg
import pytest
import quick_schema
from alembic.autogenerate import compare_metadata
from alembic.migration import MigrationContext
from central_server import new_database, programs, url_of
from hypothesis import HealthCheck, example, given
from hypothesis import settings as example_settings
from hypothesis import strategies as st
from sqlalchemy import text
from whole_records import everything, golden, made

from rig.records import central as central_module
from rig.records import meeting, migrate
from rig.records.bundles import own_bench
from rig.records.central import Central, CentralError
from rig.records.outbox import count_refused, count_waiting, refused
from rig.records.store import Store
from rig.records.sync import sync
from rig.records.tables import SCHEMA, Base
from rig.records.transfer import Fate

ROOT = Path(__file__).parents[2]


@pytest.fixture(scope="module", autouse=True)
def _quickly():
    with quick_schema.using(quick_schema.upgrade):
        yield


def plain_url(url):
    """The URL as psycopg itself takes it."""
    return url.replace("+psycopg", "")


def execute(url, *statements):
    with psycopg.connect(plain_url(url), autocommit=True) as line:
        for statement in statements:
            line.execute(statement)


def count(url, table, where="true"):
    with psycopg.connect(plain_url(url)) as line:
        return line.execute(f"SELECT count(*) FROM {table} WHERE {where}").fetchone()[0]


def left(store):
    with store.reading() as connection:
        return sum(count_waiting(connection).values())


def checksums(url, store, runs):
    with Central.open(url) as central:
        return [central.checksum(run) for run in runs] == [store.checksum(run) for run in runs]


@pytest.fixture
def bench(tmp_path):
    with Store.open(tmp_path / "bench.db") as opened:
        yield opened


def test_everything_goes_once_with_its_checksum(store, central_url, make):
    runs = everything(store, make)
    done = sync(store, central_url, name="north bench")
    assert done.fates == {Fate.NEW: 7}
    assert checksums(central_url, store, runs)
    assert (left(store), sync(store, central_url, name="north bench").fates) == (0, {})
    with Central.open(central_url) as central:
        (bench,) = central.benches().values()
    assert bench.name == "north bench"
    store.add_event(runs[0], make.event("later", kind="note"))
    store.lots.not_testable("L-2209", 17, "crushed", "sam", make.T0)
    assert sync(store, central_url, name="north bench").fates == {Fate.UPDATED: 2}
    assert count(central_url, "lot_items", "untestable = 'nonconforming'") == 1


def test_two_benches_with_the_same_unit_and_names_send_at_once(store, bench, central_url, make):
    for each in (store, bench):
        everything(each, make)
    threads = [
        threading.Thread(target=sync, args=(each, central_url), kwargs={"name": name})
        for each, name in ((store, "north"), (bench, "south"))
    ]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    assert [count(central_url, name) for name in ("runs", "units", "lots", "gauge_studies")] == [
        4,
        2,
        2,
        2,
    ]
    assert (left(store), left(bench)) == (0, 0)


@example_settings(max_examples=8, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(
    st.text(st.characters(exclude_categories=("Cs",), exclude_characters="\0"), max_size=20),
    st.dictionaries(st.text(max_size=5), st.floats() | st.text(max_size=5) | st.none()),
    st.none() | st.floats(allow_nan=False),
)
@example("grün", {"odd": math.nan, "far": -math.inf, "$number": "nan"}, None)
def test_every_value_comes_back_as_it_was(store, bench_url, make, words, answers, number):
    step = make.step(1, answers=answers, note=words, title=words, trace=None)
    measures = tuple(type(m)(m.name, number, words, number) for m in step.measures)
    run = store.begin_run(make.run_start(unit_serial=f"u{words}", backend_facts=answers))
    store.finish_step(run, type(step)(**{**vars_of(step), "measures": measures}))
    store.finish_run(run, make.run_end(note=words))
    done = sync(store, bench_url, name="b")
    assert done.fates == {Fate.NEW: 1}, done.why
    assert checksums(bench_url, store, [run])


def vars_of(step):
    return {name: getattr(step, name) for name in step.__dataclass_fields__}


@pytest.fixture
def bench_url(server):
    return new_database(server, "prepared")


# --- ended at any instant -------------------------------------------------------------------------


def test_killed_between_there_and_here_it_finds_what_it_sent(store, central_url, make, monkeypatch):
    runs = everything(store, make)
    with monkeypatch.context() as patch:
        patch.setattr("rig.records.sync._mark", lambda *_: (_ for _ in ()).throw(KeyboardInterrupt))
        with pytest.raises(KeyboardInterrupt):
            sync(store, central_url, name="b")
    assert count(central_url, "calibrations") == 1  # the first batch is there, and not marked
    done = sync(store, central_url, name="b")
    assert done.fates == {Fate.KNOWN: 1, Fate.NEW: 6}
    assert checksums(central_url, store, runs)


def test_a_line_that_is_cut_is_told_and_the_rest_goes_the_next_time(store, central_url, make):
    runs = [made(store, make, unit_serial=f"u{n}") for n in range(3)]
    # The server itself cuts the line in the middle of a batch: as an administrator would.
    execute(
        central_url,
        "CREATE FUNCTION cut() RETURNS trigger AS $$ BEGIN "
        "PERFORM pg_terminate_backend(pg_backend_pid()); RETURN NEW; END $$ LANGUAGE plpgsql",
        "CREATE TRIGGER cut BEFORE INSERT ON measures EXECUTE FUNCTION cut()",
    )
    with pytest.raises(CentralError, match="shut down or cut the line"):
        sync(store, central_url, name="b")
    assert (count(central_url, "runs"), left(store)) == (0, 3)
    execute(central_url, "DROP TRIGGER cut ON measures")
    assert sync(store, central_url, name="b").sent == 3
    assert checksums(central_url, store, runs)


def test_what_two_benches_hold_against_each_other_is_tried_again(store, central_url, make):
    made(store, make)
    # The server's own code for a deadlock, raised where it would be, the first two times.
    execute(
        central_url,
        "CREATE SEQUENCE tries",
        "CREATE FUNCTION locked() RETURNS trigger AS $$ BEGIN IF nextval('tries') < 3 THEN "
        "RAISE EXCEPTION 'deadlock detected' USING ERRCODE = '40P01'; END IF; RETURN NEW; END $$ "
        "LANGUAGE plpgsql",
        "CREATE TRIGGER locked BEFORE INSERT ON runs FOR EACH ROW EXECUTE FUNCTION locked()",
    )
    rests = []
    assert sync(store, central_url, name="b", pause=rests.append).fates == {Fate.NEW: 1}
    assert len(rests) == 2
    execute(central_url, "ALTER SEQUENCE tries RESTART WITH 1 INCREMENT BY -1 MINVALUE -99")
    made(store, make)
    with pytest.raises(CentralError, match="two benches waited for each other"):
        sync(store, central_url, name="b", pause=rests.append)


def test_a_note_without_traces_leaves_those_that_are_there(store, central_url, make):
    run = made(store, make)
    sync(store, central_url, name="b")
    store.add_event(run, make.event("later", kind="note"))
    assert sync(store, central_url, name="b", traces=False).fates == {Fate.UPDATED: 1}
    assert sync(store, central_url, name="b").fates == {}
    assert count(central_url, "versions", "traces") == 1


def test_a_full_disk_there_is_told(store, central_url, make):
    made(store, make)
    # The server's own code for a full disk, raised where it would be.
    execute(
        central_url,
        "CREATE FUNCTION full_disk() RETURNS trigger AS $$ BEGIN "
        "RAISE EXCEPTION 'could not extend file' USING ERRCODE = '53100'; END $$ LANGUAGE plpgsql",
        "CREATE TRIGGER full_disk BEFORE INSERT ON traces EXECUTE FUNCTION full_disk()",
    )
    with pytest.raises(CentralError, match=r"server's disk is full\. Have its administrator"):
        sync(store, central_url, name="b")
    assert (count(central_url, "runs"), left(store)) == (0, 1)
    with store.reading() as connection:
        (state,) = meeting.states(connection)
    assert "disk is full" in state.failed
    assert state.synced_at is None


# --- who may come in ------------------------------------------------------------------------------


def test_a_wrong_password_is_told_and_none_is_printed(store, server, central_url, monkeypatch):
    name = central_url.split("@/")[1].split("?")[0]
    monkeypatch.setenv("PGPASSWORD", "wrong-one")
    with pytest.raises(CentralError, match="the password is wrong") as caught:
        sync(store, url_of(server, name, "locked"), name="b")
    assert "wrong-one" not in str(caught.value)
    monkeypatch.delenv("PGPASSWORD")
    monkeypatch.setenv("PGPASSFILE", "/nowhere")
    with pytest.raises(CentralError, match=r"none was found\. Put it into ~/\.pgpass"):
        sync(store, url_of(server, name, "locked"), name="b")


def test_a_password_in_the_url_is_refused_and_not_repeated(store):
    for url in ("postgresql://b:se1cret@h/d", "postgresql://b@h/d?password=se1cret"):
        with pytest.raises(CentralError, match="has a password in it") as caught:
            sync(store, url, name="b")
        assert "se1cret" not in str(caught.value)


@pytest.mark.parametrize(
    ("url", "words"),
    [
        ("mysql://b@h/d", "no URL of a PostgreSQL"),
        ("postgresql://[", "cannot be read"),
        ("postgresql://b@/d?host=/nowhere", "cannot be reached"),
        ("postgresql://b@/d?host=/nowhere&nonsense=1", "could not be used|cannot be used"),
    ],
)
def test_a_url_that_leads_nowhere_is_told(store, url, words):
    with pytest.raises(CentralError, match=words):
        sync(store, url, name="b")


def test_rights_that_are_missing_are_told(store, server, central_url, make):
    made(store, make)
    name = central_url.split("@/")[1].split("?")[0]
    with pytest.raises(CentralError, match="the rights the README lists"):
        sync(store, url_of(server, name, "nobody"), name="b")


def test_without_the_driver_the_message_says_what_to_install(store, monkeypatch):
    monkeypatch.setitem(sys.modules, "psycopg", None)
    with pytest.raises(CentralError, match=r"pip install 'halfturn\[postgresql\]'"):
        sync(store, "postgresql://b@h/d", name="b")


# --- the schema there -----------------------------------------------------------------------------


def test_records_are_prepared_once_by_whoever_asks_first(store, server, make):
    url = new_database(server)
    with pytest.raises(CentralError, match="halfturn sync prepare"):
        sync(store, url, name="b")
    said = []

    def prepare():
        with Central.open(url, unprepared=True) as central:
            said.append(central.prepare())

    threads = [threading.Thread(target=prepare) for _ in range(3)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    assert sorted(said, key=str) == [SCHEMA, SCHEMA, None]
    everything(store, make)
    assert sync(store, url, name="b").sent == 7


@pytest.mark.parametrize(
    ("there", "words"),
    [("0001", "older halfturn .*`halfturn sync prepare`"), ("9999", "newer halfturn .* Update")],
)
def test_records_of_another_schema_are_left_alone(store, central_url, there, words):
    execute(central_url, f"UPDATE alembic_version SET version_num = '{there}'")
    with pytest.raises(CentralError, match=words):
        sync(store, central_url, name="b")


def test_a_database_of_another_program_is_left_alone(server):
    url = new_database(server)
    execute(url, "CREATE TABLE runs (id int)")
    with (
        Central.open(url, unprepared=True) as central,
        pytest.raises(CentralError, match="tables of another program"),
    ):
        central.prepare()


# --- copies and backups ---------------------------------------------------------------------------


def test_a_copy_that_sends_too_is_found_out(store, central_url, make, tmp_path):
    run = made(store, make)
    sync(store, central_url, name="b")
    copied = shutil.copy(backed_up(store), tmp_path / "copy.db")
    with Store.open(Path(copied)) as copy:
        sync(store, central_url, name="b")
        later = made(copy, make)
        with pytest.raises(CentralError, match="a copy of them is in use elsewhere"):
            sync(copy, central_url, name="b")
        new = meeting.become_new(copy)
        done = sync(copy, central_url, name="south")
        assert done.fates == {Fate.KNOWN: 1, Fate.NEW: 1}
        assert count(central_url, "runs") == 2
        assert left(copy) == 0
    with Central.open(central_url) as central:
        assert {each.name for each in central.benches().values()} == {"b", "south"}
        assert new.id in central.benches()
    assert run != later


def backed_up(store):
    """The file with all that is in its log."""
    with store.reading():
        pass
    store.close()
    return store.path


def test_records_put_back_from_a_backup_go_on_and_nothing_is_undone(
    store, central_url, make, tmp_path
):
    run = made(store, make)
    sync(store, central_url, name="b")
    backup = shutil.copy(backed_up(store), tmp_path / "backup.db")
    with Store.open(tmp_path / "records.db") as store_then:
        store_then.add_event(run, make.event("after the backup", kind="note"))
        sync(store_then, central_url, name="b")
    with Store.open(Path(backup)) as back:
        with pytest.raises(CentralError, match="put back from a backup"):
            sync(back, central_url, name="b")
        meeting.go_on_as_the_same(back)
        new = made(back, make)
        done = sync(back, central_url, name="b")
        assert (done.sent, len(done.why)) == (1, 1)
        assert "a newer one is there" in done.why[run][1]
        with back.reading() as connection:
            assert count_refused(connection) == 1
            assert refused(connection)[0][1] == run
        assert checksums(central_url, back, [new])
        sync(back, central_url, name="b")  # and the next time nobody is asked
    assert count(central_url, "events", "text = 'after the backup'") == 1


def test_what_a_copy_wrote_never_takes_the_originals_place(store, central_url, make, tmp_path):
    run, of_lot = everything(store, make)
    sync(store, central_url, name="a")
    unsent = made(store, make, unit_serial="u-2")
    with Store.open(Path(shutil.copy(backed_up(store), tmp_path / "copy.db"))) as copy:
        copy.lots.not_testable("L-2209", 17, "the copy's", "sam", make.T0)
        for each in (of_lot, unsent):
            copy.add_event(each, make.event("the copy's", kind="note"))
        meeting.become_new(copy)
        with Store.open(store.path) as original:
            sync(original, central_url, name="a", traces=False)
            done = sync(copy, central_url, name="b")
            assert Fate.UPDATED not in done.fates
            assert "another bench's" in done.why[of_lot][1]
            assert sync(copy, central_url, name="b").fates == {}  # told once
            original.lots.not_testable("L-2209", 17, "the original's", "jo", make.T0)
            original.add_event(run, make.event("the original's", kind="note"))
            assert sync(original, central_url, name="a").why == {}
    assert count(central_url, "lot_items", "untestable_why = 'the original''s'") == 1
    assert count(central_url, "events", "text = 'the copy''s'") == 0


def test_what_only_a_copy_can_bring_goes_until_the_original_does(
    store, central_url, make, tmp_path
):
    run = made(store, make)
    with Store.open(Path(shutil.copy(backed_up(store), tmp_path / "copy.db"))) as copy:
        meeting.become_new(copy)
        assert sync(copy, central_url, name="b", traces=False).fates == {Fate.NEW: 1}
        assert sync(copy, central_url, name="b").fates == {Fate.UPDATED: 1}  # its traces
        assert checksums(central_url, copy, [run])
        assert left(copy) == 0
    with Store.open(store.path) as original:
        original.add_event(run, make.event("later", kind="note"))
        assert sync(original, central_url, name="a").why == {}
        assert checksums(central_url, original, [run])


def test_what_a_backup_did_not_know_is_not_undone_by_what_is_written_later(
    store, central_url, make, tmp_path
):
    store.golden.declare(golden("g"))
    (unit,) = store.golden.in_use()
    sync(store, central_url, name="b")
    backup = shutil.copy(backed_up(store), tmp_path / "backup.db")
    with Store.open(store.path) as original:
        original.golden.withdraw(unit.golden_id, make.T0)
        sync(original, central_url, name="b")
    with Store.open(Path(backup)) as back:
        meeting.go_on_as_the_same(back)
        for _ in range(3):  # its count is beyond the other's
            with back.taking() as connection:
                connection.execute(text("UPDATE golden_units SET station = station"))
            done = sync(back, central_url, name="b")
            assert len(done.why) == 1
    assert "both stay as they are" in next(iter(done.why.values()))[1]
    assert count(central_url, "golden_units", "withdrawn_at IS NOT NULL") == 1


def test_central_records_put_back_to_the_middle_of_a_pass_are_noticed(
    store, server, central_url, make, monkeypatch
):
    monkeypatch.setattr("rig.records.sync.BATCH", 2)
    for number in range(6):
        made(store, make, unit_serial=f"u{number}")
    dumps = {}

    def dump(done):
        dumps[done] = subprocess.run(
            [programs() / "pg_dump", plain_url(central_url)], capture_output=True, check=True
        ).stdout

    sync(store, central_url, name="b", on_progress=dump)
    put_back = new_database(server)
    program = [programs() / "psql", "-q", "-v", "ON_ERROR_STOP=1", plain_url(put_back)]
    subprocess.run(program, input=dumps[2], stdout=subprocess.DEVNULL, check=True)
    with pytest.raises(CentralError, match="put back from a backup"):
        sync(store, put_back, name="b")
    meeting.go_on_as_the_same(store)
    assert sync(store, put_back, name="b").fates == {Fate.KNOWN: 2, Fate.NEW: 4}


def test_a_record_that_is_no_more_does_not_keep_the_others(store, central_url, make):
    run, gone = made(store, make), uuid4()
    with store.taking() as connection:
        connection.execute(
            text("INSERT INTO versions (row_id, kind, version) VALUES (:id, 'run', 1)"),
            {"id": gone.hex},
        )
    done = sync(store, central_url, name="b")
    assert (done.fates, set(done.why)) == ({Fate.NEW: 1, Fate.REFUSED: 1}, {gone})
    assert "not there any more" in done.why[gone][1]
    assert checksums(central_url, store, [run])


def test_records_of_another_computer_are_not_sent_unasked(store, central_url, make):
    made(store, make)
    with store.taking() as connection:
        connection.execute(text("UPDATE benches SET machine = 'another'"))
    with pytest.raises(CentralError, match="made on another computer"):
        sync(store, central_url, name="b")
    meeting.go_on_as_the_same(store)
    assert sync(store, central_url, name="b").sent == 1


def test_other_central_records_get_everything_again(store, server, central_url, make):
    runs = everything(store, make)
    sync(store, central_url, name="b")
    other = new_database(server)
    with Central.open(other, unprepared=True) as central:
        central.prepare()
    assert sync(store, other, name="b").fates == {Fate.NEW: 7}
    assert checksums(other, store, runs)
    store.add_event(runs[0], make.event("later", kind="note"))
    for url in (central_url, other):  # and back, with nothing to settle
        assert sync(store, url, name="b").fates == {Fate.KNOWN: 6, Fate.UPDATED: 1}
        assert sync(store, url, name="b").fates == {}


# --- beside a bench at work -----------------------------------------------------------------------


def test_a_bench_at_work_has_priority(store, central_url, make, monkeypatch):
    monkeypatch.setattr("rig.records.sync.GENTLE_BATCH", 2)
    for number in range(5):
        made(store, make, unit_serial=f"u{number}")
    made(store, make, end=None)  # goes on
    rests = []
    done = sync(store, central_url, name="b", traces=False, pause=rests.append)
    assert (done.sent, len(rests)) == (5, 3)
    assert all(rest > 0 for rest in rests)


def test_a_damaged_run_keeps_no_other_here(store, central_url, make):
    good, bad = made(store, make), made(store, make, unit_serial="u2")
    with store.taking() as connection:
        connection.execute(
            text("UPDATE runs SET started_at = 'never' WHERE id = :id"), {"id": bad.hex}
        )
    done = sync(store, central_url, name="b")
    assert done.fates == {Fate.NEW: 1, Fate.REFUSED: 1}
    assert "records verify" in done.why[bad][1]
    assert checksums(central_url, store, [good])
    assert left(store) == 0


@pytest.mark.parametrize("step", ["first _keep", "_be_known", "second _keep"])
def test_killed_while_they_meet_they_know_each_other_the_next_time(
    store, central_url, make, monkeypatch, step
):
    made(store, make)
    sync(store, central_url, name="b")
    name, calls = step.split()[-1], []
    real = getattr(meeting, name)

    def dies(*arguments):
        calls.append(name)
        if len(calls) == (2 if "second" in step else 1):
            raise KeyboardInterrupt
        return real(*arguments)

    with monkeypatch.context() as patch:
        patch.setattr(meeting, name, dies)
        with pytest.raises(KeyboardInterrupt):
            sync(store, central_url, name="b")
    made(store, make)
    assert sync(store, central_url, name="b").sent == 1


def test_one_bench_is_sent_by_one_program_at_a_time(store, central_url, make):
    made(store, make)
    with store.reading() as connection:
        bench = own_bench(connection)
    with Central.open(central_url) as central:
        with central.held_for(bench), pytest.raises(CentralError, match="Another program is"):
            sync(store, central_url, name="b")
        assert sync(store, central_url, name="b").sent == 1


def test_what_was_refused_for_want_of_another_goes_when_that_is_there(store, central_url, make):
    _, of_lot = everything(store, make)
    with store.taking() as connection:
        connection.execute(text("UPDATE versions SET sent = version WHERE kind = 'lot'"))
    with monkeypatched_first_meeting():
        done = sync(store, central_url, name="b")
    assert set(done.why) == {of_lot}
    store.lots.not_testable("L-2209", 17, "crushed", "sam", make.T0)
    assert sync(store, central_url, name="b").fates == {Fate.NEW: 2}
    assert checksums(central_url, store, [of_lot])


@contextmanager
def monkeypatched_first_meeting():
    """Keep the first meeting from having everything wait."""
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr("rig.records.outbox.offer_all_again", lambda _connection: None)
        yield


def test_what_the_server_cannot_keep_stays_here_and_is_told(store, central_url, make):
    good = made(store, make)
    bad = store.begin_run(make.run_start(unit_serial="u2"))
    store.finish_run(bad, make.run_end(note="a\0b"))  # PostgreSQL's text knows no NUL
    done = sync(store, central_url, name="b")
    assert (done.fates, set(done.why)) == ({Fate.NEW: 1, Fate.REFUSED: 1}, {bad})
    assert "cannot be kept there" in done.why[bad][1]
    assert checksums(central_url, store, [good])


def test_the_rights_that_the_readme_lists_are_enough(store, server, central_url, make):
    grants = re.findall(r"^GRANT .*;$", (ROOT / "README.md").read_text("utf-8"), re.MULTILINE)
    assert len(grants) == 2
    execute(
        central_url,
        "DO $$ BEGIN CREATE ROLE bench LOGIN; CREATE ROLE office LOGIN; "
        "EXCEPTION WHEN duplicate_object OR unique_violation THEN NULL; END $$",
        *grants,
    )
    name = central_url.split("@/")[1].split("?")[0]
    runs = everything(store, make)
    sync(store, url_of(server, name, "bench"), name="b")
    store.add_event(runs[0], make.event("later", kind="note"))
    assert sync(store, url_of(server, name, "bench"), name="b").fates == {Fate.UPDATED: 1}
    assert checksums(url_of(server, name, "office"), store, runs)
    with pytest.raises(CentralError, match="may not do that"):
        sync(store, url_of(server, name, "office"), name="b")


def test_a_later_schema_is_brought_to_the_central_records_too(central_url, tmp_path, monkeypatch):
    scripts = tmp_path / "migrations"
    shutil.copytree(migrate.SCRIPTS, scripts)
    (scripts / "versions" / "rev_next_colour.py").write_text(
        "import sqlalchemy as sa\nfrom alembic import op\n"
        f"revision, down_revision = 'next', '{SCHEMA}'\nbranch_labels = depends_on = None\n"
        "def upgrade():\n    op.add_column('units', sa.Column('colour', sa.String()))\n"
    )
    monkeypatch.setattr(migrate, "SCRIPTS", scripts)
    monkeypatch.setattr(central_module, "SCHEMA", "next")
    with (
        quick_schema.using(quick_schema.through_migrations),
        Central.open(central_url, unprepared=True) as central,
    ):
        assert central.prepare() == SCHEMA
        assert central.prepare() == "next"
    assert count(central_url, "units", "colour IS NULL") == 0


def test_the_tables_there_are_those_of_the_program(central_url):
    with Central.open(central_url) as central, central.reading() as connection:
        context = MigrationContext.configure(connection, opts={"compare_type": True})
        assert compare_metadata(context, Base.metadata) == []
