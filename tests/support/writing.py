"""A process that records steps until it is killed (``tests/records/writer_process.py``)."""

from __future__ import annotations

import os
import subprocess
import sys
from contextlib import contextmanager
from pathlib import Path

ROOT = Path(__file__).parents[2]
WRITER = ROOT / "tests" / "records" / "writer_process.py"


@contextmanager
def writer(path: Path, *arguments: str):
    process = subprocess.Popen(
        [sys.executable, str(WRITER), str(path), *arguments],
        stdout=subprocess.PIPE,
        text=True,
        env={**os.environ, "PYTHONPATH": str(ROOT)},
    )
    try:
        yield process
    finally:
        process.kill()
        process.wait()
        process.stdout.close()
