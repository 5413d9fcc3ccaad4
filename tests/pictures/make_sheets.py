"""Makes the README's pictures of a sheet and a label: ``python tests/pictures/make_sheets.py``.

Both are of a run on the simulated bench, and say so.  The PNG files lie beside this script; they
differ from one making to the next by dates and identifiers alone.
"""

from __future__ import annotations

import io
import os
import sys
from contextlib import redirect_stderr, redirect_stdout
from pathlib import Path
from tempfile import TemporaryDirectory

sys.path.insert(0, str(Path(__file__).parents[2]))

from PIL import Image

from rig.cli import main as halfturn

HERE = Path(__file__).parent
GREYS = 64
LETTERHEAD = """\
name = "Low Meadow Pump Works"
line_1 = "rebuilds of irrigation-pump actuators"
line_2 = "Mill Lane 4, Low Meadow"
"""


def quietly(*words: str) -> None:
    """Give a command; say what it said only if it could not be done."""
    said = io.StringIO()
    with redirect_stdout(said), redirect_stderr(said):
        status = halfturn(list(words))
    if status not in (0, 1):
        raise SystemExit(said.getvalue())


def kept(path: Path, name: str) -> None:
    """Write a picture beside this script, in few greys and one accent."""
    with Image.open(path) as image:
        few = image.convert("RGB").quantize(GREYS, dither=Image.Dither.NONE)
        few.save(HERE / f"{name}.png", optimize=True)
    print(f"{name}.png: {(HERE / f'{name}.png').stat().st_size / 1024:.0f} KiB")


def main() -> None:
    """Make the pictures."""
    with TemporaryDirectory() as name:
        folder = Path(name) / "bench1"
        quietly("new", str(folder))
        os.chdir(folder)
        (folder / "sheets").mkdir()
        (folder / "sheets" / "letterhead.toml").write_text(LETTERHEAD, encoding="utf-8")
        unit = ("--unit", "LM-12-0288", "--operator", "jo", "--reference", "J-1391", "--quiet")
        cable = ("--fault", "binding=6", "--seed", "6")
        quietly("run", "incoming", *unit, *cable, "--accept-cautions")
        quietly("sheet", "make", "last", "--out", "sheet.png", "--dpi", "96")
        kept(folder / "sheet.png", "sheet")
        quietly("sheet", "label", "last", "--out", "label.png", "--size", "62x25", "--dpi", "203")
        kept(folder / "label.png", "label")
        os.chdir(HERE)


if __name__ == "__main__":
    main()
