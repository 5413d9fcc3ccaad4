"""What bad input was found to do wrong, each mended at its cause."""

from __future__ import annotations

import csv
import io
import json
import re
from pathlib import Path

import fuzz_targets
import numpy as np
import pytest
from fuzz_place import a_place
from fuzz_seeds import HEADER, small_trace
from fuzz_targets import run_of

from drivers.scpi import parse_error, parse_number
from rig import tracefile
from rig.plans import PlanError, plan_from_text
from rig.records.export import half_turns_csv, text_cell
from rig.records.store import Store
from rig.schema import MistakesError, read_text
from rig.tracefile import TraceFileError, read_trace


@pytest.mark.parametrize(
    ("scale", "column", "says"),
    [
        (1e305, 1, "current_a"),
        (1e305, 2, "voltage_v"),
        (1e300, 0, "time_s: 1"),
        (1e-302, 0, "less than 1e-09 s after"),
    ],
)
def test_a_trace_beyond_any_bench_is_refused_and_not_judged(scale, column, says):
    header, *rows = small_trace(80).decode().splitlines()
    cells = [row.split(",") for row in rows]
    for row in cells:
        row[column] = f"{float(row[column]) * scale:.6g}"
    with a_place() as here:
        ended = here.run(
            "judge", "-", "--plan", "qualify",
            stdin="\n".join([header, *map(",".join, cells)]).encode(),
        )  # fmt: skip
        assert ended.status == 4
        assert says in ended.error


def test_times_of_a_clock_that_counts_from_1970_are_judged():
    fuzz_targets.trace(small_trace(80).replace(b"\n0.", b"\n1767225600."))
    with a_place() as here:
        data = small_trace(80).replace(b"\n0.", b"\n1767225600.").replace(b"\n0,", b"\n1767225600,")
        assert here.run("judge", "-", "--plan", "qualify", stdin=data).status in (0, 1, 2)


def test_a_line_without_end_is_not_read_to_its_end(tmp_path, monkeypatch):
    monkeypatch.setattr(tracefile, "_CHUNK", 100)
    monkeypatch.setattr(tracefile, "_LONGEST_LINE", 1000)
    path = tmp_path / "t.csv"
    path.write_bytes(HEADER + b"0,0,12,1,1\n" + b"0" * 5000)
    with pytest.raises(TraceFileError, match="line 3: this line does not end"):
        read_trace(path)
    path.write_bytes(HEADER + b"0,0,12,1," + b" " * 900 + b"1\n")
    assert len(read_trace(path)) == 1


def test_a_trace_too_large_for_the_memory_is_told(tmp_path, monkeypatch):
    def too_much(*_, **__):
        raise MemoryError

    path = tmp_path / "t.csv"
    path.write_bytes(small_trace(3))
    monkeypatch.setattr(np, "loadtxt", too_much)
    with pytest.raises(TraceFileError, match="larger than this computer's memory"):
        read_trace(path)


def test_many_columns_of_one_name_are_told_apart(tmp_path):
    path = tmp_path / "t.csv"
    columns = 20_000  # in time that grows with their square, half a minute
    path.write_bytes(HEADER.strip() + b",a" * columns + b"\n0,0,12,1,1" + b",7" * columns + b"\n")
    names = list(read_trace(path).extra)
    assert names[:3] == ["a", "a_2", "a_3"]
    assert names[-1] == f"a_{columns}"


def test_a_file_that_is_too_large_is_told_once(tmp_path):
    path = tmp_path / "rig.toml"
    path.write_bytes(b"#" * 1_000_001)
    with pytest.raises(MistakesError) as caught:
        read_text(path, MistakesError, "the rig file")
    assert str(caught.value).count("rig.toml") == 1


def test_a_file_of_another_kind_is_not_told_without_end():
    text = "".join(f"k{n} = 1\n" for n in range(5000))  # in time that grows with the square
    with pytest.raises(PlanError) as caught:
        plan_from_text(text, Path("p.toml"))
    told = str(caught.value).splitlines()
    assert len(told) == 101
    assert re.match(
        r"p.toml: there are 50\d\d mistakes in this file, of which 100 are told", told[0]
    )


def test_a_line_without_end_in_a_plan_is_told_where_it_is():
    with pytest.raises(PlanError, match=r"p.toml, line 2: this line has 20004 characters"):
        plan_from_text("\na" + ".a" * 10_000 + "= 1", Path("p.toml"))


def test_no_export_goes_over_the_records(tmp_path):
    with a_place() as here:
        records = here.bench / "logs" / "records.sqlite"
        (here.bench / "link").symlink_to(records)
        run = json.loads(here.run("records", "list", "--json").out)[0]["run_id"]
        before = records.read_bytes()
        for option in ("--trace", "--half-turns", "--measures"):
            for name in ("logs/records.sqlite", "link", str(records)):
                ended = here.run("records", "export", run, option, name)
                assert ended.status == 3
                assert "is the records themselves" in ended.error
        assert records.read_bytes() == before


def test_a_trace_exported_to_standard_output_is_a_trace_and_nothing_else():
    with a_place() as here:
        words = ("--backend", "simulated", "--quiet", "--accept-cautions")
        assert here.run("run", "quick.toml", *words, "--operator", " jo\n").status == 0
        run = json.loads(here.run("records", "list", "--json").out)[0]
        assert run["operator"] == "jo"
        ended = here.run("records", "export", run["run_id"], "--trace", "-")
        assert ended.status == 0
        assert "samples of run" in ended.error
        # What was printed is bytes in memory here, and none of it is text of ours.
        again = here.run("judge", "-", "--plan", "quick.toml", stdin=ended.out.encode())
        assert again.status == 2


@pytest.mark.parametrize(
    ("serial", "cell"),
    [
        ("LM-12-0417", "LM-12-0417"),
        ("=1+1", "'=1+1"),
        ("-0417", "'-0417"),
        ("+0417", "'+0417"),
        ("@sum", "'@sum"),
        ("＝1", "'＝1"),
        ("'=1", "''=1"),
        ("1=1", "1=1"),
    ],
)
def test_a_serial_that_looks_like_a_formula(tmp_path, serial, cell):
    """Guarded in CSV, reversibly; the records and JSON have it as typed."""
    run = run_of(serial)
    rows = list(csv.DictReader(io.StringIO(half_turns_csv(run), newline="")))
    assert [row["unit_serial"] for row in rows] == [cell]
    assert text_cell(serial).removeprefix("'" * (cell != serial)) == serial
    with Store.open(tmp_path / "records.sqlite") as store:
        store.begin_run(run.start)
        assert store.runs()[0].unit_serial == serial


@pytest.mark.parametrize(
    "reply", ["1_2", "", "nan", "inf", "1e999", "9.91E+37", "0x1", "1,2", "1 V"]
)
def test_a_reply_that_is_no_number(reply):
    with pytest.raises(ValueError, match=r"no number|for no number"):
        parse_number(reply)


def test_a_queue_entry_of_endless_digits():
    with pytest.raises(ValueError, match="error queue"):
        parse_error("9" * 4000 + ',"x"')
