"""Whether a plan can be run on a station of a rig, found out before anything is fed."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass

from drivers import SensorError
from drivers.ina219 import PGA_RANGES_V, SHUNT_STEP_V, milli, plan_sensor
from rig.analysis import fuse
from rig.analysis.faults.causes import LEARNT_FROM
from rig.plan_steps import JamStep, RelayCheckStep, SupplySweepStep, ZeroStep
from rig.plans import Plan
from rig.quality.decision import COVERAGE, Rule
from rig.schema import KeyPath, Lines, Mistake, key_text
from rig.settings import RigSettings, StationSettings

# A stall is told from a start by its current staying up; fewer samples than these within the stall
# time and a single bad one decides (guess: ten to see it, ten to spare).
_STALL_SAMPLES = 20
_OVER_CURRENT_SAMPLES = 2


@dataclass(frozen=True)
class _Case:
    """A plan, a rig and a station, with the currents to expect there."""

    plan: Plan
    rig: RigSettings
    station: StationSettings
    mistakes: list[Mistake]

    @property
    def home_v(self) -> float:
        """What the station is fed with unless a step says otherwise, V."""
        if self.rig.supply.programmable:
            return self.plan.unit.nominal_v
        return self.rig.battery_v

    @property
    def stall_a(self) -> float:
        """The largest current of a unit that stands still, A."""
        unit = self.plan.unit
        return unit.stall_a * max(1.0, self.home_v / self.plan.highest_v)

    def in_rig(self, path: KeyPath, wrong: str, allowed: str) -> None:
        """Note a mistake that the rig file would have to mend, ``path`` within the station."""
        whole: KeyPath = path
        if path[0] not in ("supply", "battery_v"):
            whole = ("station", self.rig.stations.index(self.station), *path)
        line = Lines(self.rig.text).of(whole)
        self.mistakes.append(Mistake(str(self.rig.file), key_text(whole), wrong, allowed, line))

    def in_plan(self, path: KeyPath, wrong: str, allowed: str) -> None:
        """Note a mistake that the plan would have to mend."""
        line = Lines(self.plan.text).of(path)
        self.mistakes.append(Mistake(str(self.plan.file), key_text(path), wrong, allowed, line))


def check_plan_on_rig(
    plan: Plan, settings: RigSettings, station: StationSettings
) -> tuple[Mistake, ...]:
    """Return every reason why ``plan`` cannot be run on ``station``; empty if it can."""
    case = _Case(plan, settings, station, [])
    checks: tuple[Callable[[_Case], None], ...] = (
        _sensor_range,
        _shunt_heat,
        _resolution,
        _fuse,
        _supply,
        _sampling,
        _winding,
        _coil,
        _decision,
    )
    for check in checks:
        check(case)
    return tuple(case.mistakes)


def check_isolation_on_rig(
    plan: Plan, settings: RigSettings, station: StationSettings
) -> tuple[Mistake, ...]:
    """Return every reason why a fault cannot be isolated on ``station`` with ``plan``.

    The plan's own steps do not matter; tests that the rig cannot do are left out, not refused.
    """
    return check_plan_on_rig(_for_isolation(plan), settings, station)


def cautions_of_isolation(
    plan: Plan, settings: RigSettings, station: StationSettings
) -> tuple[str, ...]:
    """Return what the operator should know of isolating a fault with this plan on this station."""
    cautions = cautions_on_rig(_for_isolation(plan), settings, station)
    if plan.unit.type == LEARNT_FROM:
        return cautions
    return (
        *cautions,
        f"The plan is for unit type {plan.unit.type}. The causes were learnt from {LEARNT_FROM}; "
        "for another type take the ranking as a hint.",
    )


def _for_isolation(plan: Plan) -> Plan:
    # An isolation begins with the sensor's zero, and chooses the rest as it goes.
    return plan.model_copy(update={"steps": (ZeroStep(),)})


def cautions_on_rig(plan: Plan, settings: RigSettings, station: StationSettings) -> tuple[str, ...]:
    """Return what the operator should know of this plan on this station, one sentence each."""
    return tuple(_cautions(_Case(plan, settings, station, [])))


def cautions_together(
    plan: Plan, settings: RigSettings, stations: Sequence[StationSettings]
) -> tuple[str, ...]:
    """Return what the operator should know of this plan on several stations at once."""
    stall_a = max(_Case(plan, settings, station, []).stall_a for station in stations)
    # Where a plan has no limit for it, a unit that turns draws a quarter of that (guess).
    run_a = plan.limits.run_max_a or stall_a / 4
    others = len(stations) - 1
    all_a, supply = stall_a + others * run_a, settings.supply
    if not supply.programmable or all_a <= supply.max_a:
        return ()
    return (
        f"A unit that starts or jams while {others} more turn{'s' if others == 1 else ''} draws "
        f"up to {all_a:.0f} A with them, and the supply gives {supply.max_a:g} A (supply.max_a): "
        "its voltage would fall for all. Have a supply and a main fuse that bear it, or fewer "
        "stations at once.",
    )


def describe_sensor(settings: RigSettings, station: StationSettings, plan: Plan) -> str:
    """Return one line: what the battery feed's sensor can see, and its shunt's heat at stall."""
    case = _Case(plan, settings, station, [])
    sensor = station.battery_sensor
    try:
        range_v = plan_sensor(sensor.wiring(plan.largest_a)).range_v
    except SensorError as problem:
        return f"Station {station.name}: {problem}"
    shunt = sensor.shunt_ohm
    heat_w = case.stall_a**2 * shunt
    return (
        f"Station {station.name}: shunt {milli(shunt)} mohm, reads to "
        f"{range_v / shunt * sensor.gain:.3g} A in steps of "
        f"{milli(SHUNT_STEP_V / shunt * sensor.gain)} mA; "
        f"{heat_w:.2g} W of its {sensor.shunt_w:g} W at the stall current of {case.stall_a:.3g} A"
    )


def _sensor_range(case: _Case) -> None:
    sensor, plan = case.station.battery_sensor, case.plan
    need_a, why = case.stall_a, "a unit that stands still draws"
    if plan.guard.over_current_a > need_a:
        need_a, why = plan.guard.over_current_a, "the plan's guard trips at"
    if sensor.max_a is not None and sensor.max_a < need_a:
        case.in_rig(
            ("battery_sensor", "max_a"),
            f"{sensor.max_a:g} A is less than plan {plan.name} needs: {why} {need_a:.3g} A",
            f"{need_a:.3g} A or more, or no max_a at all",
        )
    full_v = PGA_RANGES_V[-1]
    need_v = need_a / sensor.gain + abs(sensor.offset_a)
    if need_v * sensor.shunt_ohm > full_v:
        case.in_rig(
            ("battery_sensor", "shunt_ohm"),
            f"{sensor.shunt_ohm:g} ohm reads to {full_v / sensor.shunt_ohm:.3g} A at most, less "
            f"than plan {plan.name} needs: {why} {need_a:.3g} A",
            f"a shunt of {full_v / need_v:.2g} ohm or less",
        )


def _shunt_heat(case: _Case) -> None:
    sensor = case.station.battery_sensor
    heat_w = case.stall_a**2 * sensor.shunt_ohm
    if heat_w > sensor.shunt_w:
        case.in_rig(
            ("battery_sensor", "shunt_w"),
            f"the shunt is rated {sensor.shunt_w:g} W and would take {heat_w:.3g} W at the stall "
            f"current of {case.stall_a:.3g} A",
            f"a shunt of {heat_w:.3g} W or more, or of less resistance",
        )


def _resolution(case: _Case) -> None:
    """A rest limit within the sensor's own doubt can be neither met nor broken."""
    limit_a = case.plan.limits.rest_max_a
    if limit_a is None:
        return
    sensor = case.station.battery_sensor
    step_a = SHUNT_STEP_V / sensor.shunt_ohm
    zeroed = any(isinstance(step, ZeroStep) for step in case.plan.steps)
    if limit_a <= step_a:
        case.in_plan(
            ("limits", "rest_max_a"),
            f"{limit_a:g} A cannot be seen: the sensor of station {case.station.name} reads in "
            f"steps of {step_a:.2g} A",
            f"more than {step_a:.2g} A, or a shunt of more resistance",
        )
    doubt_a = COVERAGE * sensor.zero_u_a
    if step_a < limit_a <= doubt_a and not zeroed:
        case.in_plan(
            ("limits", "rest_max_a"),
            f"{limit_a:g} A is within the doubt of the sensor's zero ({doubt_a:g} A), so that no "
            "unit could pass",
            f'more than {doubt_a:g} A, or a step of kind "zero" in the plan',
        )


def _stalls(case: _Case) -> Iterator[tuple[KeyPath, float, float]]:
    """Yield each time that the plan lets a unit stand still, fed: key, s, A."""
    yield ("guard", "stall_s"), case.plan.guard.stall_s, case.stall_a
    for number, step in enumerate(case.plan.steps):
        if isinstance(step, JamStep):
            limited = case.rig.supply.programmable
            current_a = min(case.stall_a, step.current_limit_a) if limited else case.stall_a
            yield ("step", number, "stall_s"), step.stall_s, current_a


def _fuse(case: _Case) -> None:
    fuse_a, run_a = case.station.fuse_a, case.plan.limits.run_max_a
    series = fuse.SERIES[case.station.fuse_series]
    for path, hold_s, current_a in _stalls(case):
        latest_s = fuse.latest_s(current_a, fuse_a, series)
        if hold_s > latest_s:
            case.in_plan(
                path,
                f"{hold_s:g} s at the stall current of {current_a:.3g} A: the {fuse_a:g} A fuse of "
                f"station {case.station.name} has opened after {latest_s:.2g} s",
                f"up to {latest_s:.2g} s",
            )
    if run_a is not None and run_a > fuse_a:
        case.in_plan(
            ("limits", "run_max_a"),
            f"{run_a:g} A is more than the fuse of station {case.station.name} carries for good",
            f"up to {fuse_a:g} A",
        )


def _supply(case: _Case) -> None:
    supply = case.rig.supply
    for number, step in enumerate(case.plan.steps):
        volts = step.highest_v
        key = _VOLTAGE_KEYS.get(type(step), "supply_v")
        if volts is None or (_skipped(case, step)):
            continue
        if not supply.programmable:
            leave = "no supply_v" if key == "supply_v" else 'needs_supply = "skip"'
            case.in_plan(
                ("step", number, key),
                f"step {number + 1} ({step.label}) sets {volts:g} V, and the rig's supply cannot "
                'be set (supply.kind is "none")',
                f'{leave} in this step, or a rig with a supply of kind "scpi"',
            )
        elif volts > supply.max_v:
            case.in_plan(
                ("step", number, key),
                f"step {number + 1} ({step.label}) sets {volts:g} V, more than the rig's supply "
                f"may be set to (supply.max_v, {supply.max_v:g} V)",
                f"up to {supply.max_v:g} V",
            )
    if not supply.programmable:
        return
    if case.home_v > supply.max_v:
        case.in_rig(
            ("supply", "max_v"),
            f"{supply.max_v:g} V is less than the unit's nominal voltage ({case.home_v:g} V)",
            f"{case.home_v:g} V or more",
        )
    if case.stall_a > supply.max_a:
        case.in_rig(
            ("supply", "max_a"),
            f"{supply.max_a:g} A is less than the {case.stall_a:.3g} A a unit draws at a start or "
            "a stall, so that the supply would hide both",
            f"{case.stall_a:.3g} A or more",
        )


# Where a step's voltage stands, if not in supply_v.
_VOLTAGE_KEYS: dict[type, str] = {SupplySweepStep: "from_v", RelayCheckStep: "pull_to_v"}


def _skipped(case: _Case, step: object) -> bool:
    """Whether the step, or what of it needs the supply set, is left out on this rig."""
    return (
        isinstance(step, SupplySweepStep | RelayCheckStep)
        and step.needs_supply == "skip"
        and not case.rig.supply.programmable
    )


def _sampling(case: _Case) -> None:
    guard, sample_hz = case.plan.guard, case.station.sample_hz
    stall_s = min(hold_s for _, hold_s, _ in _stalls(case))
    if stall_s * sample_hz < _STALL_SAMPLES:
        case.in_rig(
            ("sample_hz",),
            f"{sample_hz} Hz gives {stall_s * sample_hz:.0f} samples in the plan's stall time of "
            f"{stall_s:g} s",
            f"{_STALL_SAMPLES / stall_s:.0f} Hz or more, or a longer stall time in the plan",
        )
    if 0 < guard.over_current_s * sample_hz < _OVER_CURRENT_SAMPLES:
        case.in_plan(
            ("guard", "over_current_s"),
            f"{guard.over_current_s:g} s is shorter than two samples of station "
            f"{case.station.name} ({sample_hz} Hz)",
            f"{_OVER_CURRENT_SAMPLES / sample_hz:g} s or more, or 0 to trip at the first sample",
        )


def _winding(case: _Case) -> None:
    unit, guard = case.plan.unit, case.plan.guard
    for path, hold_s, current_a in _stalls(case):
        # All heat stays in the winding: a stall is far shorter than its cooling time.
        rise_k = current_a**2 * unit.winding_ohm * hold_s / unit.heat_j_per_k
        room_c = 20.0
        if room_c + rise_k > guard.winding_max_c:
            case.in_plan(
                path,
                f"{hold_s:g} s at the stall current of {current_a:.3g} A would warm the winding "
                f"to {room_c + rise_k:.0f} degrees Celsius",
                f"a time that keeps it below guard.winding_max_c ({guard.winding_max_c:g})",
            )


def _coil(case: _Case) -> None:
    """The relay's coil is seen by the ignition feed's sensor alone."""
    if case.station.ignition_sensor is not None:
        return
    for key in ("coil_min_ohm", "coil_max_ohm"):
        if getattr(case.plan.limits, key) is not None:
            case.in_plan(
                ("limits", key),
                f"station {case.station.name} has no sensor in its ignition feed, so the relay's "
                "coil cannot be measured",
                "no such limit, or a [station.ignition_sensor] in the rig file",
            )


def _decision(case: _Case) -> None:
    """Not a clash of the plan: what was recorded with such a table must still be read."""
    rule = case.plan.decision.as_rule()
    if rule.rule is Rule.GUARDED and rule.factor <= 0.0:
        key, allowed = "guard_factor", "more than 0"
        if rule.risk is not None:
            key, allowed = "risk", "less than 0.5"
        case.in_plan(
            ("decision", key),
            "guarded without a guard band would test a value on the limit again for ever",
            f"{allowed}, or the rule {Rule.SIMPLE_ACCEPTANCE}",
        )


def _stall_named(case: _Case, path: KeyPath) -> str:
    """Return which unit is meant, at the start of a sentence: one that jams, or is held still."""
    if path[0] != "step":
        return "A unit that jams"
    number = int(path[1])
    return f"In step {number + 1} ({case.plan.steps[number].label}) the unit"


def _cautions(case: _Case) -> Iterator[str]:
    fuse_a, series = case.station.fuse_a, fuse.SERIES[case.station.fuse_series]
    for path, hold_s, current_a in _stalls(case):
        earliest_s = fuse.earliest_s(current_a, fuse_a, series)
        if earliest_s < hold_s <= fuse.latest_s(current_a, fuse_a, series):
            yield (
                f"{_stall_named(case, path)} stands still for up to {hold_s:g} s at "
                f"{current_a:.3g} A, which may open the {fuse_a:g} A fuse (it holds "
                f"{earliest_s:.2g} s for sure): have spare fuses at hand."
            )
    for number, step in enumerate(case.plan.steps):
        if _skipped(case, step):
            left = "is left out" if isinstance(step, SupplySweepStep) else "finds no voltages"
            whose = (
                "Its" if isinstance(step, SupplySweepStep) else "The relay's pull-in and drop-out"
            )
            yield (
                f"Step {number + 1} ({step.label}) {left}: the rig's supply cannot be set. "
                f"{whose} limits are not judged."
            )
