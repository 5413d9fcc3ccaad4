"""How values spread, as text 80 columns wide: the numbers, the look at them, and their plot."""

from __future__ import annotations

import textwrap
from collections.abc import Iterator, Sequence

from rig.quality.normality import SMALL, Look, plot_places
from rig.quality.tolerance import Side
from rig.studies.binding import Readings

PLOT_WIDTH, PLOT_HEIGHT = 56, 13
_NOTHING = "nothing against it"


def wrapped(text: str) -> list[str]:
    """Return a sentence set in by two."""
    whole = text.replace(" %", "\0%")  # not at a line's end without its sign
    lines = textwrap.wrap(whole, 78, initial_indent="  ", subsequent_indent="    ")
    return [line.replace("\0", " ") for line in lines]


def shown(value: float, sd: float) -> str:
    """Return a value with as many decimals as a tenth of the spread asks for."""
    return f"{value:.{decimals_for(sd)}f}"


def decimals_for(sd: float) -> int:
    """Return the decimals that show a tenth of a standard deviation."""
    if not sd > 0.0:
        return 4
    from math import floor, log10

    return min(9, max(0, 1 - floor(log10(sd))))


def share(part: float) -> str:
    """Return a part of all as per cent, small ones without a row of zeros."""
    per_cent = 100.0 * part
    if per_cent < 0.001:
        return "under 0.001 %"
    return f"{per_cent:.3g} %" if per_cent < 99.95 else f"{per_cent:.5g} %"


_WORST = {Side.HIGH: "highest", Side.LOW: "lowest", Side.BOTH: "farthest out"}


def about(part: float) -> str:
    """Return a part of all that is only estimated."""
    text = share(part)
    return text if text.startswith("under") else f"about {text}"


def value_words(readings: Readings, side: Side) -> str:
    """Return whose values these are: one a unit, and at what voltage."""
    most = max(len(each.values) for each in readings.values)
    text = f"each unit's {_WORST[side]} of {most}" if most > 1 else "one value a unit"
    if readings.at_v is not None:
        text += f", referred to {readings.at_v:g} V by the plan's own curve"
    if readings.nominal_v is not None:
        text += f", as at {readings.nominal_v:g} V"
    return text


def look_words(
    look: Look, log_look: Look | None, serials: Sequence[str], *, may_go: bool
) -> Iterator[str]:
    """Yield what the look at a sample's distribution says, in sentences.

    ``may_go``: a unit that is none of the known good ones may be left out.
    """
    if look.in_steps:
        yield (
            f"Normal? It cannot be seen: the values come in steps of {look.step:.2g} or more "
            f"({look.distinct} different ones)."
        )
        return
    normal = f"Normal? W = {look.w:.3f}, p = {_p(look.p)}, plot's r = {look.correlation:.3f}"
    if not look.refused:
        text = f"{normal}, skewness {look.skewness:+.1f}: "
        text += "in doubt" if look.doubtful else _NOTHING
        if look.count < SMALL:
            text += f", but {look.count} units can show little against it"
        yield f"{text}."
    else:
        yield f"{normal}, skewness {look.skewness:+.1f}: no."
        if log_look is not None:
            found = "no" if log_look.refused else "in doubt" if log_look.doubtful else _NOTHING
            yield (
                f"Log-normal, from a start of its own? W = {log_look.w:.3f}, p = {_p(log_look.p)}, "
                f"plot's r = {log_look.correlation:.3f}: {found}."
            )
    if look.farthest.stands_apart:
        yield (
            f"{serials[look.farthest.at]} stands apart (Grubbs' G = {look.farthest.g:.2f}, above "
            f"{look.farthest.critical:.2f}): look at the unit and at its run"
            f"{'; if it is none of these, leave it out with --without' if may_go else ''}."
        )


def _p(p: float) -> str:
    return "under 0.001" if p < 0.001 else f"{p:.2f}" if p >= 0.1 else f"{p:.3f}"


def plot_lines(values: Sequence[float], sd: float) -> Iterator[str]:
    """Yield a normal probability plot: values across, their places up; straight if normal."""
    if len(values) < 3 or not max(values) > min(values):
        return
    places, ordered = plot_places(len(values)), sorted(values)
    low, high = ordered[0], ordered[-1]
    rows = [[" "] * PLOT_WIDTH for _ in range(PLOT_HEIGHT)]
    slope = (places[-1] - places[0]) / (PLOT_HEIGHT - 1)
    for value, place in zip(ordered, places, strict=True):
        column = round((value - low) / (high - low) * (PLOT_WIDTH - 1))
        row = round((places[-1] - place) / slope)
        rows[row][column] = {" ": "o", "o": "8", "8": "@"}.get(rows[row][column], "@")
    for number, row in enumerate(rows):
        mark = places[-1] - number * slope
        yield f"  {mark:+5.1f} s |{''.join(row).rstrip()}"
    left, right = shown(low, sd), shown(high, sd)
    yield f"          {left}{right:>{PLOT_WIDTH - len(left)}}"
