"""A new rig folder to start from: rig file, plans, wiring drawing, a place for records."""

from __future__ import annotations

from importlib import resources
from pathlib import Path

from rig.plans import shipped_plans
from rig.schema import Mistake, MistakesError
from rig.settings import starter_settings, starter_text

_LOGS_README = (
    "Records go here by default: `records.sqlite` and the pictures and traces exported from it.\n"
)


class FolderError(MistakesError):
    """The rig folder cannot be made; ``mistakes`` says why."""


def make_rig_folder(folder: Path, stations: int = 1) -> list[Path]:
    """Write a rig file, the plans that ship and an empty ``logs`` into ``folder``.

    The rig has ``stations`` stations.

    Returns the files written.  Raises FolderError, and writes nothing, if one of them is there
    already or the folder cannot be made.
    """
    folder = Path(folder)
    written: list[Path] = []
    try:
        files = _files(folder, stations)
        there = [path for path in files if path.exists() or path.is_symlink()]
        if there:
            raise FolderError(
                Mistake(str(path), "", "this file is there already and is not overwritten", "")
                for path in there
            )
        for path, content in files.items():
            path.parent.mkdir(parents=True, exist_ok=True)
            with path.open("xb") as file:  # "x": never over a file that came up meanwhile
                written.append(path)
                file.write(content)
    except OSError as problem:
        for path in written:
            path.unlink(missing_ok=True)
        wrong = f"the rig folder cannot be made: {problem.strerror or problem}"
        place = str(problem.filename or folder)
        allowed = "a folder that you may write to"
        raise FolderError([Mistake(place, "", wrong, allowed)]) from None
    return written


def _files(folder: Path, stations: int) -> dict[Path, bytes]:
    files = {folder / "rig.toml": starter_text(stations).encode()}
    for plan in shipped_plans():
        files[folder / "test_plans" / plan.name] = plan.read_bytes()
    drawing = resources.files("rig").joinpath("templates", "wiring.svg")
    files[folder / "wiring.svg"] = drawing.read_bytes()
    files[folder / "logs" / "README.md"] = _LOGS_README.encode()
    return files


__all__ = ["FolderError", "make_rig_folder", "starter_settings"]
