"""What the operating system grants the control loop: priority, memory that stays, sharp timers.

`claim` is called once by the thread that will run the loop, in real time only.  Nothing of it is
needed for the loop to be right, only for it to be on time; so whatever is not granted is told with
what to do, and the run goes on.
"""

from __future__ import annotations

import ctypes
import os
import resource
import sys
from collections.abc import Callable
from contextlib import suppress
from dataclasses import dataclass

# Kernel threads that serve interrupts run at 50 (Linux, kernel/irq/manage.c): never above them.
PRIORITY_MAX = 49
SET_UP = "README, Raspberry Pi set-up"
_MCL_CURRENT, _MCL_FUTURE, _MCL_ONFAULT = 1, 2, 4  # asm-generic/mman.h
_PR_SET_TIMERSLACK = 29  # linux/prctl.h; in ns, for the calling thread
_CAP_IPC_LOCK = 14  # linux/capability.h
# The interpreter hands over between threads this often when one waits (s; its default is 5 ms):
# the record's writer computes in this process, and the loop must not wait for it so long.
_SWITCH_S = 0.0005


@dataclass(frozen=True, slots=True)
class Claim:
    """What was got: ``text`` says it in one line, ``advice`` what to do for the rest.

    ``advice`` is empty if everything that was asked for was granted.
    """

    text: str
    advice: str = ""

    @property
    def words(self) -> str:
        """Both in one line."""
        return f"{self.text}. {self.advice}" if self.advice else self.text


@dataclass(frozen=True, slots=True)
class Answer:
    """Whether the system granted one thing, and what it said."""

    granted: bool
    text: str
    advice: str = ""


def claim(*, real_time: bool, priority: int, lock_memory: bool) -> Claim:
    """Ask for what the rig file wants, for the calling thread; return what was granted.

    Threads and processes started later are ordinary ones.
    """
    sharpen_timers()
    sys.setswitchinterval(_SWITCH_S)
    answers = [
        take_priority(priority) if real_time else Answer(True, "ordinary scheduling, as set"),
        lock() if lock_memory else Answer(True, "memory not locked, as set"),
    ]
    advice = " ".join(answer.advice for answer in answers if not answer.granted)
    return Claim(", ".join(answer.text for answer in answers), advice)


def give_back() -> None:
    """Make the calling thread an ordinary one again and unlock memory: the job is over."""
    # The flag stays: only a privileged thread may take it away.
    with suppress(OSError):  # where that is forbidden altogether nothing was got either
        os.sched_setscheduler(0, os.SCHED_OTHER | os.SCHED_RESET_ON_FORK, os.sched_param(0))
    unlock()


def take_priority(priority: int, set_scheduler: Callable[..., None] | None = None) -> Answer:
    """Give the calling thread SCHED_FIFO ``priority`` (1 to `PRIORITY_MAX`)."""
    if not 1 <= priority <= PRIORITY_MAX:
        raise ValueError(f"priority {priority} is not from 1 to {PRIORITY_MAX}")
    set_scheduler = set_scheduler or os.sched_setscheduler
    # A thread inherits its maker's policy: without the flag the record's writer would get it too.
    policy = os.SCHED_FIFO | os.SCHED_RESET_ON_FORK
    try:
        set_scheduler(0, policy, os.sched_param(priority))
    except OSError:
        return Answer(
            False,
            "ordinary scheduling",
            f"SCHED_FIFO {priority} is not permitted: set rtprio, or LimitRTPRIO= of the service, "
            f"to {priority} or more ({SET_UP}).",
        )
    return Answer(True, f"SCHED_FIFO {priority}")


def lock(mlockall: Callable[[int], int] | None = None) -> Answer:
    """Lock this process's memory, what it will get included, so that no page has to be fetched.

    Only where that is unlimited: with a limit an allocation in mid-run could fail for it.
    """
    if not may_lock():
        limit_kib = resource.getrlimit(resource.RLIMIT_MEMLOCK)[0] // 1024
        return Answer(
            False,
            "memory not locked",
            f"The limit on locked memory is {limit_kib} KiB: set memlock, or LimitMEMLOCK= of the "
            f"service, to unlimited ({SET_UP}).",
        )
    call = mlockall or _libc().mlockall
    # What there is is fetched now.  What comes later stays once it is used; fetching all of it
    # would fill the stack of every thread, 8 MB each.
    if call(_MCL_CURRENT) or call(_MCL_FUTURE | _MCL_ONFAULT):
        unlock()
        return Answer(
            False,
            "memory not locked",
            f"Locking it failed ({os.strerror(ctypes.get_errno())}): free memory by closing other "
            "programs.",
        )
    return Answer(True, "memory locked")


def unlock() -> None:
    """Give locked memory free again."""
    _libc().munlockall()


def may_lock() -> bool:
    """Tell whether this process may lock as much memory as it likes."""
    soft, _ = resource.getrlimit(resource.RLIMIT_MEMLOCK)
    return soft == resource.RLIM_INFINITY or bool(_capabilities() >> _CAP_IPC_LOCK & 1)


def sharpen_timers() -> None:
    """Let the calling thread's sleeps end on time: Linux adds 50 us otherwise, but for FIFO."""
    _libc().prctl(_PR_SET_TIMERSLACK, 1, 0, 0, 0)


def _capabilities() -> int:
    with open("/proc/self/status", encoding="ascii", errors="replace") as status:  # noqa: PTH123
        for line in status:
            if line.startswith("CapEff:"):
                return int(line.split()[1], 16)
    return 0


def _libc() -> ctypes.CDLL:
    return ctypes.CDLL(None, use_errno=True)
