"""Sending to, hearing of and ending a bench process that hangs."""

from __future__ import annotations

import multiprocessing
import os
import signal
import struct
import time

import pytest

from rig.bench.commands import Answer, Hold, Note, Stop
from rig.bench.console_end import PipeLine
from rig.bench.events import Ready
from rig.bench.mailbox import Inbox, Outbox, aged
from rig.bench.process import BenchClient


@pytest.fixture
def pipe():
    ours, theirs = multiprocessing.Pipe()
    yield ours, theirs
    ours.close()
    theirs.close()


@pytest.fixture
def inbox(pipe):
    opened = Inbox(pipe[0])
    yield opened
    opened.close(5.0)
    assert opened.ended


def drained(connection, wait_s=2.0):
    found = []
    while connection.poll(wait_s):
        wait_s = 0.2
        found.append(connection.recv())
    return found


def test_everything_but_old_holds_arrives_in_order(pipe):
    outbox = Outbox(pipe[0])
    for thing in (Note("a"), Answer("ok"), Note("b")):
        outbox.put(thing)
    outbox.close(2.0)
    assert drained(pipe[1]) == [Note("a"), Answer("ok"), Note("b")]


def test_an_end_that_reads_nothing_holds_nobody_up_and_gets_the_newest_hold_and_the_stop(pipe):
    outbox = Outbox(pipe[0])
    began_s = time.monotonic()
    outbox.put(Note("x" * 1_000_000))  # more than any pipe takes: the sender is stuck from here
    for _ in range(20_000):
        outbox.put(Hold(True, False))
    outbox.put(Note("kept"))
    assert time.monotonic() - began_s < 5.0
    outbox.put(Hold(True, True))
    outbox.put(Stop("enough"))
    assert [type(thing) for thing in drained(pipe[1])] == [Note, Note, Stop]


def test_half_a_message_holds_nobody_up(pipe, inbox):
    pipe[1].send(Note("whole"))
    os.write(pipe[1].fileno(), struct.pack("!i", 100) + b"only twenty bytes..")
    assert inbox.take(2.0) == Note("whole")
    began_s = time.monotonic()
    assert inbox.take() is None
    assert time.monotonic() - began_s < 0.5
    assert not inbox.gone


def test_an_inbox_is_gone_when_all_that_was_sent_is_taken(pipe, inbox):
    pipe[1].send(Note("last"))
    pipe[1].close()
    assert inbox.take(2.0) == Note("last")
    end_s = time.monotonic() + 5.0
    while not inbox.gone and time.monotonic() < end_s:
        time.sleep(0.01)
    assert inbox.gone


def test_a_lease_counts_from_when_it_was_sent():
    now_s = time.monotonic()
    fresh = aged(Hold(True, False, 0.5, at_s=now_s))
    assert fresh.battery
    assert 0.3 < fresh.lease_s <= 0.5
    old = aged(Hold(True, True, 0.5, at_s=now_s - 0.6))
    assert old.lease_s == 0.0
    assert old.battery  # not a let-go, which would lift the bar after a trip
    assert aged(Hold(True, True, 0.5)) == Hold(True, True, 0.5)


def test_a_bench_that_hangs_is_ended_and_told_of(tmp_path):
    bench = BenchClient(None, tmp_path / "records.sqlite", quiet=True)
    end_s = time.monotonic() + 60.0
    while not any(isinstance(event, Ready) for event in bench.events(0.2)):
        assert time.monotonic() < end_s
    os.kill(bench.pid, signal.SIGSTOP)
    assert not bench.close(wait_s=0.2)
    assert not bench.alive
    assert bench.close()  # once is enough


def test_a_bench_without_memory_to_hear_its_console_takes_it_for_gone(monkeypatch, pipe):
    """It would not hear a stop either, so it must not go on feeding."""
    inbox = Inbox(pipe[0])
    monkeypatch.setattr(pipe[0], "recv", _no_memory)
    pipe[1].send(Note("a"))  # wakes the read that is going on
    pipe[1].send(Note("b"))
    assert inbox.take(5.0) == Note("a")
    inbox._thread.join(5.0)
    assert inbox.gone


def test_an_event_that_there_was_no_memory_to_send_is_sent_when_there_is(monkeypatch, pipe):
    sends = pipe[0].send
    denied = iter([_no_memory, _no_memory])
    monkeypatch.setattr(pipe[0], "send", lambda event: next(denied, sends)(event))
    line = PipeLine(pipe[0])
    line.send(Ready())
    assert drained(pipe[1]) == [Ready()]
    line.close()


def _no_memory(*_):
    raise MemoryError
