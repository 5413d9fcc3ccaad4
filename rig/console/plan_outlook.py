"""The plan chosen, as it stands to the station chosen: can it start, and what should be known."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from pathlib import Path

from rig.console.desk import Desk
from rig.feasible import cautions_on_rig, check_plan_on_rig, describe_sensor
from rig.plans import Plan
from rig.schema import Mistake, MistakesError


@dataclass(frozen=True)
class PlanOutlook:
    """A plan by its ``name``; ``plan`` is None if its file cannot be used.

    ``troubles`` are the sentences that keep it from starting and ``next_action`` what to do about
    them; ``cautions`` are sentences to know; ``sensor`` tells what the station's sensor can see.
    """

    name: str = ""
    plan: Plan | None = None
    troubles: tuple[str, ...] = ()
    next_action: str = ""
    cautions: tuple[str, ...] = ()
    sensor: str = ""


def look_at(desk: Desk, name: str | None = None) -> PlanOutlook:
    """Return what there is to say of a plan (the desk's); reads its file, feeds nothing."""
    name = desk.choices.plan if name is None else name
    if not name:
        return PlanOutlook()
    if name not in desk.plans():
        return PlanOutlook(
            name,
            troubles=(f"There is no plan called {name} any more: its file has gone.",),
            next_action="Choose another plan.",
        )
    try:
        plan = desk.plan(name)
    except MistakesError as error:
        return _unusable(name, desk.plans()[name], error.mistakes)
    settings, station = desk.settings, desk.station
    mistakes = check_plan_on_rig(plan, settings, station)
    return PlanOutlook(
        name,
        plan,
        tuple(map(told, mistakes)),
        _next_action(mistakes, plan.file, settings.file),
        cautions_on_rig(plan, settings, station),
        describe_sensor(settings, station, plan),
    )


def told(mistake: Mistake) -> str:
    """Return a mistake as sentences: where, what is wrong, what is allowed."""
    where = Path(mistake.file).name
    if mistake.line is not None:
        where += f" line {mistake.line}"
    if mistake.key:
        where += f", {mistake.key}"
    text = f"{where}: {mistake.wrong}."
    return f"{text} Allowed: {mistake.allowed}." if mistake.allowed else text


def _unusable(name: str, file: Path, mistakes: Iterable[Mistake]) -> PlanOutlook:
    return PlanOutlook(
        name,
        troubles=tuple(map(told, mistakes)),
        next_action=f"Mend {file} and press Ctrl+L to read it again, or choose another plan.",
    )


def _next_action(mistakes: tuple[Mistake, ...], plan_file: Path, rig_file: Path) -> str:
    if not mistakes:
        return ""
    files = {mistake.file for mistake in mistakes}
    ways = []
    if str(plan_file) in files:
        ways.append(f"Mend {plan_file} and press Ctrl+L to read it again.")
    if str(rig_file) in files:
        ways.append(
            f"Mend {rig_file}, leave the console (Ctrl+Q) and start it again: the rig file is read "
            "only then."
        )
    return " ".join([*ways, "Or choose another plan or station."])
