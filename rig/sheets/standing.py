"""How a run stands: its verdict in big words, and what must be said on every page of it."""

from __future__ import annotations

from dataclasses import dataclass

from rig.analysis.model import Reason, Verdict
from rig.quality.calibration_words import standing_in_short
from rig.records.golden_said import golden_in_short
from rig.records.model import RunRecord, RunState
from rig.sheets.verdict_means import verdict_sentence
from rig.sheets.words import plan_of
from rig.verdict_words import verdict_sentences

SIMULATED = "SIMULATED"

_UNFINISHED = {
    RunState.STOPPED: ("STOPPED", "The operator stopped this run before its end."),
    RunState.INTERRUPTED: ("INTERRUPTED", "This run was interrupted before its end."),
}


@dataclass(frozen=True, slots=True)
class Mark:
    """What every page of a run bears: a word across it, and a sentence on a bar at its head."""

    word: str
    sentence: str


@dataclass(frozen=True, slots=True)
class Standing:
    """The verdict's word ("PASS", "NO VERDICT"), what it means, its reasons, and the marks.

    ``kind`` is "pass", "fail", "retest" or "none"; ``cautions`` what must stand beside the verdict
    of the rig, its golden units and its calibration, in few words each, empty if nothing must.
    """

    kind: str
    word: str
    sentence: str
    reasons: tuple[Reason, ...]
    marks: tuple[Mark, ...]
    cautions: tuple[str, ...] = ()

    @property
    def caution(self) -> str:
        """All that must stand beside the verdict of the rig, on one line."""
        return "; ".join(self.cautions)

    @property
    def whole_word(self) -> str:
        """The verdict's word with the marks' behind it, as a label bears it."""
        return " ".join([self.word, *(f"({mark.word})" for mark in self.marks)])


def standing_of(record: RunRecord) -> Standing:
    """Return how a run stands; a run without an end, or cut off, never reads as a plain verdict."""
    marks, start = marks_of(record), record.start
    of_rig = (golden_in_short(start.golden), standing_in_short(start.calibration))
    cautions = tuple(filter(None, of_rig))
    end = record.end
    judgement = None if end is None else end.judgement
    if judgement is None:
        reason = "The run is still on, or its program has died." if end is None else end.note
        by_hand = record.steps and all(step.kind == "by_hand" for step in record.steps)
        sentence = (
            "Worked by hand: nothing was judged."
            if by_hand
            else "This run was not judged. It says nothing for or against the unit."
        )
        reasons = (Reason(Verdict.RETEST, reason, "run"),) if reason else ()
        return Standing("none", "NO VERDICT", sentence, reasons, marks, cautions)
    verdict = judgement.verdict
    # A newer program's record may hold a word that this one does not know: it is no pass.
    known = verdict in tuple(Verdict)
    plan = plan_of(record)
    return Standing(
        str(verdict) if known else "none",
        str(verdict).upper(),
        verdict_sentence(verdict, None if plan is None else plan.decision.as_rule()),
        tuple(dict.fromkeys(verdict_sentences(judgement))),
        marks,
        cautions,
    )


def marks_of(record: RunRecord) -> tuple[Mark, ...]:
    """Return what must be said on every page of a run: simulated, unfinished, or nothing."""
    marks = []
    if record.start.simulated:
        text = "Made on a simulated bench. No real unit was tested, and this proves nothing of one."
        marks.append(Mark(SIMULATED, text))
    if record.end is None:
        text = "This run has no end: it is still on, or its program has died. Not a result."
        marks.append(Mark("UNFINISHED", text))
    elif record.end.state is not RunState.FINISHED:
        state = record.end.state
        word, text = _UNFINISHED.get(
            state, (str(state).upper(), "How this run ended is not known to this program.")
        )
        marks.append(Mark(word, f"{text} The plan was not carried out to its end."))
    return tuple(marks)
