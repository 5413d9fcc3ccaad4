"""`halfturn judge`: a verdict on a trace file from anywhere."""

from __future__ import annotations

import argparse
import json
import sys
from pathlib import Path

from rig.analysis.half_turns import find_half_turns
from rig.analysis.judge import combine, judge_half_turns
from rig.analysis.model import Accuracy, HalfTurn, Judgement, Limits
from rig.commands import exits
from rig.commands.common import (
    picture_path,
    plan_of,
    rig_settings,
    settings_or_starter,
    tell_long,
)
from rig.commands.streams import say
from rig.commands.terminal import wrapped
from rig.commands.verdict import verdict_lines
from rig.contract import check_objects, judgement_object
from rig.plans import Plan
from rig.plausible import refuse_implausible
from rig.quality.uncertainty import accuracy_of
from rig.settings import RigSettings
from rig.tracefile import read_trace


def run(options: argparse.Namespace) -> int:
    """Judge one trace; return the exit status of its verdict."""
    picture = picture_path(options.picture)
    settings = settings_or_starter(options)
    plan = plan_of(options.plan, settings)
    file = Path(options.trace)
    if file.is_file():
        # A packed trace takes as long as the four times larger text inside.
        unpacked = 4 if file.suffix == ".gz" else 1
        tell_long(f"reading {file}", file.stat().st_size * unpacked)
    trace = read_trace(options.trace)
    refuse_implausible(trace, "standard input" if options.trace == "-" else options.trace)
    limits = plan.analysis_limits()
    accuracy = _accuracy(options, settings, plan)
    half_turns = find_half_turns(trace, plan.unit_type(), limits, accuracy)
    judgement = combine(judge_half_turns(half_turns, limits))
    say(
        json.dumps(_answer(judgement, half_turns, limits), indent=2)
        if options.json
        else words(judgement, half_turns),
        lost=f"The verdict was {str(judgement.verdict).upper()}.",
    )
    if picture is not None:
        from rig.picture import save_picture

        save_picture(picture, trace, half_turns, limits, title=str(options.trace))
    return exits.OF_VERDICT[judgement.verdict]


def _accuracy(options: argparse.Namespace, settings: RigSettings, plan: Plan) -> Accuracy:
    """Return what is known of how the trace was taken: a rig's own figures if one is named."""
    if options.rig is None and options.station is None:
        return Accuracy()
    settings = rig_settings(options)
    station = settings.station(options.station or settings.stations[0].name)
    return accuracy_of(station, plan)


def _answer(
    judgement: Judgement, half_turns: tuple[HalfTurn, ...], limits: Limits
) -> dict[str, object]:
    whole = judgement_object(judgement, half_turns, limits.rule)
    return {**whole, "checks": check_objects(half_turns, limits)}


def words(judgement: Judgement, half_turns: tuple[HalfTurn, ...]) -> str:
    """Return the verdict, its reasons and a line for each half-turn."""
    lines = [f"verdict: {str(judgement.verdict).upper()}"]
    lines += verdict_lines(judgement)
    lines += [turn_line(turn) for turn in half_turns]
    text = "\n".join(lines)
    return wrapped(text) if sys.stdout.isatty() else text


def turn_line(turn: HalfTurn) -> str:
    """Return one half-turn as a line of text."""
    way = str(turn.direction).replace("_", " ")
    outcome = str(turn.outcome).replace("_", " ")
    parts = [f"half-turn {turn.number} {way}: {outcome}"]
    if turn.half_turn_s is not None:
        u = "" if turn.half_turn_u_s is None else f" ± {turn.half_turn_u_s:.4f}"
        parts.append(f"{turn.half_turn_s:.4f}{u} s")
    for name, value, unit in (
        ("peak", turn.peak_a, "A"),
        ("running", turn.run_a, "A"),
        ("rest", turn.rest_a, "A"),
        ("at", turn.supply_v, "V"),
    ):
        if value is not None:
            parts.append(f"{name} {value:.2f} {unit}")
    return ", ".join(parts)
