"""Are the rows of a records file ones that the program reads, and do they make whole runs?"""

from __future__ import annotations

import hashlib
import json
import sqlite3
import tomllib
from collections import defaultdict
from collections.abc import Iterator
from dataclasses import dataclass, field
from datetime import date
from itertools import count, islice
from typing import Any

from rig.analysis.model import Verdict
from rig.quality.calibration import CalibrationState
from rig.records.check_lots import LotRows, check_lots
from rig.records.check_values import check_of
from rig.records.lateness import lateness_object, lateness_read
from rig.records.model import RunState
from rig.records.owner import Owner
from rig.records.problems import OTHERWISE_FINE, UNREADABLE, Problems, Progress, run_id
from rig.records.tables import Base

_LARGE = "data"  # a trace's own column: looked into elsewhere
_CALIBRATE_AGAIN = "Calibrate the station again; the runs are as they were."
_EVERY = 5000  # rows between two words of progress
_MOST_TOLD = 10  # of missing numbers
# Whose rows are numbered without a gap within what they belong to.
_NUMBERED = {
    "half_turns": "step_id",
    "measures": "step_id",
    "events": "run_id",
    "reasons": "run_id",
    "gauge_trials": "study_id",
    "golden_baselines": "golden_id",
    "calibration_points": "line_id",
    "lot_items": "lot_id",
    "lot_events": "lot_id",
}

Row = dict[str, Any]


@dataclass
class Series:
    """Whole numbers that should follow one another from ``first`` on, each once."""

    first: int = 0
    count: int = 0
    total: int = 0
    highest: int = -1

    def add(self, number: int) -> None:
        """Take note of one."""
        self.count += 1
        self.total += number
        self.highest = max(self.highest, number)

    @property
    def whole(self) -> bool:
        """Tell whether none is missing up to the highest, and none is there twice."""
        return self.highest == self.first + self.count - 1 and self.total == sum(
            range(self.first, self.highest + 1)
        )


@dataclass
class RunFound:
    """A run's row, the numbers of its steps and half-turns."""

    row: Row
    steps: list[int] = field(default_factory=list)
    turns: Series = field(default_factory=lambda: Series(first=1, highest=0))
    reasons: int = 0

    @property
    def name(self) -> str:
        """The run's id as it is shown."""
        return run_id(text_of(self.row.get("id")))

    def state_is(self, state: RunState) -> bool:
        """Tell whether the run is in this state."""
        return bool(self.row.get("state") == str(state.value).encode())

    @property
    def goes_on(self) -> bool:
        """Tell whether the run's process lives, or may: that of another machine."""
        return self.state_is(RunState.RUNNING) and self._owner().may_live()

    @property
    def left_off(self) -> bool:
        """Tell whether the run was interrupted, noted as such or not yet."""
        died = self.state_is(RunState.RUNNING) and not self._owner().may_live()
        return died or self.state_is(RunState.INTERRUPTED)

    def _owner(self) -> Owner:
        words = (text_of(self.row.get(f"owner_{name}")) for name in ("host", "boot", "space"))
        numbers = (self.row.get(f"owner_{name}") for name in ("pid", "started"))
        host, boot, space = words
        pid, started = (number if isinstance(number, int) else 0 for number in numbers)
        return Owner(host, boot, space, pid, started)


@dataclass
class Found:
    """What is in a records file, by the keys in the file."""

    counts: dict[str, int] = field(default_factory=dict)
    runs: dict[bytes, RunFound] = field(default_factory=dict)
    steps: dict[bytes, tuple[bytes, int]] = field(default_factory=dict)
    golden: set[bytes] = field(default_factory=set)  # golden units without a baseline
    turning: set[bytes] = field(default_factory=set)  # steps that have half-turns
    texts: dict[bytes, bytes] = field(default_factory=dict)
    # Calibrations' days, and their lines: which calibration each belongs to.
    calibrations: dict[bytes, str] = field(default_factory=dict)
    lines: dict[bytes, tuple[bytes, bytes]] = field(default_factory=dict)
    with_points: set[bytes] = field(default_factory=set)
    lots: LotRows = field(default_factory=LotRows)

    def place_of_step(self, step: object) -> tuple[str, int | None]:
        """Return run and number of a step, as they are shown; empty if they are not known."""
        run, number = self.steps.get(step, (b"", None)) if isinstance(step, bytes) else (b"", None)
        return (run_id(text_of(run)) if run else "", number)


def check_rows(raw: sqlite3.Connection, problems: Problems, progress: Progress) -> Found:
    """Look at every row but for the traces' own data; return what there is.

    A table that cannot be read to its end is told and left.
    """
    found = Found()
    series: dict[tuple[str, bytes], Series] = defaultdict(Series)
    tables = [t.name for t in Base.metadata.sorted_tables if t.name != "traces"]
    for done, table in enumerate(tables):
        try:
            for number, row in enumerate(_rows(raw, table), start=1):
                if number % _EVERY == 0:
                    progress("rows", done / len(tables))
                _take(found, table, row)
                parent = row.get(_NUMBERED.get(table, ""))
                if isinstance(parent, bytes) and isinstance(row.get("position"), int):
                    series[table, parent].add(row["position"])
                _check_values(found, table, row, problems)
                found.counts[table] = number
        except UNREADABLE as error:
            problems.add(f"The table {table} cannot be read to its end ({error}).")
    _check_series(found, series, problems)
    if found.golden:
        problems.add("A golden unit has no baseline: from when its checks count is lost.")
    _check_calibrations(found, problems)
    for run in found.runs.values():
        _check_run(run, found, problems)
    check_lots(found.lots, {key: run.row for key, run in found.runs.items()}, problems)
    return found


def _rows(raw: sqlite3.Connection, table: str) -> Iterator[Row]:
    """Yield the rows of a table, text as bytes, with the columns that this program knows."""
    there = {text_of(name) for _, name, *_ in raw.execute(f"PRAGMA table_info({table})")}
    names = [c.name for c in Base.metadata.tables[table].columns if c.name in there - {_LARGE}]
    if not names:
        return
    for values in raw.execute(f"SELECT {', '.join(names)} FROM {table}"):
        yield dict(zip(names, values, strict=True))


def _take(found: Found, table: str, row: Row) -> None:
    found.lots.take(table, row)
    match table:
        case "texts":
            found.texts[row["sha256"]] = row["text"]
        case "runs":
            found.runs[row["id"]] = RunFound(row)
        case "calibrations":
            found.calibrations[row["id"]] = text_of(row["made_at"])[:16]
        case "calibration_lines":
            found.lines[row["id"]] = row["calibration_id"], row["quantity"]
        case "calibration_points":
            found.with_points.add(row["line_id"])
        case "steps":
            found.steps[row["id"]] = (row["run_id"], row["number"])
            run = found.runs.get(row["run_id"])
            if run is not None and isinstance(row["number"], int):
                run.steps.append(row["number"])
        case "half_turns":
            found.turning.add(row["step_id"])
            run = found.runs.get(found.steps.get(row["step_id"], (b"", 0))[0])
            if run is not None and isinstance(row["number"], int):
                run.turns.add(row["number"])
        case "golden_units":
            found.golden.add(row["id"])
        case "golden_baselines":
            found.golden.discard(row["golden_id"])
        case "reasons":
            run = found.runs.get(row["run_id"])
            if run is not None:
                run.reasons += 1


_CHECKS = {
    table.name: {column.name: check_of(column) for column in table.columns if column.name != _LARGE}
    for table in Base.metadata.sorted_tables
}


def _check_values(found: Found, table: str, row: Row, problems: Problems) -> None:
    checks = _CHECKS[table]
    for name, value in row.items():
        if not checks[name](value):
            run, step = _place(found, table, row)
            shown = text_of(value)[:40] if isinstance(value, bytes) else repr(value)
            problems.add(f"{table}.{name} holds what cannot be: “{shown}”.", run=run, step=step)


def _place(found: Found, table: str, row: Row) -> tuple[str, int | None]:
    match table:
        case "runs":
            return run_id(text_of(row.get("id"))), None
        case "steps":
            number = row.get("number")
            return run_id(text_of(row.get("run_id"))), number if isinstance(number, int) else None
        case "half_turns" | "measures":
            return found.place_of_step(row.get("step_id"))
        case "events" | "reasons" | "gauge_runs" | "lot_runs":
            return run_id(text_of(row.get("run_id"))), None
    return "", None


def _check_series(
    found: Found, series: dict[tuple[str, bytes], Series], problems: Problems
) -> None:
    for sha256, text in found.texts.items():
        if not isinstance(text, bytes) or hashlib.sha256(text).hexdigest() != text_of(sha256):
            name = text_of(sha256)[:12]
            runs = [r.name for r in found.runs.values() if sha256 in _texts_of(r)]
            problems.add(
                f"The rig or plan file {name}... that runs were made with has changed since.",
                run=runs[0] if runs else "",
            )
    for (table, parent), numbers in series.items():
        if numbers.whole:
            continue
        if table == "calibration_points":
            made, quantity = found.lines.get(parent, (b"", b""))
            which = f"{text_of(quantity)} in the calibration of {found.calibrations.get(made)}"
            problems.add(f"Some points of the {which} are missing or there twice.")
            continue
        run, step = "", None
        match _NUMBERED[table]:
            case "step_id":
                run, step = found.place_of_step(parent)
            case "run_id":
                run = run_id(text_of(parent))
        what = table.replace("_", "-")
        if not run:
            of = "a lot" if table.startswith("lot_") else "the rig's own studies"
            problems.add(f"Some {what} of {of} are missing or there twice.")
            continue
        problems.add(f"Some of its {what} are missing or there twice.", run=run, step=step)


def _check_calibrations(found: Found, problems: Problems) -> None:
    """A calibration without its current, or a line without its points, is none."""
    current = {made for made, quantity in found.lines.values() if quantity == b"current"}
    for made, day in found.calibrations.items():
        if made not in current:
            problems.add(f"The calibration of {day} has no line of the current.", _CALIBRATE_AGAIN)
    for line, (made, quantity) in found.lines.items():
        if line not in found.with_points:
            day = found.calibrations.get(made, "an unknown day")
            problems.add(
                f"The {text_of(quantity)} in the calibration of {day} has lost its points.",
                _CALIBRATE_AGAIN,
            )


def _texts_of(run: RunFound) -> tuple[Any, Any]:
    return run.row.get("plan_sha256"), run.row.get("rig_sha256")


def _check_run(run: RunFound, found: Found, problems: Problems) -> None:
    def add(what: str) -> None:
        problems.add(what, OTHERWISE_FINE, run=run.name)

    missing = _missing(run.steps)
    if missing:
        several = len(missing) > 1
        add(
            f"Its step{'s' if several else ''} {_listed(missing)} {'are' if several else 'is'} "
            f"missing: it has {_listed(sorted(run.steps))}."
        )
    elif not run.turns.whole:
        add("Its half-turns are not numbered through: some are missing or there twice.")
    running = run.state_is(RunState.RUNNING)
    if running != (run.row.get("ended_at") is None):
        add("It is running and has ended at once." if running else "It has ended, but not when.")
    stood = run.row.get("calibration")
    if stood is not None and not _is_standing(stood, run.row.get("calibration_id")):
        add("What it keeps of the rig's calibration is not as halfturn writes it.")
    late = run.row.get("lateness")
    if late is not None and not _is_lateness(late):
        add("What it keeps of the control loop's lateness is not as halfturn writes it.")
    if run.row.get("verdict") is not None and not run.reasons:
        add("It has a verdict without a reason.")
    if run.row.get("verdict") == str(Verdict.PASS.value).encode():
        planned = _steps_planned(found.texts.get(run.row.get("plan_sha256", b"")))
        if len(run.steps) < planned:
            add(f"It passed the unit with {len(run.steps)} of its plan's {planned} steps recorded.")


def _is_standing(kept: object, calibration_id: object) -> bool:
    try:
        stood = json.loads(text_of(kept))
        state = CalibrationState(stood["state"])
        date.fromisoformat(stood["on"])
        changed = stood["changed"]
    except (ValueError, LookupError, TypeError):
        return False
    has_one = state is not CalibrationState.NEVER
    return has_one == (calibration_id is not None) and isinstance(changed, list)


def _is_lateness(kept: object) -> bool:
    try:
        lateness_object(lateness_read(json.loads(text_of(kept))))
    except (ValueError, LookupError, TypeError, AttributeError, RecursionError):
        return False
    return True


def _missing(numbers: list[int]) -> list[int]:
    """Return the first of those that lack from 1 on, as many as are told and one more.

    What was read may be any number: nothing is counted up to it.
    """
    there = {number for number in numbers if number > 0}
    lacking = max(there, default=0) - len(there)
    gaps = (number for number in count(1) if number not in there)
    return list(islice(gaps, min(lacking, _MOST_TOLD + 1)))


def _listed(numbers: list[int]) -> str:
    shown = ", ".join(str(number) for number in numbers[:_MOST_TOLD])
    return f"{shown} ..." if len(numbers) > _MOST_TOLD else shown or "none"


def _steps_planned(plan: object) -> int:
    try:
        steps = tomllib.loads(text_of(plan)).get("step", [])
    except tomllib.TOMLDecodeError:
        return 0  # another problem, told with the text's checksum
    return len(steps) if isinstance(steps, list) else 0


def text_of(value: object) -> str:
    """Return stored text, whatever its bytes are."""
    return value.decode(errors="replace") if isinstance(value, bytes) else str(value)
