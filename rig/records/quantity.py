"""A value with its uncertainty, as it is printed."""

from __future__ import annotations

import math

_ALONE = 4  # significant digits of a value whose uncertainty is unknown (guess: reads well)


def with_uncertainty(value: float | None, u: float | None = None, unit: str = "") -> str:
    """Return a value with its expanded uncertainty: ``0.7031 ± 0.0022 s``; "-" for none.

    The uncertainty has two significant digits and the value ends at the same decimal place
    (JCGM 100:2008, 7.2.6).
    """
    if value is None or math.isnan(value):
        return "-"
    if u is None or not math.isfinite(u) or u <= 0:
        return _alone(value) + _tail(unit)
    return f"{_to(value, u)} ± {_to(u, u)}{_tail(unit)}"


def rounded(value: float | None, u: float | None) -> str:
    """Return a value alone, ending where its expanded uncertainty says; "-" for none."""
    return with_uncertainty(value, u).partition(" ")[0]


def _to(number: float, u: float) -> str:
    places = _decimals(u, 2)
    # + 0.0: no minus before a zero
    return f"{round(number, places) + 0.0:.{max(places, 0)}f}"


def _tail(unit: str) -> str:
    return "" if unit in ("", "1") else f" {unit}"


def _decimals(number: float, digits: int) -> int:
    """Return the decimal place at which ``number`` has ``digits`` significant digits."""
    shown = float(f"{number:.{digits - 1}e}")  # 0.0996 has two digits as 0.10
    return digits - 1 - math.floor(math.log10(abs(shown)))


def _alone(value: float) -> str:
    if value == 0 or not math.isfinite(value) or float(value).is_integer():
        return f"{value:g}"
    return f"{value:.{max(_decimals(value, _ALONE), 0)}f}"
