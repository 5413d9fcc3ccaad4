"""Which limits of a plan a unit truly broke, by how much, and against which stated uncertainty."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from math import hypot, inf, isfinite, nan

from true_turns import TrueTurn

from rig.analysis.model import HalfTurn, Limits, VoltageLimit

# Where half-turns are matched, recorded starts lie this near the true ones (s).
NEAR_S = 0.06
# The guard acts within its own cycle of the run-on limit, contact delays aside (s).
SLACK_S = 0.03
# A unit answers within this (s) where the plan has no limit for it.
ANSWERS_S = 0.5
# Where it has one, the limit is known to be broken so long after it (s): the response's own U.
LATE_S = 0.005
# A motor that stands still at the end of a window for so long (s) has not just been caught so.
STANDS_S = 0.05
# The jig's switch reaches so far (degrees): parked further off is beside its end.
PARK_DEG = 8.0
# "Well before a full half-turn", as the README has it: a fifth of it, in degrees.
WELL_SHORT_DEG = 36.0
# Turned this far without being cut off, it has passed its park position (degrees).
PAST_DEG = 230.0
# Below this part of nominal the voltage counts as not there, as in the README's "no feed".
FEED_PART = 0.4
# A gap is stated to be seen if it lasts so many samples; one sample is the least doubt.
GAP_SAMPLES = 3
# A limit that follows the voltage is uncertain by that of the voltage (expanded, relative).
VOLTAGE_U_REL = 0.01


@dataclass(frozen=True)
class Standing:
    """How one true value stands to one limit.

    ``excess`` is by how much the limit is broken (negative: the room that is left), ``u`` the
    stated expanded uncertainty, both in the unit of the limit; ``measured`` what was told in place
    of ``true`` (NaN: nothing).  ``where_s`` is on the world's axis.
    """

    row: str
    limit: str
    true: float
    excess: float
    u: float
    where_s: float
    measured: float = nan

    @property
    def broken(self) -> bool:
        """Whether the limit is broken at all."""
        return self.excess > 0.0

    @property
    def beyond(self) -> bool:
        """Whether it is broken by more than the stated uncertainty."""
        return self.excess > self.u

    @property
    def tight(self) -> bool:
        """Whether the limit is met by less than the uncertainty."""
        return -self.u < self.excess <= 0.0

    def __str__(self) -> str:
        return (
            f"{self.row}: {self.limit} at {self.where_s:.3f} s, truly {self.true:.5g}, "
            f"over by {self.excess:+.5g}, U {self.u:.4g}"
        )


@dataclass(frozen=True)
class Told:
    """What the program recorded of a judged step: its half-turns, and U of its rest draw (A)."""

    half_turns: tuple[HalfTurn, ...]
    rest_u_a: float | None


UNDER_WAY = "under way"
NO_FEED = "no feed"
HELD_DOWN = "feed gives way under the unit"


def standings(
    turn: TrueTurn,
    told: Told,
    limits: Limits,
    nominal_v: float,
    period_s: float,
    *,
    park_check: bool,
) -> Iterator[Standing]:
    """Yield how a true half-turn stands to every limit that speaks of it.

    An outcome that is no park breaks the plan by ``inf``.  The rows `UNDER_WAY` and `NO_FEED` say
    that the rig took the feed away before anything was known, or that there was none.
    """
    record = _record(turn, told)

    def sure(row: str) -> Standing:
        return Standing(row, "outcome", turn.time_s, inf, 0.0, turn.start_s)

    answers_s = ANSWERS_S if limits.response_max_s is None else limits.response_max_s + LATE_S
    if not turn.flows:
        if turn.live_part < 0.5 or turn.supply_v < FEED_PART * nominal_v:
            yield sure(NO_FEED)
        elif turn.from_ignition and turn.end_s - turn.start_s > answers_s:
            yield sure("no movement")
        yield from _rest(turn, record, told, limits)
        return
    if turn.supply_v < FEED_PART * nominal_v:
        yield sure(HELD_DOWN)
        return
    if not turn.by_itself:
        if turn.live_part < 0.98:
            yield sure(NO_FEED)
        elif turn.held_s > STANDS_S:
            yield sure("stalled")
        elif turn.turned_deg > PAST_DEG:
            yield sure("runs on")
        elif turn.time_s > limits.run_on_s - SLACK_S:
            yield sure("slow")
        elif turn.from_ignition and turn.time_s > limits.half_turn_max_s.at(turn.supply_v):
            yield from _times(turn, record, limits)
        else:
            yield sure(UNDER_WAY)
        return
    if not turn.from_ignition:  # how it drives home from wherever it stood is not judged
        yield from _rest(turn, record, told, limits)
        return
    if turn.turned_deg >= 270.0:
        yield sure("runs on")
        return
    # Which way round the lever is, only the park check asks.  Off its end without having turned
    # half round it has stopped short; on its end it had started from elsewhere.
    short_deg = 180.0 - turn.turned_deg
    if abs(turn.off_deg) > PARK_DEG and short_deg > PARK_DEG:
        over_deg, u_deg = short_deg - PARK_DEG, WELL_SHORT_DEG - PARK_DEG
        yield Standing("stops short", "outcome", turn.turned_deg, over_deg, u_deg, turn.start_s)
        return
    if park_check and abs(turn.off_deg) > PARK_DEG:
        yield sure("parks off its end")
    yield from _times(turn, record, limits)
    yield from _rest(turn, record, told, limits)
    yield from _currents(turn, record, limits, period_s)


def _record(turn: TrueTurn, told: Told) -> HalfTurn | None:
    near = [h for h in told.half_turns if abs(h.start_s - turn.start_s) < NEAR_S]
    return near[0] if near else None


def _u(record: HalfTurn | None, name: str) -> float:
    """Return a stated uncertainty; none stated is none."""
    value = None if record is None else getattr(record, name)
    return value if value is not None and isfinite(value) else 0.0


def _told(record: HalfTurn | None, name: str) -> float:
    value = None if record is None else getattr(record, name)
    return nan if value is None else value


def _times(turn: TrueTurn, record: HalfTurn | None, limits: Limits) -> Iterator[Standing]:
    u_s = _u(record, "half_turn_u_s")
    high, low = limits.half_turn_max_s, limits.half_turn_min_s

    def stands(row: str, name: str, limit: VoltageLimit, sign: int) -> Standing:
        v = turn.supply_v
        off_v = VOLTAGE_U_REL * v
        limit_u_s = 0.5 * abs(limit.at(v + off_v) - limit.at(v - off_v))
        excess_s = sign * (turn.time_s - limit.at(v))
        told_s = _told(record, "half_turn_s")
        u = hypot(u_s, limit_u_s) if u_s else 0.0
        return Standing(row, name, turn.time_s, excess_s, u, turn.start_s, told_s)

    yield stands("slow", "half_turn_max_s", high, +1)
    if low is not None and turn.by_itself:
        yield stands("too fast", "half_turn_min_s", low, -1)


def _rest(
    turn: TrueTurn, record: HalfTurn | None, told: Told, limits: Limits
) -> Iterator[Standing]:
    if limits.rest_max_a is None or not isfinite(turn.rest_a):
        return
    u_a = told.rest_u_a or 0.0
    if record is not None and record.rest_u_a is not None:
        u_a = record.rest_u_a
    excess_a = turn.rest_a - limits.rest_max_a
    told_a = _told(record, "rest_a")
    yield Standing("rest draw high", "rest_max_a", turn.rest_a, excess_a, u_a, turn.start_s, told_a)


def _currents(
    turn: TrueTurn, record: HalfTurn | None, limits: Limits, period_s: float
) -> Iterator[Standing]:
    row = "current out of limits"
    for limit, true, u, name in (
        (limits.run_max_a, turn.run_a, "run_u_a", row),
        (limits.peak_max_a, turn.peak_a, "peak_u_a", row),
        (limits.sag_max_v, turn.sag_v, "sag_u_v", "feed sags"),
    ):
        if limit is not None and isfinite(true):
            told = _told(record, u.replace("_u_", "_"))
            label = u.replace("_u_", "_max_")
            yield Standing(name, label, true, true - limit, _u(record, u), turn.start_s, told)
    if limits.response_max_s is not None and not turn.carried:
        response_s = turn.first_s - turn.start_s
        excess_s = response_s - limits.response_max_s
        u_s = _u(record, "half_turn_u_s")
        told_s = _told(record, "response_s")
        yield Standing(
            "answers late", "response_max_s", response_s, excess_s, u_s, turn.start_s, told_s
        )
    if limits.dropouts_max is not None:
        seen = sum(gap.length_s >= GAP_SAMPLES * period_s for gap in turn.gaps)
        maybe = sum(gap.length_s >= period_s for gap in turn.gaps)
        count = max(seen, min(maybe, limits.dropouts_max + 1))
        u = 0.0 if seen == count else 1.0
        yield Standing(
            "drops out", "dropouts_max", count, count - limits.dropouts_max, u, turn.start_s
        )
