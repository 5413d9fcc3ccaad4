"""Power for the checks that need it: consent, an empty jig, and a supply that is right."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager

from drivers import DriverError
from drivers.supply import BenchSupply
from rig.bench.checks.items import CheckList, LeftOutError, NotWiredError, WrongError
from rig.bench.checks.look import Look
from rig.bench.guard import PROVE_OFF_S
from rig.bench.opening import consent_question
from rig.bench.requests import Ask
from rig.bench.wishes import did

# Enough to show a voltage, too little to hurt anything (A); the supply's own limit if it is less.
SUPPLY_LIMIT_A = 1.0
# What is seen may differ from what is expected by so much (share): of a set supply, 0.5 % of the
# sensor's and as much of its own with room to spare; of a battery, what it is charged or
# discharged to.  Beyond it a contact or a lead is bad, or the rig file wrong (guess).
SUPPLY_SHARE = 0.05
BATTERY_SHARE = 0.20


class PoweredStation:
    """Makes a station live up to its feed relays, for a moment at a time.

    ``jig_empty`` tells that the operator consented and took the unit off; `close` switches the
    supply off whatever happens.
    """

    def __init__(self, look: Look) -> None:
        self._look = look
        self.jig_empty = False
        self._why_not = "The self-check did not come so far."
        self._supply: BenchSupply | None = None
        self._supply_v: float | None = None

    def prepare(self) -> None:
        """Ask for consent, then for an empty jig; without either nothing is powered."""
        look = self._look
        if look.ask(consent_question()) != "accepted":
            self._why_not = "Not powered: the cautions were not accepted."
            return
        station = look.order.station.name
        text = (
            f"Take the unit off station {station}: pull its plug, so that nothing is connected to "
            "the feeds. Keep fingers off the terminals; they are live for moments."
        )
        if look.ask(Ask("jig_empty", text, ("done", "cannot"), {"station": station})) != "done":
            self._why_not = "Not powered: there is a unit on the jig."
            return
        self.jig_empty = True
        look.loop.consent = True

    def check_supply(self, items: CheckList) -> str:
        """Return what the bench supply said, its output switched on and off."""
        look = self._look
        wiring = look.station.rig_wiring.supply
        if wiring is None:
            raise NotWiredError("A battery, or a supply set by hand: there is nothing to talk to.")
        self.need_leave(items)
        volts = min(look.order.settings.battery_v, wiring.max_v)
        try:
            supply = self._supply = BenchSupply(wiring, look.backend.serial_port(wiring.port))
            identity = supply.identify()
            supply.output(False)
            supply.set_current_limit(min(SUPPLY_LIMIT_A, wiring.max_a))
            supply.set_voltage(volts)
            seen_v = _switched_on(supply)
        except DriverError as error:
            raise WrongError(str(error)) from error
        if abs(seen_v - volts) > SUPPLY_SHARE * volts:
            raise WrongError(
                f"{identity} was set to {volts:g} V and measures {seen_v:.2f} V at its output. "
                "Look at its display for a trip or a limit, and at its remote sense terminals."
            )
        self._supply_v = seen_v
        return f"{identity} answers. Switched on it gave {seen_v:.2f} V; it is off again."

    def need_leave(self, items: CheckList) -> None:
        """Raise LeftOutError unless the master relay may pick up: safe, consented, jig empty."""
        items.need_safe()
        if not self.jig_empty:
            raise LeftOutError(self._why_not)

    @property
    def share(self) -> float:
        """How far the voltage seen may be from the one expected, as a share of it."""
        return BATTERY_SHARE if self._supply_v is None else SUPPLY_SHARE

    @property
    def source(self) -> str:
        """Where the expected voltage comes from, in words."""
        return "the rig file's battery_v is" if self._supply_v is None else "the supply gives"

    @contextmanager
    def live(self, items: CheckList) -> Iterator[float]:
        """Have the station live up to its feed relays; yields the voltage to expect, V.

        A feed relay that is welded trips the guard before the context is entered.
        """
        look = self._look
        self.need_leave(items)
        if look.station.rig_wiring.supply is not None and self._supply_v is None:
            raise LeftOutError("Nothing to feed with: the bench supply is not right.")
        look.toggle, look.guard.lenient = True, False
        try:
            if self._supply is not None:
                self._supply.output(True)
            look.loop.resume_after_pause()
            for _ in look.samples(PROVE_OFF_S + look.settle_s()):
                pass
            yield self._supply_v or look.order.settings.battery_v
        finally:
            look.station.all_off()
            look.toggle, look.guard.lenient = False, True
            if self._supply is not None:
                self._supply.output(False)

    def close(self) -> str:
        """Switch the supply off and put the simulated unit back; return what went wrong."""
        trouble = ""
        supply, self._supply = self._supply, None
        if supply is not None:
            try:
                supply.output(False)
            except DriverError:
                trouble = "The bench supply did not confirm its output off. Switch it off by hand."
            supply.close()
        hands = self._look.backend.hands
        if self.jig_empty and hands is not None:
            done, text = did(hands, "fit_unit", {"station": self._look.order.station.name})
            if not done:
                self._look.note("world", text)
        return trouble


def _switched_on(supply: BenchSupply) -> float:
    """Return what ``supply`` measures with its output on, V; it is off afterwards, come what may.

    Raises SupplyError.
    """
    try:
        supply.output(True)
        return supply.measure_v()
    finally:
        supply.output(False)
