"""How late a run's control loop was, as kept with the run."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import asdict, dataclass
from typing import Any

QUANTILES = (0.5, 0.99, 0.999)


@dataclass(frozen=True, slots=True)
class Spread:
    """How times spread: ``bins`` are (upper edge in s, count), ascending; ``max_s`` is exact.

    The lower edge of a bin is at least 8/9 of its upper one, or 1 us below it.
    """

    max_s: float
    bins: tuple[tuple[float, int], ...]

    def quantile_s(self, share: float) -> float:
        """Return the time (s) that ``share`` (0 to 1) of the cycles did not exceed.

        It is the upper edge of the bin it falls into: never too low, at most an eighth too high.
        """
        wanted = math.ceil(share * sum(count for _, count in self.bins))
        seen = 0
        for edge_s, count in self.bins:
            seen += count
            if seen >= wanted:
                return min(edge_s, self.max_s)
        return self.max_s


@dataclass(frozen=True, slots=True)
class Lateness:
    """The cycles of a run against their deadlines, ``period_s`` (s) apart.

    ``woken`` and ``done`` are how long after its deadline a cycle began and was through.
    ``lost_slots`` deadlines passed without a cycle of their own, ``lost_slots_fed`` of them with
    the battery feed made.
    """

    period_s: float
    cycles: int
    lost_slots: int
    lost_slots_fed: int
    woken: Spread
    done: Spread


def lateness_kept(lateness: Lateness | None) -> dict[str, Any] | None:
    """Return what the records keep of it."""
    return None if lateness is None else asdict(lateness)


def lateness_read(kept: Mapping[str, Any] | None) -> Lateness | None:
    """Return what `lateness_kept` made of it."""
    if kept is None:
        return None
    return Lateness(
        **{name: value for name, value in kept.items() if name not in ("woken", "done")},
        woken=_spread_read(kept["woken"]),
        done=_spread_read(kept["done"]),
    )


def _spread_read(kept: Mapping[str, Any]) -> Spread:
    return Spread(kept["max_s"], tuple((edge, count) for edge, count in kept["bins"]))


def lateness_object(lateness: Lateness | None) -> dict[str, Any] | None:
    """Return it as JSON for others: quantiles and bins in seconds; None if none was measured."""
    if lateness is None:
        return None
    return {
        **{
            name: getattr(lateness, name)
            for name in ("period_s", "cycles", "lost_slots", "lost_slots_fed")
        },
        **{name: _spread_object(getattr(lateness, name)) for name in ("woken", "done")},
    }


def _spread_object(spread: Spread) -> dict[str, Any]:
    return {
        **{f"p{100 * share:g}_s": spread.quantile_s(share) for share in QUANTILES},
        "max_s": spread.max_s,
        "bins": [list(pair) for pair in spread.bins],
    }
