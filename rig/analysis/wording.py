"""Values, uncertainties and half-turns as an operator reads them."""

from __future__ import annotations

import math

from rig.analysis.model import Direction, HalfTurn, Outcome

DIRECTION_WORDS = {Direction.TO_RUN: "to run", Direction.TO_STOP: "to stop"}

OUTCOME_WORDS = {
    Outcome.PARKED: "parked",
    Outcome.SLOW: "slow",
    Outcome.STALLED: "stalled",
    Outcome.RUNS_ON: "runs on",
    Outcome.STOPS_SHORT: "stops short",
    Outcome.NO_MOVEMENT: "no movement",
    Outcome.NO_FEED: "no feed",
    Outcome.NOT_MEASURED: "not measured",
}


def named(turn: HalfTurn) -> str:
    """Return "Half-turn 3 (to run)"."""
    return f"Half-turn {turn.number} ({direction_words(turn.direction)})"


def direction_words(direction: Direction) -> str:
    """Return which way it went; a record may hold a word that this program does not know."""
    return DIRECTION_WORDS.get(direction, direction)


def outcome_words(outcome: Outcome) -> str:
    """Return what it did; a record may hold a word that this program does not know."""
    return OUTCOME_WORDS.get(outcome, outcome)


def amount(value: float, unit: str) -> str:
    """Return a limit or a value without uncertainty: two decimals, or more if it is small."""
    decimals = 2
    if 0.0 < abs(value) < 0.1:
        decimals = min(1 - math.floor(math.log10(abs(value))), 9)
    elif abs(value) >= 100.0:
        decimals = 1
    return _joined(f"{value:.{decimals}f}", unit)


def with_u(value: float, u: float | None, unit: str) -> str:
    """Return "1.840 s ± 0.003 s": the uncertainty to one digit, or two if the first is a 1."""
    if u is None or not math.isfinite(u) or u <= 0.0:
        return amount(value, unit)
    exponent = math.floor(math.log10(u))
    decimals = -exponent + (1 if u / 10.0**exponent < 2.0 else 0)
    # An uncertainty rounded down would claim more than is known.
    scale = 10.0**decimals
    shown_u = math.ceil(u * scale - 1e-9) / scale
    decimals = min(max(decimals, 0), 9)
    return f"{_joined(f'{value:.{decimals}f}', unit)} ± {_joined(f'{shown_u:.{decimals}f}', unit)}"


def _joined(number: str, unit: str) -> str:
    if float(number) == 0.0:
        number = number.lstrip("-")
    return number if unit in ("", "1") else f"{number} {unit}"
