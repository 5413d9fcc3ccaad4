"""`halfturn run`: one plan on one unit, from the first check to the verdict."""

from __future__ import annotations

import argparse
import json
import shlex
import sys
from collections.abc import Callable
from pathlib import Path

from drivers import BackendOptions
from drivers.backends import keeps_own_time
from rig.analysis.model import HalfTurn, Measure
from rig.bench.events import BenchEvent, RunBegan, RunEnded, StepEnded
from rig.bench.order import RunOrder
from rig.commands import exits
from rig.commands.common import need_printable, plan_of, records_path, rig_settings
from rig.commands.exits import CommandError
from rig.commands.progress import Progress
from rig.commands.streams import say, tell
from rig.commands.terminal import wrapped
from rig.commands.verdict import verdict_lines
from rig.contract import calibration_object, decision_object, judgement_object
from rig.feasible import cautions_on_rig, check_plan_on_rig
from rig.labels import NAME_LONGEST, SERIAL_LONGEST
from rig.plans import Plan
from rig.quality.calibration_words import standing_line
from rig.quality.decision import DecisionRule
from rig.records.golden_said import GoldenStanding, golden_standing, golden_words
from rig.records.lateness import lateness_object
from rig.records.model import RunState, Source
from rig.schema import Mistake, MistakesError
from rig.settings import RigSettings, StationSettings

PlanCheck = Callable[[Plan, RigSettings, StationSettings], tuple[Mistake, ...]]


class Gathered:
    """What a run found, gathered from its events for the answer at the end.

    ``whole``: with every step's half-turns and measures, of which a run of days has very many.
    ``rule`` is the plan's.
    """

    def __init__(self, progress: Progress, *, whole: bool, rule: DecisionRule) -> None:
        self._progress = progress
        self.rule = rule
        self._whole = whole
        self.began: RunBegan | None = None
        self.steps: list[StepEnded] = []

    def show(self, event: BenchEvent) -> None:
        """Gather and show one event."""
        if isinstance(event, RunBegan):
            self.began = event
        elif isinstance(event, StepEnded) and self._whole:
            self.steps.append(event)
        self._progress.show(event)

    @property
    def half_turns(self) -> list[HalfTurn]:
        """Every half-turn of the run."""
        return [turn for step in self.steps for turn in step.half_turns]

    @property
    def measures(self) -> list[Measure]:
        """Every measure of the run."""
        return [measure for step in self.steps for measure in step.measures]


def run(options: argparse.Namespace) -> int:
    """Run a plan as the command line says; return the exit status."""
    if options.at:
        from rig.commands.at_stations import orders_at

        orders = orders_at(options)

        from rig.commands.run_stations import run as run_stations

        return run_stations(orders, options)
    if options.detach and options.json:
        raise CommandError(
            exits.USAGE, "--json cannot go with --detach; ask `halfturn attach --json` later."
        )
    order = order_of(options)
    if not options.quiet:
        for caution in cautions_on_rig(order.plan, order.settings, order.station):
            tell(wrapped(f"warning: {caution}"))
    if options.detach:
        from rig.commands.detached import run_detached

        there = "".join(
            f" --{name} {shlex.quote(value)}"
            for name, value in (("rig", options.rig), ("records", options.records))
            if value
        )
        return run_detached(order, records_path(options, order.settings), there)
    ended, _ = carry_out_told(order, records_path(options, order.settings), options)
    return status_of(ended)


def order_of(
    options: argparse.Namespace, check: PlanCheck = check_plan_on_rig, *, plan: Plan | None = None
) -> RunOrder:
    """Return the order a command line gives; raises with every mistake before anything is fed.

    ``plan`` takes the place of the one named in ``options``.
    """
    settings = rig_settings(options, backend=options.backend)
    station = settings.station(options.station or settings.stations[0].name)
    plan = plan_of(options.plan, settings) if plan is None else plan
    mistakes = check(plan, settings, station)
    if mistakes:
        raise MistakesError(mistakes)
    simulated = (options.backend or settings.backend) != "pi"
    serial = options.unit or (f"SIM-{options.seed}" if simulated else None)
    if not serial or not serial.strip():
        raise CommandError(
            exits.USAGE, "which unit is on the jig? Give its serial number with --unit."
        )
    for name, text, longest in (
        ("--unit", serial, SERIAL_LONGEST),
        ("--operator", options.operator, NAME_LONGEST),
        ("--reference", options.reference, NAME_LONGEST),
    ):
        need_printable(name, text.strip(), longest)
    return RunOrder(
        settings=settings,
        station=station,
        plan=plan,
        unit_serial=serial.strip(),
        operator=options.operator.strip(),
        source=Source(options.source),
        reference=options.reference.strip(),
        backend=options.backend,
        options=BackendOptions(
            seed=options.seed,
            faults=tuple(options.fault),
            real_time=options.real_time,
            extra=pairs(options.set),
        ),
        consent=options.accept_cautions,
    )


def pairs(texts: list[str]) -> dict[str, str]:
    """Return what several ``--set NAME=VALUE`` say; CommandError if one is none."""
    pairs = {}
    for text in texts:
        name, sign, value = text.partition("=")
        if not sign or not name:
            raise CommandError(exits.USAGE, f"--set wants NAME=VALUE and got '{text}'.")
        pairs[name] = value
    return pairs


def carry_out_told(
    order: RunOrder, records: Path, options: argparse.Namespace
) -> tuple[RunEnded, Gathered]:
    """Run the order with its progress and its end told as the command line asks."""
    rule = order.plan.decision.as_rule()
    gathered = Gathered(Progress(quiet=options.quiet), whole=options.json, rule=rule)
    ended = carry_out(order, records, gathered)
    tell_end(ended, gathered, as_json=options.json)
    return ended, gathered


def carry_out(order: RunOrder, records: Path, gathered: Gathered) -> RunEnded:
    """Run the order: apart in real time, in this process where time is the world's own."""
    if keeps_own_time(order.backend_name, order.options):
        from rig.commands.direct import run_direct

        return run_direct(order, records, gathered.show)
    from rig.commands.apart import run_apart

    return run_apart(order, records, gathered.show)


def status_of(ended: RunEnded) -> int:
    """Return the exit status of a run that ended so."""
    judgement = ended.judgement
    if ended.on_request:
        return exits.STOPPED
    if judgement is not None and exits.OF_VERDICT[judgement.verdict] == exits.FAIL:
        return exits.FAIL
    if ended.state is RunState.INTERRUPTED or judgement is None:
        return exits.BENCH
    return exits.OF_VERDICT[judgement.verdict]


def answer(ended: RunEnded, gathered: Gathered) -> dict[str, object]:
    """Return the JSON object of a run: the public judgement and what belongs to the run."""
    half_turns = gathered.half_turns
    judged = (
        {
            "verdict": None,
            "reasons": [],
            "decision": decision_object(gathered.rule),
            "half_turns": [],
        }
        if ended.judgement is None
        else judgement_object(ended.judgement, half_turns, gathered.rule)
    )
    return {
        **judged,
        "measures": [
            {"name": m.name, "value": m.value, "unit": m.unit, "u": m.u} for m in gathered.measures
        ],
        "run": str(ended.run_id),
        "state": str(ended.state),
        "note": ended.note,
        "feeds_off": ended.feeds_off,
        "simulated": gathered.began is not None and gathered.began.simulated,
        "calibration": None
        if gathered.began is None
        else calibration_object(gathered.began.calibration),
        "backend": {} if gathered.began is None else gathered.began.facts,
        "golden": None if gathered.began is None else gathered.began.golden,
        "control": ended.control,
        "lateness": lateness_object(ended.lateness),
    }


def tell_end(ended: RunEnded, gathered: Gathered, *, as_json: bool) -> None:
    """Print what came out of a run."""
    say(
        json.dumps(answer(ended, gathered), indent=2) if as_json else words(ended, gathered),
        lost=f"The verdict was {_verdict(ended)}; run {ended.run_id} is in the records.",
    )


def _verdict(ended: RunEnded) -> str:
    return "none" if ended.judgement is None else str(ended.judgement.verdict).upper()


def calibration_lines(gathered: Gathered) -> list[str]:
    """Return what a result says of the rig's calibration, if anything is to be said."""
    line = "" if gathered.began is None else standing_line(gathered.began.calibration)
    return [line] if line else []


def golden_lines(gathered: Gathered) -> list[str]:
    """Return what a result says of the rig by its golden units, if anything is to be said."""
    golden = None if gathered.began is None else gathered.began.golden
    if golden_standing(golden) in (GoldenStanding.OUT, GoldenStanding.DUE):
        return [f"rig: {golden_words(golden)}"]
    return []


def words(ended: RunEnded, gathered: Gathered) -> str:
    """Return a run's verdict and reasons as text."""
    verdict = _verdict(ended)
    simulated = gathered.began is not None and gathered.began.simulated
    lines = [f"verdict: {verdict}" + (" (SIMULATED)" if simulated else "")]
    if ended.judgement is not None:
        lines += verdict_lines(ended.judgement)
    elif ended.note:
        lines.append(f"  - {ended.note}")
    lines += calibration_lines(gathered)
    if ended.judgement is not None:
        lines += golden_lines(gathered)
    lines.append(f"run {ended.run_id} ({ended.state})")
    text = "\n".join(lines)
    return wrapped(text) if sys.stdout.isatty() else text
