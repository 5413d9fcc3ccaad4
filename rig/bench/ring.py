"""The samples' way to the console: a ring in shared memory, one writer, any number of readers.

The writer never waits; a reader that falls behind loses the oldest samples and knows how many.
"""

from __future__ import annotations

from contextlib import suppress
from math import nan
from multiprocessing import resource_tracker
from multiprocessing.shared_memory import SharedMemory

import numpy as np
from numpy.typing import NDArray

from rig.bench.requests import Sample

COLUMNS = (
    "time_s",
    "current_a",
    "voltage_v",
    "battery_feed",
    "ignition_feed",
    "flags",
    "emergency_stop",
    "at_run",
    "at_stop",
    "ignition_a",
    "master",
)
_WIDTH = len(COLUMNS)
SAMPLES = 16_384  # 16 s at 1 kHz


class SampleRing:
    """A ring of `SAMPLES` samples; made by the console's process, written by the bench's.

    ``foreign``: the ring ``name`` was made by a process that we are no child of; it is only
    looked at.
    """

    def __init__(self, name: str | None = None, *, foreign: bool = False) -> None:
        size = 8 + SAMPLES * _WIDTH * 8
        self._memory = SharedMemory(name=name, create=name is None, size=size)
        if foreign:
            # Else Python would remove it when this process ends.
            resource_tracker.unregister(f"/{self._memory.name}", "shared_memory")
        self._owner = name is None
        self._count = np.ndarray((1,), dtype=np.uint64, buffer=self._memory.buf)
        self._rows = np.ndarray(
            (SAMPLES, _WIDTH), dtype=np.float64, buffer=self._memory.buf, offset=8
        )
        if self._owner:
            self._count[0] = 0
        self._written = int(self._count[0])

    @property
    def name(self) -> str:
        """The name by which another process opens this ring."""
        return self._memory.name

    @property
    def written(self) -> int:
        """How many samples were ever written."""
        return int(self._count[0])

    def write(self, sample: Sample) -> None:
        """Add a sample; the count is written last, so that a reader never sees half a row."""
        t, amps, volts, battery, ignition, flags, coil_a, stop, at_run, at_stop, master = sample
        self._rows[self._written % SAMPLES] = (
            t,
            amps,
            volts,
            battery,
            ignition,
            flags,
            stop,
            nan if at_run is None else at_run,
            nan if at_stop is None else at_stop,
            coil_a,
            nan if master is None else master,
        )
        self._written += 1
        self._count[0] = self._written

    def since(self, seen: int) -> tuple[int, NDArray[np.float64]]:
        """Return how many were written by now and a copy of the rows after the first ``seen``.

        Rows that were overwritten meanwhile are left out.
        """
        count = self.written
        first = max(seen, count - SAMPLES)
        rows = self._rows[np.arange(first, count) % SAMPLES]
        # Anything the writer reached while we copied may be torn: drop it.
        overwritten = self.written - SAMPLES + 1
        if overwritten > first:
            rows = rows[overwritten - first :]
        return count, rows

    def close(self) -> None:
        """Let go of the memory; its maker also removes it.  Idempotent."""
        if self._memory is None:
            return
        memory, self._memory = self._memory, None  # type: ignore[assignment]
        del self._count, self._rows
        memory.close()
        if self._owner:
            # A system that tidies up after its users may have removed it meanwhile.
            with suppress(FileNotFoundError):
                memory.unlink()
