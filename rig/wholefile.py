"""A file that appears whole or not at all."""

from __future__ import annotations

import os
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import IO


@contextmanager
def whole_file(path: Path) -> Iterator[IO[bytes]]:
    """Open ``path`` for writing; what was there stays until all of the new is written.

    A pipe or a device is written in place.  Raises OSError, always with the file's name.
    """
    in_place = path.exists() and not path.is_file()
    part = path if in_place else path.with_name(f".{path.name}.{os.getpid()}.part")
    try:
        with part.open("wb") as file:
            yield file
        if not in_place:
            part.replace(path)
    except BaseException as error:
        if not in_place:
            part.unlink(missing_ok=True)
        if isinstance(error, OSError):
            error.filename = str(path)
        raise
