"""A folder to work in that nothing is left of, not even by a kill or a power cut for long."""

from __future__ import annotations

import os
import re
import shutil
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from rig.records.owner import exists


@contextmanager
def work_folder(folder: Path, start: str, end: str) -> Iterator[Path]:
    """Yield a new folder in ``folder``, named by this process's number; it is gone at the end.

    What processes that have ended left under such names is removed.  Raises OSError.
    """
    made = folder / f"{start}{os.getpid()}{end}"
    _clear(folder, start, end)
    made.mkdir()
    try:
        yield made
    finally:
        shutil.rmtree(made, ignore_errors=True)


def _clear(folder: Path, start: str, end: str) -> None:
    name = re.compile(f"{re.escape(start)}([0-9]{{1,9}}){re.escape(end)}")
    for path in folder.iterdir() if folder.is_dir() else ():
        if (found := name.fullmatch(path.name)) is None or path.is_symlink():
            continue
        # Of this very number: an earlier process's, before the computer was switched on again.
        if int(found[1]) == os.getpid() or not exists(int(found[1])):
            shutil.rmtree(path, ignore_errors=True)
