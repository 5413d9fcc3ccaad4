"""Sending and receiving through a pipe without ever being held up by its other end."""

from __future__ import annotations

import os
import socket
import threading
import time
from collections import deque
from collections.abc import Sequence
from contextlib import suppress
from dataclasses import replace
from multiprocessing.connection import Connection
from queue import Empty, SimpleQueue
from typing import Any

from rig.bench.commands import Hold, Stop

_MEMORY_S = 0.2  # without memory to send with, it is tried again so often


class Outbox:
    """Sends things in a thread of its own, in order; what cannot be sent is lost.

    A bench that hangs takes nothing out of its pipe: held keys must not fill it up, so only the
    newest `Hold` waits, and none waits before a `Stop`.  Each `Hold` is stamped, since a lease
    counts from the key and not from when the bench came to read it.
    """

    def __init__(self, pipe: Connection) -> None:
        self._pipe = pipe
        self._waiting: deque[Any] = deque()
        self._changed = threading.Condition()
        self._closed = False
        self._thread = threading.Thread(target=self._send_all, name="outbox", daemon=True)
        self._thread.start()

    def put(self, thing: Any) -> None:
        """Send ``thing`` as soon as the other end takes it; never blocks."""
        with self._changed:
            if isinstance(thing, (Hold, Stop)):
                kept = [other for other in self._waiting if not isinstance(other, Hold)]
                self._waiting = deque(kept)
            if isinstance(thing, Hold):
                thing = replace(thing, at_s=time.monotonic())
            self._waiting.append(thing)
            self._changed.notify()

    def put_all(self, things: Sequence[Any]) -> None:
        """Send many, in order, at the cost of one; no `Hold` among them."""
        with self._changed:
            self._waiting.extend(things)
            self._changed.notify()

    def _send_all(self) -> None:
        while True:
            with self._changed:
                while not self._waiting:
                    if self._closed:
                        return
                    self._changed.wait()
                thing = self._waiting.popleft()
            try:
                self._pipe.send(thing)
            except MemoryError:
                with self._changed:
                    self._waiting.appendleft(thing)
                time.sleep(_MEMORY_S)
            except OSError:
                pass  # lost: the other end has gone
            except (ValueError, TypeError):
                return  # we have hung up under it

    def close(self, wait_s: float) -> None:
        """Let what waits out for up to ``wait_s`` seconds."""
        with self._changed:
            self._closed = True
            self._changed.notify()
        self._thread.join(wait_s)


class Inbox:
    """Receives in a thread of its own, so that half a message holds nobody up."""

    def __init__(self, pipe: Connection) -> None:
        self._pipe = pipe
        self._came: SimpleQueue[Any] = SimpleQueue()
        self._ended = threading.Event()
        self._thread = threading.Thread(target=self._receive_all, name="inbox", daemon=True)
        self._thread.start()

    def _receive_all(self) -> None:
        try:
            while True:
                self._came.put(self._pipe.recv())
        except (EOFError, OSError, MemoryError):
            pass
        finally:
            # Whatever it was: a bench that no longer hears its console must not go on feeding.
            self._ended.set()

    def close(self, wait_s: float) -> None:
        """Stop receiving, before the pipe is closed; waits up to ``wait_s`` seconds.

        A thread left reading would take what comes through the next pipe that is opened under the
        same number.
        """
        shut(self._pipe, socket.SHUT_RD)
        self._thread.join(wait_s)

    def take(self, wait_s: float = 0.0) -> Any | None:
        """Return the next thing that came, waiting up to ``wait_s`` seconds; None if none did."""
        try:
            return self._came.get(timeout=wait_s) if wait_s else self._came.get_nowait()
        except Empty:
            return None

    @property
    def waiting(self) -> bool:
        """Tell whether something came that was not taken yet."""
        return not self._came.empty()

    @property
    def ended(self) -> bool:
        """Tell whether the other end has gone and nothing more will come."""
        return self._ended.is_set()

    @property
    def gone(self) -> bool:
        """Tell whether the other end has gone and everything it sent was taken."""
        return self.ended and self._came.empty()


def shut(pipe: Connection, how: int) -> None:
    """Shut ``pipe`` down one way or both (`socket.SHUT_RD` and the like), waking who is in it."""
    with suppress(OSError), socket.socket(fileno=os.dup(pipe.fileno())) as end:
        end.shutdown(how)


def aged(hold: Hold) -> Hold:
    """Return ``hold`` with the time it was on its way taken off its lease.

    One that is too old has none left: it feeds nothing, but nobody has let go either.
    """
    if hold.at_s is None:
        return hold
    left_s = hold.lease_s - max(0.0, time.monotonic() - hold.at_s)
    return replace(hold, lease_s=max(0.0, left_s))
