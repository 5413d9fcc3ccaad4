"""A verdict and its reasons as lines of text."""

from __future__ import annotations

from rig.analysis.model import Judgement
from rig.verdict_words import verdict_sentences


def verdict_lines(judgement: Judgement) -> list[str]:
    """Return the deciding reasons, one line for each thing that was wrong."""
    return [f"  - {reason.text}" for reason in verdict_sentences(judgement)]
