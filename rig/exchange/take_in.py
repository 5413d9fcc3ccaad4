"""Take runs in from another bench: each whole or not at all, none twice, nothing here changed.

What is brought is first put into a file of its own (`rig.exchange.workspace`), brought up to date
and verified there like any records, each run by the checksum that came with it too.  What is sound
crosses by `rig.records.transfer`, some runs a transaction: cut off anywhere and begun again, it
comes to the same.
"""

from __future__ import annotations

import tempfile
from collections import Counter
from collections.abc import Collection, Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, field
from pathlib import Path
from uuid import UUID

from sqlalchemy import Connection, select

from rig.exchange.left_over import work_folder
from rig.exchange.workspace import Workspace, from_folder, from_records
from rig.labels import shown
from rig.records.bundles import (
    ROOTS,
    Bench,
    Bundle,
    Kind,
    benches,
    named,
    own_bench,
    plain_tables,
    read,
    versions,
)
from rig.records.copies import copy_moment
from rig.records.errors import NotAsWrittenError, RecordsError, told
from rig.records.model import RunState
from rig.records.problems import Progress
from rig.records.store import Store
from rig.records.transfer import Fate, Taken, put
from rig.records.verify import quiet, verify

_RUNS_AT_ONCE = 20
"""Runs in a transaction, some megabytes of traces: a bench at work waits no longer for it."""


@dataclass
class TakenIn:
    """What became of what was brought.

    ``fates`` counts by kind and fate; ``refused`` has why, by run; ``others`` the same of what is
    no run, by its kind and key; ``going_on`` the runs that had not ended there.  ``of`` counts the
    runs by the bench that made them, this one too (``own``).
    """

    source: Path
    records: Path
    dry_run: bool = False
    fates: Counter[tuple[Kind, Fate]] = field(default_factory=Counter)
    refused: dict[UUID, str] = field(default_factory=dict)
    others: dict[str, str] = field(default_factory=dict)
    going_on: list[UUID] = field(default_factory=list)
    of: Counter[Bench] = field(default_factory=Counter)
    own: UUID | None = None

    @property
    def all_taken(self) -> bool:
        """Tell whether nothing was refused."""
        return not self.refused and not self.others

    def runs(self, fate: Fate) -> int:
        """Return how many runs had this fate."""
        return self.fates[Kind.RUN, fate]

    def add(self, kind: Kind, taken: Taken) -> None:
        """Take note of what became of some bundles of one kind."""
        for key, fate in taken.fates.items():
            self.fates[kind, fate] += 1
            if fate is not Fate.REFUSED:
                continue
            if kind is Kind.RUN:
                self.refused[key] = taken.why[key]
            else:
                self.others[f"{kind.replace('_', ' ')} {key}"] = taken.why[key]


def take_in(
    source: Path, records: Path, *, dry_run: bool = False, progress: Progress = quiet
) -> TakenIn:
    """Take the runs of an export's folder or of a records file into ``records``.

    With ``dry_run`` nothing is written: it is done to a copy.  Raises RecordsError where nothing
    could be taken in; what was wrong with single runs is told in the result.
    """
    _need(source, records)
    with _folder_beside(records, dry_run=dry_run) as folder:
        if source.is_dir():
            space = from_folder(source, folder, progress)
        else:
            space = from_records(source, folder, progress)
        with _of(source, space.path), Store.open(space.path, create=False) as brought:
            wrong = _wrong(source, space, brought, progress)
            target = records
            if dry_run:
                target = folder / "here.sqlite"
                if records.exists():
                    copy_moment(records, target, progress)
            with Store.open(target) as store:
                done = TakenIn(source, records, dry_run)
                _Crossing(brought, store, done, wrong).run(progress)
    return done


@contextmanager
def _of(source: Path, work: Path) -> Iterator[None]:
    """Have errors speak of what was brought, not of our own file of it, which is gone by then."""
    try:
        yield
    except RecordsError as error:
        raise RecordsError(str(error).replace(str(work), str(source))) from error


def _need(source: Path, records: Path) -> None:
    if not source.exists():
        raise RecordsError(
            f"There is nothing at {source}. Name the folder that `halfturn records out` wrote, or "
            "another bench's records file or its backup."
        )
    if not source.is_dir() and not source.is_file():
        raise RecordsError(f"{source} is no file but a device or a pipe; name a records file.")
    if records.exists() and source.samefile(records):
        raise RecordsError(f"{source} is these records themselves; name what another bench gave.")


@contextmanager
def _folder_beside(records: Path, *, dry_run: bool) -> Iterator[Path]:
    """Yield a folder of our own on the disk of the records, where there is room for such."""
    where = records.parent
    if dry_run and not where.is_dir():
        where = Path(tempfile.gettempdir())
    with told(records, "take runs into"):
        where.mkdir(parents=True, exist_ok=True)
        with work_folder(where, ".take-in-", ".part") as made:
            yield made


_NOT_ITS_SUM = "it is not what its checksum says: it has changed since it was written"
_NOT_AS_WRITTEN = "something in it is not as halfturn writes it"
_SUMS_AT_ONCE = 100  # runs, between two words of progress


# --- is it sound? -------------------------------------------------------------------------------


def _wrong(source: Path, space: Workspace, brought: Store, progress: Progress) -> dict[UUID, str]:
    """Return what is wrong with single runs; RecordsError for what is wrong with the whole."""
    wrong: dict[UUID, str] = {}
    for problem in verify(space.path, progress).problems:
        if not problem.run:
            raise RecordsError(
                f"{source} is not sound, so nothing was taken in: {problem.what} Take what its "
                "bench has now, or a sound backup of it."
            )
        step = "" if problem.step is None else f" (step {problem.step})"
        wrong.setdefault(UUID(problem.run), f"it is not sound{step}: {_small(problem.what)}")
    sound = [run_id for run_id in space.sums if run_id not in wrong]
    for first in range(0, len(sound), _SUMS_AT_ONCE):
        progress("checksums", first / len(sound))
        sums = _sums(brought, sound[first : first + _SUMS_AT_ONCE])
        wrong |= {
            run_id: _NOT_AS_WRITTEN if summed is None else _NOT_ITS_SUM
            for run_id, summed in sums.items()
            if summed != space.sums[run_id]
        }
    if space.changed:
        raise RecordsError(_changed_words(source, space.changed, list(wrong)))
    return wrong


def _sums(brought: Store, runs: Sequence[UUID]) -> dict[UUID, str | None]:
    """Return each run's checksum; None for one that cannot be read: the others are not to blame."""
    try:
        return {record.run_id: summed for record, summed in brought.whole_runs(runs)}
    except NotAsWrittenError:
        if len(runs) == 1:
            return {runs[0]: None}
    half = len(runs) // 2
    return _sums(brought, runs[:half]) | _sums(brought, runs[half:])


def _small(sentence: str) -> str:
    return sentence[:1].lower() + sentence[1:].removesuffix(".")


def _changed_words(source: Path, files: Sequence[str], runs: Sequence[UUID]) -> str:
    which = f" Run {', '.join(str(run) for run in runs[:5])}" if runs else ""
    more = f" and {len(runs) - 5} more" if len(runs) > 5 else ""
    are = (
        f"{which}{more} {'is' if len(runs) == 1 else 'are'} not what was recorded." if runs else ""
    )
    return (
        f"{source}: {', '.join(files)} {'has' if len(files) == 1 else 'have'} changed since the "
        f"folder was written, so nothing was taken in.{are} Copy the folder again, or write it "
        "again with `halfturn records out`."
    )


# --- crossing -----------------------------------------------------------------------------------


class _Crossing:
    """Takes what is sound over, kind after kind: none before what it refers to."""

    def __init__(self, brought: Store, store: Store, done: TakenIn, wrong: dict[UUID, str]) -> None:
        self._brought, self._store = brought, store
        self._done, self._wrong = done, wrong

    def run(self, progress: Progress) -> None:
        """Take over everything."""
        for kind in Kind:
            ids = self._ids(kind)
            for first in range(0, len(ids), _RUNS_AT_ONCE):
                if kind is Kind.RUN:
                    progress("taking runs in", first / len(ids))
                self._take(kind, ids[first : first + _RUNS_AT_ONCE])

    def _ids(self, kind: Kind) -> list[UUID]:
        """Return the keys of one kind in the order they were written, without unsound runs."""
        table = plain_tables()[ROOTS[kind]]
        order = table.c.opened_at if kind is Kind.LOT else table.c.id
        with self._brought.reading() as connection:
            if kind is not Kind.RUN:
                return list(connection.scalars(select(table.c.id).order_by(order)))
            known, own = benches(connection), own_bench(connection)
            found = connection.execute(
                select(table.c.id, table.c.state, table.c.bench_id).order_by(table.c.started_at)
            ).all()
        ids = []
        for run_id, state, bench_id in found:
            self._done.of[own if bench_id is None else known[bench_id]] += 1
            if run_id in self._wrong:
                self._done.refused[run_id] = self._wrong[run_id]
                self._done.fates[kind, Fate.REFUSED] += 1
            elif state == RunState.RUNNING.value:
                self._done.going_on.append(run_id)
            else:
                ids.append(run_id)
        return ids

    def _take(self, kind: Kind, ids: Sequence[UUID]) -> None:
        with self._brought.reading() as connection:
            bundles = read(connection, kind, ids)
        unsafe = self._unsafe(bundles) if kind is Kind.RUN else {}
        taken = Taken()
        with self._store.taking() as connection:
            own = own_bench(connection)
            self._done.own = own.id
            unsafe |= _of_this_bench(connection, bundles, own) | _astray(connection, bundles)
            for bundle in bundles:
                if bundle.row_id in unsafe:
                    taken.refuse(bundle, unsafe[bundle.row_id])
            made = put(connection, [b for b in bundles if b.row_id not in unsafe])
        taken.fates |= made.fates
        taken.why |= {key: _small(why) for key, why in made.why.items()}
        self._done.add(kind, taken)

    def _unsafe(self, bundles: Sequence[Bundle]) -> dict[UUID, str]:
        """Return the runs that would make a run that ended here another one than its sheet says."""
        with self._store.reading() as connection:
            there = versions(connection, [bundle.row_id for bundle in bundles])
        newer = [b for b in bundles if b.row_id in there and b.version > there[b.row_id].version]
        return {
            bundle.row_id: "it says otherwise than the one that was taken in before"
            for bundle in newer
            if self._store.run(bundle.row_id).state is RunState.FINISHED
            and self._store.checksum(bundle.row_id) != self._brought.checksum(bundle.row_id)
        }


def _of_this_bench(
    connection: Connection, bundles: Sequence[Bundle], own: Bench
) -> dict[UUID, str]:
    """Return what this bench made itself and what is brought as newer: the original is here."""
    there = versions(connection, [bundle.row_id for bundle in bundles])
    return {
        bundle.row_id: "this bench made it itself, and what is here was written less often: were "
        "these records restored from an older backup?"
        for bundle in bundles
        if bundle.bench.id == own.id
        and bundle.row_id in there
        and bundle.version > there[bundle.row_id].version
    }


_LINKS = (
    ("gauge_runs", "trial_id", "gauge_trials", "study_id", "gauge_studies", "gauge study"),
    ("lot_runs", "item_id", "lot_items", "lot_id", "lots", "lot"),
)


def _astray(connection: Connection, bundles: Sequence[Bundle]) -> dict[UUID, str]:
    """Return the runs that would count in a study or a lot of a bench that did not make them."""
    own = own_bench(connection).id
    found: dict[UUID, str] = {}
    for link, column, part, up, whole, name in _LINKS:
        made_for = {
            bundle.row_id: (row[column], bundle.bench.id)
            for bundle in bundles
            for row in bundle.rows.get(link, [])
        }
        owner = _owners(connection, {key for key, _ in made_for.values()}, part, up, whole, own)
        for run_id, (key, bench) in made_for.items():
            if owner.get(key, bench) != bench:
                found[run_id] = f"it is said to be of a {name} of another bench than its own"
    return found


def _owners(
    connection: Connection, keys: Collection[UUID], part: str, up: str, whole: str, own: UUID
) -> dict[UUID, UUID]:
    below, above = plain_tables()[part], plain_tables()[whole]
    query = (
        select(below.c.id, above.c.bench_id)
        .join(above, below.c[up] == above.c.id)
        .where(below.c.id.in_(keys))
    )
    return {key: bench or own for key, bench in connection.execute(query)}


def shown_bench(bench: Bench) -> str:
    """Return what a bench is called, as a message may repeat it."""
    return shown(named(bench.name, bench.id))
