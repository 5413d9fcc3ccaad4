"""The steps a plan may hold, one class a kind.

Times in s, voltages in V, currents in A.  ``supply_v`` sets a programmable supply for the step;
without it such a supply gives the unit's nominal voltage.
"""

from __future__ import annotations

from typing import Annotated, ClassVar, Literal

from pydantic import Field

from rig.schema import Choice, NameList, Number, Section, Text, Whole
from rig.visual import VISUAL_CHECKS

# Working range of the units: 6 V is the lowest that a 12 V system is specified for and 16 V the
# highest (ISO 16750-2 supply codes A and B).
SUPPLY_LOW_V = 6.0
SUPPLY_HIGH_V = 16.0

HALF_TURN_GUESS_S = 0.8
"""A half-turn's length where only progress hangs on it, s (guess, an LM-12 at 12 V)."""

RELAY_TRIAL_S = 0.7
"""How long one trial of a relay's voltage takes at most, setting the supply included, s (guess)."""

Title = Annotated[str, Text(longest=60)]
SupplyV = Annotated[float, Number(SUPPLY_LOW_V, SUPPLY_HIGH_V, "V")]
Count = Annotated[int, Whole(1, 1000)]
# Long enough for a motor to cool, short enough that nobody waits an hour by a slip of the key.
TrialV = Annotated[float, Number(0.5, SUPPLY_HIGH_V, "V")]
PauseS = Annotated[float, Number(0.05, 600, "s")]
DurationS = Annotated[float, Number(0.1, 60, "s")]


class Step(Section):
    """What all steps have: a title for screen and record."""

    heading: ClassVar[str] = "Step"

    title: Title | None = None

    @property
    def label(self) -> str:
        """The title, or the kind's own heading if the plan gives none."""
        return self.title or self.heading

    @property
    def highest_v(self) -> float | None:
        """The highest voltage the step sets, V; None if it sets none."""
        supply_v: float | None = getattr(self, "supply_v", None)
        return supply_v

    @property
    def sets_supply(self) -> bool:
        """Whether the step sets a programmable supply, its voltage or its limit."""
        return self.highest_v is not None

    @property
    def half_turns(self) -> int:
        """How many half-turns the step means to make; 0: none, or as many as it takes."""
        count: int = getattr(self, "count", 0)
        return count + count % 2  # a series ends at stop

    def expected_s(self, half_turn_s: float) -> float:
        """Return how long the step feeds and waits, s, at ``half_turn_s`` a half-turn.

        Time that the operator takes to answer or to hang a load is not in it.
        """
        return 0.0


class VisualStep(Step):
    """The operator is asked what is to be seen of the unit, before anything is fed."""

    heading: ClassVar[str] = "Visual checks"

    kind: Literal["visual"] = "visual"
    checks: Annotated[tuple[str, ...], NameList(tuple(VISUAL_CHECKS), "checks")]


class ZeroStep(Step):
    """Feeds off: what the current sensor reads now is its zero offset."""

    heading: ClassVar[str] = "Sensor zero"

    kind: Literal["zero"] = "zero"
    duration_s: DurationS = 1.0

    def expected_s(self, half_turn_s: float) -> float:
        """Return how long the step takes, s."""
        return self.duration_s


class RestDrawStep(Step):
    """Battery feed on, the unit parked: what it draws at rest."""

    heading: ClassVar[str] = "Rest draw"

    kind: Literal["rest_draw"] = "rest_draw"
    duration_s: DurationS = 2.0
    supply_v: SupplyV | None = None

    def expected_s(self, half_turn_s: float) -> float:
        """Return how long the step takes, s."""
        return self.duration_s


class HalfTurnsStep(Step):
    """Half-turns to and fro, ``count`` in all, with ``pause_s`` between them."""

    heading: ClassVar[str] = "Half-turns"

    kind: Literal["half_turns"] = "half_turns"
    count: Count = 6
    pause_s: PauseS = 1.0
    supply_v: SupplyV | None = None

    def expected_s(self, half_turn_s: float) -> float:
        """Return how long the step takes, s."""
        return self.count * (half_turn_s + self.pause_s)


class SupplySweepStep(Step):
    """One half-turn each way at falling supply, down to the lowest at which the unit completes.

    ``needs_supply`` says what happens on a rig whose supply cannot be set: ``refuse`` the plan, or
    ``skip`` the step, which the record then shows as skipped.
    """

    heading: ClassVar[str] = "Supply sweep"

    kind: Literal["supply_sweep"] = "supply_sweep"
    from_v: SupplyV = 12.0
    to_v: SupplyV = 7.0
    step_v: Annotated[float, Number(0.1, 5, "V")] = 0.5
    pause_s: PauseS = 1.0
    needs_supply: Annotated[Literal["skip", "refuse"], Choice(("skip", "refuse"))] = "refuse"

    @property
    def highest_v(self) -> float | None:
        """The voltage the sweep starts at, V."""
        return self.from_v

    def levels_v(self) -> tuple[float, ...]:
        """Return the voltages in falling order, V; the last is ``to_v`` if the steps end there."""
        # A thousandth of a step of slack, so that 12 V to 7 V by 0.1 V does end at 7 V.
        steps = int((self.from_v - self.to_v) / self.step_v + 1e-3)
        return tuple(round(self.from_v - number * self.step_v, 6) for number in range(steps + 1))

    def expected_s(self, half_turn_s: float) -> float:
        """Return how long the step takes at most, s."""
        return 2 * len(self.levels_v()) * (half_turn_s + self.pause_s)


class LoadedStep(Step):
    """Half-turns with a load that the operator hangs on the lever: ``load_nm`` newton metres."""

    heading: ClassVar[str] = "Loaded half-turns"

    kind: Literal["loaded"] = "loaded"
    count: Count = 4
    pause_s: PauseS = 1.0
    load_nm: Annotated[float, Number(0, 20, "N m", above=True)]
    supply_v: SupplyV | None = None

    def expected_s(self, half_turn_s: float) -> float:
        """Return how long the step takes, s."""
        return self.count * (half_turn_s + self.pause_s)


class ParkCheckStep(Step):
    """After each direction: the unit stands still and draws nothing while it stays fed."""

    heading: ClassVar[str] = "Park check"

    kind: Literal["park_check"] = "park_check"
    duration_s: DurationS = 1.0
    supply_v: SupplyV | None = None

    @property
    def half_turns(self) -> int:
        """How many half-turns the step makes."""
        return 2

    def expected_s(self, half_turn_s: float) -> float:
        """Return how long the step takes, s."""
        return 2 * (half_turn_s + self.duration_s)


class EnduranceStep(Step):
    """``cycles`` times to run and back; the motor is fed for at most ``duty_max`` of the time.

    ``pause_s`` follows each half-turn and is lengthened where the duty limit asks for it.  The
    trace of every ``record_every``-th cycle is kept; measures are kept of all.  A long step is
    recorded in parts (`rig.bench.parts`), each of which begins with a trace that is kept.
    """

    heading: ClassVar[str] = "Endurance"

    kind: Literal["endurance"] = "endurance"
    cycles: Annotated[int, Whole(1, 100_000)]
    pause_s: PauseS = 2.0
    duty_max: Annotated[float, Number(0, 1, above=True)] = 0.25
    supply_v: SupplyV | None = None
    record_every: Annotated[int, Whole(1, 100_000)] = 10

    @property
    def half_turns(self) -> int:
        """How many half-turns the step makes."""
        return 2 * self.cycles

    def expected_s(self, half_turn_s: float) -> float:
        """Return how long the step takes, s."""
        pause_s = max(self.pause_s, half_turn_s * (1 / self.duty_max - 1))
        return 2 * self.cycles * (half_turn_s + pause_s)


class JamStep(Step):
    """The operator locks the lever; the motor is fed for ``stall_s`` at most, then rests.

    The loop cuts above ``current_limit_a``; a programmable supply is set to it as well.
    """

    heading: ClassVar[str] = "Jam test"

    kind: Literal["jam"] = "jam"
    supply_v: SupplyV | None = None
    current_limit_a: Annotated[float, Number(0, 100, "A", above=True)]
    stall_s: Annotated[float, Number(0.05, 2, "s")] = 0.3
    rest_after_s: Annotated[float, Number(0, 600, "s")] = 10.0

    @property
    def sets_supply(self) -> bool:
        """Whether the step sets a programmable supply: it limits its current."""
        return True

    def expected_s(self, half_turn_s: float) -> float:
        """Return how long the step takes, s."""
        return self.stall_s + self.rest_after_s


class RelaySwapStep(Step):
    """Half-turns with the unit's own relay, then as many with the rig's known good one."""

    heading: ClassVar[str] = "Own relay against a known good one"

    kind: Literal["relay_swap"] = "relay_swap"
    count: Count = 4
    pause_s: PauseS = 1.0
    supply_v: SupplyV | None = None

    @property
    def half_turns(self) -> int:
        """How many half-turns the step makes, with both relays."""
        return 2 * super().half_turns

    def expected_s(self, half_turn_s: float) -> float:
        """Return how long the step takes, s."""
        return 2 * self.count * (half_turn_s + self.pause_s)


class RelayCheckStep(Step):
    """The unit's own relay: coil, operate and release time, pull-in and drop-out voltage.

    ``count`` half-turns at the usual supply give coil and times.  Then the supply rises from
    ``pull_from_v`` to ``pull_to_v`` until the relay pulls in, and with the unit parked at run and
    the ignition kept it falls to ``drop_to_v`` until the relay lets go, by ``step_v`` each.
    ``needs_supply``: on a rig whose supply cannot be set, ``refuse`` the plan, or ``skip`` the two
    voltages.
    """

    heading: ClassVar[str] = "Relay check"

    kind: Literal["relay_check"] = "relay_check"
    count: Annotated[int, Whole(2, 20)] = 2
    pause_s: PauseS = 0.5
    pull_from_v: TrialV = 4.0
    pull_to_v: TrialV = 10.0
    drop_to_v: TrialV = 1.0
    step_v: Annotated[float, Number(0.05, 2, "V")] = 0.25
    needs_supply: Annotated[Literal["skip", "refuse"], Choice(("skip", "refuse"))] = "refuse"

    @property
    def highest_v(self) -> float | None:
        """The highest voltage the step sets, V."""
        return self.pull_to_v

    def pull_levels_v(self) -> tuple[float, ...]:
        """Return the voltages of the pull-in trials in rising order, V."""
        steps = int((self.pull_to_v - self.pull_from_v) / self.step_v + 1e-3)
        return tuple(round(self.pull_from_v + k * self.step_v, 6) for k in range(steps + 1))

    def drop_levels_v(self, from_v: float) -> tuple[float, ...]:
        """Return the voltages of the drop-out trials in falling order from ``from_v``, V."""
        steps = int((from_v - self.drop_to_v) / self.step_v + 1e-3)
        return tuple(round(from_v - k * self.step_v, 6) for k in range(steps + 1))

    def expected_s(self, half_turn_s: float) -> float:
        """Return how long the step takes at most, s."""
        trials = len(self.pull_levels_v()) + len(self.drop_levels_v(self.pull_to_v)) + 2
        turn_s = half_turn_s + self.pause_s
        return self.without_supply_s(half_turn_s) + 2 * turn_s + trials * RELAY_TRIAL_S

    def without_supply_s(self, half_turn_s: float) -> float:
        """Return how long the step takes on a rig whose supply cannot be set, s."""
        return self.half_turns * (half_turn_s + self.pause_s)


AnyStep = Annotated[
    VisualStep
    | ZeroStep
    | RestDrawStep
    | HalfTurnsStep
    | SupplySweepStep
    | LoadedStep
    | ParkCheckStep
    | EnduranceStep
    | JamStep
    | RelaySwapStep
    | RelayCheckStep,
    Field(discriminator="kind"),
]
