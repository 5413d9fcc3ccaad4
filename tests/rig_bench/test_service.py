"""A bench that outlives its consoles: who may come, what they are told, what is left of a crash."""

import os
import signal
import socket
import stat
import threading
import time
import warnings
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from bench_runs import HALF_TURNS, make_order, make_plan, make_settings
from bench_service import Service
from waiting import WAIT_S, events_until

from drivers import BackendOptions
from rig.bench.attached import UnheardError, attach
from rig.bench.commands import Stop
from rig.bench.detached import start_detached
from rig.bench.errors import BenchError, OccupiedError
from rig.bench.events import HalfTurnEnded, Ready, RunBegan, RunEnded, StepEnded
from rig.bench.meeting_place import LOCK, SOCKET, MeetingPlace, TakenError, somebody_listens, visit
from rig.bench.visitors import Visitors
from rig.bench.watchdog import ServiceNotes
from rig.cli import main
from rig.records.model import RunState
from rig.records.store import Store

SAMPLE_HZ = 200
SETTINGS = make_settings(sample_hz=SAMPLE_HZ, supply=False)
SHORT = make_order(settings=SETTINGS)
LONG = replace(
    make_order(make_plan(HALF_TURNS.replace("count = 2", "count = 40")), settings=SETTINGS),
    options=BackendOptions(real_time=True),
)


def come(folder):
    """Return the bench at ``folder`` once it waits for a job: it hangs up before it waits again."""
    end_s = time.monotonic() + WAIT_S
    while True:
        bench = attach(folder, free_within_s=WAIT_S)
        if bench is not None and bench.job is None:
            return bench
        if bench is not None:
            bench.close()
        assert time.monotonic() < end_s
        time.sleep(0.02)


def hung_up(bench):
    end_s = time.monotonic() + WAIT_S
    while bench.alive and time.monotonic() < end_s:
        list(bench.events(0.05))
    assert not bench.alive


@pytest.fixture(scope="module")
def service(tmp_path_factory):
    # Deeper than the 107 characters that a socket's name may have.
    folder = tmp_path_factory.mktemp("service") / ("deep" * 30)
    service = Service(folder)
    yield service
    assert service.close() == 0


@pytest.fixture
def place(service):
    return service.records.parent


def test_it_comes_up_with_the_feeds_off_and_says_that_it_is_ready(service):
    assert "2 feeds read back off" in service.told
    assert service.notes[-1] == "READY=1"


def test_job_after_job_each_with_samples_of_its_own(place):
    for _ in range(2):
        bench = come(place)
        bench.begin(SHORT)
        events = events_until(bench, RunEnded)
        assert isinstance(events[0], Ready)
        assert events[-1].state is RunState.FINISHED
        written, rows = bench.ring.since(0)
        assert len(rows) > 200
        # From its own beginning, with nothing of the job before.  In virtual time a slow disk is
        # waited for by more cycles than a ring holds, so the first of them may be gone.
        assert (np.diff(rows[:, 0]) > 0.0).all()
        assert rows[-1, 0] * SAMPLE_HZ == pytest.approx(written, abs=100)
        hung_up(bench)
        assert bench.close()


def test_only_one_commands_but_anybody_may_stop(place):
    bench = come(place)
    bench.begin(replace(LONG, detached=True))
    events_until(bench, HalfTurnEnded)
    with pytest.raises(OccupiedError, match=f"process {os.getpid()}"):
        attach(place)
    other = attach(place, only_to_stop=True)
    other.tell(Stop("somebody else pressed stop"))
    ended = events_until(bench, RunEnded)[-1]
    assert ended.state is RunState.STOPPED
    assert "somebody else" in ended.note
    assert other.end(WAIT_S)
    other.close()
    bench.close()


def test_leaving_ends_a_job_that_was_not_to_go_on(service, place):
    bench = come(place)
    bench.begin(LONG)
    run_id = events_until(bench, RunBegan)[-1].run_id
    events_until(bench, HalfTurnEnded)
    with socket.socket(fileno=os.dup(bench._pipe.fileno())) as line:
        line.shutdown(socket.SHUT_RDWR)  # as a killed console leaves it
    with Store.open(service.records) as store:
        end_s = time.monotonic() + WAIT_S
        while (run := store.run(run_id)).end is None and time.monotonic() < end_s:
            time.sleep(0.05)
    assert run.end.state is RunState.INTERRUPTED
    assert "console went away" in run.end.note
    assert run.end.feeds_off
    bench.close()


def test_who_comes_back_is_told_everything_from_the_beginning(place):
    bench = come(place)
    plan = make_plan('[[step]]\nkind = "zero"\nduration_s = 0.2\n', HALF_TURNS)
    order = replace(LONG, plan=plan, detached=True)
    bench.begin(order)
    first = events_until(bench, HalfTurnEnded)
    assert bench.goes_on
    assert bench.close()
    back = attach(place, free_within_s=WAIT_S)
    assert back.job == order
    seen = events_until(back, RunEnded)
    told = [type(event) for event in first if not isinstance(event, Ready)]
    assert [type(event) for event in seen][: len(told)] == told
    assert any(isinstance(event, StepEnded) and event.kind == "zero" for event in seen)
    assert seen[-1].state is RunState.FINISHED
    hung_up(back)
    back.close()


def test_only_its_own_user_may_come(place):
    mode = stat.S_IMODE((place / SOCKET).stat().st_mode)
    assert mode == 0o600


@pytest.mark.skipif(os.geteuid() != 0, reason="only root can become somebody else")
def test_somebody_else_is_turned_away_even_if_the_file_lets_him_in(tmp_path, monkeypatch):
    with MeetingPlace(tmp_path) as meeting:
        (tmp_path / SOCKET).chmod(0o666)
        tmp_path.chmod(0o755)
        monkeypatch.chdir(tmp_path)
        read, write = os.pipe()
        with warnings.catch_warnings():  # Python 3.12 warns of threads that the child lacks
            warnings.simplefilter("ignore", DeprecationWarning)
            stranger = os.fork()
        if not stranger:
            os.setuid(65534)
            with socket.socket(socket.AF_UNIX) as line:
                line.settimeout(WAIT_S)
                line.connect(SOCKET)
                os.write(write, b"heard %d" % len(line.recv(1)))
            os._exit(0)
        came = []
        door = threading.Thread(target=lambda: came.append(meeting.accept()))
        door.start()
        os.waitpid(stranger, 0)
        os.close(write)
        heard = os.read(read, 100)
        os.close(read)
        meeting.close()
        door.join(WAIT_S)
    assert heard == b"heard 0"  # hung up on
    assert came == [None]


def test_a_second_bench_at_the_same_place_is_refused(service, place):
    with pytest.raises(TakenError, match="halfturn attach"):
        MeetingPlace(place)


def test_a_socket_left_by_a_dead_bench_is_no_bench_and_is_taken_over(tmp_path, monkeypatch):
    left = socket.socket(socket.AF_UNIX)
    monkeypatch.chdir(tmp_path)
    left.bind(SOCKET)
    left.close()
    assert visit(tmp_path) is None
    assert attach(tmp_path) is None
    assert not somebody_listens(tmp_path)
    with MeetingPlace(tmp_path):
        assert visit(tmp_path) is not None
        assert somebody_listens(tmp_path)
    assert visit(tmp_path) is None
    assert not somebody_listens(tmp_path)


def test_killed_and_started_again_it_marks_the_run_and_has_the_feeds_off(tmp_path):
    service = Service(tmp_path)
    try:
        bench = come(service.records.parent)
        bench.begin(replace(LONG, detached=True))
        run_id = events_until(bench, RunBegan)[-1].run_id
        events_until(bench, HalfTurnEnded)
        service.kill()
        hung_up(bench)
        bench.close()
        service.start()
        assert service.told.count("2 feeds read back off") == 2
        assert f"run {run_id} of LM-12-0001 was interrupted" in service.told
        with Store.open(service.records) as store:
            assert store.run(run_id).end.state is RunState.INTERRUPTED
    finally:
        assert service.close() == 0


def test_the_watchdog_hears_the_loop_and_nothing_when_the_loop_hangs(tmp_path):
    service = Service(tmp_path)
    try:
        service.notes.clear()
        service.until(lambda: service.notes.count("WATCHDOG=1") >= 3)  # waiting for a job
        bench = come(service.records.parent)
        bench.begin(replace(LONG, backend="hanging:make", detached=True))
        events_until(bench, RunBegan)
        service.notes.clear()
        service.until(lambda: service.notes.count("WATCHDOG=1") >= 3)  # cycling
        end_s = time.monotonic() + WAIT_S
        quiet_from_s = time.monotonic()
        while time.monotonic() - quiet_from_s < 2.0:  # five times what the manager allows
            assert time.monotonic() < end_s, "it never fell silent"
            if service.listen():
                quiet_from_s = time.monotonic()
        assert service.process.poll() is None  # alive, its threads too, but the loop hangs
    finally:
        service.kill()
        service.close()


def test_notes_go_nowhere_without_a_manager_and_are_not_sent_too_often():
    ServiceNotes({}).alive()
    with socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) as manager:
        manager.bind("")  # the kernel picks an abstract name
        manager.settimeout(1.0)
        address = "@" + manager.getsockname()[1:].decode()
        now_s = 0.0
        notes = ServiceNotes(
            {"NOTIFY_SOCKET": address, "WATCHDOG_USEC": "2000000"}, now_s=lambda: now_s
        )
        for millisecond in range(2001):
            now_s = millisecond / 1000
            notes.alive()
        notes.stopping()
        said = [manager.recv(100) for _ in range(6)]
        notes.close()
    assert said == [b"WATCHDOG=1"] * 5 + [b"STOPPING=1"]  # every half second of the two


def test_a_bench_started_to_go_on_by_itself_outlives_its_starter_and_ends_with_the_job(tmp_path):
    records = tmp_path / "logs" / "records.sqlite"
    bench = start_detached(records)
    with pytest.raises(BenchError, match="already"):
        start_detached(records)
    bench.begin(replace(SHORT, detached=True))
    events_until(bench, RunEnded)
    hung_up(bench)
    bench.close()
    end_s = time.monotonic() + WAIT_S
    while Path(f"/proc/{bench.pid}").exists() and time.monotonic() < end_s:
        time.sleep(0.02)
    assert attach(records.parent) is None
    with Store.open(records) as store:
        assert store.runs()[0].state is RunState.FINISHED


def test_a_bench_that_does_not_answer_is_told_as_such_and_off_ends_it(tmp_path, capsys):
    service = Service(tmp_path)
    place = service.records.parent
    words = ["--rig", str(service.rig), "--records", str(service.records)]
    try:
        bench = come(place)
        bench.begin(replace(LONG, detached=True))
        events_until(bench, HalfTurnEnded)
        bench.close()
        service.process.send_signal(signal.SIGSTOP)
        with pytest.raises(UnheardError, match=r"not answered.*halfturn off") as unheard:
            attach(place, wait_s=0.3)
        assert unheard.value.pid == service.process.pid
        service.process.send_signal(signal.SIGCONT)
        assert main(["off", "--if-idle", *words, "--backend", "simulated"]) == 0
        assert "left alone" in capsys.readouterr().out
        attach(place, free_within_s=WAIT_S).close()  # still there, and at work
        service.process.send_signal(signal.SIGSTOP)
        with pytest.MonkeyPatch.context() as patch:
            patch.setattr("rig.commands.off._STOP_WAIT_S", 0.5)
            patch.setattr("rig.commands.off._ANSWER_S", 0.3)
            assert main(["off", *words, "--backend", "simulated"]) == 0
        out = capsys.readouterr()
        assert "gave no answer and was ended" in out.err
        assert "feeds read back off" in out.out
        service.process.wait(WAIT_S)
    finally:
        service.kill()
        service.close()


def test_without_its_samples_it_is_commanded_all_the_same(tmp_path):
    records = tmp_path / "logs" / "records.sqlite"
    bench = start_detached(records)
    bench.begin(replace(LONG, detached=True))
    events_until(bench, HalfTurnEnded)
    Path("/dev/shm", bench.ring.name).unlink()  # as a system that tidies up after a log-out
    bench.close()
    back = attach(records.parent, free_within_s=WAIT_S)
    assert back.job is not None
    assert back.ring.written == 0
    back.tell(Stop("the test is over"))
    assert events_until(back, RunEnded)[-1].state is RunState.STOPPED
    assert back.end(WAIT_S)
    back.close()
    assert "Traceback" not in (records.parent / "bench.log").read_text()


def test_attach_stop_beside_a_console_ends_the_run_and_says_so(place, service, capsys):
    bench = come(place)
    bench.begin(replace(LONG, detached=True))
    events_until(bench, HalfTurnEnded)
    words = ["attach", "--stop", "--rig", str(service.rig), "--records", str(service.records)]
    assert main(words) == 7
    assert "The run was stopped" in capsys.readouterr().out
    assert events_until(bench, RunEnded)[-1].state is RunState.STOPPED
    bench.close()


def test_what_the_loop_saw_of_half_turns_is_told_until_their_step_is_over(tmp_path):
    with MeetingPlace(tmp_path) as meeting:
        visitors = Visitors(meeting)
        try:
            visitors.begin(LONG)
            for _ in range(3):
                visitors.send(HalfTurnEnded(True, True, 0.7))
            line = visit(tmp_path)
            end_s = time.monotonic() + WAIT_S
            while not line.poll(0.01) and time.monotonic() < end_s:
                visitors.take()
            assert [type(line.recv()).__name__ for _ in range(4)] == [
                "Welcome",
                *["HalfTurnEnded"] * 3,
            ]
            line.close()
            visitors.send(StepEnded(1, "endurance", "Endurance", None, (), (), ""))
            again = visit(tmp_path)
            while not again.poll(0.01) and time.monotonic() < end_s:
                visitors.take()
            assert [type(again.recv()).__name__ for _ in range(2)] == ["Welcome", "StepEnded"]
            again.close()
        finally:
            visitors.close()


def test_a_folder_that_was_not_there_can_be_used_by_others_of_the_program(tmp_path):
    with MeetingPlace(tmp_path / "logs"):
        assert stat.S_IMODE((tmp_path / "logs").stat().st_mode) & 0o700 == 0o700
        for name in (SOCKET, LOCK):
            assert stat.S_IMODE((tmp_path / "logs" / name).stat().st_mode) == 0o600
