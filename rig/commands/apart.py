"""Running an order in a bench process of its own, with this process as its console."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

from rig.bench.events import BenchEvent, RunEnded
from rig.bench.order import RunOrder
from rig.bench.process import BenchClient
from rig.bench.signals import flag_signals
from rig.commands.follow import follow


def run_apart(order: RunOrder, records: Path, show: Callable[[BenchEvent], None]) -> RunEnded:
    """Run ``order`` in a bench process; return how it ended.

    Raises CommandError if the bench refuses or its process dies.
    """
    with flag_signals() as flag, BenchClient(order, records) as bench:
        ended = follow(bench, flag, show)
    assert ended is not None
    return ended
