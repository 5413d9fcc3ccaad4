"""One to four stations at once: how many samples a second the bus allows, and how late they are.

First in virtual time, where nothing but the emulated 400 kHz bus takes any: loops with the feeds
off and no pause between cycles, so that the bus alone decides how often each comes round.  Then in
real time, the bench process with its simulated units, every bus transaction slept through for as
long as it takes: the samples asked for, how late the cycles began, slots lost.  The last row has
each station begin while those before it are fed.  The baseline is one station in the same run.
Run by hand: ``python tests/bench/bench_stations.py`` (about three minutes); ends with 1 if the
stations together have less than nine tenths of what one has of the bus, or if a cycle was so late
that a feed was taken off.
"""

from __future__ import annotations

import argparse
import sys
import time
from functools import partial
from pathlib import Path
from tempfile import TemporaryDirectory

sys.path.insert(0, str(Path(__file__).parents[1] / "support"))
sys.path.insert(0, str(Path(__file__).parents[2]))

from bench_runs import make_plan
from side_by_side import Side, rig_of

from drivers import BackendOptions
from drivers.simulated.backend import SimulatedBackend
from drivers.simulated.clocks import RealClock
from rig.bench.events import Refused, RunEnded
from rig.bench.guard import Guard
from rig.bench.loop import ControlLoop
from rig.bench.opening import guard_limits
from rig.bench.order import RunOrder
from rig.bench.requests import OFF
from rig.bench.stations import StationsBench
from rig.crowding import BUS_SHARE, crowd

STATIONS = range(1, 5)
VIRTUAL_S = 2.0
FEWEST = 0.9
REAL_HZ = 500
TURNS = '[[step]]\nkind = "half_turns"\ncount = 6\npause_s = 0.4\n'


class SleepingBus(RealClock):
    """A bus transaction takes its time, however short, and lets the interpreter's lock go."""

    def spend(self, duration_s):
        """Sleep through a transaction."""
        time.sleep(duration_s)


def backend(wiring, options):
    """Return a simulated bench in real time whose bus takes as long as a real one."""
    return SimulatedBackend(wiring, options, real_clock=SleepingBus)


def by_the_bus(count, folder):
    """Return how many samples a second each of ``count`` stations has from the bus alone."""
    side = Side(Path(folder) / "virtual.sqlite", count)
    rig, hub = side.together.rig, side.together.hub
    samples = {}

    def work(name):
        order = side.order(name)
        wired = next(s for s in order.wiring().stations if s.name == name)
        station = rig.berth(name).station(rig.backend_of(name), order.wiring(), wired)
        guard = Guard(guard_limits(order.plan))
        hooks = dict.fromkeys(("listen", "watch", "ask", "set_supply", "news", "on_trip"), _nothing)
        loop = ControlLoop(station, hub, guard, 1e-7, **hooks)
        end_s = hub.now_s() + VIRTUAL_S
        samples[name] = 0
        while hub.now_s() < end_s:
            loop.cycle(OFF)
            loop.recorder.clear()
            samples[name] += 1
        station.close()

    for name in side.plans:
        hub.begin(partial(work, name))
    hub.run()
    rig.close()
    side.backend.close()
    return [number / VIRTUAL_S for number in samples.values()]


def _nothing(*_):
    return ()


def in_real_time(count, folder, *, one_by_one=False):
    """Return how each station's run ended, in a bench process of its own."""
    settings, plan = rig_of(count, sample_hz=REAL_HZ), make_plan(TURNS)
    options = BackendOptions(real_time=True)
    ends, begun = {}, {}
    with StationsBench(
        settings, Path(folder) / f"{count}{one_by_one}.sqlite", backend="bench_stations:backend",
        options=options,
    ) as bench:  # fmt: skip
        handles = bench.handles
        began_s = time.monotonic()
        while len(ends) < count:
            for number, (name, handle) in enumerate(handles.items()):
                if name not in begun and time.monotonic() - began_s >= 3.0 * number * one_by_one:
                    station = settings.station(name)
                    begun[name] = RunOrder(settings, station, plan, f"U-{name}", consent=True)
                    handle.begin(begun[name])
                for event in handle.events(0.01):
                    if isinstance(event, RunEnded | Refused):
                        ends[name] = event
    return ends


def told(ends):
    """Return a row of what the runs in ``ends`` were late by, and whether all passed."""
    late = [end.lateness for end in ends.values() if isinstance(end, RunEnded)]
    good = len(late) == len(ends) and all(
        end.judgement is not None and end.judgement.verdict == "pass" for end in ends.values()
    )
    if not late:
        return 0.0, "refused: " + " ".join(end.text for end in ends.values()), False
    middle = max(one.woken.quantile_s(0.5) for one in late) * 1e3
    worst = max(one.woken.quantile_s(0.999) for one in late) * 1e3
    most = max(one.woken.max_s for one in late) * 1e3
    cycles, lost = sum(one.cycles for one in late), sum(one.lost_slots for one in late)
    text = (
        f"{middle:8.2f} {worst:8.2f} {most:8.1f} {100 * lost / (cycles + lost):8.3f}  "
        f"{'all pass' if good else [end.note for end in ends.values()]}"
    )
    return worst, text, good


def main():
    """Print both tables; return 1 if what is asked of them is not reached."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.parse_args()
    fine = True
    with TemporaryDirectory() as folder:
        print("By the bus alone, 400 kHz, both sensors of each station (virtual time)")
        print("stations  samples/s each    together, against one    worked out  allowed")
        one_hz = 0.0
        for count in STATIONS:
            rates = by_the_bus(count, folder)
            one_hz = one_hz or sum(rates)
            settings = rig_of(count)
            out = crowd(settings, [s.name for s in settings.stations])
            share = sum(rates) / one_hz
            fine = fine and share >= FEWEST
            print(
                f"{count:8}  {min(rates):14.0f}    {share:21.3f}    {out.most_hz / BUS_SHARE:10.0f}"
                f"  {out.most_hz:7.0f}"
            )
        print(f"\nIn real time, {REAL_HZ} samples/s each (simulated units in the same process)")
        print("stations   begun late by, ms: half of the cycles, 99.9 %, all   slots lost, %")
        base = 0.0
        for count, one_by_one in [*((n, False) for n in STATIONS), (4, True)]:
            worst, text, good = told(in_real_time(count, folder, one_by_one=one_by_one))
            base = base or worst
            fine = fine and good
            how = "one by one" if one_by_one else "          "
            print(f"{count:8} {how} {text}  ({worst / base:.1f} times one station's)")
    return 0 if fine else 1


if __name__ == "__main__":
    sys.exit(main())
