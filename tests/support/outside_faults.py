"""Faults that are outside the simulated world: the disk, the records, the computer's clock.

Injected where they really are: SQLite is given no more pages, the operating system refuses to let
the file grow, the connection may only read, the wall's clock goes back.
"""

from __future__ import annotations

import random
import resource
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from itertools import pairwise
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import Any

from rig_faults import (
    PLANS,
    RATES_HZ,
    SHORT,
    UNITS,
    Case,
    RigFault,
    Setting,
    carry_out,
    untouched,
)

from rig.bench import dates
from rig.bench.events import Noted, StepEnded
from rig.bench.keeper import DirectKeeper
from rig.records.store import Store

BACK_S = 3600.0


class _WallClock:
    """The computer's clock, until it is set back."""

    back_s = 0.0

    def __call__(self) -> datetime:
        return datetime.now(UTC) - timedelta(seconds=self.back_s)


def _say(store: Store, *pragmas: str) -> None:
    with store._engine.connect() as connection:
        raw = connection.connection.driver_connection
        for pragma in pragmas:
            (pages,) = raw.execute("PRAGMA page_count").fetchone()
            raw.execute(f"PRAGMA {pragma}".format(pages=pages)).close()


def _no_more_pages(store: Store) -> None:
    """SQLite answers "database or disk is full" from now on."""
    _say(store, "max_page_count = {pages}")


def _only_read(store: Store) -> None:
    _say(store, "query_only = 1")


def _may_not_grow(store: Store) -> None:
    """Let no file grow beyond what the write-ahead log holds now: writing fails with EFBIG."""
    log = store.path.with_name(store.path.name + "-wal")
    _, hard = resource.getrlimit(resource.RLIMIT_FSIZE)
    resource.setrlimit(resource.RLIMIT_FSIZE, (log.stat().st_size, hard))


def _clock_back(store: Store) -> None:
    dates.wall_clock.back_s = BACK_S


STRIKES: dict[str, Callable[[Store], None]] = {
    "disk-full": _no_more_pages,
    "disk-refuses": _may_not_grow,
    "records-read-only": _only_read,
    "clock-back": _clock_back,
}
OUTSIDE = {
    fault.name: fault
    for fault in (
        RigFault("disk-full", r"the disk is full\. Free some space"),
        RigFault("disk-refuses", r"the disk reports an error\. Check the disk"),
        RigFault("records-read-only", r"read-only\. Give yourself write access"),
        RigFault("clock-back", r"clock was set back by 3600 s"),
    )
}


@contextmanager
def _put_right() -> Iterator[None]:
    """Let files grow and the clock be right again afterwards."""
    limits, clock = resource.getrlimit(resource.RLIMIT_FSIZE), dates.wall_clock
    dates.wall_clock = _WallClock()
    try:
        yield
    finally:
        resource.setrlimit(resource.RLIMIT_FSIZE, limits)
        dates.wall_clock = clock


@dataclass(frozen=True)
class OutsideCase(Case):
    """A run with such a fault, the same run without, and what was wrong with the record."""

    record_trouble: str = ""

    def broken(self) -> list[str]:
        """Return which rules this case breaks, those of the record included."""
        return [*super().broken(), *([self.record_trouble] if self.record_trouble else [])]


def make_outside_case(
    name: str, number: int, seed: int = 1, *, short: bool = False, rates: tuple[int, ...] = RATES_HZ
) -> OutsideCase:
    """Draw a case (as `rig_faults.draw`), carry it out, look at the record it left, return it."""
    rng = random.Random(f"{name} {number} {seed}")
    plan, unit = (SHORT, 1) if short else (rng.choice(PLANS), rng.choice(UNITS))
    setting = Setting(plan, unit, rng.choice(rates), False)
    _, begin_s, end_s = rng.choice(untouched(setting).steps)
    at_s = rng.uniform(begin_s, end_s)
    stores: list[Store] = []

    def keeper(store: Store) -> Any:
        stores.append(store)
        return DirectKeeper(store)

    def strike(now_s: float) -> None:
        if stores and now_s >= at_s:
            STRIKES[name](stores.pop())

    with TemporaryDirectory() as folder:
        records = Path(folder) / "records.sqlite"
        with _put_right():
            run = carry_out(setting, at_sample=strike, keeper=keeper, records=records)
            trouble = _after_the_clock(setting, records) if name == "clock-back" else ""
        trouble = trouble or _record_trouble(run, records)
    text = f"{name}@{at_s:.4f}"
    return OutsideCase(OUTSIDE[name], text, run, untouched(setting), trouble)


def _record_trouble(run: Any, records: Path) -> str:
    """Return what the record lacks of what was told, or has out of order; empty if nothing."""
    with Store.open(records) as store:
        kept = store.run(min(store.runs(), key=lambda each: -each.started_at.timestamp()).run_id)
    told = run.watcher.of(StepEnded)
    if len(kept.steps) < len(told):
        return f"{len(told)} steps were told as kept, {len(kept.steps)} are"
    if run.error is None and (kept.end is None or kept.end.judgement != run.ended.judgement):
        return "the verdict in the record is not the one that was told"
    moments = [kept.start.started_at]
    for step in kept.steps:
        moments += [step.started_at, step.ended_at]
    if kept.end is not None and not kept.end.swept:
        moments.append(kept.end.ended_at)
    events = [event.at for event in kept.events]
    if any(b < a for series in (moments, events) for a, b in pairwise(series)):
        return "the record's dates go back"
    return ""


def _after_the_clock(setting: Setting, records: Path) -> str:
    """Make another run with the clock still back; return what is wrong with that one."""
    later = carry_out(Setting(SHORT, setting.unit, 200, False), records=records)
    clock = [event for event in later.watcher.of(Noted) if event.kind == "clock"]
    if later.verdict != "pass" or len(clock) != 1 or "run before it is dated" not in clock[0].text:
        return f"the run after it did not tell of the clock:\n{later.said}"
    return ""
