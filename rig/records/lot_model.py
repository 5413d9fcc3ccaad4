"""What is kept of a lot judged by a sample, and what its runs make of it: a count, no opinion.

A run decides an item if it came to its end with pass or fail, in the lot's own world (simulated or
not), and was not set aside; the first such run does, whatever comes after it.  A retest decides
nothing.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable
from dataclasses import dataclass
from datetime import datetime
from enum import StrEnum
from itertools import takewhile
from uuid import UUID

from rig.analysis.model import Verdict
from rig.records.model import RunState


class LotEnd(StrEnum):
    """How a lot was closed."""

    ACCEPTED = "accepted"
    NOT_ACCEPTED = "not_accepted"
    WITHDRAWN = "withdrawn"  # opened by mistake: no item of it was judged


class Untestable(StrEnum):
    """What is made of an item that cannot be tested."""

    NONCONFORMING = "nonconforming"  # counted as one
    REPLACED = "replaced"  # another one was drawn in its place


class ItemResult(StrEnum):
    """What an item of the sample came to."""

    LEFT = "left"  # to be tested
    CONFORMING = "conforming"
    NONCONFORMING = "nonconforming"
    REPLACED = "replaced"  # no more of the sample


class LotResult(StrEnum):
    """What the sample says of the lot by now."""

    OPEN = "open"  # to be gone on with
    ACCEPTABLE = "acceptable"
    NOT_ACCEPTABLE = "not_acceptable"  # whatever the rest of the sample comes to


class LotEventKind(StrEnum):
    """What was done to a lot by hand."""

    OPENED = "opened"
    SET_ASIDE = "set_aside"
    UNTESTABLE = "untestable"
    TESTABLE = "testable"  # after all
    SEED_GIVEN = "seed_given"  # by whoever opened it, not drawn
    SEEN_BEFORE = "seen_before"  # a unit that was an item of another lot, taken all the same
    CLOSED = "closed"
    WITHDRAWN = "withdrawn"


@dataclass(frozen=True)
class LotStart:
    """A lot as it is opened.

    ``name`` tells it from every other lot of these records; ``aql`` is in percent nonconforming,
    ``level`` and ``severity`` words of ISO 2859-1.  ``steady`` and ``agreed_by`` are what reduced
    inspection needs: that production is steady, and who agreed to it.  ``irregular`` (why) says
    that it is not, ``acted`` what the supplier has done since inspection ended.  ``lot_letter`` to
    ``doubt`` are those of `rig.quality.sampling_tables.SamplingPlan`.
    ``items`` are the numbers (1 to ``size``), in the order they were drawn with ``seed``.
    ``seed_given``: it was not drawn.  ``resubmitted_of`` is the lot that is offered again.
    """

    name: str
    supplier: str
    unit_type: str
    size: int
    aql: float
    level: str
    severity: str
    severity_why: str
    lot_letter: str
    letter: str
    table_n: int
    n: int
    ac: int
    re: int
    plan_name: str
    plan_text: str
    simulated: bool
    seed: int
    items: tuple[int, ...]
    opened_at: datetime
    operator: str = ""
    order_number: str = ""
    doubt: str = ""
    steady: bool = False
    agreed_by: str = ""
    irregular: str = ""
    acted: str = ""
    resubmitted_of: UUID | None = None
    note: str = ""
    seed_given: bool = False


@dataclass(frozen=True)
class LotRun:
    """A run that was made for an item; ``set_aside``: why it does not count ("": it may).

    ``why`` is the first reason of its verdict, ``caution`` what must stand beside it of the rig,
    its golden units and its calibration (empty: nothing).
    """

    run_id: UUID
    started_at: datetime
    serial: str
    operator: str
    state: RunState
    verdict: Verdict | None
    simulated: bool
    why: str = ""
    set_aside: str = ""
    caution: str = ""

    @property
    def decided(self) -> bool:
        """Whether it came to its end with pass or fail, set aside since or not."""
        return self.state is RunState.FINISHED and self.verdict in (Verdict.PASS, Verdict.FAIL)

    @property
    def decides(self) -> bool:
        """Whether it came to a pass or a fail that was not set aside."""
        return self.decided and not self.set_aside


@dataclass(frozen=True)
class LotItem:
    """An item of the sample: ``number`` in the delivery from 1, ``position`` as drawn from 1.

    ``serial`` is empty until it is known; ``replaces`` is the number of the item that it was drawn
    in place of; ``simulated`` is the lot's.  ``runs``: the oldest first.
    """

    item_id: UUID
    position: int
    number: int
    simulated: bool
    serial: str = ""
    untestable: Untestable | None = None
    untestable_why: str = ""
    replaces: int | None = None
    runs: tuple[LotRun, ...] = ()

    @property
    def run(self) -> LotRun | None:
        """The run that decides: the first of those that do."""
        return next(
            (run for run in self.runs if run.decides and run.simulated == self.simulated), None
        )

    @property
    def named(self) -> bool:
        """Whether a run that may count has told its serial number."""
        return bool(self.serial) and any(not run.set_aside for run in self.runs)

    @property
    def on_jig(self) -> LotRun | None:
        """The run of it that goes on."""
        return next((run for run in self.runs if run.state is RunState.RUNNING), None)

    @property
    def result(self) -> ItemResult:
        """What it came to."""
        if self.untestable is not None:
            return ItemResult(self.untestable.value)
        if self.run is None:
            return ItemResult.LEFT
        good = self.run.verdict == Verdict.PASS
        return ItemResult.CONFORMING if good else ItemResult.NONCONFORMING


def what_they_say(items: Iterable[LotItem], ac: int, re: int) -> LotResult:
    """Return what the items of a lot come to (ISO 2859-1: accepted up to Ac nonconforming)."""
    results = Counter(item.result for item in items)
    if results[ItemResult.NONCONFORMING] >= re:
        return LotResult.NOT_ACCEPTABLE
    if results[ItemResult.LEFT]:
        return LotResult.OPEN
    good = results[ItemResult.NONCONFORMING] <= ac
    return LotResult.ACCEPTABLE if good else LotResult.NOT_ACCEPTABLE


@dataclass(frozen=True)
class LotEvent:
    """Something done to a lot by hand; ``item`` is the number of the item it was about."""

    at: datetime
    operator: str
    kind: LotEventKind
    item: int | None
    text: str


@dataclass(frozen=True)
class LotKept:
    """A lot as it stands; ``end`` None: it is open.  ``items`` and ``events`` as they came.

    ``number`` counts the lots of these records in the order they were opened, ``closed_number`` in
    the order they were closed; ``version`` grows with every change.  The rest as in `LotStart`.
    """

    lot_id: UUID
    number: int
    name: str
    supplier: str
    order_number: str
    unit_type: str
    size: int
    aql: float
    level: str
    severity: str
    severity_why: str
    steady: bool
    agreed_by: str
    irregular: str
    acted: str
    lot_letter: str
    letter: str
    table_n: int
    n: int
    ac: int
    re: int
    doubt: str
    plan_name: str
    plan_text: str
    simulated: bool
    seed: int
    opened_at: datetime
    operator: str
    resubmitted_of: UUID | None
    note: str
    end: LotEnd | None
    closed_at: datetime | None
    closed_number: int | None
    closed_by: str
    closing_note: str
    version: int
    items: tuple[LotItem, ...]
    events: tuple[LotEvent, ...]

    @property
    def sample(self) -> tuple[LotItem, ...]:
        """The items that count, in the order of the crate: those replaced do not."""
        kept = (item for item in self.items if item.untestable is not Untestable.REPLACED)
        return tuple(sorted(kept, key=lambda item: item.number))

    @property
    def left(self) -> tuple[LotItem, ...]:
        """The items still to be tested, in the order of the crate."""
        return tuple(item for item in self.sample if item.result is ItemResult.LEFT)

    @property
    def next_item(self) -> LotItem | None:
        """The first item in the order of the crate that is to be tested and is on no jig."""
        return next((item for item in self.left if item.on_jig is None), None)

    @property
    def nonconforming(self) -> tuple[LotItem, ...]:
        """The nonconforming items found, in the order of the crate."""
        return tuple(item for item in self.sample if item.result is ItemResult.NONCONFORMING)

    @property
    def judged(self) -> int:
        """How many items are found conforming or not."""
        return len(self.sample) - len(self.left)

    @property
    def result(self) -> LotResult:
        """What the sample says by now."""
        return what_they_say(self.items, self.ac, self.re)

    @property
    def worked_through(self) -> tuple[LotItem, ...]:
        """The items judged before the first that is left, in the order of the crate."""
        return tuple(takewhile(lambda item: item.result is not ItemResult.LEFT, self.sample))

    @property
    def cautions(self) -> Counter[str]:
        """What must stand beside its verdict of the rig, with how many deciding runs have it."""
        runs = (item.run for item in self.sample)
        return Counter(run.caution for run in runs if run is not None and run.caution)

    @property
    def decided_runs(self) -> tuple[LotRun, ...]:
        """The runs of its items that came to pass or fail, those set aside among them."""
        return tuple(run for item in self.items for run in item.runs if run.decided)

    @property
    def seed_given(self) -> bool:
        """Whether whoever opened it chose the seed of its sample."""
        return any(event.kind is LotEventKind.SEED_GIVEN for event in self.events)

    @property
    def is_open(self) -> bool:
        """Whether it is not closed."""
        return self.end is None

    @property
    def original(self) -> bool:
        """Whether it was offered for the first time."""
        return self.resubmitted_of is None
