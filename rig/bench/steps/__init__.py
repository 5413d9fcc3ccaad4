"""The steps a plan is made of, one class each; `make_work` turns a plan's step into one."""

from __future__ import annotations

from rig.bench.steps.asked import RelaySwap, Visual
from rig.bench.steps.probes import Jam, RestDraw, SupplySweep, Zero
from rig.bench.steps.relay_check import RelayCheck
from rig.bench.steps.turns import Endurance, HalfTurns, Loaded, ParkCheck
from rig.bench.steps.work import Findings, SkippedStep, StepContext, StepWork
from rig.plans import (
    AnyStep,
    EnduranceStep,
    HalfTurnsStep,
    JamStep,
    LoadedStep,
    ParkCheckStep,
    RelayCheckStep,
    RelaySwapStep,
    RestDrawStep,
    SupplySweepStep,
    VisualStep,
    ZeroStep,
)


def make_work(step: AnyStep, shunt_ohm: float) -> StepWork:
    """Return the runnable form of a plan's step; ``shunt_ohm`` is the station's shunt."""
    match step:
        case VisualStep():
            return Visual(step)
        case ZeroStep():
            return Zero(step, shunt_ohm)
        case RestDrawStep():
            return RestDraw(step)
        case HalfTurnsStep():
            return HalfTurns(step)
        case SupplySweepStep():
            return SupplySweep(step)
        case LoadedStep():
            return Loaded(step)
        case ParkCheckStep():
            return ParkCheck(step)
        case EnduranceStep():
            return Endurance(step)
        case JamStep():
            return Jam(step)
        case RelaySwapStep():
            return RelaySwap(step)
        case RelayCheckStep():
            return RelayCheck(step)


__all__ = ["Findings", "SkippedStep", "StepContext", "StepWork", "make_work"]
