"""`halfturn records out`: what other programs read is what was recorded, and all of it."""

from __future__ import annotations

import csv
import gzip
import hashlib
import json
import math
import sqlite3
import struct
from contextlib import closing
from dataclasses import replace
from datetime import date, datetime
from pathlib import Path
from tempfile import TemporaryDirectory
from uuid import UUID

import drawn_runs
import numpy as np
import pyarrow.parquet as pq
import pytest
from at_the_prompt import halfturn
from hypothesis import given, settings
from hypothesis import strategies as st
from recorded import library

from rig.exchange import out
from rig.exchange.chosen import OF_RUNS
from rig.exchange.fields import LEFT_OUT, Kind, kept_tables
from rig.exchange.gathering import RUNS_AT_ONCE
from rig.exchange.meanings import MEANINGS, UNITS
from rig.exchange.out import Asked, export
from rig.exchange.results import RESULTS, result_rows
from rig.records.codec import unpack
from rig.records.errors import RecordsError
from rig.records.model import RunFilter
from rig.records.store import Store
from rig.run_values import limits_of_plan
from rig.sheets.measures import measure_rows

FORMATS = ("csv", "parquet")
TABLES = {table.name: table for table in kept_tables()}


@pytest.fixture(scope="module")
def made(tmp_path_factory):
    """Real runs on the simulated bench, out in each format with traces; the records too."""
    folder = tmp_path_factory.mktemp("out")
    records, ids = library(folder)
    for format in FORMATS:
        export(records, folder / format, Asked(format=format, with_traces=True))
    return records, ids, folder


# --- an outside reader finds what SQLite has ----------------------------------------------------


def raw_rows(records, table):
    names = [name for name in table.names if name not in ("checksum", "written")]
    with closing(sqlite3.connect(records)) as raw:
        found = raw.execute(f"SELECT {', '.join(names)} FROM {table.name}").fetchall()
        (own,) = raw.execute("SELECT id FROM benches WHERE own").fetchone()
    rows = [dict(zip(names, row, strict=True)) for row in found]
    return [
        row | ({"bench_id": row["bench_id"] or own} if "bench_id" in row else {}) for row in rows
    ]


def csv_rows(folder, name):
    csv.field_size_limit(1 << 20)
    with (folder / f"{name}.csv").open(encoding="utf-8", newline="") as file:
        return list(csv.DictReader(file, strict=True))


def bits(value):
    return struct.pack("<d", value)


def same_as_kept(field, cell, raw):
    """Compare a CSV cell with what SQLite holds, by the rules that go with the export."""
    if raw is None:
        return cell == ("NaN" if field.kind is Kind.NUMBER_OR_NAN else "")
    match field.kind:
        case Kind.NUMBER | Kind.NUMBER_OR_NAN:
            return bits(float(cell)) == bits(raw)
        case Kind.MOMENT:
            return datetime.fromisoformat(cell) == datetime.fromisoformat(f"{raw}+00:00")
        case Kind.KEY:
            return UUID(cell) == UUID(raw)
        case Kind.JSON:
            return json.loads(cell) == json.loads(raw)
        case Kind.FLAG:
            return cell == ("true" if raw else "false")
        case Kind.TEXT:
            return cell.removeprefix("'") == raw
    return cell == str(raw)


def same_in_parquet(field, value, raw):
    if raw is None:
        nan = field.kind is Kind.NUMBER_OR_NAN
        return math.isnan(value) if nan else value is None
    match field.kind:
        case Kind.NUMBER | Kind.NUMBER_OR_NAN:
            return bits(value) == bits(raw)
        case Kind.MOMENT:
            return value == datetime.fromisoformat(f"{raw}+00:00")
        case Kind.DAY:
            return value == date.fromisoformat(raw)
        case Kind.KEY:
            return UUID(value) == UUID(raw)
        case Kind.JSON:
            return json.loads(value) == json.loads(raw)
        case Kind.FLAG:
            return value is bool(raw)
    return value == raw


def assert_all_there(records, folder, format):
    for name, table in TABLES.items():
        if format == "csv":
            found, same = csv_rows(folder, name), same_as_kept
        else:
            found, same = pq.read_table(folder / f"{name}.parquet").to_pylist(), same_in_parquet
        by = {tuple(str(row[n]) for n in table.key): row for row in found}
        kept = raw_rows(records, table)
        assert len(found) == len(by) == len(kept), name
        for raw in kept:
            key = tuple(str(UUID(raw[n])) if n == "id" else raw[n] for n in table.key)
            for field in table.fields:
                if field.name in raw:
                    assert same(field, by[key][field.name], raw[field.name]), (name, field.name)


@pytest.mark.parametrize("format", FORMATS)
def test_every_value_is_there_bit_for_bit(made, format):
    assert_all_there(made[0], made[2] / format, format)


@settings(max_examples=10)
@given(runs=st.lists(drawn_runs.runs, min_size=1, max_size=2))
def test_whatever_a_record_may_hold_comes_out(runs):
    with TemporaryDirectory() as name:
        records = Path(name) / "records.db"
        with Store.open(records) as store:
            for run in runs:
                drawn_runs.keep(store, run)
        for format in FORMATS:
            export(records, Path(name) / format, Asked(format=format, with_traces=True))
            assert_all_there(records, Path(name) / format, format)


def test_the_checksum_of_a_run_goes_with_it(made):
    records, ids, folder = made
    with Store.open(records) as store:
        sums = {str(run): store.checksum(run) for run in ids.values()}
    assert {row["id"]: row["checksum"] for row in csv_rows(folder / "csv", "runs")} == sums
    found = pq.read_table(folder / "parquet" / "runs.parquet").to_pylist()
    assert {row["id"]: row["checksum"] for row in found} == sums


def kept_traces(records):
    with closing(sqlite3.connect(records)) as raw:
        found = raw.execute("SELECT step_id, data FROM traces").fetchall()
    return {str(UUID(step)): unpack(data) for step, data in found}


def test_traces_are_read_bit_for_bit_by_numpy_and_by_arrow(made):
    records, _, folder = made
    kept = kept_traces(records)
    lines = csv_rows(folder / "csv", "traces")
    rows = pq.read_table(folder / "parquet" / "traces.parquet").to_pylist()
    assert len(kept) == len(lines) == len(rows) > 5
    for line in lines:
        with gzip.open(folder / "csv" / line["file"], "rt") as file:
            samples = np.genfromtxt(file, delimiter=",", names=True)
        for name in ("time_s", "current_a", "voltage_v", "battery_feed"):
            assert (samples[name] == getattr(kept[line["step_id"]], name)).all()
    for row in rows:
        for name in ("time_s", "current_a", "voltage_v", "ignition_feed", "flags"):
            assert row[name] == getattr(kept[row["step_id"]], name).tolist()


def test_units_stand_beside_the_columns_of_parquet(made):
    schema = pq.read_schema(made[2] / "parquet" / "half_turns.parquet")
    told = {name: schema.field(name).metadata for name in ("half_turn_s", "peak_a", "dropouts")}
    assert [each[b"unit"] for each in told.values()] == [b"s", b"A", b"1"]
    assert str(pq.read_schema(made[2] / "parquet" / "runs.parquet").field("started_at").type) == (
        "timestamp[us, tz=UTC]"
    )


def test_rows_are_written_group_by_group(tmp_path, made, monkeypatch):
    from rig.exchange import as_parquet

    monkeypatch.setattr(as_parquet, "ROWS", 10)
    monkeypatch.setattr(as_parquet, "TRACE_BYTES", 100_000)
    monkeypatch.setattr("rig.exchange.gathering.RUNS_AT_ONCE", 2)
    export(made[0], tmp_path / "out", Asked(format="parquet", with_traces=True))
    for name in ("half_turns", "traces"):
        assert pq.ParquetFile(tmp_path / "out" / f"{name}.parquet").num_row_groups > 1
    assert_all_there(made[0], tmp_path / "out", "parquet")


# --- the flat table -----------------------------------------------------------------------------


def test_results_are_those_of_the_sheet(made):
    records, ids, folder = made
    rows = csv_rows(folder / "csv", "results")
    with Store.open(records) as store:
        for run_id in ids.values():
            run = store.run(run_id)
            limits = limits_of_plan(run.start.plan_text, run.start.plan_name)
            sheet = measure_rows(run.steps, limits)
            mine = [row for row in rows if row["run_id"] == str(run_id)]
            limited = [row for row in mine if row["verdict"]]
            assert [row["measure"] for row in limited] == [row["measure"] for row in sheet]
            assert mine, "a run without a measure has a row of its own"
    states = {row["verdict"] for row in rows}
    assert {"pass", "fail"} <= states
    slow = [r for r in rows if r["measure"] == "half_turn_s" and r["verdict"] == "fail"]
    assert slow
    assert all(float(r["value"]) > float(r["high"]) + float(r["u"]) for r in slow)
    assert {r["unit"] for r in slow} == {"s"}


def test_a_plan_that_no_program_can_read_costs_the_limits_alone(store, make):
    run_id = store.begin_run(make.run_start(plan_text="no plan"))
    store.finish_step(run_id, make.step(1))
    rows = [dict(zip(RESULTS.names, r, strict=True)) for r in result_rows(store.run(run_id))]
    assert [(r["measure"], r["value"], r["verdict"]) for r in rows] == [
        ("half_turn_mean_s", 0.70312345678901234, None)
    ]


# --- what goes with it --------------------------------------------------------------------------


def description(folder):
    return json.loads((folder / "datapackage.json").read_text(encoding="utf-8"))


@pytest.mark.parametrize("format", FORMATS)
def test_it_is_a_data_package(made, format):
    """Rules of the Data Package standard, version 2 (https://datapackage.org), from memory."""
    folder = made[2] / format
    package = description(folder)
    assert package["$schema"] == "https://datapackage.org/profiles/2.0/datapackage.json"
    assert datetime.fromisoformat(package["created"]).tzinfo is not None
    names = [resource["name"] for resource in package["resources"]]
    assert len(set(names)) == len(names)
    assert set(names) == {"results", "traces", *TABLES}
    columns = {r["name"]: [f["name"] for f in r["schema"]["fields"]] for r in package["resources"]}
    types = {"string", "integer", "number", "boolean", "datetime", "date", "any"}
    for resource in package["resources"]:
        path = Path(resource["path"])
        assert not path.is_absolute()
        assert ".." not in path.parts
        data = (folder / path).read_bytes()
        assert len(data) == resource["bytes"]
        assert resource["hash"] == f"sha256:{hashlib.sha256(data).hexdigest()}"
        schema = resource["schema"]
        assert {field["type"] for field in schema["fields"]} <= types
        assert all(field["description"] for field in schema["fields"])
        assert set(schema.get("primaryKey", [])) <= set(columns[resource["name"]])
        for key in schema.get("foreignKeys", []):
            assert set(key["fields"]) <= set(columns[resource["name"]])
            assert set(key["reference"]["fields"]) <= set(columns[key["reference"]["resource"]])
        if format == "csv":
            rows = csv_rows(folder, resource["name"])
            assert len(rows) == resource["rows"]
            assert all(list(row) == columns[resource["name"]] for row in rows)
            check_cells(schema["fields"], rows)
        else:
            table = pq.read_table(folder / path)
            assert table.column_names == columns[resource["name"]]
            assert table.num_rows == resource["rows"]


def check_cells(fields, rows):
    """Each cell is of its field's type, by Table Schema's lexical rules."""
    read = {
        "integer": int,
        "number": lambda cell: float(cell.replace("INF", "inf")),
        "boolean": {"true": True, "false": False}.__getitem__,
        "datetime": datetime.fromisoformat,
        "date": date.fromisoformat,
        "any": json.loads,
        "string": str,
    }
    for field in fields:
        rules = field.get("constraints", {})
        for row in rows:
            cell = row[field["name"]]
            assert cell or not rules.get("required"), field
            if cell:
                read[field["type"]](cell)
                assert cell in rules.get("enum", [cell])
                if field.get("format") == "uuid":
                    UUID(cell)


def test_people_are_told_what_every_column_is(made):
    text = (made[2] / "csv" / "README.txt").read_text(encoding="utf-8")
    for table in (*TABLES.values(), RESULTS):
        assert f"{table.name}.csv" in text
        assert all(f"  {field.name} " in text for field in table.fields)
    assert max(map(len, text.splitlines())) <= 100


def test_every_column_has_a_meaning_and_every_meaning_a_column():
    for name, meanings in MEANINGS.items():
        assert set(TABLES[name].names) - {"checksum", "written"} == set(meanings) - {""}
    assert set(MEANINGS) == set(TABLES)
    assert not LEFT_OUT & set(TABLES)
    assert all(column in TABLES[table].names for table, column in UNITS)


# --- which runs ---------------------------------------------------------------------------------


def test_what_a_chosen_run_refers_to_goes_with_it_and_nothing_else(tmp_path, made):
    records, ids, _ = made
    wanted = Asked(RunFilter(reference="J-1391", verdict="fail"), words={"reference": "J-1391"})
    done = export(records, tmp_path / "out", wanted)
    assert done.runs == 2
    assert {row["id"] for row in csv_rows(tmp_path / "out", "runs")} == {
        str(ids[name]) for name in ("slow", "leaking")
    }
    assert done.rows["units"] == 1
    assert "reference J-1391" in description(tmp_path / "out")["description"]
    assert_references_hold(tmp_path / "out")


def assert_references_hold(folder):
    for table in (*TABLES.values(), RESULTS):
        for own, other, column in table.refers:
            there = {row[column] for row in csv_rows(folder, other)} | {""}
            assert {row[own] for row in csv_rows(folder, table.name)} <= there, (table.name, own)


def test_calibration_study_and_lot_go_with_their_runs(tmp_path):
    folder = Path(__file__).with_name("data")
    records = tmp_path / "records.db"
    with closing(sqlite3.connect(records)) as raw:
        raw.executescript((folder / "revision_0006.sql").read_text(encoding="utf-8"))
    with Store.open(records) as store:
        (run,) = store.runs()
    done = export(records, tmp_path / "out", Asked(RunFilter(serial=run.unit_serial)))
    small = ("calibrations", "calibration_lines", "calibration_points", "gauge_studies")
    assert all(done.rows[name] for name in (*small, "gauge_trials", "gauge_runs", "texts"))
    assert_references_hold(tmp_path / "out")
    everything = export(records, tmp_path / "all", Asked())
    assert everything.rows == done.rows


def test_every_table_is_chosen_by_some_rule(tmp_path, made):
    from rig.exchange.chosen import rows_wanted

    for name in set(TABLES) - set(OF_RUNS):
        rows_wanted(name, RunFilter(serial="x"))


# --- all or nothing -----------------------------------------------------------------------------


def test_a_bench_may_go_on_and_one_moment_is_written(tmp_path, make):
    records = tmp_path / "records.db"
    with Store.open(records) as store:
        ids = {store.begin_run(make.run_start()) for _ in range(RUNS_AT_ONCE + 1)}

        def another(_doing, _part):
            run_id = store.begin_run(make.run_start(unit_serial="later"))
            store.finish_step(run_id, make.step(1, trace=None))

        export(records, tmp_path / "out", Asked(), another)
        assert len(store.runs(serial="later")) >= 2
    assert {UUID(row["id"]) for row in csv_rows(tmp_path / "out", "runs")} == ids
    assert csv_rows(tmp_path / "out", "steps") == []
    assert {row["serial"] for row in csv_rows(tmp_path / "out", "units")} == {"LM12-0041"}


@pytest.mark.parametrize("format", FORMATS)
@pytest.mark.parametrize("error", [OSError(28, "No space left on device"), KeyboardInterrupt()])
def test_an_export_that_fails_leaves_nothing(tmp_path, made, monkeypatch, format, error):
    def fail(*_):
        raise error

    monkeypatch.setattr(out, "describe", fail)
    with pytest.raises(type(error)):
        export(made[0], tmp_path / "out", Asked(format=format, with_traces=True))
    assert list(tmp_path.iterdir()) == []


def test_a_damaged_trace_is_left_out_and_told(tmp_path, store, make):
    run_id = store.begin_run(make.run_start())
    store.finish_step(run_id, make.step(1))
    store.finish_run(run_id, make.run_end())
    with closing(sqlite3.connect(store.path)) as raw:
        raw.execute("UPDATE traces SET data = x'00'")
        raw.commit()
    done = export(store.path, tmp_path / "out", Asked(with_traces=True))
    assert (done.damaged, done.rows["traces"], done.rows["half_turns"]) == ([str(run_id)], 0, 2)


def test_damaged_records_are_told_and_nothing_is_written(tmp_path, store, make):
    store.begin_run(make.run_start())
    with closing(sqlite3.connect(store.path)) as raw:
        raw.execute("UPDATE runs SET started_at = 'once'")
        raw.commit()
    with pytest.raises(RecordsError, match="not as halfturn writes it"):
        export(store.path, tmp_path / "out", Asked())
    assert not (tmp_path / "out").exists()


# --- at the prompt ------------------------------------------------------------------------------


@pytest.fixture
def prompt(capsys, made):
    return lambda *words: halfturn(capsys, "records", "out", *words, "--records", str(made[0]))


def test_the_command_says_what_it_wrote(prompt, tmp_path):
    status, said, _ = prompt(str(tmp_path / "mine"), "--with-traces")
    assert status == 0
    assert "mine: 8 runs, 14 steps, 32 half-turns, 14 traces as CSV" in said
    assert "README.txt" in said
    status, said, _ = prompt(str(tmp_path / "two"), "--serial", "LM-12-0290", "--json")
    assert status == 0
    told = json.loads(said)
    assert (told["rows"]["runs"], told["with_traces"], told["damaged"]) == (1, False, [])


@pytest.mark.parametrize(
    ("words", "status", "text"),
    [
        ((), 3, "folder"),
        ((" ",), 3, "name the folder"),
        (("X", "--format", "xlsx"), 3, "invalid choice"),
        (("X", "--since", "yesterday"), 3, "YYYY-MM-DD"),
        (("X", "--serial", "none such"), 6, "No run matches, so nothing was written"),
        (("nowhere/X",), 4, "no such file or directory"),
    ],
)
def test_what_cannot_be_is_told(prompt, tmp_path, monkeypatch, words, status, text):
    monkeypatch.chdir(tmp_path)
    got = prompt(*words)
    assert (got[0], text in got[2]) == (status, True), got
    assert list(tmp_path.iterdir()) == []


def test_what_is_there_is_never_written_over(prompt, tmp_path):
    (tmp_path / "mine").mkdir()
    for name in ("mine", "mine/"):
        status, _, told = prompt(str(tmp_path / name))
        assert (status, "already there" in told) == (6, True)
    assert list((tmp_path / "mine").iterdir()) == []


def test_parquet_without_its_library_is_told(prompt, tmp_path, monkeypatch):
    monkeypatch.setattr(out, "find_spec", lambda _: None)
    status, _, told = prompt(str(tmp_path / "mine"), "--format", "parquet")
    assert status == 6
    assert "pip install 'halfturn[parquet]'" in told


def test_older_records_are_brought_up_to_date_first(capsys, tmp_path):
    records = tmp_path / "records.db"
    with closing(sqlite3.connect(records)) as raw:
        data = Path(__file__).with_name("data") / "revision_0001.sql"
        raw.executescript(data.read_text(encoding="utf-8"))
    words = ("records", "out", str(tmp_path / "mine"), "--records", str(records))
    assert halfturn(capsys, *words)[0] == 0
    assert len(csv_rows(tmp_path / "mine", "runs")) == 1


def test_no_cell_is_a_formula(tmp_path, store, make):
    odd = "=HYPERLINK(1)"
    start = replace(
        make.run_start(), unit_serial=odd, operator="-x", reference="@a", plan_text="+1"
    )
    store.finish_run(store.begin_run(start), make.run_end(note="\t=1"))
    export(store.path, tmp_path / "out", Asked())
    for path in (tmp_path / "out").glob("*.csv"):
        with path.open(newline="", encoding="utf-8") as file:
            for row in csv.reader(file):
                assert not [cell for cell in row if cell.startswith(("=", "+", "@", "-x", "\t"))]
    assert csv_rows(tmp_path / "out", "units")[0]["serial"] == f"'{odd}"
