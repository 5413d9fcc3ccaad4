"""What the control loop's thread asks of the operating system, granted and not."""

from __future__ import annotations

import os
import subprocess
import sys
from pathlib import Path

import pytest

from rig.bench import realtime
from rig.bench.realtime import Claim, claim, lock, take_priority

ROOT = Path(__file__).parents[2]


def test_fifo_is_asked_for_this_thread_alone_and_not_for_its_children():
    asked = []
    answer = take_priority(40, lambda *words: asked.append(words))
    assert answer.granted
    assert answer.text == "SCHED_FIFO 40"
    ((who, policy, parameter),) = asked
    assert (who, parameter.sched_priority) == (0, 40)  # sched_setscheduler(2): 0 is this thread
    assert policy == os.SCHED_FIFO | 0x40000000  # sched(7): SCHED_RESET_ON_FORK


@pytest.mark.parametrize("priority", [0, 50, 99])
def test_kernel_threads_are_never_outranked(priority):
    with pytest.raises(ValueError, match="1 to 49"):
        take_priority(priority, lambda *words: None)


def test_no_leave_for_fifo_is_told_with_what_to_do():
    def refuse(*words):
        raise PermissionError(1, "Operation not permitted")

    answer = take_priority(40, refuse)
    assert not answer.granted
    assert answer.text == "ordinary scheduling"
    assert "LimitRTPRIO=" in answer.advice
    assert "Raspberry Pi set-up" in answer.advice


def test_memory_is_locked_as_it_is_and_as_it_comes(monkeypatch):
    monkeypatch.setattr(realtime, "may_lock", lambda: True)
    asked = []
    assert lock(lambda flags: asked.append(flags) or 0).granted
    assert asked == [1, 2 | 4]  # mlockall(2): MCL_CURRENT, then MCL_FUTURE | MCL_ONFAULT


def test_memory_is_not_locked_under_a_limit(monkeypatch):
    monkeypatch.setattr(realtime, "may_lock", lambda: False)
    monkeypatch.setattr(realtime.resource, "getrlimit", lambda what: (8 << 20, 8 << 20))

    def never(flags):
        raise AssertionError("an allocation in mid-run would fail")

    answer = lock(never)
    assert not answer.granted
    assert "8192 KiB" in answer.advice
    assert "LimitMEMLOCK=" in answer.advice


def test_a_lock_that_fails_halfway_is_given_up(monkeypatch):
    monkeypatch.setattr(realtime, "may_lock", lambda: True)
    given_up = []
    monkeypatch.setattr(realtime, "unlock", lambda: given_up.append(True))
    assert not lock(lambda flags: -1 if flags & 2 else 0).granted
    assert given_up


@pytest.mark.parametrize(
    ("limit", "capabilities", "may"),
    [(realtime.resource.RLIM_INFINITY, 0, True), (8 << 20, 1 << 14, True), (8 << 20, 0, False)],
)
def test_who_may_lock(monkeypatch, limit, capabilities, may):
    monkeypatch.setattr(realtime.resource, "getrlimit", lambda what: (limit, limit))
    monkeypatch.setattr(realtime, "_capabilities", lambda: capabilities)
    assert realtime.may_lock() is may


def test_a_claim_says_what_was_got_and_what_to_do_for_the_rest(monkeypatch):
    monkeypatch.setattr(realtime, "sharpen_timers", lambda: None)
    monkeypatch.setattr(realtime.sys, "setswitchinterval", lambda s: None)
    monkeypatch.setattr(
        realtime, "take_priority", lambda p: realtime.Answer(False, "ordinary", "Do this.")
    )
    monkeypatch.setattr(realtime, "lock", lambda: realtime.Answer(True, "memory locked"))
    got = claim(real_time=True, priority=40, lock_memory=True)
    assert got == Claim("ordinary, memory locked", "Do this.")
    assert got.words == "ordinary, memory locked. Do this."
    unasked = claim(real_time=False, priority=40, lock_memory=False)
    assert not unasked.advice
    assert unasked.words == "ordinary scheduling, as set, memory not locked, as set"


def test_what_the_kernel_grants_holds_for_the_loops_thread_and_no_other():
    """In a process of its own: the claim cannot be taken back."""
    code = (
        "import os, threading\n"
        "from rig.bench.realtime import claim, give_back\n"
        "seen = []\n"
        "ready, done = threading.Event(), threading.Event()\n"
        "def other(): ready.wait(); seen.append(os.sched_getscheduler(0))\n"
        "before = threading.Thread(target=other); before.start()\n"
        "got = claim(real_time=True, priority=7, lock_memory=True)\n"
        "mine = os.sched_getscheduler(0) & ~os.SCHED_RESET_ON_FORK\n"
        "ready.set(); before.join()\n"
        "after = threading.Thread(target=other); after.start(); after.join()\n"
        "slack = open('/proc/self/timerslack_ns').read() if mine == 0 else '1'\n"
        "locked = [l for l in open('/proc/self/status') if l.startswith('VmLck')][0].split()[1]\n"
        "print(mine, *seen, os.sched_getparam(0).sched_priority, slack.strip(), locked)\n"
        "print(got.words)\n"
        "give_back()\n"
        "kept = [l for l in open('/proc/self/status') if l.startswith('VmLck')][0].split()[1]\n"
        "print(os.sched_getscheduler(0) & ~os.SCHED_RESET_ON_FORK, kept)\n"
    )
    done = subprocess.run(
        [sys.executable, "-c", code], cwd=ROOT, capture_output=True, text=True, timeout=60
    )
    assert done.returncode == 0, done.stderr
    numbers, words, given_back = done.stdout.splitlines()
    assert given_back == f"{os.SCHED_OTHER} 0"
    mine, before, after, priority, slack, locked_kib = map(int, numbers.split())
    assert before == after == os.SCHED_OTHER
    assert slack == 1
    if "SCHED_FIFO 7" in words.split(".")[0]:
        assert (mine, priority) == (os.SCHED_FIFO, 7)
    else:
        assert mine == os.SCHED_OTHER
        assert "LimitRTPRIO=" in words
    assert ("memory locked" in words) is (locked_kib > 1000)
