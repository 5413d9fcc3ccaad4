"""How severely the next lot of a supplier is inspected: switching, ISO 2859-1:1999, 9.3-9.4.

One history is the lots of one supplier, unit type, inspection level and AQL, in the order in which
they were judged.  Normal inspection comes first.  The rules, whose own text was not seen (they are
as teaching texts and documentation of statistics software agree on them):

- normal to tightened: 2 of 5 or fewer consecutive lots not accepted;
- tightened to normal: 5 consecutive lots accepted;
- tightened to an end of inspection: 5 lots not accepted while on tightened; it goes on, tightened,
  when the supplier has acted;
- normal to reduced: a switching score of 30, production steady, and the responsible person agrees;
- reduced to normal: a lot not accepted, or irregular production.

The score is nothing when normal inspection begins (from memory).  A lot with an acceptance number
of 2 or more adds 3 if it would be accepted with an AQL one step tighter too, one of 0 or 1 adds 2
if it is accepted; otherwise the score is nothing again.

Where the rules leave something open, it is decided so:

- only original inspection counts, as the rules say: a lot offered again says nothing;
- the 5 consecutive lots are the last ones, inspected however: the lot that ended reduced inspection
  is one of them;
- a lot that was inspected less severely than the history asks by then (opened before the one ahead
  of it was judged) counts only if it is not accepted, one inspected more severely scores nothing;
- a lot whose every unit is inspected counts as any other: the rules make no exception.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Sequence
from dataclasses import dataclass

from rig.quality.sampling_tables import SamplingPlan, Severity, master_cell, tighter_aql

WINDOW, OF_WINDOW = 5, 2
"""Of so many consecutive lots, so many not accepted bring tightened inspection."""
BACK_AFTER = 5
"""Lots accepted in a row that end tightened inspection."""
END_AFTER = 5
"""Lots not accepted on tightened inspection that end inspection altogether."""
SCORE_ENOUGH = 30
"""The switching score from which reduced inspection is possible."""


@dataclass(frozen=True, slots=True)
class Said:
    """What somebody in charge said before a lot was opened, for what is not seen in samples.

    ``steady``: production goes on at a steady rate.  ``agreed``: the responsible person agrees to
    reduced inspection.  ``irregular``: production is irregular or delayed, or something else calls
    for normal inspection.  ``supplier_acted``: the supplier has done something about its quality.
    """

    steady: bool = False
    agreed: bool = False
    irregular: bool = False
    supplier_acted: bool = False


NOTHING = Said()


@dataclass(frozen=True, slots=True)
class JudgedLot:
    """A lot of the history: its plan, what was found in its sample, and what was said before it.

    ``name`` is for the sentences.  ``original`` is False for a lot that was offered again.
    """

    name: str
    plan: SamplingPlan
    nonconforming: int
    said: Said = NOTHING
    original: bool = True

    @property
    def accepted(self) -> bool:
        """Whether the lot was accepted."""
        return self.nonconforming <= self.plan.ac


@dataclass(frozen=True, slots=True)
class Inspection:
    """How the next lot is inspected, and why.

    ``ended``: it is not, until the supplier has acted.  ``score`` is the switching score, 0 unless
    inspection is normal.  ``may_be_reduced``: only the words for reduced inspection are missing.
    ``accepted_in_a_row`` and ``not_accepted`` are counted on tightened inspection, else 0.
    ``why`` is a sentence or two.
    """

    severity: Severity
    ended: bool
    score: int
    may_be_reduced: bool
    accepted_in_a_row: int
    not_accepted: int
    why: str


def severity_after(history: Sequence[JudgedLot | Said], said: Said = NOTHING) -> Inspection:
    """Return how the lot after ``history`` is inspected, by what is ``said`` before it.

    What was said counts from where it stands in the history; a lot's own stands right before it.
    """
    now = _History()
    for one in history:
        now.hear(one if isinstance(one, Said) else one.said)
        if isinstance(one, JudgedLot) and one.original:
            now.judge(one)
    now.hear(said)
    return now.told()


_STRICTNESS = (Severity.REDUCED, Severity.NORMAL, Severity.TIGHTENED)


class _History:
    """The rules at work, lot by lot."""

    def __init__(self) -> None:
        self.severity = Severity.NORMAL
        self.ended = False
        self.recent: deque[JudgedLot] = deque(maxlen=WINDOW)
        self.score = self.in_a_row = self.not_accepted = 0
        self.since = ""  # why the severity is what it is

    def _switch(self, severity: Severity, since: str) -> None:
        self.severity, self.since = severity, since
        self.ended = False
        self.score = self.in_a_row = self.not_accepted = 0

    def hear(self, said: Said) -> None:
        if self.ended and said.supplier_acted:
            self._switch(
                Severity.TIGHTENED, "inspection had ended and the supplier has acted since"
            )
        elif self.severity is Severity.REDUCED and said.irregular:
            self._switch(Severity.NORMAL, "production was said to be irregular")
        elif self._may_be_reduced and said.steady and said.agreed and not said.irregular:
            self._switch(
                Severity.REDUCED,
                f"the switching score came to {self.score}, production is steady and the "
                "responsible person agrees",
            )

    @property
    def _may_be_reduced(self) -> bool:
        return self.severity is Severity.NORMAL and self.score >= SCORE_ENOUGH

    def judge(self, lot: JudgedLot) -> None:
        asked = _STRICTNESS.index(self.severity) - _STRICTNESS.index(lot.plan.severity)
        if lot.accepted and asked > 0:
            return
        self.recent.append(lot)
        if self.severity is Severity.NORMAL:
            self._judge_normal(lot)
        elif self.severity is Severity.TIGHTENED:
            self._judge_tightened(lot)
        elif not lot.accepted:
            self._switch(Severity.NORMAL, f"{lot.name} was not accepted on reduced inspection")

    def _judge_normal(self, lot: JudgedLot) -> None:
        refused = [one for one in self.recent if not one.accepted]
        if len(refused) >= OF_WINDOW:
            among = self.recent.index(refused[0])
            self._switch(
                Severity.TIGHTENED,
                f"{len(refused)} of {len(self.recent) - among} lots in a row "
                f"({_named(refused)}) were not accepted",
            )
        elif not lot.accepted:
            self.score = 0
        elif lot.plan.severity is Severity.NORMAL:
            added = score_of(lot)
            self.score = self.score + added if added else 0

    def _judge_tightened(self, lot: JudgedLot) -> None:
        if lot.accepted:
            self.in_a_row += 1
            if self.in_a_row >= BACK_AFTER and not self.ended:
                self._switch(
                    Severity.NORMAL, f"{BACK_AFTER} lots in a row were accepted on tightened"
                )
            return
        self.in_a_row = 0
        self.not_accepted += 1
        self.ended = self.ended or self.not_accepted >= END_AFTER

    def told(self) -> Inspection:
        return Inspection(
            self.severity,
            self.ended,
            self.score,
            self._may_be_reduced,
            self.in_a_row,
            self.not_accepted,
            " ".join(filter(None, (self._reason(), self._progress()))),
        )

    def _reason(self) -> str:
        if self.ended:
            return (
                f"Inspection has ended: {self.not_accepted} lots were not accepted on tightened "
                "inspection."
            )
        if not self.since:
            return "Normal inspection, as it is from the first lot on."
        return f"{self.severity.value.capitalize()} inspection: {self.since}."

    def _progress(self) -> str:
        if self.ended:
            return "It goes on when the supplier has done something about its quality."
        if self.severity is Severity.TIGHTENED:
            return (
                f"It ends with {BACK_AFTER} lots accepted in a row ({self.in_a_row} so far); with "
                f"{END_AFTER} lots not accepted ({self.not_accepted} so far) no more are inspected."
            )
        if self.severity is Severity.REDUCED:
            return "A lot that is not accepted ends it."
        if self._may_be_reduced:
            return (
                f"The switching score is {self.score}: inspection may be reduced if production is "
                "steady and the responsible person agrees."
            )
        return f"{self._watched()}The switching score is {self.score} of {SCORE_ENOUGH}."

    def _watched(self) -> str:
        """Return what of the last lots would count with one more that is not accepted."""
        refused = [place for place, lot in enumerate(self.recent) if not lot.accepted]
        left = WINDOW - len(self.recent) + refused[-1] if refused else 0
        if left < 1:
            return ""
        among = (
            "If the next lot is not either" if left == 1 else f"With one more of the next {left}"
        )
        name = self.recent[refused[-1]].name
        return f"{name} was not accepted. {among}, inspection is tightened. "


def score_of(lot: JudgedLot) -> int:
    """Return what a lot on normal inspection adds to the switching score; 0 takes it all away."""
    if lot.plan.ac < 2:
        return 2 if lot.accepted else 0
    # By the letter of the sample that was taken: an arrow upwards takes a smaller one.
    tighter = tighter_aql(lot.plan.aql)
    if tighter is None:
        return 0
    _letter, _n, ac = master_cell(lot.plan.letter, tighter, Severity.NORMAL)
    return 3 if lot.nonconforming <= ac else 0


def _named(lots: Sequence[JudgedLot]) -> str:
    return " and ".join(lot.name for lot in lots)
