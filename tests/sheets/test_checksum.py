"""The checksum of a run: what changes it, what does not, and by which rule it is made."""

from __future__ import annotations

import json
import sqlite3
import struct
from contextlib import contextmanager
from dataclasses import fields, is_dataclass, replace
from datetime import UTC, datetime, timedelta
from hashlib import sha256
from math import nan
from pathlib import Path

import pytest

from rig.analysis.trace import Trace
from rig.records.checksum import canonical_text, trace_sum
from rig.records.codec import pack, unpack
from rig.records.model import RunEvent
from rig.records.store import Store

FROZEN = Path(__file__).parents[1] / "records" / "data"


def checksum(path, run_id):
    with Store.open(path) as store:
        return store.checksum(run_id)


def test_members_stand_in_the_order_of_rfc_8785(store, made):
    # RFC 8785, 3.2.3: the names of its example, and the order that it gives for them.
    names = ["\u20ac", "\r", "\ufb33", "1", "\U0001f600", "\u0080", "\u00f6"]
    ordered = ["\r", "1", "\u0080", "\u00f6", "\u20ac", "\U0001f600", "\ufb33"]
    run = store.run(made[1]["new"])
    step = replace(run.steps[0], answers=dict.fromkeys(names, "x"))
    text = canonical_text(replace(run, steps=(step,)), {})
    assert list(json.loads(text)["steps"][0]["answers"]) == ordered


def test_texts_are_escaped_as_rfc_8785_says(store, made):
    # RFC 8785, 3.2.2.2: the string of its example, and how it is written.
    run = store.run(made[1]["new"])
    text = '€$\u000f\nA\'B"\\\\"/'
    written = '"€$\\u000f\\nA\'B\\"\\\\\\\\\\"/"'
    start = replace(run.start, reference=text)
    assert f'"reference":{written}' in canonical_text(replace(run, start=start), {})


def test_the_checksum_is_sha_256_of_the_canonical_text(store, made):
    run_id = made[1]["new"]
    run = store.run(run_id, with_traces=True)
    sums = {step.number: trace_sum(step.trace) for step in run.steps if step.trace is not None}
    whole = store.run(run_id)
    assert store.checksum(run_id) == sha256(canonical_text(whole, sums).encode()).hexdigest()


def test_a_trace_is_summed_by_its_content_alone(store, made):
    # Written out by hand from the rule in rig/records/checksum.py.
    run = store.run(made[1]["new"], with_traces=True)
    trace = next(step.trace for step in run.steps if step.trace is not None)
    digest = sha256()
    columns = [
        *((name, "f8", getattr(trace, name)) for name in ("time_s", "current_a", "voltage_v")),
        *((name, "bool", getattr(trace, name)) for name in ("battery_feed", "ignition_feed")),
        *([] if trace.flags is None else [("flags", "u1", trace.flags)]),
        *((f"extra:{name}", "f8", column) for name, column in trace.extra.items()),
    ]
    for name, kind, values in columns:
        digest.update(
            name.encode() + b"\0" + kind.encode() + b"\0" + struct.pack("<Q", len(values))
        )
        layout = {"f8": "<d", "bool": "<?", "u1": "<B"}[kind]
        digest.update(b"".join(struct.pack(layout, value) for value in values))
    assert trace_sum(trace) == digest.hexdigest()


@pytest.fixture
def frozen(tmp_path):
    """Return what opens a frozen file of records, brought up to date."""

    @contextmanager
    def opened(name):
        path = tmp_path / "records.sqlite"
        raw = sqlite3.connect(path)
        raw.executescript((FROZEN / f"{name}.sql").read_bytes().decode())
        raw.close()
        with Store.open(path) as store:
            yield store

    return opened


KEPT = {
    "revision_0001": ["7ab204bd27d2a5954738"],
    "revision_0006": ["6847ace957fc3e049da1"],
    "revision_0008": ["dc90f11f7ce213c3c011"],
}
"""The first 80 bits of the checksums of frozen records, as sheets of them bear them."""


@pytest.mark.parametrize("name", KEPT)
def test_an_old_record_keeps_its_checksum(frozen, name):
    """A sheet printed in the first days must verify for good; these records are frozen."""
    with frozen(name) as store:
        assert [store.checksum(run.run_id)[:20] for run in store.runs()] == KEPT[name]


LATER = {"bench"}
"""Fields that came after the last frozen record."""


def test_the_last_frozen_record_has_something_in_every_field(frozen):
    """Else its checksum says nothing of a field that holds something only elsewhere."""
    with frozen("revision_0008") as store:
        run = store.run(store.runs()[0].run_id, with_traces=True)
    filled, known = set(), set()
    for value in parts_of(run):
        for name in (field.name for field in fields(value)):
            known.add((type(value).__name__, name))
            if getattr(value, name) not in (None, "", (), {}):
                filled.add((type(value).__name__, name))
    assert {"Point", "Reference", "Correction", "Lateness", "Reason"} <= {kind for kind, _ in known}
    assert {each for each in known - filled if each[1] not in LATER} == set()


def parts_of(value):
    """Yield every dataclass in a record, but for traces, which have a sum of their own."""
    if is_dataclass(value) and not isinstance(value, Trace):
        yield value
        for field in fields(value):
            yield from parts_of(getattr(value, field.name))
    elif isinstance(value, tuple):
        for item in value:
            yield from parts_of(item)


def test_what_a_program_makes_of_residuals_leaves_it_as_it_is(frozen):
    with frozen("revision_0006") as store:
        run = store.run(store.runs()[0].run_id)
    stood = run.start.calibration
    line = stood.calibration.current
    other = replace(line, residuals=tuple(-2.0 * left for left in line.residuals))
    assert any(other.residuals)
    calibration = replace(stood.calibration, current=other)
    start = replace(run.start, calibration=replace(stood, calibration=calibration))
    assert canonical_text(replace(run, start=start), {}) == canonical_text(run, {})


def test_notes_written_afterwards_leave_it_as_it_is(records):
    path, ids = records
    was = checksum(path, ids["new"])
    with Store.open(path) as store:
        store.add_event(ids["new"], RunEvent(datetime.now(UTC), nan, "note", "sold to nobody yet"))
    assert checksum(path, ids["new"]) == was
    with Store.open(path) as store:
        at = store.run(ids["new"]).start.started_at + timedelta(seconds=1)
        store.add_event(ids["new"], RunEvent(at, 1.0, "note", "during the run"))
    assert checksum(path, ids["new"]) != was


def test_how_it_is_stored_leaves_it_as_it_is(records, tmp_path):
    path, ids = records
    was = checksum(path, ids["new"])
    raw = sqlite3.connect(path)
    raw.execute("VACUUM")
    for row_id, data in raw.execute("SELECT id, data FROM traces").fetchall():
        raw.execute("UPDATE traces SET data = ? WHERE id = ?", (pack(unpack(data)), row_id))
    raw.commit()
    raw.close()
    assert checksum(path, ids["new"]) == was


# What of the tables is not the judged run: keys, who ran it, how much a trace holds (told by the
# trace itself), and texts that stand under their own checksum.
NOT_COVERED = {
    "id", "unit_id", "run_id", "step_id", "position", "samples", "sha256", "swept_by",
    "owner_host", "owner_boot", "owner_space", "owner_pid", "owner_started",
    "plan_sha256", "rig_sha256",
}  # fmt: skip
TABLES = {
    "runs": "id = :run",
    "units": "id = (SELECT unit_id FROM runs WHERE id = :run)",
    "texts": "sha256 IN (SELECT plan_sha256 FROM runs WHERE id = :run)",
    "steps": "run_id = :run",
    "half_turns": "step_id IN (SELECT id FROM steps WHERE run_id = :run)",
    "measures": "step_id IN (SELECT id FROM steps WHERE run_id = :run)",
    "events": "run_id = :run",
    "reasons": "run_id = :run",
}
OTHER = {
    "outcome": "slow",
    "direction": "to_stop",
    "verdict": "retest",
    "state": {"runs": "stopped", "steps": "skipped"},
    "source": "delivery_lot",
    "answers": '{"asked": "other"}',
    "backend_facts": '{"seed": "77"}',
    "calibration": '{"state": "rig_changed", "on": "2026-03-02", "changed": ["its shunt"]}',
    "lateness": None,
}


def other_value(table, column, value):
    """Return another value that the records could hold there."""
    if column in OTHER:
        other = OTHER[column]
        return other[table] if isinstance(other, dict) else other
    if (isinstance(value, str) and column.endswith("_at")) or column == "at":
        return value.replace(":", ":", 1)[:-1] + ("1" if value[-1] != "1" else "2")
    if isinstance(value, str):
        return f"{value}x"
    if isinstance(value, int) and value in (0, 1) and column in ("simulated", "feeds_off", "swept"):
        return 1 - value
    return 1.5 if value is None else value + 100


def test_any_value_that_is_changed_changes_it(records):
    """Every column of every table that a run stands in, one after the other."""
    path, ids = records
    run_id, run = ids["new"], ids["new"].hex
    with Store.open(path) as store:
        was = store.checksum(run_id)
        tried = _changed_one_by_one(path, run, lambda: store.checksum(run_id), was)
        assert store.checksum(run_id) == was
    assert tried > 50


def _changed_one_by_one(path, run, now, was):
    """Change one value after the other and put it back; return how many were tried."""
    tried = 0
    for table, where in TABLES.items():
        raw = sqlite3.connect(path)
        columns = [row[1] for row in raw.execute(f"PRAGMA table_info({table})")]
        for column in (name for name in columns if name not in NOT_COVERED):
            (rowid, value) = raw.execute(
                f"SELECT rowid, {column} FROM {table} WHERE {where} ORDER BY {column} IS NULL",
                {"run": run},
            ).fetchone()
            other = other_value(table, column, value)
            if other == value or (value is None and not column.endswith(("_s", "_a", "_v", "u"))):
                continue
            raw.execute(f"UPDATE {table} SET {column} = ? WHERE rowid = ?", (other, rowid))
            raw.commit()
            assert now() != was, f"{table}.{column}"
            raw.execute(f"UPDATE {table} SET {column} = ? WHERE rowid = ?", (value, rowid))
            raw.commit()
            tried += 1
        raw.close()
    return tried


@pytest.mark.parametrize("damage", ["a sample", "a byte", "gone"])
def test_a_trace_that_is_changed_changes_it(records, damage):
    path, ids = records
    was = checksum(path, ids["new"])
    raw = sqlite3.connect(path)
    row_id, data = raw.execute(
        "SELECT traces.id, data FROM traces JOIN steps ON steps.id = step_id WHERE run_id = ?",
        (ids["new"].hex,),
    ).fetchone()
    if damage == "a sample":
        trace = unpack(data)
        current_a = trace.current_a.copy()
        current_a[len(current_a) // 2] += 1e-9
        raw.execute(
            "UPDATE traces SET data = ? WHERE id = ?",
            (pack(replace(trace, current_a=current_a)), row_id),
        )
    elif damage == "a byte":
        spoilt = bytearray(data)
        spoilt[len(spoilt) // 2] ^= 1
        raw.execute("UPDATE traces SET data = ? WHERE id = ?", (bytes(spoilt), row_id))
    else:
        raw.execute("DELETE FROM traces WHERE id = ?", (row_id,))
    raw.commit()
    raw.close()
    assert checksum(path, ids["new"]) != was
