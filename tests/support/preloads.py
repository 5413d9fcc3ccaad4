"""Small libraries in C that are loaded before all others under a program that is tested."""

from __future__ import annotations

import shutil
import subprocess
from pathlib import Path

SUPPORT = Path(__file__).parent
SOURCES = (SUPPORT / "power_cut" / "journal.c", SUPPORT / "starve.c")
COMPILER = shutil.which("gcc") or shutil.which("cc")


def build(folder):
    """Compile them into ``folder``; return what LD_PRELOAD is to be."""
    flags = ("-shared", "-fPIC", "-O1", "-Wall", "-Wextra", "-Werror", "-fno-builtin")
    made = []
    for source in SOURCES:
        library = Path(folder) / f"{source.stem}.so"
        subprocess.run([COMPILER, *flags, "-o", str(library), str(source), "-ldl"], check=True)
        made.append(str(library))
    return ":".join(made)
