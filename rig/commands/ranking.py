"""An isolation as text: the causes with their probabilities, the next test, what it came to."""

from __future__ import annotations

from rig.analysis.faults.model import Cause, Proposal, Ranking
from rig.bench.events import Ranked, TestDone
from rig.isolation.words import Conclusion, heading, percent

SHOWN = 5
_BAR = 20
_NAME = 22


def table(ranking: Ranking, shown: int = SHOWN) -> list[str]:
    """Return the leading causes, one a line: name, bar, per cent."""
    causes = ranking.causes[:shown]
    width = max((len(cause.name) for cause in causes), default=0)
    return [f"  {_row(cause, max(width, _NAME))}" for cause in causes]


def _row(cause: Cause, width: int) -> str:
    filled = round(_BAR * cause.probability)
    bar = "#" * filled + "." * (_BAR - filled)
    return f"{cause.name:<{width}} [{bar}] {percent(cause.probability):>9}"


def proposed(proposal: Proposal) -> str:
    """Return the test that is proposed, what it costs, and why."""
    return (
        f"next: {heading(proposal.test)} (about {proposal.minutes:g} min). {proposal.why}".strip()
    )


def result(done: TestDone) -> str:
    """Return what came of a test."""
    return f"{heading(done.test)}: {done.told}"


def ended(ranked: Ranked, concluded: Conclusion, *, simulated: bool) -> list[str]:
    """Return what an isolation came to: cause, how sure, what to do, what speaks for and against.

    The cause is named in words; its name in brackets is that of the priors in a plan.
    """
    world = " (SIMULATED)" if simulated else ""
    top = ranked.ranking.top
    how_sure = ""
    if not concluded.sure and concluded.probability >= ranked.confidence:
        how_sure = ", by a rig that was not sound"
    elif not concluded.sure:
        how_sure = f", below the {percent(ranked.confidence)} asked for"
    elif top.probability < ranked.confidence:
        how_sure = f"; what cures it too, together {percent(concluded.probability)}"
    lines = [
        f"cause: {concluded.case} ({percent(top.probability)}{how_sure}){world}",
        f"  {concluded.text}",
        "what to do:",
        f"  {concluded.remedy}",
        "likeliest:",
        *table(ranked.ranking),
    ]
    for title, reasons in (
        (f"for {top.name}:", top.speaks_for),
        (f"against {top.name}:", top.speaks_against),
    ):
        if reasons:
            lines += [title, *(f"  - {text}" for text in reasons)]
    lines.append("tests:")
    lines += [f"  - {result(done)}" for done in ranked.done] or ["  none was done"]
    return lines


def as_object(ranked: Ranked | None) -> dict[str, object] | None:
    """Return an isolation for JSON; None if it never came so far."""
    if ranked is None:
        return None
    concluded = ranked.conclusion
    return {
        "cause": None if concluded is None else concluded.case,
        "probability": None if concluded is None else concluded.probability,
        "sure": concluded is not None and concluded.sure,
        "confidence": ranked.confidence,
        "text": "" if concluded is None else concluded.text,
        "to_do": "" if concluded is None else concluded.remedy,
        "ranking": [
            {
                "name": cause.name,
                "says": cause.says,
                "probability": cause.probability,
                "speaks_for": list(cause.speaks_for),
                "speaks_against": list(cause.speaks_against),
            }
            for cause in ranked.ranking.causes
        ],
        "repairs": [
            {"part": part, "probability": probability}
            for part, probability in ranked.ranking.repairs
        ],
        "tests": [
            {"test": done.test, "told": done.told, "counts": done.counts} for done in ranked.done
        ],
    }
