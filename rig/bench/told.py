"""What an isolation tells and records of a test and of the ranking, in short."""

from __future__ import annotations

from collections import Counter
from typing import Any

from rig.analysis.faults.model import Ranking
from rig.analysis.model import Measure
from rig.bench.steps import Findings

RECORDED = 6
"""So many leading causes are written into the record after each test."""

_MEASURED = {
    "rest_draw_a": "draws {:.3f} A at rest",
    "direct_feed_a": "draws {:.2f} A",
    "stall_current_a": "draws {:.1f} A standing still",
}
_ANSWERS = {
    "ok": "in order",
    "fault": "a fault is seen",
    "low": "reads low",
    "cannot": "could not look",
}


def told(found: Findings, answer: str) -> str:
    """Return what came of a test: the answer to a look, or what the half-turns did."""
    if answer:
        return _ANSWERS.get(answer, answer)
    drawn = [_MEASURED[m.name].format(m.value) for m in found.measures if _is_told(m)]
    counts = Counter(str(turn.outcome).replace("_", " ") for turn in found.half_turns)
    return ", ".join(drawn or [f"{count} {outcome}" for outcome, count in counts.items()]) or "done"


def _is_told(measure: Measure) -> bool:
    return measure.name in _MEASURED and measure.value is not None


def in_record(ranking: Ranking, *, reasons: bool = False) -> dict[str, Any]:
    """Return the leading causes as a record keeps them, with what speaks for and against them."""
    leading = ranking.causes[:RECORDED]
    kept: dict[str, Any] = {
        "ranking": {cause.name: round(cause.probability, 4) for cause in leading}
    }
    if reasons and leading:
        kept["speaks for it"] = list(leading[0].speaks_for)
        kept["speaks against it"] = list(leading[0].speaks_against)
    return kept
