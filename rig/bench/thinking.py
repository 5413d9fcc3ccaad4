"""Where a job has things worked out that touch no pin, no sensor and no clock."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from concurrent.futures import Executor, Future, ThreadPoolExecutor
from contextlib import contextmanager
from typing import ParamSpec, TypeVar

from drivers.backends import keeps_own_time
from rig.bench.order import RunOrder

Parameters = ParamSpec("Parameters")
Result = TypeVar("Result")


class AtOnce(Executor):
    """Does what it is given at once: for a world whose time stands still meanwhile."""

    def submit(
        self,
        fn: Callable[Parameters, Result],
        /,
        *args: Parameters.args,
        **kwargs: Parameters.kwargs,
    ) -> Future[Result]:
        """Call ``fn`` and return its outcome."""
        future: Future[Result] = Future()
        try:
            future.set_result(fn(*args, **kwargs))
        except Exception as error:
            future.set_exception(error)
        return future


@contextmanager
def thinking(order: RunOrder, name: str) -> Iterator[Executor]:
    """Have a thread beside the control loop (``name``); in a world of its own time, none.

    Leaving it waits for nothing: this is the loop's thread, and other stations may be fed.  Who
    wants what is still being worked out has waited for it in the loop.
    """
    if keeps_own_time(order.backend_name, order.options):
        yield AtOnce()
        return
    pool = ThreadPoolExecutor(1, thread_name_prefix=name)
    try:
        yield pool
    finally:
        pool.shutdown(wait=False, cancel_futures=True)
