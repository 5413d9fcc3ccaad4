"""What somebody presses when asked, and the bench sees: emergency stop and jig switches."""

from __future__ import annotations

from collections.abc import Callable
from contextlib import suppress

from drivers import LOST, STUCK
from rig.bench.checks.items import CheckList, LeftOutError, NotWiredError, WrongError
from rig.bench.checks.look import Look
from rig.bench.checks.outputs import OutputChecks
from rig.bench.checks.powered import PoweredStation
from rig.bench.guard import LATE_S
from rig.bench.loop import PICK_UP_S
from rig.bench.requests import Ask, Sample

# As long as somebody is waited for (s): time to read, walk round the jig and press.
WITHIN_S = 30.0
# The emergency stop is in the master relay's own circuit: a release time and no more (s).
DROPS_WITHIN_S = 0.2

# Without a wire from the emergency stop it is told by the master relay staying dropped (s): longer
# than any bounce.
STAYS_DROPPED_S = 0.3
_DROPPED = " and the master relay dropped"
_SEEN_ANYWAY = "The bench sees it by itself."

Seen = Callable[[Sample], bool]


class _SeenAlready(Exception):  # noqa: N818 - what was waited for, not an error
    """The bench saw it before anybody answered."""


class _WaitedEnough(Exception):  # noqa: N818 - as above
    """Nobody answered in time."""


class Dropped:
    """Whether the master relay dropped although the dead-man was toggled throughout.

    Called with every sample.  A sample without a reading is not toggled for, nor is there an edge
    while the loop is held up: after either the relay gets its time to pick up again before its
    being dropped counts.
    """

    def __init__(self, made: Callable[[], bool]) -> None:
        self._made = made
        self._last_s: float | None = None
        self._since_s: float | None = None
        self._from_s = float("-inf")

    def __call__(self, sample: Sample) -> bool:
        """Take a sample; True once it has stayed dropped for `STAYS_DROPPED_S`."""
        time_s = sample.time_s
        late = self._last_s is not None and time_s - self._last_s > LATE_S / 2
        self._last_s = time_s
        if sample.flags & (LOST | STUCK) or late:
            self._from_s = time_s + PICK_UP_S
        if self._made():
            self._since_s = None
            return False
        if self._since_s is None:
            self._since_s = time_s
        return time_s - max(self._since_s, self._from_s) >= STAYS_DROPPED_S


class PressChecks:
    """The checks that need a hand at the rig."""

    def __init__(
        self,
        look: Look,
        items: Callable[[], CheckList],
        outputs: OutputChecks,
        power: PoweredStation,
    ) -> None:
        self._look = look
        self._items = items
        self._outputs = outputs
        self._power = power

    # --- waiting for a hand ---------------------------------------------------------------

    def seen(self, item: str, action: str, text: str, seen: Seen) -> bool:
        """Ask for ``action`` and return whether ``seen`` came true within `WITHIN_S`.

        Nobody needs to answer: the bench sees it.  Raises LeftOutError if they cannot.  ``item``
        is the one that it is for.
        """
        look = self._look
        until_s = look.now_s() + WITHIN_S

        def watch(sample: Sample) -> None:
            if seen(sample):
                raise _SeenAlready
            if look.now_s() > until_s:
                raise _WaitedEnough

        ask = Ask(action, text, ("done", "cannot"), {"station": look.order.station.name})
        try:
            answer = look.ask_meanwhile(ask, watch)
        except _SeenAlready:
            return True
        except _WaitedEnough:
            return False
        if answer == "cannot":
            raise LeftOutError("Nobody could do it.")
        self._items().going(item, f"Waiting to see it, {WITHIN_S:.0f} s at most.")
        return self._comes(seen, until_s)

    def _comes(self, seen: Seen, until_s: float) -> bool:
        while self._look.now_s() < until_s:
            if seen(self._look.cycle()):
                return True
        return False

    # --- emergency stop -------------------------------------------------------------------

    def release_first(self) -> None:
        """Ask for a pressed emergency stop to be released: with it pressed nothing can be seen."""
        if self._look.cycle().emergency_stop:
            text = "The emergency stop is pressed, or its wire is broken. Release it."
            with suppress(LeftOutError):
                self.seen(
                    "dead_man",
                    "release_emergency_stop",
                    text,
                    lambda sample: not sample.emergency_stop,
                )

    def emergency_stop(self) -> str:
        """Return what was seen of the emergency stop, pressed and released again."""
        look = self._look
        wired = look.station.rig_wiring.emergency_stop is not None
        dead_man = look.station.dead_man
        if dead_man is not None and not self._items().unsafe:
            self._power.need_leave(self._items())  # the master relay would pick up for it
        sensed = dead_man is not None and self._outputs.dead_man_proved and not self._items().unsafe
        if not wired and not sensed:
            raise LeftOutError(
                "Neither the emergency stop nor the master relay is read. Press it by hand and "
                "see that the master relay drops."
            )
        look.toggle = sensed
        look.take_up()
        try:
            return self._press_and_release(wired, sensed)
        finally:
            look.toggle = False

    def _press_and_release(self, wired: bool, sensed: bool) -> str:
        drop = Dropped(self._made)

        def pressed(sample: Sample) -> bool:
            return sample.emergency_stop if wired else drop(sample)

        def released(sample: Sample) -> bool:
            return not sample.emergency_stop if wired else self._made()

        if not self._comes(released, self._look.now_s() + PICK_UP_S):
            raise WrongError(
                "The emergency stop reads pressed before anybody pressed it. Release it; if it is "
                "released, its spare contact's wire is broken or normally_closed in rig.toml is "
                "wrong."
            )
        text = f"Press the emergency stop. {_SEEN_ANYWAY}"
        if not self.seen("emergency_stop", "press_emergency_stop", text, pressed):
            raise WrongError(
                f"The bench did not see the emergency stop pressed within {WITHIN_S:.0f} s. If it "
                "was pressed, check its spare contact, the wire to its pin, and normally_closed in "
                "rig.toml. Do not rely on it until it is seen."
            )
        dropped = " (the master relay was not looked at)"
        if sensed:
            dropped = self._need_dropped() if wired else _DROPPED
        self._items().going("emergency_stop", "Pressed: seen. Now it is to be released.")
        text = f"It was seen. Release the emergency stop again. {_SEEN_ANYWAY}"
        if not self.seen("emergency_stop", "release_emergency_stop", text, released):
            raise WrongError(
                f"The bench did not see the emergency stop released within {WITHIN_S:.0f} s. "
                "Release it; if it is released, its spare contact sticks."
            )
        if sensed and not self._comes(lambda sample: self._made(), self._look.now_s() + PICK_UP_S):
            raise WrongError(
                "The master relay did not pick up again after the emergency stop was released. "
                "Check the emergency stop's contacts and the master relay.",
                unsafe=True,
            )
        return f"Pressed: seen{dropped}. Released: seen."

    def _made(self) -> bool:
        dead_man = self._look.station.dead_man
        return dead_man is not None and bool(dead_man.picked_up)

    def _need_dropped(self) -> str:
        look = self._look
        from_s = look.now_s()
        if not self._comes(lambda sample: not self._made(), from_s + DROPS_WITHIN_S):
            raise WrongError(
                "The emergency stop was seen pressed, and the master relay stays made: its "
                "contacts do not cut the master relay. Do not use the rig until they do.",
                unsafe=True,
            )
        return _DROPPED

    # --- jig switches ---------------------------------------------------------------------

    def at_run(self) -> str:
        """Return what was seen of the jig's switch at run."""
        return self._jig_switch("run", lambda sample: bool(sample.at_run))

    def at_stop(self) -> str:
        """Return what was seen of the jig's switch at stop."""
        return self._jig_switch("stop", lambda sample: bool(sample.at_stop))

    def _jig_switch(self, end: str, pressed: Seen) -> str:
        look = self._look
        wired = look.station.wiring.at_run if end == "run" else look.station.wiring.at_stop
        if wired is None:
            raise NotWiredError("Not wired.")
        at_rest = True
        for sample in look.samples(0.05):
            at_rest = not pressed(sample)
        if not at_rest and not self._power.jig_empty:
            raise LeftOutError("It is pressed already, by the unit on the jig.")
        if not at_rest:
            raise WrongError(
                f"The switch at {end} reads pressed with no unit fitted. Check that it is free, "
                f"the wire to GPIO {wired.pin}, and normally_closed in rig.toml."
            )
        if look.backend.hands is not None:
            raise LeftOutError(
                "At rest, as it should be with no unit. Nothing but a unit's lever presses a "
                "switch of the simulated jig."
            )
        text = f"Press the jig's switch at {end} by hand, then let it go. {_SEEN_ANYWAY}"
        if not self.seen(f"at_{end}", f"press_at_{end}", text, pressed):
            raise WrongError(
                f"The bench did not see the switch at {end} pressed within {WITHIN_S:.0f} s. If it "
                f"was pressed, check its wire to GPIO {wired.pin} and to ground."
            )
        if not self._comes(lambda sample: not pressed(sample), look.now_s() + WITHIN_S):
            raise WrongError(
                f"The switch at {end} was seen pressed and stays so. Let it go; if it is free, its "
                "contact sticks."
            )
        return "Pressed: seen. Let go: seen."
