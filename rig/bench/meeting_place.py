"""Where a bench that outlives its console is found: a local socket beside the records.

Nothing here ever opens a network port.  The socket and its lock are files that only their owner
may use (mode 0600), and each end asks the kernel who the other is before it reads a byte: what
crosses are pickled objects, which only the same user, or root, may send.
"""

from __future__ import annotations

import errno
import fcntl
import os
import socket
import struct
import time
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from multiprocessing.connection import Connection
from pathlib import Path
from types import TracebackType

from rig.bench.errors import BenchError

SOCKET = "bench.socket"
LOCK = "bench.lock"
_TRY_AGAIN_S = 0.5
_CREDENTIALS = struct.Struct("3i")  # struct ucred of unix(7): process, user, group


class TakenError(BenchError):
    """A bench is at this meeting place already."""


class MeetingPlace:
    """Listens in ``folder`` until closed; there is one at most.

    Raises TakenError if a bench listens there already, BenchError if the folder cannot be used.
    """

    def __init__(self, folder: Path) -> None:
        self._folder = folder
        before = None
        try:
            folder.mkdir(parents=True, exist_ok=True)
            before = os.umask(0o177)
            self._lock = os.open(folder / LOCK, os.O_RDWR | os.O_CREAT | os.O_CLOEXEC, 0o600)
            try:
                self._listen()
            except BaseException:
                os.close(self._lock)
                raise
        except OSError as error:
            raise BenchError(
                f"The bench cannot listen for consoles in {folder}: {error.strerror or error}. "
                "See that the folder exists, is on a disk of this computer, and may be written to."
            ) from error
        finally:
            if before is not None:
                os.umask(before)

    def _listen(self) -> None:
        try:
            fcntl.flock(self._lock, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except BlockingIOError:
            raise TakenError(
                f"A bench is at work with the records in {self._folder} already. "
                "`halfturn attach` shows what it does."
            ) from None
        # The lock is ours, so a socket that is still there was left by a bench that died.
        with suppress(FileNotFoundError):
            (self._folder / SOCKET).unlink()
        self._socket = socket.socket(socket.AF_UNIX, socket.SOCK_STREAM)
        try:
            with _short(self._folder) as address:
                self._socket.bind(address)
            self._socket.listen(8)
        except BaseException:
            self._socket.close()
            raise

    def accept(self) -> tuple[Connection, int] | None:
        """Wait for a visitor; return its line and process number, None once closed.

        One that runs as another user is turned away unheard.
        """
        while True:
            try:
                visitor, _ = self._socket.accept()
            except OSError as error:
                if error.errno in (errno.EINTR, errno.ECONNABORTED):
                    continue
                if error.errno in (errno.EMFILE, errno.ENFILE, errno.ENOMEM):
                    time.sleep(_TRY_AGAIN_S)
                    continue
                return None
            pid, user = _who(visitor)
            if user in (0, os.geteuid()):
                return Connection(visitor.detach()), pid
            visitor.close()

    def close(self) -> None:
        """Listen no more.  Idempotent."""
        if self._lock < 0:
            return
        with suppress(OSError):
            (self._folder / SOCKET).unlink()
        with suppress(OSError):
            self._socket.shutdown(socket.SHUT_RDWR)  # wakes whoever waits in `accept`
        self._socket.close()
        os.close(self._lock)
        self._lock = -1

    def __enter__(self) -> MeetingPlace:
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        self.close()


def visit(folder: Path) -> Connection | None:
    """Return a line to the bench that listens in ``folder``, None if none does.

    Raises BenchError if there is one that this user may not talk to.
    """
    if not (folder / SOCKET).exists():
        return None
    line = socket.socket(socket.AF_UNIX, socket.SOCK_STREAM)
    try:
        with _short(folder) as address:
            line.connect(address)
        _, user = _who(line)
        if user not in (0, os.geteuid()):
            raise PermissionError(errno.EPERM, "it belongs to another user")
    except (ConnectionRefusedError, FileNotFoundError):
        line.close()
        return None  # left by a bench that died
    except OSError as error:
        line.close()
        raise BenchError(
            f"The bench that listens in {folder} cannot be talked to: {error.strerror or error}. "
            "Work as the user it runs as (`ls -l` shows who that is)."
        ) from error
    return Connection(line.detach())


def somebody_listens(folder: Path) -> bool:
    """Tell whether a living bench listens in ``folder``, without disturbing it.

    By the kernel's list of locks (proc(5), /proc/locks): a socket is there also when it has died.
    """
    try:
        number = (folder / LOCK).stat().st_ino
        locks = Path("/proc/locks").read_text(encoding="ascii").splitlines()
    except OSError:
        return False
    held = (line.split() for line in locks if " FLOCK " in line)
    return any(len(lock) > 5 and lock[5].endswith(f":{number}") for lock in held)


@contextmanager
def _short(folder: Path) -> Iterator[str]:
    """Yield a short name of the socket: the kernel takes 107 characters and folders are deep."""
    handle = os.open(folder, os.O_RDONLY | os.O_DIRECTORY | os.O_CLOEXEC)
    try:
        yield f"/proc/self/fd/{handle}/{SOCKET}"
    finally:
        os.close(handle)


def who_listens(line: Connection) -> int:
    """Return the process number of the bench at the other end of ``line``."""
    with socket.socket(fileno=os.dup(line.fileno())) as end:
        return _who(end)[0]


def _who(line: socket.socket) -> tuple[int, int]:
    told = line.getsockopt(socket.SOL_SOCKET, socket.SO_PEERCRED, _CREDENTIALS.size)
    pid, user, _ = _CREDENTIALS.unpack(told)
    return pid, user
