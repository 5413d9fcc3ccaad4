"""Telling systemd that the bench is up and alive, in the protocol of sd_notify(3).

The proof of life comes from whoever calls `alive`: the control loop, once it has completed cycles,
and the wait for a job.  Never a thread of its own, which would go on when the loop hangs.
"""

from __future__ import annotations

import os
import socket
import time
from collections.abc import Callable, Mapping
from contextlib import suppress


class ServiceNotes:
    """Notes to the service manager; does nothing where there is none.

    ``environment`` holds NOTIFY_SOCKET and WATCHDOG_USEC as systemd sets them; ``now_s`` is a
    monotonic clock (s).
    """

    def __init__(
        self,
        environment: Mapping[str, str] = os.environ,
        now_s: Callable[[], float] = time.monotonic,
    ) -> None:
        self._now_s = now_s
        self._next_s = 0.0
        self._socket: socket.socket | None = None
        self._address = environment.get("NOTIFY_SOCKET", "")
        allowed_us = environment.get("WATCHDOG_USEC", "")
        # Four times as often as needed: one late note is not a death.
        self._every_s = int(allowed_us) / 4e6 if allowed_us.isdigit() and int(allowed_us) else None
        if self._address.startswith("@"):
            self._address = "\0" + self._address[1:]
        if self._address:
            self._socket = socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM | socket.SOCK_CLOEXEC)
            self._socket.setblocking(False)

    def ready(self) -> None:
        """Say that the bench is up, its feeds off."""
        self._send("READY=1")

    def status(self, text: str) -> None:
        """Say in a line what the bench does (`systemctl status` shows it)."""
        self._send(f"STATUS={text}")

    def alive(self) -> None:
        """Prove to be alive; cheap enough for every cycle of a control loop."""
        if self._every_s is None or self._socket is None:
            return
        now_s = self._now_s()
        if now_s >= self._next_s:
            self._next_s = now_s + self._every_s
            self._send("WATCHDOG=1")

    def stopping(self) -> None:
        """Say that the bench ends because it was told to."""
        self._send("STOPPING=1")

    def _send(self, text: str) -> None:
        if self._socket is not None:
            # A manager that does not listen must never hold up the loop.
            with suppress(OSError):
                self._socket.sendto(text.encode(), self._address)

    def close(self) -> None:
        """Let go of the socket.  Idempotent."""
        if self._socket is not None:
            self._socket.close()
            self._socket = None
