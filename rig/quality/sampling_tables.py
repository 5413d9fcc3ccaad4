"""The tables of lot inspection by attributes: which sample of a lot, and how many may not conform.

ISO 2859-1:1999, tables 1 (code letters) and 2-A to 2-C (single sampling).  Normal and tightened are
those of MIL-STD-105E too; reduced inspection differs there, and is ISO's here.  The standards' own
text was not seen; the tests hold every cell to printed copies (tests/reference).

The master tables follow one rule: what a cell says depends on the sum of the places of code letter
and AQL alone.  An arrow leads to the next cell of the column with a number, and that cell's sample
size goes with it; at the edges of the table it points where there is one.
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum


class SamplingError(ValueError):
    """There is no such sampling; the message is a sentence.

    ``about`` is what of it is wrong, by the name it was asked for with; "" if it is the whole.
    """

    def __init__(self, sentence: str, *, about: str = "") -> None:
        super().__init__(sentence)
        self.about = about


class Level(StrEnum):
    """Inspection level: how large a sample for a lot's size.  II unless there is a reason.

    I tells less, III more; S-1 to S-4 are for samples that must stay very small.
    """

    S_1 = "S-1"
    S_2 = "S-2"
    S_3 = "S-3"
    S_4 = "S-4"
    I = "I"  # noqa: E741  # the standard's name
    II = "II"
    III = "III"


class Severity(StrEnum):
    """How severely a supplier's lots are inspected: normal, until its lots say otherwise."""

    NORMAL = "normal"
    TIGHTENED = "tightened"
    REDUCED = "reduced"


AQLS = (
    *(0.010, 0.015, 0.025, 0.040, 0.065),
    *(0.10, 0.15, 0.25, 0.40, 0.65),
    *(1.0, 1.5, 2.5, 4.0, 6.5, 10.0),
)
"""The preferred AQLs in per cent nonconforming.  Beyond 10 the tables count nonconformities per 100
units, which a unit that is judged whole does not have."""

LOT_LEAST = 2
LOT_MOST = 10_000_000
"""A larger lot is a slip of the keyboard (guess); from 500 001 on all are sampled alike."""

_CODE_LETTERS = (
    # lots up to, letters of the levels in their order
    (8, "AAAAAAB"),
    (15, "AAAAABC"),
    (25, "AABBBCD"),
    (50, "ABBCCDE"),
    (90, "BBCCCEF"),
    (150, "BBCDDFG"),
    (280, "BCDEEGH"),
    (500, "BCDEFHJ"),
    (1200, "CCEFGJK"),
    (3200, "CDEGHKL"),
    (10_000, "CDFGJLM"),
    (35_000, "CDFHKMN"),
    (150_000, "DEGJLNP"),
    (500_000, "DEGJMPQ"),
    (LOT_MOST, "DEHKNQR"),
)

LETTERS = "ABCDEFGHJKLMNPQRS"
"""Code letters; S stands in the tightened table only, for an AQL of 0.025."""

_SIZES = (2, 3, 5, 8, 13, 20, 32, 50, 80, 125, 200, 315, 500, 800, 1250, 2000, 3150)
_REDUCED_SIZES = (2, 2, *_SIZES[:14])

_UP, _DOWN = _ARROWS = ("^", "v")
_FIRST = 14
# What the cells say whose places (letters and AQLs each counted from 0) add up to 14, 15, ...;
# below that they point down, beyond the end up.
_BY_SUM = {
    Severity.NORMAL: ["0", "^", "v", "1", "2", "3", "5", "7", "10", "14", "21"],
    Severity.TIGHTENED: ["v", "0", "v", "v", "1", "2", "3", "5", "8", "12", "18"],
    Severity.REDUCED: ["0", "^", "v", "v", "1", "2", "3", "4", "6", "8", "10"],
}
_DOUBTFUL_SUM = 21  # of the reduced table
_DOUBTFUL_CELL = (Severity.TIGHTENED, "A", 10.0)
_ROW_S = (Severity.TIGHTENED, 0.025)  # where the table goes on to S


@dataclass(frozen=True, slots=True)
class SamplingPlan:
    """How a lot of ``lot_size`` is judged: ``n`` units of it are inspected, ``ac`` may not conform.

    ``lot_letter`` is the lot's code letter, ``letter`` the one of the plan, which arrows of the
    table may have led to; ``table_n`` is the sample size of that, which ``n`` is unless the lot is
    smaller.  ``aql`` is in per cent nonconforming.  ``doubt`` says in words what published copies
    of the tables disagree about in this cell ("": nothing).
    """

    lot_size: int
    level: Level
    aql: float
    severity: Severity
    lot_letter: str
    letter: str
    table_n: int
    ac: int
    doubt: str = ""

    @property
    def n(self) -> int:
        """How many units are inspected."""
        return min(self.table_n, self.lot_size)

    @property
    def re(self) -> int:
        """The rejection number: with so many nonconforming the lot is not accepted."""
        return self.ac + 1

    @property
    def whole(self) -> bool:
        """Whether every unit of the lot is inspected, since the table's sample is no smaller."""
        return self.table_n >= self.lot_size


def code_letter(lot_size: int, level: Level) -> str:
    """Return the code letter for a lot of ``lot_size`` (table 1); raises SamplingError."""
    if lot_size < LOT_LEAST:
        raise SamplingError(
            f"A lot of {lot_size} cannot be sampled: the tables begin at {LOT_LEAST} units. "
            "Test a single unit by itself.",
            about="size",
        )
    if lot_size > LOT_MOST:
        raise SamplingError(
            f"A lot of {lot_size} is larger than any delivery ({LOT_MOST} at most here). "
            "Look at the number again.",
            about="size",
        )
    letters = next(letters for most, letters in _CODE_LETTERS if lot_size <= most)
    return letters[list(Level).index(level)]


def sampling_plan(
    lot_size: int, level: Level, aql: float, severity: Severity = Severity.NORMAL
) -> SamplingPlan:
    """Return the single sampling plan (tables 2-A to 2-C), arrows followed.

    ``aql`` is one of `AQLS`, in per cent.  Raises SamplingError for another, or for a lot size that
    `code_letter` refuses.
    """
    aql = preferred(aql)
    lot_letter = code_letter(lot_size, level)
    letter, table_n, ac = master_cell(lot_letter, aql, severity)
    doubt = _doubt(lot_letter, letter, aql, severity)
    return SamplingPlan(lot_size, level, aql, severity, lot_letter, letter, table_n, ac, doubt)


def master_cell(lot_letter: str, aql: float, severity: Severity) -> tuple[str, int, int]:
    """Return the plan's letter, sample size and acceptance number for a lot's code letter.

    Raises SamplingError unless ``aql`` is one of `AQLS`.
    """
    column = AQLS.index(preferred(aql))
    row = _row_of_number(LETTERS.index(lot_letter), column, severity)
    sizes = _REDUCED_SIZES if severity is Severity.REDUCED else _SIZES
    return LETTERS[row], sizes[row], int(_said(row, column, severity))


def _row_of_number(row: int, column: int, severity: Severity) -> int:
    """Return the row that the cell's arrow leads to, its own if it is a number."""
    said = _said(row, column, severity)
    if said not in _ARROWS:
        return row
    rows = len(LETTERS) if (severity, AQLS[column]) == _ROW_S else len(LETTERS) - 1
    up, down = range(row - 1, -1, -1), range(row + 1, rows)
    # An arrow that would lead off the table points the other way.
    for towards in (up, down) if said == _UP else (down, up):
        for there in towards:
            if _said(there, column, severity) not in _ARROWS:
                return there
    raise AssertionError("a column of the tables without a number")


def _said(row: int, column: int, severity: Severity) -> str:
    if (severity, LETTERS[row], AQLS[column]) == _DOUBTFUL_CELL:
        return _DOWN
    by_sum = _BY_SUM[severity]
    place = row + column - _FIRST
    if place < 0:
        return _DOWN
    return by_sum[place] if place < len(by_sum) else _UP


def preferred(aql: float) -> float:
    """Return the AQL of the tables that ``aql`` (per cent) is; raises SamplingError."""
    for one in AQLS:
        if abs(aql - one) <= 1e-9 * one:
            return one
    if aql > AQLS[-1]:
        raise SamplingError(
            f"An AQL of {aql:g} is not for units that conform or do not: beyond {AQLS[-1]:g} the "
            "tables count nonconformities per 100 units. Give one of "
            f"{_listed()}.",
            about="aql",
        )
    raise SamplingError(
        f"The tables have no AQL of {aql:g} %. Give one of {_listed()}.", about="aql"
    )


def _listed() -> str:
    return ", ".join(f"{one:g}" for one in AQLS)


def tighter_aql(aql: float) -> float | None:
    """Return the AQL one step tighter than ``aql``, in per cent; None for the tightest."""
    place = AQLS.index(preferred(aql))
    return AQLS[place - 1] if place else None


def _doubt(lot_letter: str, letter: str, aql: float, severity: Severity) -> str:
    by_sum = LETTERS.index(letter) + AQLS.index(aql)
    if severity is Severity.REDUCED and by_sum == _DOUBTFUL_SUM:
        return (
            "Published copies of the table for reduced inspection disagree here: an acceptance "
            "number of 4, or of 5. The stricter, 4, is taken."
        )
    if (severity, lot_letter, aql) == _DOUBTFUL_CELL:
        return (
            "Published copies of the table for tightened inspection disagree here: a sample of 8 "
            "of which 1 may not conform, or of 2 of which none. The larger sample is taken; three "
            "copies of four have it."
        )
    return ""
