"""The current of the unit's relay coil, where a sensor in the ignition feed sees it."""

from __future__ import annotations

from rig.analysis.model import Measure
from rig.analysis.relay import coil_a
from rig.analysis.trace import Trace
from rig.bench.steps.work import StepContext


def coil_measures(ctx: StepContext, trace: Trace) -> list[Measure]:
    """Return the median coil current (A) with the ignition feed made; empty without a sensor."""
    measure = coil_a(trace, ctx.coil_accuracy)
    return [] if measure is None else [measure]
