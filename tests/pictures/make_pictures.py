"""Makes the README's pictures of the console: ``python tests/pictures/make_pictures.py``.

Each is a screenshot of the console itself at 100 x 30, worked on the simulated bench in virtual
time, so that it comes out the same every time.  The SVG files lie beside this script.
"""

from __future__ import annotations

import asyncio
import re
import sys
from pathlib import Path
from tempfile import TemporaryDirectory

sys.path.insert(0, str(Path(__file__).parents[1] / "support"))
sys.path.insert(0, str(Path(__file__).parents[2]))

import staged
from staged_stations import staged_stations, turn_away

from rig.bench.process import be_ready_to_spawn

HERE = Path(__file__).parent
SIZE = (100, 30)
# No font is fetched from anywhere: any with the same width of all characters will do.
FONTS = '"DejaVu Sans Mono", "Liberation Mono", Menlo, Consolas, monospace'


async def pictures(folder: Path) -> dict[str, str]:
    """Return the pictures by name; ``folder`` is for records."""
    taken: dict[str, str] = {}
    async with staged.staged_console(folder, SIZE) as (pilot, ids):

        async def take(name: str) -> None:
            await staged.settled(pilot)
            taken[name] = plain(staged.picture(pilot, ids))

        await staged.bench(pilot)
        await take("bench")
        await staged.verdict(pilot, ids["short"])
        await take("verdict")
        await staged.records(pilot)
        await staged.history(pilot)
        await take("records")
        await staged.isolation(pilot, "dry-gear=7", mind=None)
        await take("causes")
        await staged.stop(pilot)
        stand_in = await staged.cautions(pilot)
        await staged.ask(pilot)
        await staged.live(pilot, stand_in)
        await take("live")
        await staged.stop(pilot)
    async with staged_stations(folder / "stations", 4, SIZE) as (pilot, _):
        await turn_away(pilot)
        await staged.go(pilot, "stations")
        await staged.settled(pilot)
        taken["stations"] = plain(staged.picture(pilot, {}))
    return taken


def plain(svg: str) -> str:
    """Return a screenshot without fonts from elsewhere, one name for its classes, no window."""
    svg = re.sub(r"\s*@font-face \{.*?\}", "", svg, flags=re.DOTALL)
    svg = re.sub(r"font-family: [^;]*;", f"font-family: {FONTS};", svg)
    svg = re.sub(r"terminal-\d+", "terminal", svg)
    return "\n".join(line.rstrip() for line in svg.splitlines()) + "\n"


def made() -> dict[str, str]:
    """Return all pictures, made anew."""
    be_ready_to_spawn()
    with staged.local_time("UTC"), TemporaryDirectory() as folder:
        return asyncio.run(pictures(Path(folder)))


def main() -> None:
    """Write the pictures."""
    for name, svg in made().items():
        file = HERE / f"{name}.svg"
        file.write_text(svg, encoding="utf-8")
        print(f"{file.name}: {len(svg) / 1024:.0f} KiB")


if __name__ == "__main__":
    main()
