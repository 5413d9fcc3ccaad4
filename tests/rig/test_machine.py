"""Is this machine fit?  Each check against made-up answers of the system."""

from __future__ import annotations

import sqlite3
from datetime import UTC, datetime, timedelta, timezone
from pathlib import Path

import pytest

from drivers import Finding, FindingState
from rig import machine
from rig.bench.realtime import Answer
from rig.machine import clock, disk, granted
from rig.records.store import Store
from rig.settings import ControlSettings, starter_settings

NOW = datetime(2026, 11, 28, 9, 30, tzinfo=UTC)
ASKED = ControlSettings()


# --- granted ----------------------------------------------------------------------------------


@pytest.mark.parametrize("check", [granted.real_time, granted.locked_memory])
def test_what_is_not_granted_is_told_with_what_to_do(check):
    refused = check(ASKED, Answer(False, "ordinary", "Set this."))
    assert (refused.state, refused.to_do) == (FindingState.LOOK, "Set this.")
    got = check(ASKED, Answer(True, "got it"))
    assert (got.state, got.text, got.to_do) == (FindingState.OK, "got it", "")
    plain = ControlSettings(real_time=False, lock_memory=False)
    assert check(plain, Answer(True, "")).state is FindingState.LEFT_OUT


@pytest.mark.parametrize(
    ("governors", "state"),
    [
        ((), FindingState.LEFT_OUT),
        (("performance", "performance"), FindingState.OK),
        (("performance", "ondemand"), FindingState.LOOK),
    ],
)
def test_a_processor_that_changes_its_clock(tmp_path, governors, state):
    for number, name in enumerate(governors):
        folder = tmp_path / f"sys/devices/system/cpu/cpu{number}/cpufreq"
        folder.mkdir(parents=True)
        (folder / "scaling_governor").write_text(f"{name}\n")
    found = granted.governor(tmp_path)
    assert found.state is state
    assert ("scaling_governor" in found.to_do) is (state is FindingState.LOOK)


def test_asking_for_priority_leaves_this_thread_as_it_is():
    import os

    before = os.sched_getscheduler(0)
    granted.findings(ASKED)
    assert os.sched_getscheduler(0) == before
    status = Path("/proc/self/status").read_text()
    assert "VmLck:\t       0 kB" in status


# --- room -------------------------------------------------------------------------------------

HOUR = 1000 * 3600 * disk.BYTES_PER_SAMPLE


@pytest.mark.parametrize(
    ("hours", "state"),
    [(0.5, FindingState.WRONG), (2, FindingState.LOOK), (30, FindingState.OK)],
)
def test_room_is_told_in_hours_of_trace(tmp_path, hours, state):
    found = disk.free(tmp_path / "logs" / "more", 1000, room=lambda folder: int(hours * HOUR))
    assert found.state is state
    assert f"about {hours:.1f} hours of trace at 1000 Hz" in found.text
    assert bool(found.to_do) is (state is not FindingState.OK)


def test_room_at_a_lower_rate_lasts_longer(tmp_path):
    found = disk.free(tmp_path, 200, room=lambda folder: int(30 * HOUR))
    assert "about 6 days of trace at 200 Hz" in found.text


def test_a_folder_that_may_not_be_written_is_wrong(tmp_path):
    found = disk.free(tmp_path / "logs", 1000, writable=lambda folder: folder != tmp_path)
    assert found.state is FindingState.WRONG
    assert str(tmp_path) in found.to_do


def test_a_trace_takes_no_more_room_than_is_reckoned_with(tmp_path):
    """The estimate against what a run of the simulated bench really takes."""
    from bench_runs import HALF_TURNS, make_order, make_plan, make_settings

    from rig.commands.direct import run_direct

    path = tmp_path / "records.sqlite"
    Store.open(path).close()
    empty = path.stat().st_size
    plan = make_plan(HALF_TURNS.replace("count = 2", "count = 8"))
    order = make_order(plan, settings=make_settings(sample_hz=1000, supply=False))
    ended = run_direct(order, path, lambda event: None)
    with Store.open(path) as store:
        samples = len(store.trace(ended.run_id))
    assert samples > 10_000
    assert path.stat().st_size - empty < disk.BYTES_PER_SAMPLE * samples


# --- clock ------------------------------------------------------------------------------------


def records_with_a_run(path, started_at):
    Store.open(path).close()
    raw = sqlite3.connect(path)
    columns = [name for _, name, *_ in raw.execute("PRAGMA table_info(runs)")]
    values = {"id": "00", "started_at": f"{started_at:%Y-%m-%d %H:%M:%S.%f}"}
    raw.execute("PRAGMA foreign_keys = OFF")
    marks = ", ".join("?" * len(columns))
    raw.execute(f"INSERT INTO runs VALUES ({marks})", [values.get(c, 0) for c in columns])
    raw.commit()
    raw.close()


@pytest.mark.parametrize(
    ("ahead", "in_step", "state"),
    [
        (timedelta(days=-1), True, FindingState.OK),
        (timedelta(days=-1), False, FindingState.LOOK),
        (timedelta(days=-1), None, FindingState.LOOK),
        (timedelta(hours=1), True, FindingState.WRONG),  # the newest run is in the future
    ],
)
def test_the_time_against_the_newest_run_and_the_kernel(tmp_path, ahead, in_step, state):
    path = tmp_path / "records.sqlite"
    records_with_a_run(path, NOW + ahead)
    before = path.read_bytes()
    found = clock.right(path, now=lambda: NOW, in_step=lambda root: in_step)
    assert found.state is state
    assert ("timedatectl" in found.to_do) is (state is not FindingState.OK)
    assert path.read_bytes() == before


def test_a_clock_that_begins_anew_is_wrong_without_any_records(tmp_path):
    long_ago = datetime(2024, 1, 1, tzinfo=UTC)  # as a Pi without network starts
    found = clock.right(tmp_path / "none", now=lambda: long_ago, in_step=lambda root: False)
    assert found.state is FindingState.WRONG


def test_records_that_cannot_be_read_say_nothing_of_the_time(tmp_path):
    (tmp_path / "r.sqlite").write_bytes(b"no database" * 100)
    assert clock.newest_run(tmp_path / "r.sqlite") is None
    Store.open(tmp_path / "empty.sqlite").close()
    assert clock.newest_run(tmp_path / "empty.sqlite") is None


def test_systemds_mark_is_believed(tmp_path):
    (tmp_path / "run/systemd/timesync").mkdir(parents=True)
    (tmp_path / "run/systemd/timesync/synchronized").touch()
    assert clock.synchronised_now(tmp_path) is True


@pytest.mark.parametrize(("hours", "hint"), [(0, True), (2, False)])
def test_the_zone_is_told(hours, hint):
    zone = UTC if not hours else timezone(timedelta(hours=hours), "CEST")
    found = clock.zone(lambda: NOW.astimezone(zone))
    assert f"(UTC{NOW.astimezone(zone):%z})" in found.text
    assert bool(found.to_do) is hint


# --- together ---------------------------------------------------------------------------------


def test_on_the_simulated_bench_lateness_does_not_matter(tmp_path, monkeypatch):
    slow = Finding("real_time", "Real-time priority", FindingState.LOOK, "ordinary", "Set this.")
    monkeypatch.setattr(granted, "findings", lambda control, root: [slow])
    settings = starter_settings()

    def found(backend):
        used = settings.model_copy(update={"backend": backend})
        (first, *rest) = machine.findings(used, used.station(), tmp_path / "r.sqlite")
        return first, rest[-1]

    first, last = found("simulated")
    assert (first.state, first.to_do) == (FindingState.OK, "")
    assert "does not matter" in first.text
    assert "nothing real is fed" in last.text
    first, last = found("pi")
    assert first == slow
    assert last.state is FindingState.WRONG  # this machine is no Raspberry Pi
    first, last = found("own_bench:make")
    assert (first, last.state) == (slow, FindingState.LEFT_OUT)
