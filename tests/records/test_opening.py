from __future__ import annotations

import multiprocessing
import re
import shutil
import sqlite3
import subprocess
import sys
from dataclasses import replace
from pathlib import Path

import alembic.command
import pytest
import quick_schema
from alembic.autogenerate import compare_metadata
from alembic.migration import MigrationContext
from sqlalchemy import create_engine, event, text
from sqlalchemy.pool import Pool

import rig
from rig.records import database, migrate, tables
from rig.records.store import RecordsError, Store

ROOT = Path(rig.__file__).parents[1]
DATA = Path(__file__).with_name("data")


def query(path: Path, sql: str):
    raw = sqlite3.connect(path)
    try:
        return raw.execute(sql).fetchall()
    finally:
        raw.close()


def test_folders_are_made(tmp_path):
    with Store.open(tmp_path / "a" / "b" / "records.db") as store:
        assert store.runs() == []


def test_records_that_are_not_there_are_not_made_unasked(tmp_path):
    with pytest.raises(RecordsError, match="no records at"):
        Store.open(tmp_path / "a" / "records.db", create=False)
    assert list(tmp_path.iterdir()) == []


def test_odd_characters_in_the_path_are_taken_as_they_are(tmp_path):
    path = tmp_path / "100 % grün?mode=memory" / "a#b.db"
    with Store.open(path):
        pass
    assert path.exists()


def test_the_file_is_durable_and_checks_references(tmp_path):
    seen = []

    def look(raw, _record, _proxy):
        pragmas = ("journal_mode", "synchronous", "foreign_keys", "busy_timeout")
        seen.append([raw.execute(f"PRAGMA {name}").fetchone()[0] for name in pragmas])

    event.listen(Pool, "checkout", look)
    try:
        with Store.open(tmp_path / "records.db", wait_s=3.0) as store:
            seen.clear()
            store.runs()
    finally:
        event.remove(Pool, "checkout", look)
    assert seen == [["wal", 2, 1, 3000]]  # https://www.sqlite.org/pragma.html: 2 = FULL


# --- migrations -------------------------------------------------------------------------------


def test_migrations_make_exactly_the_tables_of_the_program(tmp_path):
    Store.open(tmp_path / "records.db").close()
    engine = create_engine(f"sqlite:///{tmp_path}/records.db")
    with engine.connect() as connection:
        context = MigrationContext.configure(connection, opts={"compare_type": True})
        assert compare_metadata(context, tables.Base.metadata) == []
    engine.dispose()


def test_a_schema_whose_text_is_damaged_is_told(tmp_path):
    path = tmp_path / "records.db"
    Store.open(path).close()
    whole = path.read_bytes()
    name = b"CREATE TABLE lots ("
    assert name in whole
    path.write_bytes(whole.replace(name, b"CREATE TABLE l\x80ts ("))
    with pytest.raises(RecordsError, match="the file is damaged"):
        Store.open(path)


def test_the_tests_fresh_records_are_those_of_the_migrations(tmp_path):
    """Tests elsewhere do not go through every migration: see tests/support/quick_schema.py."""

    def all_of(name):
        Store.open(tmp_path / name).close()
        raw = sqlite3.connect(tmp_path / name)
        own = re.compile(r"(?<=INSERT INTO \"benches\" VALUES\(')[0-9a-f]{32}")
        dump, benches = own.subn("its own", "\n".join(raw.iterdump()))
        assert benches == 1
        header = [
            raw.execute(f"PRAGMA {key}").fetchone() for key in ("application_id", "user_version")
        ]
        raw.close()
        return dump, header

    migrated = all_of("migrated.db")
    with quick_schema.using(quick_schema.upgrade):
        fresh = [all_of(f"{n}.db") for n in range(2)]  # of which one at least is a copy
    assert fresh == [migrated, migrated]
    assert "CREATE TABLE runs" in migrated[0]


def test_that_comparison_would_notice_a_difference(tmp_path):
    Store.open(tmp_path / "records.db").close()
    engine = create_engine(f"sqlite:///{tmp_path}/records.db")
    with engine.begin() as connection:
        connection.execute(text("ALTER TABLE runs DROP COLUMN note"))
        connection.execute(text("DROP INDEX ix_runs_state"))
        context = MigrationContext.configure(connection, opts={"compare_type": True})
        found = {entry[0] for entry in compare_metadata(context, tables.Base.metadata)}
    engine.dispose()
    assert found == {"add_column", "add_index"}


def test_the_program_is_at_the_newest_revision():
    assert migrate.revisions()[-1] == tables.SCHEMA


@pytest.fixture
def first_records(tmp_path):
    """Records as the first schema kept them (written once, then frozen)."""
    path = tmp_path / "records.db"
    raw = sqlite3.connect(path)
    raw.executescript((DATA / "revision_0001.sql").read_bytes().decode())
    raw.close()
    return path


def test_records_of_the_first_schema_can_be_read_and_gone_on_with(first_records, make):
    with Store.open(first_records) as store:
        old = store.run("6a1f")
        assert old.start == make.run_start(rig_text="[rig]\n")
        assert old.end == make.run_end()
        later = dict.fromkeys(("nominal_half_turn_s", "nominal_half_turn_u_s", "supply_u_v"))
        assert old.steps[0].half_turns == tuple(
            replace(turn, **later) for turn in make.step(1).half_turns
        )
        assert len(store.trace("6a1f", 1)) == 50
        new = store.begin_run(make.run_start())
        store.finish_step(new, make.step(1))
        assert len(store.runs()) == 2


@pytest.fixture
def next_schema(tmp_path, monkeypatch):
    """A program one revision ahead; ``body`` sets what its migration does."""
    scripts = tmp_path / "scripts"
    shutil.copytree(migrate.SCRIPTS, scripts)
    monkeypatch.setattr(migrate, "SCRIPTS", scripts)
    monkeypatch.setattr(database, "SCHEMA", "9999")

    def write(body: str):
        (scripts / "versions" / "rev_9999.py").write_text(
            "import sqlalchemy as sa\nfrom alembic import op\n"
            f"revision = '9999'\ndown_revision = '{tables.SCHEMA}'\n"
            f"def upgrade():\n    {body}\n"
        )

    return write


ADD_COLUMN = "op.add_column('runs', sa.Column('bench_key', sa.String()))"


def test_older_records_are_copied_before_they_are_migrated(first_records, next_schema):
    next_schema(ADD_COLUMN)
    runs = query(first_records, "SELECT * FROM runs")
    Store.open(first_records).close()
    (copy,) = first_records.parent.glob("records.schema-0001.*.db")
    assert query(copy, "SELECT * FROM runs") == runs
    assert query(copy, "SELECT version_num FROM alembic_version") == [("0001",)]
    assert query(first_records, "SELECT version_num FROM alembic_version") == [("9999",)]
    (kept,) = query(first_records, "SELECT * FROM runs")
    assert kept[: len(runs[0])] == runs[0]
    assert set(kept[len(runs[0]) :]) == {None}


def test_a_table_may_be_rebuilt_although_others_refer_to_it(first_records, next_schema, make):
    next_schema(
        "with op.batch_alter_table('runs', recreate='always') as t:\n"
        "        t.add_column(sa.Column('bench_key', sa.String()))"
    )
    Store.open(first_records).close()
    assert query(first_records, "SELECT count(*) FROM steps JOIN runs ON run_id = runs.id") == [
        (1,)
    ]


@pytest.mark.parametrize(
    "body",
    [
        f"{ADD_COLUMN}; raise RuntimeError('broken')",
        f"{ADD_COLUMN}; op.execute('DELETE FROM runs')",  # steps would belong to nothing
    ],
)
def test_a_migration_that_fails_leaves_the_records_as_they_were(first_records, next_schema, body):
    next_schema(body)
    before = query(first_records, "SELECT sql FROM sqlite_master ORDER BY name")
    runs = query(first_records, "SELECT * FROM runs")
    with pytest.raises(RuntimeError):
        Store.open(first_records)
    assert query(first_records, "SELECT sql FROM sqlite_master ORDER BY name") == before
    assert query(first_records, "SELECT * FROM runs") == runs


def test_new_records_need_no_copy(tmp_path):
    Store.open(tmp_path / "records.db").close()
    assert [p.name for p in tmp_path.iterdir()] == ["records.db"]


def test_records_of_a_newer_program_are_refused_untouched(tmp_path):
    path = tmp_path / "records.db"
    Store.open(path).close()
    raw = sqlite3.connect(path)
    raw.execute("UPDATE alembic_version SET version_num = '9999'")
    raw.commit()
    raw.close()
    before = path.read_bytes()
    with pytest.raises(RecordsError, match=r"newer halfturn.*9999.*Update halfturn"):
        Store.open(path)
    assert path.read_bytes() == before


def test_a_revision_can_be_written_for_changed_tables(tmp_path, monkeypatch):
    scripts = tmp_path / "scripts"
    shutil.copytree(migrate.SCRIPTS, scripts)
    monkeypatch.setattr(migrate, "SCRIPTS", scripts)
    migrate.new_revision("nothing new")
    (script,) = scripts.glob("versions/rev_*_nothing_new.py")
    assert "    pass\n" in script.read_text(encoding="utf-8")


def _open_and_close(path: Path) -> str:
    try:
        with Store.open(path, wait_s=30):
            return "opened"
    except RecordsError as error:
        return str(error)


def test_two_programs_may_make_the_records_at_once(tmp_path):
    with multiprocessing.get_context("spawn").Pool(2) as pool:
        results = pool.map(_open_and_close, [tmp_path / "records.db"] * 2, chunksize=1)
        pool.close()
        pool.join()
    assert results == ["opened"] * 2


def test_alembic_is_not_imported_for_records_that_are_up_to_date(tmp_path):
    path = tmp_path / "records.db"
    Store.open(path).close()
    code = (
        "import sys; from pathlib import Path; from rig.records.store import Store\n"
        f"Store.open(Path({str(path)!r})).close()\n"
        "print('alembic' in sys.modules)"
    )
    done = subprocess.run(
        [sys.executable, "-c", code], cwd=ROOT, capture_output=True, text=True, check=True
    )
    assert done.stdout == "False\n"
    assert alembic.command  # it is installed here


# --- what is refused --------------------------------------------------------------------------


@pytest.mark.parametrize("content", [b"hello, this is a letter", b"S", b"SQLite format 2\x00" * 9])
def test_a_file_that_is_no_database_is_refused_untouched(tmp_path, content):
    path = tmp_path / "letter.txt"
    path.write_bytes(content)
    with pytest.raises(RecordsError, match="not a records database"):
        Store.open(path)
    assert path.read_bytes() == content
    assert [p.name for p in tmp_path.iterdir()] == ["letter.txt"]


def test_a_database_of_another_program_is_refused(tmp_path):
    path = tmp_path / "stock.db"
    raw = sqlite3.connect(path)
    raw.execute("CREATE TABLE stock (part TEXT)")
    raw.commit()
    raw.close()
    with pytest.raises(RecordsError, match="another program"):
        Store.open(path)
    assert query(path, "SELECT name FROM sqlite_master") == [("stock",)]


def test_an_empty_file_becomes_records(tmp_path):
    path = tmp_path / "records.db"
    path.touch()
    with Store.open(path) as store:
        assert store.runs() == []


def test_a_folder_is_refused(tmp_path):
    with pytest.raises(RecordsError, match="is a folder"):
        Store.open(tmp_path)


def test_a_file_in_the_way_of_the_folder_is_told(tmp_path):
    (tmp_path / "logs").touch()
    with pytest.raises(RecordsError, match="choose another records file"):
        Store.open(tmp_path / "logs" / "records.db")


def test_damage_is_found_at_opening(tmp_path, make):
    path = tmp_path / "records.db"
    with Store.open(path) as store:
        run = store.begin_run(make.run_start())
        for number in range(1, 30):
            store.finish_step(run, make.step(number, trace=None))
    content = bytearray(path.read_bytes())
    # every page but the first two (the schema) loses its start, where the b-tree header is
    for page in range(2, len(content) // 4096):
        content[page * 4096 : page * 4096 + 64] = b"\xa5" * 64
    path.write_bytes(content)
    with pytest.raises(RecordsError, match="damaged"):
        Store.open(path)
