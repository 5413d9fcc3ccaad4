"""What an isolation shows: causes, tests done, and what is next, in words; no widget here."""

from __future__ import annotations

from dataclasses import dataclass

from rig.analysis.faults.causes import NONE_OF_THESE
from rig.analysis.faults.guided import TESTS
from rig.analysis.faults.model import Cause
from rig.bench.events import Ranked, StepBegan
from rig.console.desk import Desk
from rig.console.job_state import stop_key
from rig.console.live_job import Live
from rig.isolation.words import heading, percent, sentence

_FULL, _EMPTY = "█", "░"
_PARTS: tuple[str, ...] = ("", *"▏▎▍▌▋▊▉")
# A character and a word each, so that neither colour nor eyesight decides.
_COUNTS, _LEFT_OUT, _NOW = "=", "-", "»"

HOW = (
    "A suspect unit is on the jig, and nobody knows what is wrong with it. The bench proposes the "
    "test that tells most for its minutes; you do it or skip it; the causes are ranked anew. It "
    "ends when one remedy is likely enough, or no test is left. That the unit is sound and the "
    "vehicle is to be looked at is one of the answers.\n\n"
    "F2 leads to Bench: fill in the unit, then press Ctrl+G. The plan chosen there lends unit "
    "type, limits and guard, suspect if none is. The cautions come first, as with every run; then "
    "what is on the jig is asked, unless the plan tells."
)
HOW_USUAL = "No test yet: this is how usual it is among suspect units."
NO_REASONS = (
    "What was seen so far tells it from no other cause: how usual it is among suspect units "
    "decides."
)
NONE_KNOWN = "It is what is left where no known cause fits what was seen."


@dataclass(frozen=True, slots=True)
class CauseRow:
    """A cause as a line: what it is, how likely in words and as a share; for and against."""

    says: str
    likely: str
    share: float
    speaks_for: tuple[str, ...]
    speaks_against: tuple[str, ...]
    known: bool = True


@dataclass(frozen=True, slots=True)
class Next:
    """What is next: a heading and a text; ``ask``: it waits for the operator's choice."""

    heading: str
    text: str
    ask: bool = False


def bar(share: float, cells: int) -> str:
    """Return a share as a bar of ``cells`` cells, to an eighth; from 1 % on some of it shows."""
    eighths = round(share * cells * 8)
    if share >= 0.01:
        eighths = max(eighths, 1)
    whole, part = divmod(eighths, 8)
    filled = _FULL * whole + _PARTS[part]
    return filled + _EMPTY * (cells - len(filled))


def cause_rows(ranked: Ranked | None) -> tuple[CauseRow, ...]:
    """Return the leading causes, likeliest first."""
    return () if ranked is None else tuple(map(_row, ranked.ranking.causes))


def _row(cause: Cause) -> CauseRow:
    share = cause.probability
    known = cause.name != NONE_OF_THESE
    reasons = cause.speaks_for, cause.speaks_against
    return CauseRow(sentence(cause), percent(share), share, *reasons, known)


def reasons_text(row: CauseRow, *, tested: bool) -> str:
    """Return what speaks for and against a cause, a line each; ``tested``: a test counts."""
    lines = [f"for: {text}" for text in row.speaks_for]
    lines += [f"against: {text}" for text in row.speaks_against]
    if lines:
        return "\n".join(lines)
    if not tested:
        return HOW_USUAL
    return NO_REASONS if row.known else NONE_KNOWN


def done_rows(live: Live) -> tuple[str, ...]:
    """Return the tests done, skipped and on, oldest first."""
    ranked = live.ranked
    rows = [
        f"{_COUNTS if done.counts else _LEFT_OUT} {heading(done.test)}: {done.told}"
        for done in (ranked.done if ranked else ())
    ]
    step = _test_on(live)
    if step is not None:
        rows.append(f"{_NOW} {step.title}: on")
    return tuple(rows)


def _test_on(live: Live) -> StepBegan | None:
    step = live.step
    return step if live.on and live.step_on and step is not None else None


def next_of(desk: Desk) -> Next:
    """Return what is next: the proposal, the test that is on, or what it came to."""
    live, ranked = desk.live, desk.live.ranked
    if live.proposed and ranked is not None and ranked.proposal is not None:
        proposal = ranked.proposal
        test = TESTS[proposal.test]
        text = f"About {proposal.minutes:g} min. {test.does} {proposal.why}".strip()
        if not ranked.done:
            text = "\n\n".join([text, *ranked.left_out])
        return Next(f"Next: {heading(test.name)}", text, ask=True)
    if ranked is not None and ranked.conclusion is not None:
        concluded = ranked.conclusion
        left_out = [f"Left out. {text}" for text in ranked.left_out]
        return Next("What it comes to", "\n\n".join([concluded.text, concluded.remedy, *left_out]))
    step = _test_on(live)
    if step is not None:
        text = f"T shows the trace. {stop_key(live)} takes the feeds off and ends."
        return Next(f"Now: {step.title}", text)
    if live.on:
        return Next("Next", "The bench gets ready or works out what the last test tells.")
    return Next("Not finished", "It ended before it came to anything. F5 tells why.")


def confidence_words(ranked: Ranked | None) -> str:
    """Return the heading over the causes."""
    if ranked is None:
        return "Likeliest causes"
    return f"Likeliest causes; one remedy at {percent(ranked.confidence)} ends it"
