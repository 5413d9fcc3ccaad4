"""Runs of drawn units through drivers, loop and analysis, watched from the world's side."""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from math import inf
from pathlib import Path

from bench_runs import make_settings
from drawn_units import HEAD, SHAPES, Drawn
from true_breaches import Standing, Told, standings
from true_turns import TrueTurn, true_turns
from witness import Witness, witnessed

from drivers import BackendOptions, DriverError
from rig.analysis.model import Judgement
from rig.bench.events import RunEnded, StepBegan, StepEnded
from rig.bench.order import RunOrder
from rig.commands.direct import run_direct
from rig.plans import Plan, plan_from_text

BACKEND = "witness:watched_backend"


@dataclass
class Ran:
    """One run: how it ended (None: it could not start), what was told, what truly happened."""

    ended: RunEnded | None
    told: dict[int, Told]
    steps: list[StepBegan]
    witness: Witness
    plan: Plan
    turns: list[TrueTurn] = field(default_factory=list)

    @property
    def verdict(self) -> str:
        """Return pass, fail, retest or none."""
        judgement = self.judgement
        return "none" if judgement is None else str(judgement.verdict)

    @property
    def judgement(self) -> Judgement | None:
        """What the unit got."""
        return None if self.ended is None else self.ended.judgement


def plan_text(drawn: Drawn, limits: dict[str, str]) -> str:
    """Return the plan of a unit."""
    head = HEAD.format(limits="\n".join(f"{name} = {text}" for name, text in limits.items()))
    steps = SHAPES[drawn.shape].format(count=drawn.count)
    if drawn.programmable:
        supply_v = f"\nsupply_v = {max(float(drawn.extra['supply_v']), 8.0):.2f}"
        steps = steps.replace("pause_s = 0.3", f"pause_s = 0.3{supply_v}")
    return head + steps


def run(drawn: Drawn, limits: dict[str, str], records: Path, *, unguarded: bool = False) -> Ran:
    """Run a unit on its plan through drivers, loop and analysis, watched from the world's side.

    ``unguarded`` lets nothing take the feeds away but the plan's steps: what would it have done?
    """
    plan = plan_from_text(plan_text(drawn, limits), Path("campaign.toml"))
    if unguarded:
        guard = plan.guard.model_copy(
            update={
                "stall_s": 4.0,
                "run_on_s": 4.0,
                "over_current_a": 60.0,  # what the sensor still reads
                "winding_max_c": 1e4,
            }
        )
        plan = plan.model_copy(update={"guard": guard})
    settings = make_settings(sample_hz=drawn.sample_hz, supply=drawn.programmable)
    station = settings.stations[0]
    sensor = station.battery_sensor.model_copy(update={"bus_every": drawn.bus_every})
    station = station.model_copy(update={"battery_sensor": sensor})
    settings = settings.model_copy(update={"stations": (station,)})
    order = RunOrder(
        settings,
        station,
        plan,
        f"SIM-{drawn.seed}",
        backend=BACKEND,
        options=BackendOptions(seed=drawn.seed, faults=drawn.faults, extra=drawn.extra),
        consent=True,
    )
    told: dict[int, Told] = {}
    steps: list[StepBegan] = []

    def show(event) -> None:
        if isinstance(event, StepBegan):
            steps.append(event)
        elif isinstance(event, StepEnded):
            rest = [m.u for m in event.measures if m.name == "rest_draw_a" and m.u is not None]
            told[event.number] = Told(event.half_turns, max(rest, default=None))

    with witnessed(drawn.errors) as witness:
        try:
            ended = run_direct(order, records, show)
        except DriverError:  # the bench refuses to start: nothing was fed
            ended = None
    if ended is not None and ended.on_request:  # a signal, caught by the run
        raise KeyboardInterrupt
    ran = Ran(ended, told, steps, witness, plan)
    ran.turns = true_turns(witness)
    return ran


def all_standings(drawn: Drawn, ran: Ran) -> list[Standing]:
    """Return how everything the unit truly did in a run stands to the plan's limits."""
    limits = ran.plan.analysis_limits()
    nominal_v, period_s = ran.plan.unit.nominal_v, 1.0 / drawn.sample_hz
    found: list[Standing] = []
    starts = [step.time_s for step in ran.steps] + [inf]
    for k, step in enumerate(ran.steps):
        if step.kind == "zero":
            continue
        told = ran.told.get(step.number, Told((), None))
        parked: dict[bool, bool] = {}
        for turn in ran.turns:
            if not starts[k] <= turn.start_s < starts[k + 1]:
                continue
            if step.kind == "park_check" and not turn.from_ignition and turn.to_run in parked:
                if turn.flows and turn.last_s - turn.first_s > 0.02:
                    what = "does not stay parked"
                    found.append(Standing(what, "outcome", 0.0, inf, 0.0, turn.start_s))
                continue
            is_park = step.kind == "park_check"
            found += standings(turn, told, limits, nominal_v, period_s, park_check=is_park)
            if turn.from_ignition:
                parked[turn.to_run] = True
    return _with_u(found)


def _with_u(found: list[Standing]) -> list[Standing]:
    """Return standings without a stated uncertainty with the largest that was stated elsewhere.

    A measure that was not taken of one half-turn was not better known there than of the others.
    """
    most: dict[str, float] = {}
    for s in found:
        most[s.limit] = max(most.get(s.limit, 0.0), s.u)
    return [s if s.u or s.excess == inf else replace(s, u=most[s.limit]) for s in found]
