"""What can be wrong with records, each with what to do about it."""

from __future__ import annotations

import sqlite3
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from uuid import UUID

RESTORE = (
    "Keep this file, copy its whole folder to another disk, and restore the newest sound backup "
    "with `halfturn records restore BACKUP`; export runs that it does not have first, with "
    "`halfturn records export RUN`."
)
OTHERWISE_FINE = (
    "The rest of the run can still be shown and exported. If a backup is from after this run, "
    "look there for what is missing: `halfturn records show RUN --records BACKUP`; else test the "
    "unit again."
)

UNREADABLE = (sqlite3.DatabaseError, UnicodeDecodeError)
"""What reading a damaged database raises: even its messages may be no text any more."""

Progress = Callable[[str, float], None]
"""Called with what is being done and how far it is, 0 to 1."""


@dataclass(frozen=True, slots=True)
class Problem:
    """What is wrong, as a sentence, and what to do; ``run`` is the run's id, empty for no one."""

    what: str
    do: str = RESTORE
    run: str = ""
    step: int | None = None


@dataclass
class Problems:
    """The problems found, each once, in the order of finding."""

    _found: dict[Problem, None] = field(default_factory=dict)

    def add(self, what: str, do: str = RESTORE, *, run: str = "", step: int | None = None) -> None:
        """Take note of a problem."""
        self._found[Problem(what, do, run, step)] = None

    def __iter__(self) -> Iterator[Problem]:
        return iter(self._found)

    def __len__(self) -> int:
        return len(self._found)


def run_id(raw: object) -> str:
    """Return an identifier as it is shown, or what stands in its place in the file."""
    try:
        return str(UUID(str(raw)))
    except ValueError:
        return repr(raw)
