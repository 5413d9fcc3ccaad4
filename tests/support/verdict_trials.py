"""One simulated unit with faults drawn by a seed: what it truly does against what it gets."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from math import isfinite
from pathlib import Path

from drawn_units import MORE, USUAL, Drawn
from near_limits import limits_near
from true_breaches import HELD_DOWN, NO_FEED, UNDER_WAY, Standing
from watched_runs import Ran, all_standings, run


@dataclass
class Trial:
    """A unit, what it truly was (``row``), and what it got."""

    drawn: Drawn
    row: str
    verdict: str
    state: str
    stands: list[Standing]
    reasons: list[str]
    limits: dict[str, str]
    false_pass: bool = False
    false_fail: bool = False

    @property
    def sound(self) -> bool:
        """Whether no limit was truly broken and nothing was wrong with the rig."""
        return self.row in (SOUND, TIGHT)


SOUND, TIGHT, WITHIN = "sound", "sound, margin within U", "limit broken within U"
RIG_SOUND, RIG_BOTH = "rig fault, unit sound", "rig fault, and a limit broken"
FED_BADLY = "feed lost, unit sound as far as seen"
UNKNOWN = "cut off by the rig before anything was known"
# What is the worst to be said of a unit comes first.
WORST = (
    "stalled",
    "runs on",
    "no movement",
    "stops short",
    "parks off its end",
    "does not stay parked",
    "slow",
    "too fast",
    "answers late",
    "rest draw high",
    "current out of limits",
    "drops out",
    "feed sags",
    HELD_DOWN,
)
ORDER = (SOUND, TIGHT, WITHIN, *WORST, FED_BADLY, UNKNOWN, RIG_SOUND, RIG_BOTH)


def try_unit(drawn: Drawn, records: Path) -> Trial:
    """Run a unit; return its true condition and its verdict."""
    limits = dict(USUAL, **(MORE if drawn.shape == "loaded" else {}))
    ran = run(drawn, limits, records)
    if drawn.close and not any(_counts(s) for s in all_standings(drawn, ran)):
        near = limits_near(drawn, ran, limits)
        if near is not None:
            limits, ran = near, run(drawn, near, records)
    stands = all_standings(drawn, ran)
    if any(s.row == UNDER_WAY for s in stands) and not any(_counts(s) for s in stands):
        # The guard cut it off while it moved: let go on, what would it have done?
        free = run(drawn, limits, records, unguarded=True)
        cut_s = min(s.where_s for s in stands if s.row == UNDER_WAY)
        late = [s for s in all_standings(drawn, free) if abs(s.where_s - cut_s) < 0.1]
        if late:
            stands = [s for s in stands if s.row != UNDER_WAY] + late
    return _judged(drawn, ran, stands, limits)


def _counts(s: Standing) -> bool:
    return s.beyond and s.row not in (UNDER_WAY, NO_FEED)


def _judged(drawn: Drawn, ran: Ran, stands: list[Standing], limits: dict[str, str]) -> Trial:
    beyond = [s for s in stands if _counts(s)]
    broken = [s for s in stands if s.broken and s.row not in (UNDER_WAY, NO_FEED)]
    if drawn.rig_fault:
        row = RIG_BOTH if broken else RIG_SOUND
    elif beyond:
        row = min((s.row for s in beyond), key=WORST.index)
    elif any(s.row == NO_FEED for s in stands):
        row = FED_BADLY
    elif any(s.row == UNDER_WAY for s in stands):
        row = UNKNOWN
    elif broken:
        row = WITHIN
    else:
        row = TIGHT if any(s.tight for s in stands) else SOUND
    judgement = ran.judgement
    trial = Trial(
        drawn=drawn,
        row=row,
        verdict=ran.verdict,
        state="not started" if ran.ended is None else str(ran.ended.state),
        stands=stands,
        reasons=[r.text for r in judgement.reasons if r.verdict == ran.verdict]
        if judgement
        else [],
        limits=limits,
    )
    trial.false_pass = bool(beyond) and ran.verdict == "pass"
    trial.false_fail = not broken and ran.verdict == "fail"
    return trial


def coverage(trials: Iterable[Trial]) -> dict[str, list[float]]:
    """Return, by measure, every error as a part of the uncertainty stated for it."""
    parts: dict[str, list[float]] = {}
    for trial in trials:
        for s in trial.stands:
            if isfinite(s.measured) and s.u > 0.0 and s.limit != "dropouts_max":
                parts.setdefault(s.limit, []).append((s.measured - s.true) / s.u)
    return parts
