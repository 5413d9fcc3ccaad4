"""Keeps the samples of a step and makes the trace of them."""

from __future__ import annotations

from array import array
from math import nan

import numpy as np

from rig.analysis.trace import Trace
from rig.bench.requests import Sample

_COLUMNS = 9


class Recorder:
    """Appends samples at the pace of the control loop; `trace` builds the arrays afterwards."""

    def __init__(self) -> None:
        self._rows = array("d")

    def __len__(self) -> int:
        return len(self._rows) // _COLUMNS

    def add(self, sample: Sample) -> None:
        """Keep one sample."""
        t, amps, volts, battery, ignition, flags, ignition_a, _, at_run, at_stop, _ = sample
        self._rows.extend(
            (
                t,
                amps,
                volts,
                battery,
                ignition,
                flags,
                ignition_a,
                nan if at_run is None else at_run,
                nan if at_stop is None else at_stop,
            )
        )

    def clear(self) -> None:
        """Forget what was kept."""
        self._rows = array("d")

    def drop_since(self, from_s: float) -> None:
        """Forget the samples since ``from_s`` (bench clock, s)."""
        del self._rows[self._first_since(from_s) * _COLUMNS :]

    def drop_before(self, from_s: float) -> None:
        """Forget the samples before ``from_s`` (bench clock, s); cheap if few are kept."""
        self._rows = self._rows[self._first_since(from_s) * _COLUMNS :]

    def part(self, from_s: float) -> Recorder:
        """Hand over everything that was kept so far; keep only what came since ``from_s``.

        Cheap however much it is, so that the control loop may do it with a feed made.
        """
        whole = Recorder()
        whole._rows = self._rows
        self.drop_before(from_s)
        return whole

    def _first_since(self, from_s: float) -> int:
        first = len(self)
        while first and self._rows[(first - 1) * _COLUMNS] >= from_s:
            first -= 1
        return first

    def trace(self, from_s: float = float("-inf")) -> Trace:
        """Return what was kept since ``from_s`` (bench clock, s) as a trace.

        Further columns: ``ignition_current_a``, ``at_run`` and ``at_stop`` where wired.
        """
        view = np.frombuffer(self._rows, dtype=np.float64).reshape(-1, _COLUMNS)
        # A copy, since a buffer that numpy still looks at cannot grow.
        table = view[np.searchsorted(view[:, 0], from_s) :].copy()
        del view
        extra = {
            name: table[:, column]
            for name, column in (("ignition_current_a", 6), ("at_run", 7), ("at_stop", 8))
            if not np.isnan(table[:, column]).all()
        }
        return Trace(
            table[:, 0],
            table[:, 1],
            table[:, 2],
            table[:, 3] > 0.5,
            table[:, 4] > 0.5,
            table[:, 5].astype(np.uint8),
            extra,
        )
