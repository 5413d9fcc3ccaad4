"""Room for records: how much is free, and how long a trace fits in it."""

from __future__ import annotations

import os
import shutil
from collections.abc import Callable
from pathlib import Path

from drivers import Finding, FindingState

# Measured: 100 half-turns of the simulated bench at 1 kHz, half-turns and trace, take 0.83 bytes a
# sample, and 2.1 at 200 Hz.  A real sensor's noise packs worse; the codec keeps times and currents
# in steps, a byte each at least (guess: 4 in all).
BYTES_PER_SAMPLE = 4.0
LOOK_H, WRONG_H = 24.0, 1.0
_TITLE = "Room for records"


def free(
    folder: Path,
    sample_hz: int,
    room: Callable[[Path], int] = lambda folder: shutil.disk_usage(folder).free,
    writable: Callable[[Path], bool] = lambda folder: os.access(folder, os.W_OK | os.X_OK),
) -> Finding:
    """Return whether records at ``sample_hz`` fit into ``folder``, which need not be there yet."""
    there = next(path for path in (folder, *folder.absolute().parents) if path.exists())
    if not writable(there):
        return Finding(
            "disk",
            _TITLE,
            FindingState.WRONG,
            f"{there} may not be written: nothing can be recorded, so nothing will be fed",
            f"Give this user leave (sudo chown $USER {there}), or name another folder as logs in "
            "the rig file.",
        )
    hours = room(there) / (sample_hz * 3600 * BYTES_PER_SAMPLE)
    seen = f"{room(there) / 1e9:.1f} GB free in {folder}, {_hours(hours)} at {sample_hz} Hz"
    if hours < LOOK_H:
        state = FindingState.WRONG if hours < WRONG_H else FindingState.LOOK
        return Finding(
            "disk",
            _TITLE,
            state,
            seen,
            "Move old records to another disk, or name another folder as logs in the rig file.",
        )
    return Finding("disk", _TITLE, FindingState.OK, seen)


def _hours(hours: float) -> str:
    if hours < 48:
        return f"about {hours:.1f} hours of trace"
    return f"about {hours / 24:.0f} days of trace"
