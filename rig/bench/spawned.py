"""A bench process: spawned, never forked, and its end."""

from __future__ import annotations

import multiprocessing
import signal
from collections.abc import Callable
from multiprocessing.context import SpawnProcess
from typing import Any

from rig.bench.handle import TERMINATED_S
from rig.bench.signals import ENDING


def spawn(main: Callable[..., None], *args: Any) -> SpawnProcess:
    """Start a process that does ``main``; a forked child would keep a pin driven."""
    process = multiprocessing.get_context("spawn").Process(
        target=main, args=args, name="halfturn bench"
    )
    # The child inherits the mask and unblocks when it can answer a signal in its own way.
    before = signal.pthread_sigmask(signal.SIG_BLOCK, ENDING)
    try:
        process.start()
    finally:
        signal.pthread_sigmask(signal.SIG_SETMASK, before)
    return process


def has_ended(process: SpawnProcess, wait_s: float) -> bool:
    """Wait for a process that was told to end; False if it hung and had to be killed."""
    process.join(wait_s)
    if not process.is_alive():
        return True
    # Nothing tidies up in a process that hangs; left alone it would hold up our own end.
    process.terminate()
    process.join(TERMINATED_S)
    process.kill()
    process.join(TERMINATED_S)
    return False
