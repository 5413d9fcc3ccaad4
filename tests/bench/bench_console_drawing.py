"""CPU time of a frame of the console's trace: 2 series x 1000 points at 100 x 24 cells.

From handing over new data until Textual has drawn it, headless.  The baseline in the same run is
a widget whose rows come from a plain loop that sets braille dots point by point, without axes or
limits; what Textual itself needs for a frame of unchanged rows is told too.  All take turns, so
that a busy machine is slow for all.  Run by hand: ``python tests/bench/bench_console_drawing.py``.
"""

from __future__ import annotations

import asyncio
import time
from collections.abc import Callable

import numpy as np
from rich.segment import Segment
from textual.app import App, ComposeResult
from textual.strip import Strip
from textual.widget import Widget

from rig.console.drawing.glyphs import BRAILLE
from rig.console.widgets.dial import HalfTurnDial
from rig.console.widgets.trace import LimitLine, Mark, Series, TraceView, Window

COLUMNS, ROWS, POINTS, FRAMES = 100, 24, 1000, 150
WINDOW = Window(-0.1, 1.4)
LIMITS = (LimitLine(1.2, "time", "limit 1.20 s"), LimitLine(3.5, "current", "most 3.5 A"))
MARKS = (Mark(0.5, "dropout"),)


def half_turn(seed: int) -> Series:
    """Return an actuator-like half-turn: rest, inrush, plateau, rest; some samples lost."""
    noise = np.random.default_rng(seed)
    time_s = np.linspace(WINDOW.start_s, WINDOW.end_s, POINTS)
    fed = (time_s > 0) & (time_s < 0.72)
    current_a = np.where(fed, 2.2 + 11.6 * np.exp(-np.maximum(time_s, 0) / 0.03), 0.0)
    current_a += noise.normal(0, 0.03, POINTS)
    current_a[500:510] = np.nan
    return Series(time_s, current_a, "now" if seed % 2 else "before", "a half-turn")


def naive_rows(series: list[Series]) -> list[str]:
    """Return rows of braille, every point and every step between two points set by a loop."""
    bits = ((0x01, 0x02, 0x04, 0x40), (0x08, 0x10, 0x20, 0x80))
    cells = [[0] * COLUMNS for _ in range(ROWS)]
    width, height = 2 * COLUMNS, 4 * ROWS
    for one in series:
        before = None
        for time_s, current_a in zip(one.time_s.tolist(), one.value.tolist(), strict=True):
            if current_a != current_a:
                before = None
                continue
            x = round((time_s - WINDOW.start_s) / (WINDOW.end_s - WINDOW.start_s) * (width - 1))
            y = round((1 - (current_a + 1) / 16) * (height - 1))
            x0, y0 = before or (x, y)
            steps = max(abs(x - x0), abs(y - y0), 1)
            for step in range(steps + 1):
                at_x = x0 + round((x - x0) * step / steps)
                at_y = y0 + round((y - y0) * step / steps)
                if 0 <= at_x < width and 0 <= at_y < height:
                    cells[at_y // 4][at_x // 2] |= bits[at_x % 2][at_y % 4]
            before = (x, y)
    return ["".join(chr(0x2800 + cell) for cell in row) for row in cells]


class PlainLoop(Widget):
    """The baseline: its rows come from the loop above."""

    rows: tuple[Strip, ...] = ()

    def show(self, series: list[Series]) -> None:
        self.rows = tuple(Strip([Segment(row)], COLUMNS) for row in naive_rows(series))
        self.refresh()

    def render_line(self, y: int) -> Strip:
        return self.rows[y] if y < len(self.rows) else Strip.blank(COLUMNS)


class Bench(App[None]):
    """The widgets below each other, each of the same size."""

    CSS = f"Screen > * {{ width: {COLUMNS}; height: {ROWS}; }}"

    def __init__(self) -> None:
        super().__init__()
        self.loop, self.trace = PlainLoop(), TraceView(glyphs=BRAILLE)
        self.many, self.dial = TraceView(glyphs=BRAILLE), HalfTurnDial(glyphs=BRAILLE)

    def compose(self) -> ComposeResult:
        yield from (self.loop, self.trace, self.many, self.dial)

    def cases(self, frame: int) -> dict[str, Callable[[], object]]:
        """Return what to do for each case, data ready."""
        now = half_turn(2 * frame + 1)
        two = [half_turn(2 * frame), now]
        nine = [*(half_turn(2 * (frame + k)) for k in range(8)), now]
        return {
            "plain loop, 2 series, no axes": lambda: self.loop.show(two),
            "trace, 2 series": lambda: self.trace.show(two, LIMITS, WINDOW, MARKS),
            "trace, 1 series and 8 behind": lambda: self.many.show(nine, LIMITS, WINDOW, MARKS),
            "dial": lambda: setattr(self.dial, "angle_deg", 360.0 * (frame + 0.5) / FRAMES),
            "Textual alone, rows unchanged": lambda: self.trace.refresh(),
        }


async def measure() -> dict[str, list[float]]:
    """Return the CPU time of every frame, ms, by case."""
    app, spent = Bench(), {}
    async with app.run_test(size=(COLUMNS, 4 * ROWS)) as pilot:
        await pilot.pause()
        for frame in range(FRAMES):
            for title, act in app.cases(frame).items():
                drawn = asyncio.Event()
                began = time.thread_time()
                act()
                app.call_after_refresh(drawn.set)
                await drawn.wait()
                spent.setdefault(title, []).append(1000 * (time.thread_time() - began))
    return spent


def main() -> None:
    """Print ms a frame, and the ratio to the plain loop."""
    spent = asyncio.run(measure())
    baseline = np.median(next(iter(spent.values())))
    print("what is drawn                    ms a frame    p95   plain loop / this")
    for title, times in spent.items():
        median, p95 = np.median(times), np.percentile(times, 95)
        print(f"{title:32s} {median:10.2f} {p95:6.1f} {baseline / median:12.2f}")


if __name__ == "__main__":
    main()
