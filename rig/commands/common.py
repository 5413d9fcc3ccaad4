"""What several commands need: the rig file, its plans, its records."""

from __future__ import annotations

import argparse
import tomllib
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from pathlib import Path
from typing import TYPE_CHECKING
from uuid import UUID

from rig.commands import exits
from rig.commands.exits import CommandError
from rig.commands.streams import tell
from rig.labels import shown, trouble_with
from rig.plans import Plan, PlanError, find_plan, load_plan
from rig.schema import Mistake, MistakesError
from rig.settings import RigSettings, load_settings, starter_settings

if TYPE_CHECKING:
    from rig.records.store import Store

RIG_FILE = "rig.toml"
RECORDS_FILE = "records.sqlite"
LAST = "last"


def rig_settings(options: argparse.Namespace, *, backend: str | None = None) -> RigSettings:
    """Return the settings of ``--rig`` or of rig.toml in this folder.

    With the simulated backend asked for by name and no rig file at hand, the starter rig serves.
    """
    if options.rig is not None:
        return load_settings(Path(options.rig))
    here = Path(RIG_FILE)
    if here.exists():
        return load_settings(here)
    if backend == "simulated":
        return starter_settings()
    other = "; with --backend simulated none is needed" if "backend" in options else ""
    raise CommandError(
        exits.USAGE,
        f"there is no {RIG_FILE} in {Path.cwd()}. Make a rig folder with `halfturn new FOLDER` and "
        f"work in it, or name a rig file with --rig{other}.",
    )


def settings_or_starter(options: argparse.Namespace) -> RigSettings:
    """Return the rig's settings, or the starter rig's where there is no rig file."""
    return rig_settings(options, backend="simulated")


def plan_of(name: str, settings: RigSettings) -> Plan:
    """Return the plan called ``name``, from the rig's plans, this folder or the shipped ones."""
    path = find_plan(name, (settings.plans, Path("test_plans"), Path()))
    try:
        return load_plan(path)
    except PlanError:
        if not _is_rig_file(path):
            raise
    wrong = "this looks like a rig file, and a plan is wanted here"
    raise PlanError([Mistake(shown(str(path), 200), "", wrong, "--rig FILE for a rig file")])


def _is_rig_file(path: Path) -> bool:
    """Tell whether a file that is no plan has what only a rig file has."""
    try:
        tables = tomllib.loads(path.read_text(encoding="utf-8"))
    except (OSError, ValueError):
        return False
    return {"station", "dead_man"} & set(tables) != set() and "step" not in tables


def need_printable(option: str, text: str, longest: int) -> None:
    """Raise CommandError if an option's text could not be written on a record."""
    trouble = trouble_with(text, longest)
    if trouble:
        raise CommandError(exits.USAGE, f"{option} {trouble}")


def tell_long(doing: str, size_bytes: int) -> None:
    """Tell on standard error of work that takes longer than a second (about 40 MB a second)."""
    if size_bytes > 20_000_000:
        tell(f"{doing} ({size_bytes / 1e6:.0f} MB) ...")


def picture_path(name: str | None) -> Path | None:
    """Return where a picture is to go, None if none is asked for; before any work is done."""
    if name is None:
        return None
    path = Path(name)
    if path.suffix.lower() not in (".png", ".svg", ".pdf"):
        raise CommandError(
            exits.USAGE, f"a picture is saved as .png, .svg or .pdf, not as '{path.name}'."
        )
    return path


def records_path(options: argparse.Namespace, settings: RigSettings | None = None) -> Path:
    """Return the records file: ``--records``, or the one in the rig's logs."""
    if options.records is not None:
        return Path(options.records)
    settings = settings or settings_or_starter(options)
    return settings.logs / RECORDS_FILE


def records_folder(options: argparse.Namespace) -> Path:
    """Return the folder of the records file, also if the rig file has mistakes: to stop what is on.

    The rig file's logs are then taken to be where they usually are.
    """
    if options.records is not None:
        return Path(options.records).parent
    try:
        return records_path(options).parent
    except MistakesError:
        rig = Path(options.rig or RIG_FILE)
        if not rig.exists():
            raise  # mistyped: another rig's bench would be looked for
        return rig.parent / "logs"


@contextmanager
def open_records(path: Path, *, create: bool = False) -> Iterator[Store]:
    """Open the records of a file, with runs that nobody ended marked as interrupted.

    An archive that can only be read is read as it is.  Raises RecordsError.
    """
    from rig.records.errors import RecordsError
    from rig.records.store import Store

    with Store.open(path, create=create) as store:
        with suppress(RecordsError):
            store.mark_interrupted()
        yield store


def run_named(store: Store, name: str) -> UUID | str:
    """Return the newest run for "last", else the name itself: the store knows what it means."""
    if name != LAST:
        return name
    newest = store.runs(limit=1)
    if not newest:
        from rig.records.errors import RecordsError

        raise RecordsError(
            "There are no runs in these records yet. Run a plan first, or name other records with "
            "--records FILE."
        )
    return newest[0].run_id
