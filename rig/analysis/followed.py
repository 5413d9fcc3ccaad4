"""A drive followed from end to end with the circuit known: current and back-EMF of every sample."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from rig.analysis.run_up_fit import RunUpFit
from rig.analysis.trace import FloatArray
from rig.analysis.turned import Turned
from rig.analysis.warming import Warming


@dataclass(frozen=True, slots=True)
class Followed:
    """``current_a`` and ``emf_v`` (V) of the samples of ``drive``, dropouts bridged.

    ``loop_ohm`` is the resistance behind ``volts`` at each sample: the winding as it warms, leads
    and supply.
    """

    drive: Turned
    current_a: FloatArray
    emf_v: FloatArray
    loop_ohm: FloatArray
    volts: float

    @property
    def running_v(self) -> float:
        """The back-EMF (V) it runs at: the median of the later half."""
        return float(np.median(self.emf_v[len(self.emf_v) // 2 :]))


def follow(drives: Sequence[Turned], warming: Warming, fit: RunUpFit) -> list[Followed]:
    """Return those of ``drives`` whose voltage is known, followed."""
    found: list[Followed] = []
    for drive, along_k in zip(drives, warming.along_k, strict=True):
        if drive.line is None:
            continue
        current_a = drive.current_a
        if not drive.closed.all() and drive.closed.any():
            index = np.arange(len(current_a))
            current_a = np.interp(index, index[drive.closed], current_a[drive.closed])
        loop_ohm = fit.ohm_at(along_k) + drive.line.ohm
        volts = drive.line.volts
        found.append(Followed(drive, current_a, volts - loop_ohm * current_a, loop_ohm, volts))
    return found
