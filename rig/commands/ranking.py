"""An isolation as text: the causes with their probabilities, the next test, what it came to."""

from __future__ import annotations

from rig.analysis.faults.model import Cause, Proposal, Ranking
from rig.bench.events import Ranked, TestDone
from rig.isolation.words import Conclusion, heading, percent

SHOWN = 5
# What speaks for and against is told of the likeliest cause, and of others from here on.
ARGUED_FROM = 0.05
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
    cured = percent(concluded.repair_probability)
    how_sure = ""
    if not concluded.sure and concluded.repair_probability >= ranked.confidence:
        how_sure = ", by a rig that was not sound"
    elif not concluded.sure:
        how_sure = f", below the {percent(ranked.confidence)} asked for"
    elif concluded.probability < ranked.confidence:
        how_sure = f"; what the same repair cures, together {cured}"
    if concluded.sure and not concluded.confirmed:
        how_sure += "; not confirmed"
    return [
        f"cause: {concluded.case} ({percent(concluded.probability)}{how_sure}){world}",
        f"  {concluded.text}",
        "what to do:",
        f"  {concluded.remedy}",
        *_known(ranked),
    ]


def cut_short(ranked: Ranked) -> list[str]:
    """Return what was known of the causes when an isolation was cut short."""
    return ["not finished; this was known by then", *_known(ranked)]


def _known(ranked: Ranked) -> list[str]:
    lines = ["likeliest:", *table(ranked.ranking)]
    for cause in ranked.ranking.causes[:SHOWN]:
        if cause is ranked.ranking.top or cause.probability >= ARGUED_FROM:
            for title, reasons in (
                (f"for {cause.name}:", cause.speaks_for),
                (f"against {cause.name}:", cause.speaks_against),
            ):
                if reasons:
                    lines += [title, *(f"  - {text}" for text in reasons)]
    lines.append("tests:")
    lines += [f"  - {result(done)}" for done in ranked.done] or ["  none was done"]
    if ranked.left_out:
        lines += ["left out:", *(f"  - {text}" for text in ranked.left_out)]
    return lines


def as_object(ranked: Ranked | None) -> dict[str, object] | None:
    """Return an isolation for JSON; None if it never came so far.

    ``probability`` is that of ``cause``, as it stands in ``ranking`` and ``text``;
    ``repair_probability`` that ``to_do`` cures it, which is what is held against ``confidence``.
    """
    if ranked is None:
        return None
    concluded = ranked.conclusion
    return {
        "cause": None if concluded is None else concluded.case,
        "probability": None if concluded is None else concluded.probability,
        "repair_probability": None if concluded is None else concluded.repair_probability,
        "sure": concluded is not None and concluded.sure,
        "confirmed": concluded is not None and concluded.confirmed,
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
        "left_out": list(ranked.left_out),
    }
