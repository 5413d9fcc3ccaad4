"""A rig fault at a random moment of a run, the same run without it, and the rules held to both.

Whether the feeds are off, and what the fault touched, is read from the simulated world: relays,
contacts, what was present when.  Never from the program's own readback or verdict.
"""

from __future__ import annotations

import random
import re
from bisect import bisect_right
from collections.abc import Callable
from contextlib import suppress
from dataclasses import dataclass, field
from functools import cache
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import Any

from bench_runs import HEAD, Watcher, make_order, make_plan, make_settings

from drivers import LOST, RESET, STUCK, DriverError
from drivers.simulated.backend import SimulatedBackend
from drivers.simulated.faults import parse_fault
from drivers.simulated.i2c import HANG_S
from rig.bench.events import Noted, RunEnded, StepBegan, StepEnded
from rig.bench.keeper import DirectKeeper
from rig.bench.session import Session
from rig.plans import load_plan, plan_from_text, shipped_plans
from rig.records.errors import RecordsError
from rig.records.store import Store

PLANS = ("qualify", "suspect", "incoming", "endurance")
RATES_HZ = (200, 500, 1000)
UNITS = (1, 2, 3, 4, 5)  # seeds of units that pass every plan
SHORT = "short"  # of our own, for tests
SHORT_STEPS = (
    '[[step]]\nkind = "zero"\nduration_s = 0.3\n',
    '[[step]]\nkind = "rest_draw"\nduration_s = 0.5\n',
    '[[step]]\nkind = "half_turns"\ncount = 2\npause_s = 0.4\nsupply_v = 11.5\n',
    '[[step]]\nkind = "park_check"\nduration_s = 0.3\n',
)
HAND_OVER_S = 0.3  # a program that has ended holds the master relay no longer than this
BAD = LOST | RESET | STUCK


# --- the faults, and what the program must say of each ---------------------------------------


@dataclass(frozen=True)
class RigFault:
    """How one fault is drawn, and what must be told if it ends or spoils a run.

    ``degree`` returns ``=degree`` (or nothing), ``lasts`` ``+seconds`` (or nothing, for good).
    ``supply``: there must be a programmable supply to have it.
    """

    name: str
    told: str
    degree: Callable[[random.Random], str] = lambda rng: ""
    lasts: Callable[[random.Random], str] = lambda rng: ""
    supply: bool = False


def _between(low: float, high: float) -> Callable[[random.Random], str]:
    return lambda rng: f"={low * (high / low) ** rng.random():.4g}"


def _passing(low_s: float, high_s: float, ever: float) -> Callable[[random.Random], str]:
    """Return ``+seconds``, spread over decades, with a share that does not pass at all."""

    def drawn(rng: random.Random) -> str:
        lasts_s = low_s * (high_s / low_s) ** rng.random()
        return "" if rng.random() < ever else f"+{lasts_s:.3g}"

    return drawn


_SENSOR = r"current sensor (does not answer|fell back|repeats itself)|does not answer at address"
_DOUBT = r"could not be|not measured|too close to tell|Test again|sensor"
_NO_VOLTAGE = r"voltage was|volts? .*(gone|missing|absent)|no voltage|[Nn]o feed|reads? \d"
_SUPPLY = r"bench supply"

FAULTS = {
    fault.name: fault
    for fault in (
        RigFault("sensor-absent", _SENSOR, lasts=_passing(0.001, 1.0, 0.4)),
        RigFault("bus-hang", _SENSOR, lasts=_passing(0.001, 1.0, 0.4)),
        RigFault("bus-nack", _SENSOR, degree=_between(0.002, 1.0), lasts=_passing(0.01, 5.0, 0.4)),
        RigFault("sensor-stuck", _SENSOR + "|" + _DOUBT, lasts=_passing(0.005, 2.0, 0.5)),
        RigFault(
            "sensor-noisy", _DOUBT, degree=_between(0.1, 10.0), lasts=_passing(0.01, 2.0, 0.3)
        ),
        # For good: one that comes and goes with the feed made is what a current would be.
        RigFault("sensor-offset", _DOUBT, degree=_between(0.02, 8.0)),
        RigFault(
            "sensor-clipped", "sensor", degree=_between(0.5, 15.0), lasts=_passing(0.1, 2.0, 0.5)
        ),
        RigFault("chip-reset", _SENSOR + "|" + _DOUBT),
        RigFault("voltage-missing", _NO_VOLTAGE, lasts=_passing(0.02, 2.0, 0.5)),
        RigFault("supply-lost", _NO_VOLTAGE, lasts=_passing(0.02, 2.0, 0.5)),
        RigFault("feed-relay-stuck-open", _NO_VOLTAGE, lasts=_passing(0.02, 2.0, 0.5)),
        RigFault("feed-relay-welded", r"although the battery feed is off.*Pull the supply now"),
        RigFault("supply-silent", _SUPPLY, supply=True),
        RigFault("supply-lies", _SUPPLY, supply=True),
        RigFault("supply-error", _SUPPLY + ".*-2", supply=True),
        RigFault("supply-unplugged", _SUPPLY, supply=True),
        RigFault("switches-contradict", r"end switch|jig's switch"),
        RigFault("switches-dead", r"end switch|jig's switch"),
        RigFault("emergency-stop", r"Emergency stop is pressed", lasts=_passing(0.02, 1.0, 0.5)),
    )
}


# --- one run, and what the world knows of it ---------------------------------------------------


@dataclass(frozen=True)
class Setting:
    """Which run: plan, unit, sample rate, kind of supply."""

    plan: str
    unit: int
    sample_hz: int
    supply: bool

    @property
    def period_s(self) -> float:
        """Sample period (s)."""
        return 1.0 / self.sample_hz

    def order(self, *faults: str) -> Any:
        """Return the order of this run with ``faults``."""
        settings = make_settings(sample_hz=self.sample_hz, supply=self.supply)
        # A supply that says nothing is waited for in the wall's time: not long, then.
        wait_s = 0.25 if any("supply-silent" in fault for fault in faults) else 5.0
        quick = settings.supply.model_copy(update={"timeout_s": wait_s})
        settings = settings.model_copy(update={"supply": quick})
        return make_order(_plan(self.plan), faults=faults, seed=self.unit, settings=settings)


@cache
def _plan(name: str) -> Any:
    if name == SHORT:
        judged = "run_max_a = 7.0\npeak_max_a = 30.0\ndropouts_max = 0"
        return make_plan(*SHORT_STEPS, head=HEAD.replace("run_max_a = 7.0", judged))
    (path,) = [path for path in shipped_plans() if path.stem == name]
    plan = load_plan(path)
    if name != "endurance":
        return plan
    text = plan.text.replace("cycles = 250", "cycles = 3").replace(
        "record_every = 25", "record_every = 2"
    )
    return plan_from_text(text, Path("endurance.toml"))


@dataclass
class Truth:
    """What the world knew at each sample, and when its relays were told what."""

    time_s: list[float] = field(default_factory=list)
    present: list[bool] = field(default_factory=list)  # the fault
    commanded: list[bool] = field(default_factory=list)  # the battery feed's relay
    offs: list[float] = field(default_factory=list)  # when both relays were told to be off
    bad: list[bool] = field(default_factory=list)  # the sample that was handed on had no reading

    def fed_while_present_s(self) -> float:
        """Return the longest time (s) for which the fault met a battery feed told to be made."""
        longest = since = 0.0
        on = False
        for time_s, present, commanded in zip(
            self.time_s, self.present, self.commanded, strict=True
        ):
            if not (present and commanded):
                on = False
                continue
            if not on:
                on, since = True, time_s
            longest = max(longest, time_s - since)
        return longest

    def was_present_s(self) -> float:
        """Return for how long (s) the fault was there while the run was on."""
        there = [t for t, present in zip(self.time_s, self.present, strict=True) if present]
        return there[-1] - there[0] if there else 0.0


@dataclass
class Run:
    """A run that is over."""

    setting: Setting
    faults: tuple[str, ...]
    watcher: Watcher
    truth: Truth
    ended: RunEnded | None
    error: Exception | None
    fed_at_end: bool  # by its contacts, once the program has let go of the master relay
    outputs_on: bool  # its feed outputs, when the program had ended
    end_s: float

    @property
    def verdict(self) -> str:
        """The verdict, "none" without one."""
        judgement = None if self.ended is None else self.ended.judgement
        return "none" if judgement is None else str(judgement.verdict)

    @property
    def said(self) -> str:
        """Everything an operator was told: events, the run's note, the verdict's reasons."""
        parts = [event.text for event in self.watcher.of(Noted)]
        if self.ended is not None:
            parts.append(self.ended.note)
            if self.ended.judgement is not None:
                parts += [reason.text for reason in self.ended.judgement.reasons]
        if self.error is not None:
            parts.append(str(self.error))
        return "\n".join(parts)

    @property
    def trip(self) -> Noted | None:
        """The trip that ended the run, None without one."""
        trips = [event for event in self.watcher.of(Noted) if event.kind.startswith("trip_")]
        return trips[-1] if trips else None

    @property
    def steps(self) -> list[tuple[str, float, float]]:
        """Kind, begin and end (s) of every step that began."""
        begun = self.watcher.of(StepBegan)
        ends = [later.time_s for later in begun[1:]] + [self.end_s]
        return [(step.kind, step.time_s, end_s) for step, end_s in zip(begun, ends, strict=True)]


def carry_out(
    setting: Setting,
    *faults: str,
    at_sample: Callable[[float], None] | None = None,
    keeper: Callable[[Store], Any] = DirectKeeper,
    records: Path | None = None,
) -> Run:
    """Carry a run out on the simulated bench, in virtual time, through the whole stack.

    ``at_sample`` is called with the world's time at each sample, ``keeper`` makes the way to the
    records, in ``records`` (None: a file that is thrown away).
    """
    order = setting.order(*faults)
    backend = SimulatedBackend(order.wiring(), order.options)
    truth = Truth()
    world = backend.world
    place = next(iter(world.stations.values()))
    relays = (place.battery_relay, place.ignition_relay)
    names = {parse_fault(text).name for text in faults}
    for relay in relays:
        _log_offs(relay, relays, truth)

    def look(_: int, sample: Any) -> None:
        truth.time_s.append(world.now_s)
        truth.present.append(bool(names & set(world.faults)))
        truth.commanded.append(place.battery_relay.commanded)
        truth.bad.append(bool(sample.flags & BAD))
        if at_sample is not None:
            at_sample(world.now_s)

    watcher = Watcher(look)
    ended: RunEnded | None = None
    error: Exception | None = None
    with TemporaryDirectory() as folder:
        try:
            with Store.open(records or Path(folder) / "records.sqlite") as store:
                try:
                    ended = Session(order, backend, keeper(store), watcher).run()
                except (DriverError, RecordsError) as caught:
                    error = caught
            outputs_on = any(relay.commanded for relay in relays)
            end_s = world.now_s
            backend.clock.sleep_until(end_s + HAND_OVER_S)
            world.bring_up()
            fed_at_end = place.connected or place.ignition_connected
        finally:
            backend.close()
    if ended is None:
        with suppress(ValueError):
            (ended,) = watcher.of(RunEnded)
    return Run(setting, faults, watcher, truth, ended, error, fed_at_end, outputs_on, end_s)


def _log_offs(relay: Any, relays: tuple[Any, ...], truth: Truth) -> None:
    """Have a relay note when it and the others are all told to be off."""
    command = relay.command

    def noted(on: bool, time_s: float) -> None:
        changed = on is not relay.commanded
        command(on, time_s)
        if changed and not any(each.commanded for each in relays):
            truth.offs.append(time_s)

    relay.command = noted


@cache
def untouched(setting: Setting) -> Run:
    """Return the same run without a fault; it must pass, or nothing could be concluded."""
    run = carry_out(setting)
    if run.verdict != "pass":
        raise AssertionError(f"{setting} does not pass without a fault:\n{run.said}")
    return run


# --- the rules -----------------------------------------------------------------------------------


@dataclass(frozen=True)
class Case:
    """A run with a rig fault, beside the same run without."""

    fault: RigFault
    text: str
    run: Run
    without: Run

    def broken(self) -> list[str]:
        """Return which rules this case breaks, in words; empty if none."""
        return [words for words in (rule(self) for rule in RULES) if words]

    @property
    def off_after_s(self) -> float | None:
        """From the first sample that showed it to both relays told off (s), None without a trip.

        Where samples stayed away: from when the first of them was due.
        """
        trip, truth = self.run.trip, self.run.truth
        if trip is None or not truth.offs or not truth.time_s:
            return None
        off_s = truth.offs[-1]
        # Nothing fed when it tripped: nothing had to be taken off.
        if not truth.commanded[-1] and off_s < truth.time_s[-1]:
            return None
        return off_s - self._shown_s()

    @property
    def allowed_s(self) -> float:
        """What `off_after_s` may be (s).

        Two sample periods (DESIGN 8.3), from the first that showed it; where samples stay away,
        after three periods without a fresh one (8.2), or when a bus that is held lets go of the
        program at all.
        """
        periods_s = 2.0 * self.run.setting.period_s
        trip = self.run.trip
        assert trip is not None
        if trip.kind == "trip_sensor_lost":
            return periods_s + max(3.0 * self.run.setting.period_s, HANG_S)
        return periods_s

    def _shown_s(self) -> float:
        truth, trip = self.run.truth, self.run.trip
        assert trip is not None
        last = len(truth.time_s) - 1
        if trip.kind != "trip_sensor_lost":
            return truth.time_s[last]
        good = last
        while good >= 0 and truth.bad[good]:
            good -= 1
        return truth.time_s[max(good, 0)] + self.run.setting.period_s


Rule = Callable[[Case], str]


def feeds_are_off(case: Case) -> str:
    """At the end of every run no output is made and, soon after, no contact feeds anything."""
    run = case.run
    if run.outputs_on:
        return "a feed output was still made when the program had ended"
    if run.fed_at_end:
        return f"the world still fed the unit {HAND_OVER_S} s after the program had ended"
    if run.ended is not None and not run.ended.feeds_off:
        return "the program could not confirm its feeds off although they were"
    return ""


def feeds_go_in_time(case: Case) -> str:
    """After the sample that shows it the feeds go within the sample periods allowed."""
    off_s = case.off_after_s
    if off_s is None or off_s <= case.allowed_s + 1e-9:
        return ""
    return f"feeds off only {off_s * 1e3:.1f} ms after it showed; {case.allowed_s * 1e3:.1f} ms are"


def it_is_told(case: Case) -> str:
    """Whatever does not end as it would have ended without the fault says why, in its words."""
    run = case.run
    if run.verdict == "pass" and not run.error and case.fault.name != "clock-back":
        return ""
    if re.search(case.fault.told, run.said):
        return ""
    return f"nothing told of the fault:\n{run.said}"


def nobody_is_failed(case: Case) -> str:
    """A unit that passes without the fault is not failed with it."""
    return "a good unit was failed" if case.run.verdict == "fail" else ""


def nothing_escapes(case: Case) -> str:
    """No run ends in an error of the program."""
    return "the program failed" if "program failed" in case.run.said else ""


def no_pass_rests_on_it(case: Case) -> str:
    """Whatever passes was not touched by the fault: see `touched`."""
    if case.run.verdict != "pass":
        return ""
    touch = touched(case)
    return f"passed, although {touch}" if touch else ""


RULES: tuple[Rule, ...] = (
    nothing_escapes,
    feeds_are_off,
    feeds_go_in_time,
    it_is_told,
    nobody_is_failed,
    no_pass_rests_on_it,
)

# What is found of a fault that must be found, at the latest (s): the sensor's own look at its
# converter comes with every 10th sample, and again for the configuration.
STUCK_SEEN_SAMPLES = 40
WELDED_SEEN_S = 0.40
NO_VOLTAGE_SEEN_S = 1.5
BLIND_SAMPLES = 6


def touched(case: Case) -> str:
    """Return what of the fault a verdict would rest on, by the world's own knowledge; "" if none.

    - sensor-absent, bus-hang, bus-nack (all of the times): nothing was measured for `BLIND_SAMPLES`
      samples with the battery feed made;
    - sensor-stuck: it was so for `STUCK_SEEN_SAMPLES` with the battery feed made;
    - supply-lost, feed-relay-stuck-open: the battery feed was told to be made for
      `NO_VOLTAGE_SEEN_S` and had no voltage;
    - voltage-missing: as long without being read;
    - emergency-stop: it was pressed while the run was on;
    - feed-relay-welded: it was so for `WELDED_SEEN_S` before the run's end;
    - switches-contradict, switches-dead: they were so through a whole park check;
    - every fault: anything judged differs from the same run without the fault by more than the
      uncertainties that both state, or is missing.
    """
    name, truth, setting = case.fault.name, case.run.truth, case.run.setting
    met_s = truth.fed_while_present_s()
    blind_s = max(BLIND_SAMPLES * setting.period_s, 4.0 * HANG_S)
    whole = name != "bus-nack" or parse_fault(case.text).degree == 1.0
    if name in ("sensor-absent", "bus-hang", "bus-nack") and whole and met_s >= blind_s:
        return f"it was fed blind for {met_s:.3f} s"
    if name == "sensor-stuck" and met_s >= STUCK_SEEN_SAMPLES * setting.period_s:
        return f"it was fed with a sensor that stood still for {met_s:.3f} s"
    no_voltage = ("supply-lost", "feed-relay-stuck-open", "voltage-missing")
    if name in no_voltage and met_s >= NO_VOLTAGE_SEEN_S:
        return f"there was no voltage for {met_s:.3f} s"
    if name == "emergency-stop" and truth.was_present_s() >= 2.0 * setting.period_s:
        return "the emergency stop was pressed"
    if name == "feed-relay-welded" and truth.was_present_s() >= WELDED_SEEN_S:
        return "its feed relay was welded"
    if name.startswith("switches-") and _whole_park_check(case):
        return "its park check looked at switches that show nothing"
    return differing(case.run, case.without)


def _whole_park_check(case: Case) -> bool:
    truth = case.run.truth
    for kind, begin_s, end_s in case.run.steps:
        first, last = bisect_right(truth.time_s, begin_s), bisect_right(truth.time_s, end_s)
        if kind == "park_check" and last > first and all(truth.present[first:last]):
            return True
    return False


_MEASURED = (
    ("half_turn_s", "half_turn_u_s", 0.0),
    ("peak_a", "peak_u_a", 0.0),
    ("run_a", "run_u_a", 0.0),
    ("rest_a", "rest_u_a", 0.0),
    ("response_s", "half_turn_u_s", 0.01),  # judged to this without a half-turn's own (200 Hz)
    ("supply_v", "", 0.15),
    ("dropouts", "", 0.0),
)


def differing(run: Run, without: Run) -> str:
    """Return the first thing measured that differs by more than stated; empty if nothing does."""
    steps, others = run.watcher.of(StepEnded), without.watcher.of(StepEnded)
    if [step.kind for step in steps] != [step.kind for step in others]:
        return "not every step was done"
    for step, other in zip(steps, others, strict=True):
        if len(step.half_turns) != len(other.half_turns):
            return f"{step.title} found {len(step.half_turns)} half-turns, {len(other.half_turns)}"
        for turn, twin in zip(step.half_turns, other.half_turns, strict=True):
            if turn.outcome is not twin.outcome:
                return f"half-turn {turn.number} {turn.outcome} was {twin.outcome}"
            for name, u_name, floor in _MEASURED:
                us = [getattr(t, u_name) or 0.0 if u_name else 0.0 for t in (turn, twin)]
                apart = _apart(getattr(turn, name), getattr(twin, name), sum(us) + floor)
                if apart:
                    return f"half-turn {turn.number}: {name} {apart}"
        for measure, twin_measure in zip(step.measures, other.measures, strict=True):
            if measure.name == "zero_offset_a":  # the sensor's, and what it is for
                continue
            u = (measure.u or 0.0) + (twin_measure.u or 0.0)
            apart = _apart(measure.value, twin_measure.value, u)
            if apart:
                return f"{step.title}: {measure.name} {apart}"
    return ""


def _apart(value: float | None, twin: float | None, within: float) -> str:
    if value is None and twin is None:
        return ""
    if value is None or twin is None or abs(value - twin) > within + 1e-9:
        return f"{value} instead of {twin} (within {within:.3g})"
    return ""


# --- drawing cases --------------------------------------------------------------------------


def draw(
    name: str, number: int, seed: int = 1, *, short: bool = False, rates: tuple[int, ...] = RATES_HZ
) -> tuple[Setting, str]:
    """Return the ``number``-th random case of a fault: its run, and the fault with its moment.

    A step is drawn first and then a moment in it, so that short steps have their share.  ``short``:
    of the plan for tests; ``rates`` are the sample rates drawn from (Hz).
    """
    rng = random.Random(f"{name} {number} {seed}")
    fault = FAULTS[name]
    supply = fault.supply or rng.random() < 0.3
    plans = ("qualify",) if fault.supply and rng.random() < 0.8 else PLANS
    plan, unit = (SHORT, 1) if short else (rng.choice(plans), rng.choice(UNITS))
    setting = Setting(plan, unit, rng.choice(rates), supply)
    _, begin_s, end_s = rng.choice(untouched(setting).steps)
    at_s = rng.uniform(begin_s, end_s)
    if rng.random() < 0.1:
        at_s = rng.uniform(0.0, untouched(setting).end_s)  # also before the first step
    return setting, f"{name}{fault.degree(rng)}@{at_s:.4f}{fault.lasts(rng)}"


def make_case(name: str, number: int, seed: int = 1, **more: Any) -> Case:
    """Draw a case (``more`` as in `draw`), carry it out and return it."""
    setting, text = draw(name, number, seed, **more)
    return Case(FAULTS[name], text, carry_out(setting, text), untouched(setting))
