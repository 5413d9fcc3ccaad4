"""The current of the unit's relay coil, where a sensor in the ignition feed sees it."""

from __future__ import annotations

import numpy as np

from rig.analysis.model import Measure
from rig.analysis.trace import Trace
from rig.bench.steps.work import StepContext

# A relay's coil has its full current long before this after its feed is made (s): TE V23234 data
# sheet, operate time 7 ms typical, and the sensor is read every fifth sample at 200 Hz or more.
SETTLED_S = 0.1


def coil_measures(ctx: StepContext, trace: Trace) -> list[Measure]:
    """Return the median coil current (A) with the ignition feed made; empty without a sensor."""
    current_a = trace.extra.get("ignition_current_a")
    accuracy = ctx.coil_accuracy
    if current_a is None or accuracy is None:
        return []
    made = trace.ignition_feed
    began = np.where(made & ~np.roll(made, 1), trace.time_s, -np.inf)
    settled = made & (trace.time_s - np.maximum.accumulate(began) > SETTLED_S)
    seen = current_a[settled & np.isfinite(current_a)]
    if not len(seen):
        return []
    coil_a = float(np.median(seen))
    u_a = 2.0 * float(np.hypot(accuracy.gain_u_rel * coil_a, accuracy.offset_u_a))
    return [Measure("relay_coil_a", coil_a, "A", u_a)]
