"""Parameters of SCPI program messages: numbers with suffixes, MIN and MAX, switches."""

from __future__ import annotations

import re

NO_SUFFIX = {"": 1.0}
VOLT_SUFFIXES = {"": 1.0, "V": 1.0, "MV": 1e-3}
AMPERE_SUFFIXES = {"": 1.0, "A": 1.0, "MA": 1e-3}
_NUMBER = re.compile(r"([+-]?(?:\d+\.?\d*|\.\d+)(?:[Ee][+-]?\d+)?)\s*([A-Za-z]*)")


class ScpiFaultError(Exception):
    """A message unit could not be carried out; ``number`` goes into the error queue."""

    def __init__(self, number: int) -> None:
        super().__init__(number)
        self.number = number


def expect_none(parameters: list[str]) -> None:
    """Fault -108 if there is any parameter."""
    if parameters:
        raise ScpiFaultError(-108)


def expect_one(parameters: list[str]) -> str:
    """Return the only parameter; fault -109 if there is none, -108 if there are more."""
    if not parameters or not parameters[0]:
        raise ScpiFaultError(-109)
    if len(parameters) > 1:
        raise ScpiFaultError(-108)
    return parameters[0]


def _extreme(text: str, least: float, most: float) -> float | None:
    word = text.upper()
    if word in ("MIN", "MINIMUM"):
        return least
    return most if word in ("MAX", "MAXIMUM") else None


def number(text: str, suffixes: dict[str, float], least: float, most: float) -> float:
    """Return a number in base units; ``suffixes`` gives the allowed ones with their factors.

    Faults: -104 or -141 (no number), -131 (no such suffix), -222 (not within least to most).
    """
    value = _extreme(text, least, most)
    if value is not None:
        return value
    match = _NUMBER.fullmatch(text)
    if match is None:
        raise ScpiFaultError(-141 if re.fullmatch(r"[A-Za-z]\w*", text) else -104)
    try:
        value = float(match[1]) * suffixes[match[2].upper()]
    except KeyError:
        raise ScpiFaultError(-131) from None
    if not least <= value <= most:
        raise ScpiFaultError(-222)
    return value


def level(parameters: list[str], value: float, most: float) -> str:
    """Answer the query of a setting: its value, or with MIN or MAX the ends of its range."""
    if parameters:
        extreme = _extreme(expect_one(parameters), 0.0, most)
        if extreme is None:
            raise ScpiFaultError(-224)
        value = extreme
    return f"{value:.3f}"


def switch(text: str) -> bool:
    """Return ON, OFF or a number (rounded, not 0 = on) as a switch; fault -224 if it is neither."""
    word = text.upper()
    if word in ("ON", "OFF"):
        return word == "ON"
    match = _NUMBER.fullmatch(text)
    if match is None or match[2]:
        raise ScpiFaultError(-224)
    return abs(float(match[1])) >= 0.5
