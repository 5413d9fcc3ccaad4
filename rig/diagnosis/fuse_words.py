"""The fuse against the winding of a jammed unit, in words."""

from __future__ import annotations

import math
from collections.abc import Iterator

from rig.analysis.fuse import Span
from rig.analysis.fuse_race import CAUTION, FittedFuse, Protection, number
from rig.diagnosis.layout import table, wrapped
from rig.diagnosis.model import Diagnosis

MEANS = {
    Protection.PROTECTS: "protects",
    Protection.MAY_NOT: "may not protect",
    Protection.DOES_NOT: "does not protect",
}


def fuse_lines(found: Diagnosis) -> Iterator[str]:
    """Return the race of the common ratings, and what it is not."""
    part = found.fuse
    if part is None:
        return
    hot = part.races[0].max_c
    rows = [["fuse", "opens after", f"winding at {hot:g} degC after", "a jammed winding"]]
    for one in part.races:
        mark = " (fitted)" if part.fitted_a == one.rating_a else ""
        rows.append(
            [
                f"{one.rating_a:g} A{mark}",
                span_words(one.fuse_s),
                span_words(one.winding_s),
                MEANS[one.protection],
            ]
        )
    yield from table(rows)
    yield from wrapped(
        f"On {part.supply_v:.1f} V at rest behind {part.lead_ohm:.3f} ohm of feed, as measured; a "
        "battery on charge gives more. Span: from the earliest to the latest that data sheets and "
        "uncertainty leave; from data sheet gates of blade fuses, not from the fuse in the holder."
    )
    yield from wrapped(CAUTION)


def over_rated_words(fitted: FittedFuse, type_name: str) -> str:
    """Return that the rig's fuse is too big for its unit type, and what to do."""
    race = fitted.race
    sure = race.protection is Protection.DOES_NOT
    opens = "does not open in time" if sure else "may open too late, or not at all"
    text = (
        f"The rig's fuse of {race.rating_a:g} A is over-rated for type {type_name}: if a unit jams "
        f"on {fitted.supply_v:g} V, its winding is at {race.max_c:g} degrees Celsius after "
        f"{number(race.winding_s.low_s)} s, and the fuse {opens}. "
    )
    if fitted.protects_a is None:
        return text + "None of the common ratings protects it: fit a smaller one."
    even = ""
    if fitted.any_unit is not Protection.PROTECTS:
        even = " (a unit of more resistance, or a warm one, even that may not protect)"
    return (
        text + f"Fit {fitted.protects_a:g} A, the largest that protects a cold unit as it ought to "
        f"be{even}, and change fuse_a in the rig file."
    )


def span_words(span: Span) -> str:
    """Return "0.2 to 1.4 s", "from 0.2 s, or never", or "never"."""
    if math.isinf(span.low_s):
        return "never"
    if math.isinf(span.high_s):
        return f"{number(span.low_s)} s, or never"
    return f"{number(span.low_s)} to {number(span.high_s)} s"
