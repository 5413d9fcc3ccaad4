"""Taking everything off that a bench which died may have left on."""

from __future__ import annotations

from contextlib import ExitStack, suppress

from drivers import Backend, DriverError, RigWiring
from drivers.feeds import FeedOutput
from rig.bench.errors import RefusedError
from rig.bench.power import Power


def make_safe(backend: Backend, wiring: RigWiring) -> str:
    """Drive every feed of every station off, read it back, take the supply's output off.

    Returns what was done, in a sentence.  Raises RefusedError, with everything that did not come
    off; whatever could be taken off is off then.
    """
    troubles: list[str] = []
    done = []
    with ExitStack() as stack:
        for station in wiring.stations:
            for name, feed in (
                ("battery feed", station.battery_feed),
                ("ignition feed", station.ignition_feed),
            ):
                try:
                    output = FeedOutput(feed, backend.pin_factory, f"{name} of {station.name}")
                except DriverError as error:
                    troubles.append(str(error))
                    continue
                stack.callback(_give_back, output)
        done.append(f"{2 * len(wiring.stations)} feeds read back off")
        if wiring.supply is not None:
            try:
                with Power.open(backend, wiring.supply) as power:
                    off = power.stop()
            except DriverError as error:
                off = False
                troubles.append(str(error))
            else:
                if not off:
                    troubles.append("The bench supply did not confirm its output off.")
            done.append("the supply's output is off")
    if troubles:
        raise RefusedError(
            " ".join(troubles) + " Pull the supply and make sure that nothing is fed before you "
            "go on."
        )
    return ", ".join(done)


def _give_back(output: FeedOutput) -> None:
    with suppress(DriverError):  # it was read back off; giving it back leaves it to its pull
        output.close()
