"""What must be said over a list of runs: how many of them are no result, and what the rest got."""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence

from rig.records.model import RunRecord
from rig.sheets.standing import SIMULATED, Mark, marks_of, standing_of

_ORDER = ("PASS", "FAIL", "RETEST", "NO VERDICT")
_SAID = {
    SIMULATED: "made on a simulated bench: no real unit was tested, and nothing is proved of one.",
    "UNFINISHED": "without an end: still on, or the program has died. Not a result.",
    "STOPPED": "stopped by the operator: the plan was not carried out to its end.",
    "INTERRUPTED": "interrupted: the plan was not carried out to its end.",
}
_NOT_KNOWN = "ended in a way that this program does not know."


def lot_marks(runs: Sequence[RunRecord]) -> tuple[Mark, ...]:
    """Return what every page must say of the runs, with how many each is true of.

    One run alone has its own marks.
    """
    if len(runs) == 1:
        return marks_of(runs[0])
    having = Counter(mark.word for run in runs for mark in marks_of(run))
    words = [*(word for word in _SAID if word in having), *sorted(having.keys() - _SAID.keys())]
    return tuple(_mark(word, having[word], len(runs)) for word in words)


def _mark(word: str, count: int, total: int) -> Mark:
    share = f"All {total} runs" if count == total else f"{count} of {total} runs"
    verb = "was" if count == 1 else "were"
    short = word if count == total else f"{count} OF {total} {word}"
    return Mark(short, f"{share} {verb} {_SAID.get(word, _NOT_KNOWN)}")


def across(marks: Sequence[Mark]) -> str:
    """Return what stands across the pages: that runs are simulated, or that none is a result."""
    grave = [mark.word for mark in marks if SIMULATED in mark.word or " OF " not in mark.word]
    return " · ".join(grave or [mark.word for mark in marks])


def lot_counts(runs: Sequence[RunRecord]) -> list[dict[str, str]]:
    """Return how many runs got which verdict; those that bear a mark are counted apart."""
    standings = [standing_of(run) for run in runs]
    plain = Counter(standing.word for standing in standings if not standing.marks)
    marked = Counter(standing.whole_word for standing in standings if standing.marks)
    wanted = _ORDER[:3] if plain else ()
    words = dict.fromkeys((*wanted, *sorted(plain, key=_place), *sorted(marked, key=_place)))
    counts = plain + marked
    return [
        {"word": word, "count": str(counts[word]), "runs": "run" if counts[word] == 1 else "runs"}
        for word in words
    ]


def _place(word: str) -> tuple[int, str]:
    first = next((k for k, known in enumerate(_ORDER) if word.startswith(known)), len(_ORDER))
    return first, word
