"""The guided calibration of a station: zero with the feeds off, then points against a reference.

Nothing is stored before the operator accepts what was found; whatever ends it earlier leaves the
feeds off and the records as they were.
"""

from __future__ import annotations

from contextlib import suppress
from datetime import date, datetime
from functools import partial
from typing import NamedTuple
from uuid import uuid4

import rig
from drivers import LOST, Backend, DriverError
from rig.bench.calibrated import nominal, setup_of
from rig.bench.commands import Meddle
from rig.bench.comparing import (
    CANNOT,
    NO_LOAD_A,
    Comparison,
    load_limits,
)
from rig.bench.dates import Dates
from rig.bench.errors import BenchError, RefusedError, Stopped
from rig.bench.events import CalibrationFound, CheckItem, ItemState, Noted, RigCheckEnded
from rig.bench.guard import LOST_SAMPLES, Guard
from rig.bench.loop import ControlLoop
from rig.bench.opening import consent_question
from rig.bench.order import CalibrationOrder
from rig.bench.points import Fed, FedZero, NotTakenError, PointMaker
from rig.bench.power import Power
from rig.bench.requests import Ask, HalfTurnNews, SetSupply
from rig.bench.seams import Console, Keeper
from rig.bench.station import Station
from rig.bench.wishes import answered, did, errand_in_short, meddled
from rig.quality.calibration import (
    Calibration,
    Correction,
    Line,
    Point,
    Quantity,
    Reference,
    ReferenceKind,
    Setup,
    due_day,
    line_of,
    newest_of,
    objections,
    standing,
    uncertainty_ratio,
)
from rig.quality.calibration_plan import FED_S, Circuit, PlannedPoints, plan_points
from rig.quality.calibration_words import (
    AHEAD_TO_DO,
    astonishing_words,
    line_words,
    ratio_words,
    reference_overdue,
)
from rig.quality.uncertainty import UNCALIBRATED_VOLTAGE, declared_of, shunt_heat_u_rel
from rig.records.errors import RecordsError

# A bus register shows nothing below zero, so nothing but the meter's points can tell an offset;
# where there is one only, none is taken to be there, within one step of the driver's conversion.
ASSUMED_ZERO_U_V = 0.016
_NOTHING = "Nothing was stored."


class _Wanted(NamedTuple):
    """A point to be taken; ``title`` for whoever watches."""

    quantity: Quantity
    name: str
    title: str
    set_v: float | None


class CalibrationJob:
    """Carries out one `CalibrationOrder`; no feed is left on."""

    station: Station
    power: Power
    loop: ControlLoop
    compare: Comparison
    make: PointMaker
    zero_off: Point
    before: dict[Quantity, Correction]  # what was in force until now, or what the rig file says

    def __init__(
        self, order: CalibrationOrder, backend: Backend, keeper: Keeper, console: Console
    ) -> None:
        assert order.current_reference is not None
        self.order = order
        self.against: Reference = order.current_reference
        self.resistor = self.against if self.against.kind is ReferenceKind.RESISTOR else None
        self.backend = backend
        self.keeper = keeper
        self.console = console
        self.dates = Dates()
        self.points: dict[Quantity, list[Point]] = {Quantity.CURRENT: [], Quantity.VOLTAGE: []}
        self.zeros: tuple[Point, ...] = ()  # of the current, with the feed made if that was seen
        self.fed_zero: FedZero | None = None
        self._empty: list[tuple[Fed, float | None]] = []
        self._titles: dict[str, str] = {}
        self._going = ""
        self._kept = _NOTHING
        self._cleared = False  # the unit was taken off
        self._cool_until_s = float("-inf")

    # --- from the first question to the last ----------------------------------------------

    def run(self) -> RigCheckEnded:
        """Calibrate and return how it ended.  Raises DriverError if the station cannot be had."""
        wiring = self.order.wiring()
        wired = next(s for s in wiring.stations if s.name == self.order.station.name)
        good: bool | None = False
        text = ""
        station = Station(self.backend, wiring, nominal(wired))
        try:
            with Power.open(self.backend, wiring.supply) as power:
                self.station, self.power = station, power
                try:
                    text = self._calibrate(setup_of(self.order.settings.name, wired, self.backend))
                    good = True
                except Stopped as stopped:
                    good, text = None, f"{stopped} {self._kept}"
                except (BenchError, DriverError, RecordsError) as error:
                    kept = _NOTHING if isinstance(error, RecordsError) else self._kept
                    text = f"{error} {kept}"
                    self._item(self._going, ItemState.WRONG, str(error))
                finally:
                    off = station.all_off()
                    if not power.stop():
                        off = False
                        text = f"{text} The supply did not confirm its output off: do it by hand."
        finally:
            station.all_off()
            self._put_back()
            with suppress(DriverError):
                station.close()
        ended = RigCheckEnded(good, off, text.strip(), complete=good is True)
        self.console.show(ended)
        return ended

    def _calibrate(self, setup: Setup) -> str:
        made = self.keeper.calibrations(setup.rig, setup.station)
        self._need_clock([m for m in made if m.setup.simulated == setup.simulated])
        stood = standing(made, setup, self._today())
        self.before = {
            Quantity.CURRENT: stood.current or declared_of(self.order.station),
            Quantity.VOLTAGE: stood.voltage or UNCALIBRATED_VOLTAGE,
        }
        planned = plan_points(self._circuit())
        if planned.refusals:
            raise RefusedError(" ".join(planned.refusals))
        wanted = self._wanted(planned)
        self._announce(wanted)
        references = [r for r in (self.against, self.order.voltmeter) if r is not None]
        overdue = [reference_overdue(r, self._today()) for r in references]
        for caution in (*planned.cautions, *filter(None, overdue)):
            self._tell(caution)
        self._begin()
        self._zero()
        last: Quantity | None = None
        for point in wanted:
            if point.quantity is not last:
                self._connect(point.quantity, planned)
            last = point.quantity
            self._take(point, planned)
            if [w.quantity for w in wanted].count(point.quantity) == 1 and self._astonishes(point):
                self._tell(
                    f"{point.title}: the station was further off than it was taken to be. There is "
                    "no other point to hold this one against: it is fed and read once more."
                )
                self._take(point, planned)
        return self._conclude(setup, tuple(references))

    def _need_clock(self, made: list[Calibration]) -> None:
        """Refuse one that would be dated before another and so never be the newest."""
        newest = newest_of(made)
        if newest is not None and self.dates.now() < newest.made_at:
            raise RefusedError(
                f"The computer's clock says {_moment(self.dates.now())}, but this station was "
                f"calibrated on {_moment(newest.made_at)}: nothing was fed. {AHEAD_TO_DO}"
            )

    def _today(self) -> date:
        return self.dates.now().astimezone().date()

    def _circuit(self) -> Circuit:
        order = self.order
        station, supply = order.station, order.settings.supply
        sensor = self.station.battery_sensor
        return Circuit(
            load_ohm=order.load_ohm,
            load_w=order.load_w,
            battery_v=order.settings.battery_v,
            fuse_a=station.fuse_a,
            full_scale_a=sensor.full_scale_a,
            shunt_ohm=station.battery_sensor.shunt_ohm,
            shunt_w=station.battery_sensor.shunt_w,
            supply_v=supply.max_v if supply.programmable else None,
            supply_a=supply.max_a if supply.programmable else None,
        )

    def _wanted(self, planned: PlannedPoints) -> list[_Wanted]:
        levels = [(Quantity.CURRENT, planned.current_v)]
        if self.order.voltmeter is not None:
            levels.insert(0, (Quantity.VOLTAGE, planned.voltage_v))
        return [
            _Wanted(
                quantity,
                f"{quantity}_{number}",
                f"{str(quantity).capitalize()} "
                + ("on the battery" if set_v is None else f"with {set_v:g} V set"),
                set_v,
            )
            for quantity, volts in levels
            for number, set_v in enumerate(volts, start=1)
        ]

    # --- the way in -----------------------------------------------------------------------

    def _begin(self) -> None:
        """Feeds off, sensor alive, dead-man proved, consent given, jig empty: in that order."""
        period_s = 1.0 / self.order.station.sample_hz
        sensor = self.station.battery_sensor
        self.loop = loop = ControlLoop(
            self.station,
            self.backend.clock,
            Guard(load_limits(NO_LOAD_A, self.order.load_ohm), LOST_SAMPLES * period_s),
            period_s,
            listen=self._listen,
            watch=self.console.sample,
            ask=self._ask,
            set_supply=_no_supply,
            news=_no_news,
            on_trip=lambda trip: None,
        )
        self.compare = Comparison(loop, self._ask, bus_every=sensor.wiring.bus_every)
        self.make = PointMaker(
            step_a=sensor.resolution_a,
            unseen_zero_u_a=self.order.station.battery_sensor.zero_u_a,
            heat_u_rel=partial(shunt_heat_u_rel, self.order.station),
        )
        if not self.station.all_off():
            raise RefusedError(
                "A feed output does not read back off before the start. Pull the supply and check "
                "the relay board."
            )
        if loop.idle(0.05).flags & LOST:
            raise RefusedError(
                "The current sensor does not answer. Check its plug, its wiring and its 3.3 V."
            )
        self._tell(loop.arm())
        if not self.order.consent and self._ask(consent_question()) == "refused":
            raise RefusedError(
                "The cautions were not accepted, so nothing was fed. Calibrate again when they are."
            )
        self._do(
            "remove_everything",
            f"Take the unit off station {self.order.station.name}: nothing may be connected to "
            "the feeds.",
        )
        self._cleared = True
        loop.resume_after_pause()
        loop.consent = True
        loop.prove_off()

    def _zero(self) -> None:
        self._item("zero", ItemState.GOING, "Feeds off, nothing connected.")
        self.zero_off = point = self.make.zero(self.compare.rest())
        self.zeros = (point,)
        self._item(
            "zero", ItemState.GOOD, f"Reads {point.reading * 1000:+z.1f} mA with nothing fed."
        )

    def _connect(self, quantity: Quantity, planned: PlannedPoints) -> None:
        self.power.stop()
        order = self.order
        if quantity is Quantity.VOLTAGE:
            self._do(
                "connect_meter",
                "Connect the voltmeter to the unit's battery terminal and the star earth point, "
                "and nothing else. No current flows then, so no lead drops any voltage.",
            )
        elif self.resistor is not None:
            self._do(
                "connect_load",
                f"Connect the reference resistor ({self.resistor.value_ohm:g} ohm, "
                f"{order.load_w:g} W) in the unit's place, and the voltmeter to the resistor's own "
                f"voltage terminals. Up to {planned.most_a:.3g} A and {planned.most_w:.3g} W.",
                ohm=self.resistor.value_ohm,
            )
        else:
            self._do(
                "connect_load",
                f"Connect the ammeter in series with the load (about {order.load_ohm:g} ohm, "
                f"{order.load_w:g} W) in the unit's place. Up to {planned.most_a:.3g} A: see that "
                "the meter's range and its own fuse take that.",
                ohm=order.load_ohm,
            )
        self.loop.resume_after_pause()

    # --- a point --------------------------------------------------------------------------

    def _take(self, wanted: _Wanted, planned: PlannedPoints) -> None:
        order = self.order
        across = wanted.quantity is Quantity.VOLTAGE or self.resistor is not None
        unit, meter = ("V", order.voltmeter) if across else ("A", self.against)
        assert meter is not None
        while True:
            self._cool(wanted.name)
            self._item(wanted.name, ItemState.GOING, "The feed is made when you say so.")
            self._do(
                "watch_meter",
                f"{wanted.title}. Hands away and look at the meter: the feed is made for "
                f"{FED_S:g} s. Note what the meter shows at the end.",
            )
            self.power.start(wanted.set_v)
            self.loop.resume_after_pause()
            self.loop.prove_off()
            self._item(wanted.name, ItemState.GOING, "The feed is made: look at the meter.")
            most_a = NO_LOAD_A if wanted.quantity is Quantity.VOLTAGE else planned.most_a
            fed = self.compare.feed(load_limits(most_a, order.load_ohm))
            self.power.stop()
            if wanted.quantity is Quantity.CURRENT:
                self._cool_until_s = fed.to_s + planned.rest_s
            self.loop.resume_after_pause()
            about = self._about(wanted.quantity, float(fed.current_a.mean()), fed.voltage_v.mean())
            shown = self.compare.ask_shown(fed, wanted.quantity, about, unit)
            if shown is not None:
                break
        resistor = self.resistor if wanted.quantity is Quantity.CURRENT else None
        if wanted.quantity is Quantity.VOLTAGE:
            self._empty.append((fed, wanted.set_v))  # nothing flows: it shows the current's zero
            self.zeros, self.fed_zero = self.make.fed_zeros(self.zero_off, self._empty)
        point = self.make.point(
            fed, wanted.quantity, shown, meter, resistor, wanted.set_v, self.fed_zero
        )
        self.points[wanted.quantity].append(point)
        quantity_unit = wanted.quantity.unit
        self._item(
            wanted.name,
            ItemState.GOOD,
            f"Reference {point.reference:.4g} {quantity_unit}, station {point.reading:.4g} "
            f"{quantity_unit} (uncorrected).",
        )

    def _about(self, quantity: Quantity, amps: float, volts: float) -> float:
        """Return what the meter should show by the station's own reading, roughly."""
        if quantity is Quantity.VOLTAGE:
            if not volts > 1.0:
                raise NotTakenError(
                    f"The station reads {volts:.1f} V with the feed made. Check master relay, "
                    "feed relay, fuse and supply (`halfturn check --bench`)."
                )
            return volts
        order = self.order
        if not amps * order.load_ohm > 0.5:
            raise NotTakenError(
                f"Only {amps:.2f} A flow with the feed made. Check how the reference is connected, "
                "the meter's own fuse, and the station's fuse."
            )
        return amps if self.resistor is None else amps * order.load_ohm

    def _cool(self, name: str) -> None:
        """Let the reference cool down from the point before, feeds off."""
        left_s = self._cool_until_s - self.loop.clock.now_s()
        if left_s > 0:
            self._item(name, ItemState.GOING, f"The reference cools for {left_s:.0f} s, feeds off.")
            self.loop.wait(lambda: self.loop.clock.now_s() >= self._cool_until_s)

    def _astonishes(self, wanted: _Wanted) -> bool:
        return bool(self._line(wanted.quantity).astonishing())

    # --- the end --------------------------------------------------------------------------

    def _conclude(self, setup: Setup, references: tuple[Reference, ...]) -> str:
        order = self.order
        words = declared_of(order.station)
        current = self._line(Quantity.CURRENT)
        voltage = None if order.voltmeter is None else self._line(Quantity.VOLTAGE)
        lines = [line for line in (current, voltage) if line is not None]
        against = [text for line in lines for text in objections(line, setup.shunt_ohm)]
        worst = min(uncertainty_ratio(p, words) for p in current.points)
        today = self._today()
        made = Calibration(
            calibration_id=uuid4(),
            made_at=self.dates.now(),
            due=due_day(today, order.settings.calibration.interval_days),
            operator=order.operator,
            setup=setup,
            references=references,
            current=current,
            voltage=voltage,
            note=order.note,
            program_version=rig.__version__,
        )
        told = tuple(text for line in lines for text in line_words(line))
        cautions = (
            *map(astonishing_words, lines),
            *(reference_overdue(reference, today) for reference in references),
            ratio_words(worst),
        )
        cautions = tuple(filter(None, cautions))
        self.console.show(CalibrationFound(made, told, tuple(against), cautions))
        if against:
            raise RefusedError(f"Not accepted: {'; '.join(against)}.")
        self._item("accept", ItemState.GOING, "Waits for your word.")
        text = "\n".join(
            (
                "Shall it be stored, and be in force from now on?",
                *told,
                *cautions,
                f"It would hold until {made.due}.",
            )
        )
        if self._ask(Ask("accept_calibration", text, ("accepted", "refused"))) == "refused":
            raise RefusedError(
                "The calibration was not accepted: readings rest on what they did before. "
                "Calibrate again when what was in doubt is cleared."
            )
        self._store(made)
        self._item("accept", ItemState.GOOD, f"Stored; due {made.due.isoformat()}.")
        return f"Calibrated, due {made.due.isoformat()}. Put the unit back."

    def _line(self, quantity: Quantity) -> Line:
        points = self.points[quantity]
        if quantity is Quantity.CURRENT:
            points = [*self.zeros, *points]
        elif all(point.set_v is None for point in points):
            points = [Point(0.0, 0.0, 0.0, 0, 0.0, own_u=ASSUMED_ZERO_U_V), *points]
        try:
            return line_of(quantity, points, self.before[quantity])
        except ValueError as error:
            raise NotTakenError(str(error)) from error

    def _store(self, made: Calibration) -> None:
        """Hand it over and wait; whoever wants to stop meanwhile stops nothing any more."""
        done = self.keeper.keep_calibration(made)
        self._kept = "It may have been stored all the same: `halfturn calibrate --show` tells."
        while not done():
            with suppress(Stopped):
                self.loop.wait(done)

    def _put_back(self) -> None:
        """Put the simulated unit back."""
        hands = self.backend.hands
        if self._cleared and hands is not None:
            did(hands, "fit_unit", {"station": self.order.station.name})

    # --- telling and asking ---------------------------------------------------------------

    def _announce(self, wanted: list[_Wanted]) -> None:
        titles = {"zero": "Zero of the current", **{w.name: w.title for w in wanted}}
        self._titles = {**titles, "accept": "Gain and offset accepted"}
        for name in self._titles:
            self._item(name, ItemState.OPEN)
        self._going = "zero"

    def _item(self, name: str, state: ItemState, text: str = "") -> None:
        if name in self._titles:
            self._going = name
            self.console.show(CheckItem(name, self._titles[name], state, text))

    def _tell(self, text: str) -> None:
        self.console.show(Noted("calibration", text, self.backend.clock.now_s()))

    def _ask(self, ask: Ask) -> str:
        detail = {"station": self.order.station.name, **ask.detail}
        ask = Ask(ask.action, ask.text, ask.allowed, detail)
        return answered(
            ask, self.backend.hands, self.order, self.console, self.loop.wait, self._tell
        )

    def _do(self, action: str, text: str, **detail: object) -> None:
        """Have something done at the jig; NotTakenError if it cannot be."""
        if self._ask(Ask(action, text, detail=detail)) == CANNOT:
            short = errand_in_short(text)
            raise NotTakenError(
                f"This could not be done: “{short}” See what hinders it and calibrate again."
            )

    def _listen(self) -> None:
        for command in self.console.listen():
            if isinstance(command, Meddle):
                self._tell(meddled(command, self.backend.hands))


def _moment(date_and_time: datetime) -> str:
    return f"{date_and_time.astimezone():%Y-%m-%d %H:%M}"


def _no_supply(_: SetSupply) -> None:
    """Set by the job itself, between points."""


def _no_news(_: HalfTurnNews) -> None:
    """No half-turn is made."""
