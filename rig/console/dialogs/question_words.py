"""How the bench's questions are put to whoever stands at the jig, in words; no widget here."""

from __future__ import annotations

from dataclasses import dataclass, replace

from rig.analysis.faults.at_hand import THINGS, Thing
from rig.bench.at_the_jig import AT_THE_JIG, PUTS_BACK
from rig.bench.cautions import CAUTIONS
from rig.bench.events import Asked
from rig.bench.order import IsolationOrder, Job, RigCheckOrder, RunOrder
from rig.bench.requests import AT_HAND
from rig.console.live_job import Live
from rig.feasible import cautions_of_isolation, cautions_on_rig
from rig.plan_steps import VisualStep
from rig.records.golden_said import golden_words, is_warning
from rig.visual import TERMINAL_CHECKS, VISUAL_CHECKS, VisualCheck

Paragraph = tuple[str, str]
"""A heading (may be empty) and a text."""


@dataclass(frozen=True)
class Asking:
    """A question as it is shown; ``to_the_end``: accepting needs its end to have been seen."""

    title: str
    question: str
    paragraphs: tuple[Paragraph, ...] = ()
    seen: str = ""
    note_of: str = ""
    cannot: str = "Cannot"
    to_the_end: bool = False


def asking_of(asked: Asked, live: Live) -> Asking:
    """Return how ``asked`` is to be put, ``live`` being the job it belongs to."""
    asking, job = _asking_of(asked, live), live.job
    # Which unit was entered: what is on the jig may be another.
    unit = job.unit_serial if isinstance(job, RunOrder) else ""
    return replace(asking, title=" · ".join(filter(None, (at_station(job), asking.title, unit))))


def at_station(job: Job | None) -> str:
    """Return which station ``job`` is at, empty if the rig has only one."""
    several = job is not None and len(job.settings.stations) > 1
    return f"Station {job.station.name}" if several and job is not None else ""


def _asking_of(asked: Asked, live: Live) -> Asking:
    ask = asked.ask
    if ask.action == "accept_cautions":
        return _cautions(live)
    if ask.action == AT_HAND:
        return _at_hand(THINGS[str(ask.detail["thing"])])
    if ask.action == "accept_calibration":
        question, _, found = ask.text.partition("\n")
        return Asking(AT_THE_JIG[ask.action][0], question, (("", found),))
    name = str(ask.detail.get("check", ""))
    check = VISUAL_CHECKS.get(name) or TERMINAL_CHECKS.get(name)
    if ask.action == "inspect" and check is not None:
        return _look(asked, check, live)
    title, caution = AT_THE_JIG.get(ask.action, ("At the jig", ""))
    paragraphs: tuple[Paragraph, ...] = (("Mind", caution),) if caution else ()
    can_be_left = "cannot" in ask.allowed and not isinstance(live.job, RigCheckOrder)
    if can_be_left:
        without = (
            "What this step measured stands. The run ends here if another step would follow."
            if ask.action in PUTS_BACK
            else "The step is left out, which the record shows."
        )
        paragraphs += (("If you cannot", without),)
    note_of = "" if isinstance(live.job, RigCheckOrder) else title
    return Asking(title, ask.text, paragraphs, note_of=note_of)


def _cautions(live: Live) -> Asking:
    paragraphs = [(str(number), text) for number, text in enumerate(CAUTIONS, start=1)]
    job, golden = live.job, live.began.golden if live.began is not None else None
    if is_warning(golden):
        paragraphs.insert(0, ("Rig", golden_words(golden)))
    if job is not None and not isinstance(job, RigCheckOrder):
        cautions = cautions_of_isolation if isinstance(job, IsolationOrder) else cautions_on_rig
        of_plan = cautions(job.plan, job.settings, job.station)
        paragraphs += [("Plan", text) for text in of_plan]
    return Asking(
        "Before the first feed",
        f"Have you read these, and is the jig{_of_station(job)} guarded?",
        tuple(paragraphs),
        to_the_end=True,
    )


def _of_station(job: Job | None) -> str:
    at = at_station(job)
    return f" of station {at.split(maxsplit=1)[1]}" if at else ""


def _at_hand(thing: Thing) -> Asking:
    without = "The record tells what was left out."
    return Asking(
        "What is on the jig",
        thing.question,
        (("If not", f"{thing.cost[:1].upper()}{thing.cost[1:]}. {without}"),),
    )


def _look(asked: Asked, check: VisualCheck, live: Live) -> Asking:
    which = _which(check.name, live)
    means = check.fault_text
    means += " It fails the unit." if check.of_unit else " The verdict then asks for another test."
    low = (("Low means", check.low_text),) if check.low_text else ()
    reads = (("Answer", check.reads),) if check.reads else ()
    seen = asked.seen or asked.ask.seen
    title = "What the meter showed" if check.name in TERMINAL_CHECKS else f"Visual check {which}"
    return Asking(
        title.rstrip(),
        check.question,
        (*reads, ("Look for", check.look_for), ("A fault means", means), *low),
        seen=_shown_by_the_simulation(seen, check),
        note_of=f"Visual check {check.name}",
        cannot="Cannot look",
    )


def _which(check: str, live: Live) -> str:
    """Return ``k of N``, empty if the plan does not tell."""
    job, step = live.job, live.step
    if not isinstance(job, RunOrder) or isinstance(job, IsolationOrder) or step is None:
        return ""
    if not 1 <= step.number <= len(job.plan.steps):
        return ""
    planned = job.plan.steps[step.number - 1]
    if not isinstance(planned, VisualStep) or check not in planned.checks:
        return ""
    return f"{planned.checks.index(check) + 1} of {len(planned.checks)}"


def _shown_by_the_simulation(seen: str, check: VisualCheck) -> str:
    match seen:
        case "":
            return ""
        case "ok":
            return "The simulated unit shows nothing wrong here."
        case "fault":
            return f"The simulated unit shows a fault here: {check.fault_text}"
    return f"The simulated jig shows: {seen}"
