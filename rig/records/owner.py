"""Which process runs a run, so that a run left behind by a dead process can be told apart."""

from __future__ import annotations

import os
import socket
from dataclasses import dataclass
from pathlib import Path


@dataclass(frozen=True, slots=True)
class Owner:
    """A process: its host, that host's boot, its space of process numbers, its number and start.

    ``started`` in clock ticks since boot: a process number that was given out again does not
    pass for the old process.  Empty or 0 where the system does not tell (no /proc).
    """

    host: str
    boot: str
    space: str
    pid: int
    started: int

    @classmethod
    def here(cls) -> Owner:
        """Return the process that calls."""
        pid = os.getpid()
        return cls(_host(), _boot(), _space(), pid, _started(pid))

    def may_live(self) -> bool:
        """Return False only if this process has surely ended.

        Of another host, or of another container on this one, nothing can be known from here.
        """
        if self.host != _host():
            return True
        if self.boot != _boot():
            return False
        if self.space != _space():
            return True
        return exists(self.pid) and self.started == _started(self.pid)


def _host() -> str:
    # The machine id outlives a new host name; the name is for systems without one.
    return _read("/etc/machine-id") or socket.gethostname()


def _boot() -> str:
    return _read("/proc/sys/kernel/random/boot_id")


def _space() -> str:
    try:
        return str(Path("/proc/self/ns/pid").readlink())
    except OSError:
        return ""


def _started(pid: int) -> int:
    # proc(5): field 22 of /proc/PID/stat; the name in field 2 may hold spaces and brackets.
    fields = _read(f"/proc/{pid}/stat").rpartition(")")[2].split()
    return int(fields[19]) if len(fields) > 19 else 0


def exists(pid: int) -> bool:
    """Tell whether process ``pid`` is there and has not ended."""
    # A zombie has ended: it only waits for its parent to ask.
    if _read(f"/proc/{pid}/stat").rpartition(")")[2].split()[:1] == ["Z"]:
        return False
    try:
        os.kill(pid, 0)
    except ProcessLookupError:
        return False
    except PermissionError:
        return True
    return True


def _read(path: str) -> str:
    try:
        return Path(path).read_text(encoding="utf-8").strip()
    except (OSError, UnicodeDecodeError):
        return ""
