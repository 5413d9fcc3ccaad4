"""Test plans: which unit type, which limits, which steps.  One TOML file each.

`load_plan` reads a plan whole and reports every mistake in it at once.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from contextlib import suppress
from importlib import resources
from pathlib import Path
from typing import Annotated, Any, ClassVar

from pydantic import Field, model_validator

from rig.analysis.model import Limits, UnitType, VoltageLimit
from rig.plan_decision import DecisionSettings
from rig.plan_defaults import CHARGING_V, OHMS, RUN_ON_S, STALL_S, WINDING_C, completed
from rig.plan_isolation import DEFAULT_PLAN, IsolationSettings
from rig.plan_limits import VoltageTable
from rig.plan_steps import (
    HALF_TURN_GUESS_S,
    SUPPLY_HIGH_V,
    SUPPLY_LOW_V,
    AnyStep,
    EnduranceStep,
    HalfTurnsStep,
    JamStep,
    LoadedStep,
    ParkCheckStep,
    RelayCheckStep,
    RelaySwapStep,
    RestDrawStep,
    Step,
    SupplySweepStep,
    VisualStep,
    ZeroStep,
)
from rig.schema import (
    Flag,
    Mistake,
    MistakesError,
    Number,
    Section,
    Text,
    Whole,
    nearest,
    read_text,
    read_toml,
    show,
)

Amperes = Annotated[float, Number(0, 200, "A", above=True)]
Ohms = Annotated[float, OHMS]
StallS = Annotated[float, STALL_S]
RunOnS = Annotated[float, RUN_ON_S]
WindingC = Annotated[float, WINDING_C]


class PlanError(MistakesError):
    """The plan cannot be used; ``mistakes`` says why, all at once."""


class UnitSettings(Section):
    """The unit type: nominal data at 20 degrees Celsius.

    ``winding_ohm`` terminal resistance, brushes included; ``turn_vs`` back-EMF integral of one
    full half-turn (V s), if known; ``stall_a`` the current at standstill at the highest supply, by
    default that supply over the winding's resistance; ``winding_max_c`` what the winding may reach;
    ``brake_at_park`` whether the cam shorts the motor once it has cut off, if known.
    """

    type: Annotated[str, Text(longest=40)]
    nominal_v: Annotated[float, Number(SUPPLY_LOW_V, SUPPLY_HIGH_V, "V")] = 12.0
    winding_ohm: Ohms
    turn_vs: Annotated[float, Number(0, 200, "V s", above=True)] | None = None
    stall_a: Amperes
    heat_j_per_k: Annotated[float, Number(0.1, 10_000, "J/K")] = 30.0
    cooling_k_per_w: Annotated[float, Number(0.1, 1000, "K/W")] = 8.0
    winding_max_c: WindingC = 130.0
    brake_at_park: Annotated[bool, Flag()] | None = None


class LimitSettings(Section):
    """Pass limits, named as in `rig.analysis.model.Limits`.  An absent one is not judged."""

    half_turn_max_s: Annotated[VoltageLimit, VoltageTable(0.05, 20, "s")]
    half_turn_min_s: Annotated[VoltageLimit, VoltageTable(0.01, 20, "s")] | None = None
    run_on_s: RunOnS = 3.0
    stall_s: StallS = 0.4
    rest_max_a: Annotated[float, Number(0, 10, "A", above=True)] | None = None
    run_max_a: Amperes | None = None
    peak_max_a: Amperes | None = None
    sag_max_v: Annotated[float, Number(0, 10, "V", above=True)] | None = None
    response_max_s: Annotated[float, Number(0.001, 5, "s")] | None = None
    dropouts_max: Annotated[int, Whole(0, 1000)] | None = None
    dropout_max_s: Annotated[float, Number(0, 5, "s")] | None = None
    lowest_supply_max_v: Annotated[float, Number(SUPPLY_LOW_V, SUPPLY_HIGH_V, "V")] | None = None
    stall_min_a: Amperes | None = None
    stall_max_a: Amperes | None = None
    winding_min_ohm: Ohms | None = None
    winding_max_ohm: Ohms | None = None
    swap_change_max: Annotated[float, Number(0, 2, above=True)] | None = None
    pull_in_max_v: Annotated[float, Number(0.5, SUPPLY_HIGH_V, "V")] | None = None
    drop_out_min_v: Annotated[float, Number(0.1, SUPPLY_HIGH_V, "V")] | None = None
    coil_min_ohm: Annotated[float, Number(1, 10_000, "ohm")] | None = None
    coil_max_ohm: Annotated[float, Number(1, 10_000, "ohm")] | None = None
    operate_max_s: Annotated[float, Number(0.001, 1, "s")] | None = None
    release_max_s: Annotated[float, Number(0.001, 1, "s")] | None = None


class GuardSettings(Section):
    """When the control loop takes the feeds away.

    More than ``over_current_a`` for longer than ``over_current_s``; stalled for ``stall_s`` or
    running on for ``run_on_s`` (as the limits say if absent); a step that feeds and waits for
    longer than ``step_max_s``; an estimated winding above ``winding_max_c`` (as the unit's if
    absent).
    """

    over_current_a: Amperes
    over_current_s: Annotated[float, Number(0, 1, "s")] = 0.01
    stall_s: StallS = 0.4
    run_on_s: RunOnS = 3.0
    step_max_s: Annotated[float, Number(1, 1_000_000, "s")] = 300.0
    winding_max_c: WindingC = 130.0


class Plan(Section):
    """A whole plan.  ``name`` is the file's name without .toml unless the file gives another.

    ``text`` is the file as read, for the record.
    """

    supplied: ClassVar[frozenset[str]] = frozenset({"file", "text"})

    file: Path
    text: str
    name: Annotated[str, Text(longest=40)]
    title: Annotated[str, Text(longest=80)]
    for_whom: Annotated[str, Text(longest=200)] = "anyone"
    unit: UnitSettings
    limits: LimitSettings
    guard: GuardSettings
    steps: tuple[AnyStep, ...] = Field(alias="step")
    isolation: IsolationSettings = IsolationSettings()
    decision: DecisionSettings = DecisionSettings()

    @model_validator(mode="before")
    @classmethod
    def _completed(cls, data: Any) -> Any:
        """Fill in what follows from other values of the plan."""
        return completed(data) if isinstance(data, dict) else data

    def unit_type(self) -> UnitType:
        """Return the unit's nominal data as the analysis wants them."""
        unit = self.unit
        return UnitType(
            name=unit.type,
            nominal_v=unit.nominal_v,
            winding_ohm=unit.winding_ohm,
            turn_vs=unit.turn_vs,
            heat_j_per_k=unit.heat_j_per_k,
            cooling_k_per_w=unit.cooling_k_per_w,
            brake_at_park=unit.brake_at_park,
        )

    def analysis_limits(self) -> Limits:
        """Return the limits, and the rule to hold values against them, as the analysis wants."""
        limits = {name: getattr(self.limits, name) for name in LimitSettings.model_fields}
        return Limits(**limits, rule=self.decision.as_rule())

    @property
    def highest_v(self) -> float:
        """The highest supply that ``unit.stall_a`` is meant for, V."""
        return max([CHARGING_V, *(step.highest_v or 0.0 for step in self.steps)])

    @property
    def largest_a(self) -> float:
        """What the battery feed's sensor must be able to read, A: stall and trip level."""
        return max(self.unit.stall_a, self.guard.over_current_a)


def load_plan(path: Path) -> Plan:
    """Return the plan at ``path``; PlanError with every mistake if it cannot be used."""
    path = Path(path)
    return plan_from_text(read_text(path, PlanError, "the plan"), path)


def plan_from_text(text: str, file: Path) -> Plan:
    """Return ``text`` as the plan ``file``."""
    from rig.plan_checks import clashes_of

    supplied = {"file": file, "text": text}
    stem = "".join(c for c in file.stem if c.isprintable())[:40].strip()
    default = {"name": stem or "plan"}
    return read_toml(text, file, Plan, PlanError, supplied, clashes_of, default)


def largest_a_of(plans: Iterable[Path], least_a: float) -> float:
    """Return the largest current that any of ``plans`` measures, ``least_a`` at least (A).

    A plan that cannot be used measures nothing.
    """
    most_a = least_a
    for path in plans:
        with suppress(PlanError):
            most_a = max(most_a, load_plan(path).largest_a)
    return most_a


def list_plans(folders: Sequence[Path]) -> dict[str, Path]:
    """Return the plans there are by name: those in ``folders``, then those that ship."""
    found: dict[str, Path] = {}
    for folder in (*folders, _shipped()):
        for path in sorted(_plans_in(Path(folder))):
            found.setdefault(path.stem, path)
    return found


def find_plan(name_or_path: str, folders: Sequence[Path]) -> Path:
    """Return the file of a plan: a path, or a name looked for in ``folders``, then among ours.

    Raises PlanError, with the names there are, if there is no such plan.
    """
    path = Path(name_or_path)
    if path.suffix == ".toml" and _is_file(path):
        return path
    plans = list_plans(folders)
    name = name_or_path.removesuffix(".toml")
    if name in plans:
        return plans[name]
    if _is_file(path):
        return path
    close = nearest(name, plans)
    meant = f' (did you mean "{close}"?)' if close else ""
    raise PlanError(
        [
            Mistake(
                show(name_or_path),
                "",
                f"there is no such plan{meant}",
                "the path of a plan, or one of " + ", ".join(sorted(plans)),
            )
        ]
    )


def shipped_plans() -> tuple[Path, ...]:
    """Return the files of the plans that ship with the program."""
    return tuple(sorted(_plans_in(_shipped())))


def _is_file(path: Path) -> bool:
    try:
        return path.is_file()
    except OSError:  # a name too long for a file, or a folder that may not be looked into
        return False


def _shipped() -> Path:
    return Path(str(resources.files("test_plans")))


def _plans_in(folder: Path) -> Iterator[Path]:
    try:
        yield from (path for path in folder.glob("*.toml") if path.name != "rig.toml")
    except OSError:  # a folder that cannot be looked into holds no plan that could be run
        return


__all__ = [
    "DEFAULT_PLAN",
    "HALF_TURN_GUESS_S",
    "AnyStep",
    "DecisionSettings",
    "EnduranceStep",
    "GuardSettings",
    "HalfTurnsStep",
    "IsolationSettings",
    "JamStep",
    "LimitSettings",
    "LoadedStep",
    "Mistake",
    "ParkCheckStep",
    "Plan",
    "PlanError",
    "RelayCheckStep",
    "RelaySwapStep",
    "RestDrawStep",
    "Step",
    "SupplySweepStep",
    "UnitSettings",
    "VisualStep",
    "ZeroStep",
    "find_plan",
    "list_plans",
    "load_plan",
    "plan_from_text",
    "shipped_plans",
]
