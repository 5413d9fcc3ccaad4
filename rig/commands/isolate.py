"""`halfturn isolate`: what is wrong with a suspect unit, one proposed test after the other."""

from __future__ import annotations

import argparse
import json
import sys
from dataclasses import fields

from rig.bench.events import BenchEvent, Ranked, RunEnded
from rig.bench.order import IsolationOrder
from rig.commands import exits
from rig.commands.common import records_path
from rig.commands.progress import Progress
from rig.commands.ranking import as_object, cut_short, ended, proposed, result, table
from rig.commands.run import Gathered, answer, calibration_lines, carry_out, golden_lines
from rig.commands.run import order_of as order_of_run
from rig.commands.streams import say, tell
from rig.commands.terminal import wrapped
from rig.commands.verdict import verdict_lines
from rig.feasible import cautions_of_isolation, check_isolation_on_rig
from rig.quality.decision import DecisionRule
from rig.records.model import RunState


class Following(Gathered):
    """Gathers an isolation's events and prints tests, results and ranking as they come.

    ``asks``: the question whether to do a test tells which it is.
    """

    def __init__(self, *, quiet: bool, asks: bool, rule: DecisionRule) -> None:
        super().__init__(Progress(quiet=quiet), whole=True, rule=rule)
        self.ranked: Ranked | None = None
        self._quiet, self._asks = quiet, asks

    def show(self, event: BenchEvent) -> None:
        """Gather and show one event."""
        super().show(event)
        if not isinstance(event, Ranked):
            return
        told = 0 if self.ranked is None else len(self.ranked.done)
        self.ranked = event
        if self._quiet or event.conclusion is not None:
            return
        for done in event.done[told:]:
            if done.counts and not (self.steps and self.steps[-1].half_turns):
                tell(f"  {result(done)}")  # half-turns and what was left out were told already
        for line in table(event.ranking):
            tell(line)
        if event.proposal is not None and not self._asks:
            tell(wrapped(proposed(event.proposal)))


def run(options: argparse.Namespace) -> int:
    """Isolate a fault as the command line says; return the exit status."""
    order = order_of(options)
    if not options.quiet:
        for caution in cautions_of_isolation(order.plan, order.settings, order.station):
            tell(wrapped(f"warning: {caution}"))
    asks = order.ask_operator or order.backend_name != "simulated"
    following = Following(quiet=options.quiet, asks=asks, rule=order.plan.decision.as_rule())
    run_ended = carry_out(order, records_path(options, order.settings), following)
    say(
        _json(run_ended, following) if options.json else _words(run_ended, following),
        lost=f"{_in_short(following)} Run {run_ended.run_id} is in the records.",
    )
    return status_of(run_ended, following.ranked)


def order_of(options: argparse.Namespace) -> IsolationOrder:
    """Return the order a command line gives; raises with every mistake before anything is fed."""
    plain = order_of_run(options, check_isolation_on_rig)
    given = {field.name: getattr(plain, field.name) for field in fields(plain)}
    return IsolationOrder(**{**given, "ask_operator": options.ask})


def status_of(run_ended: RunEnded, ranked: Ranked | None) -> int:
    """Return the exit status of an isolation that ended so."""
    if run_ended.on_request:
        return exits.STOPPED
    concluded = None if ranked is None else ranked.conclusion
    if run_ended.state is RunState.INTERRUPTED or concluded is None:
        return exits.BENCH
    return exits.PASS if concluded.sure else exits.RETEST


def _in_short(following: Following) -> str:
    ranked = following.ranked
    return "" if ranked is None or ranked.conclusion is None else ranked.conclusion.text


def _json(run_ended: RunEnded, following: Following) -> str:
    found = {**answer(run_ended, following), "isolation": as_object(following.ranked)}
    return json.dumps(found, indent=2)


def _words(run_ended: RunEnded, following: Following) -> str:
    ranked, judgement = following.ranked, run_ended.judgement
    simulated = following.began is not None and following.began.simulated
    lines = []
    if ranked is not None and ranked.conclusion is not None:
        lines += ended(ranked, ranked.conclusion, simulated=simulated)
    elif ranked is not None:
        lines += cut_short(ranked)
    if judgement is not None:
        mark = " (SIMULATED)" if simulated else ""
        lines.append(f"verdict: {str(judgement.verdict).upper()}{mark}")
        lines += verdict_lines(judgement)
    elif run_ended.note:
        lines.append(f"  - {run_ended.note}")
    lines += calibration_lines(following)
    if ranked is not None or judgement is not None:
        lines += golden_lines(following)
    lines.append(f"run {run_ended.run_id} ({run_ended.state})")
    text = "\n".join(lines)
    return wrapped(text) if sys.stdout.isatty() else text
