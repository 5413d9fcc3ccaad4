"""Running an order in this process, for a world whose time is its own."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from pathlib import Path

from drivers.backends import load_backend
from rig.bench.commands import Command
from rig.bench.errors import Stopped
from rig.bench.events import BenchEvent, RunEnded
from rig.bench.jobs import fed_job
from rig.bench.keeper import DirectKeeper
from rig.bench.order import RunOrder
from rig.bench.requests import Ask, Sample
from rig.bench.seams import Done
from rig.bench.signals import SignalFlag, flag_signals
from rig.commands.terminal import Operator
from rig.records.store import Store

Show = Callable[[BenchEvent], None]


class DirectConsole:
    """Shows events at once and asks at the terminal; ``station``: of several, one ``operator``."""

    def __init__(
        self, show: Show, flag: SignalFlag, operator: Operator | None = None, station: str = ""
    ) -> None:
        self.show = show
        self._flag = flag
        self._operator = operator or Operator()
        self._station = station

    def sample(self, sample: Sample) -> None:
        """Take no note of single samples."""

    def ask(self, ask: Ask, wait: Callable[[Done], None]) -> str:
        """Ask at the terminal; the world stands still meanwhile."""
        answer = self._operator.ask(
            ask, lambda: self._flag.number is not None, station=self._station
        )
        self.listen()
        assert answer is not None
        return answer

    def listen(self) -> Sequence[Command]:
        """Return nothing; raise Stopped after a signal."""
        if self._flag.number is not None:
            raise Stopped(f"Stopped by {self._flag.words}.", by_operator=self._flag.by_operator)
        return ()


def run_direct(order: RunOrder, records: Path, show: Show) -> RunEnded:
    """Run ``order`` and return how it ended."""
    with flag_signals() as flag, Store.open(records) as store:
        backend = load_backend(order.backend_name, order.wiring(), order.options)
        try:
            keeper, console = DirectKeeper(store), DirectConsole(show, flag)
            return fed_job(order, backend, keeper, console).run()
        finally:
            backend.close()
