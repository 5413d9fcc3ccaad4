"""What the records do with files themselves: have them on the disk, name copies by their date."""

from __future__ import annotations

import os
from datetime import UTC, datetime
from pathlib import Path


def synced(path: Path) -> None:
    """Have a file, or a folder's names, on the disk when this returns."""
    handle = os.open(path, os.O_RDONLY)
    try:
        os.fsync(handle)
    finally:
        os.close(handle)


def stamp() -> str:
    """Return this moment as it stands in the name of a copy."""
    return datetime.now(UTC).strftime("%Y%m%dT%H%M%SZ")
