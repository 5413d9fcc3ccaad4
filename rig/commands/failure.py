"""From an exception to an exit status and a sentence."""

from __future__ import annotations

import os
import tempfile
import traceback
from pathlib import Path

from drivers import DriverError
from rig.bench.errors import BenchError
from rig.commands import exits
from rig.commands.exits import CommandError
from rig.commands.streams import OutputError


def explain(error: Exception) -> tuple[int, str]:
    """Return exit status and text for ``error``; an unforeseen one is kept in a file."""
    if isinstance(error, CommandError):
        return error.status, str(error)
    from rig.schema import MistakesError

    if isinstance(error, MistakesError):
        return exits.FILES, str(error)
    # Imported here: SQLAlchemy is slow to load and most failures have nothing to do with it.
    from rig.records.errors import RecordsError
    from rig.tracefile import TraceFileError

    if isinstance(error, TraceFileError):
        return exits.FILES, str(error)
    if isinstance(error, BenchError | DriverError):
        return exits.BENCH, str(error)
    if isinstance(error, RecordsError):
        return exits.RECORDS, str(error)
    if isinstance(error, OutputError):
        return exits.FILES, str(error)
    if isinstance(error, OSError):
        what = f"{error.filename}: " if error.filename else ""
        why = (error.strerror or str(error)).lower()
        return exits.FILES, f"{what}{why}. See that the folder exists and that you may write there."
    return exits.PROGRAM, _kept(error)


def _kept(error: Exception) -> str:
    what = f"the program itself failed ({type(error).__name__}: {error}). Feeds are off."
    try:
        handle, name = tempfile.mkstemp(prefix="halfturn-fault-", suffix=".txt")
        with os.fdopen(handle, "w", encoding="utf-8", errors="backslashreplace") as file:
            traceback.print_exception(error, file=file)
    except OSError as trouble:
        why = (trouble.strerror or str(trouble)).lower()
        return f"{what} The details could not be kept ({why}); please report this line."
    return f"{what} The details are in {Path(name)}; please report them."
