"""The unit's own relay: what its steps measured, and what the half-turns say besides."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from rig.analysis.model import HalfTurn, Limits, Measure
from rig.analysis.relay import times
from rig.diagnosis.model import RelayValue
from rig.diagnosis.seen import RunSeen

# Measures of the steps relay_check and relay_swap, and the plan's limits for them.
_VALUES = {
    "relay_operate_s": ("operate time (to the motor's current)", None, "operate_max_s"),
    "relay_release_s": ("release time (to the motor's current)", None, "release_max_s"),
    "relay_pull_in_v": ("pull-in voltage", None, "pull_in_max_v"),
    "relay_drop_out_v": ("drop-out voltage", "drop_out_min_v", None),
    "relay_coil_a": ("coil current", None, None),
    "relay_coil_ohm": ("coil resistance, as found", "coil_min_ohm", "coil_max_ohm"),
    "relay_swap_change": ("time, own against known good relay, part", None, "swap_change_max"),
    "relay_extra_contact_ohm": ("contact, more than the known good one's", None, None),
}


def relay_values(run: RunSeen, turns: Sequence[HalfTurn]) -> tuple[RelayValue, ...]:
    """Return the values that are known; of a measure taken more than once, the last."""
    measured = {
        measure.name: measure
        for step in run.steps
        for measure in step.measures
        if measure.name in _VALUES and measure.value is not None
    }
    step_s = max((_step_s(step.trace.time_s) for step in run.plain if step.trace), default=0.0)
    for measure in times(turns, run.accuracy, step_s):
        if measure.value is not None:
            measured.setdefault(measure.name, measure)
    return tuple(_value(measured[name], run.limits) for name in _VALUES if name in measured)


def _value(measure: Measure, limits: Limits) -> RelayValue:
    title, least, most = _VALUES[measure.name]
    return RelayValue(
        title,
        measure,
        getattr(limits, least) if least else None,
        getattr(limits, most) if most else None,
    )


def _step_s(time_s: np.ndarray) -> float:
    return float(np.median(np.diff(time_s))) if len(time_s) > 1 else 0.0
