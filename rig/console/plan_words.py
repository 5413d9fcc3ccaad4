"""A plan in plain words: what each step does, what its limits are, when the rig cuts off."""

from __future__ import annotations

from rig.analysis.model import VoltageLimit
from rig.plans import (
    AnyStep,
    DecisionSettings,
    EnduranceStep,
    GuardSettings,
    HalfTurnsStep,
    JamStep,
    LimitSettings,
    LoadedStep,
    ParkCheckStep,
    RelayCheckStep,
    RelaySwapStep,
    RestDrawStep,
    SupplySweepStep,
    VisualStep,
    ZeroStep,
)
from rig.quality.decision import DEFAULT_RULE

# Limit -> its name for the operator, and how it is worded around the number.
_LIMITS: dict[str, tuple[str, str]] = {
    "half_turn_max_s": ("Half-turn", "at most {} s"),
    "half_turn_min_s": ("Half-turn", "at least {} s"),
    "response_max_s": ("Response", "current within {} s of the feed"),
    "run_on_s": ("Running on", "turns for {} s and has not parked"),
    "stall_s": ("Stall", "fed and standing still for {} s"),
    "rest_max_a": ("Rest draw", "parked, at most {} A"),
    "run_max_a": ("Running", "at most {} A in mid-turn"),
    "peak_max_a": ("Inrush", "at most {} A"),
    "sag_max_v": ("Supply sag", "at most {} V"),
    "dropouts_max": ("Gaps", "at most {} gaps in the current of a half-turn"),
    "dropout_max_s": ("Gap", "none longer than {} s"),
    "lowest_supply_max_v": ("Lowest supply", "still completes at {} V"),
    "stall_min_a": ("Stall current", "at least {} A"),
    "stall_max_a": ("Stall current", "at most {} A"),
    "winding_min_ohm": ("Winding", "at least {} ohm"),
    "winding_max_ohm": ("Winding", "at most {} ohm"),
    "swap_change_max": ("Own relay", "half-turn at most {} slower than with a good one"),
    "pull_in_max_v": ("Relay pull-in", "at {} V at most"),
    "drop_out_min_v": ("Relay drop-out", "lets go at {} V at least"),
    "coil_min_ohm": ("Relay coil", "at least {} ohm"),
    "coil_max_ohm": ("Relay coil", "at most {} ohm"),
    "operate_max_s": ("Relay operates", "within {} s"),
    "release_max_s": ("Relay releases", "within {} s"),
}
_NOT_JUDGED: dict[str, str] = {
    "half_turn_min_s": "shortest half-turn",
    "response_max_s": "response",
    "rest_max_a": "rest draw",
    "run_max_a": "running current",
    "peak_max_a": "inrush",
    "sag_max_v": "supply sag",
    "dropouts_max": "number of gaps",
    "dropout_max_s": "length of gaps",
    "lowest_supply_max_v": "lowest supply",
    "stall_min_a": "smallest stall current",
    "stall_max_a": "largest stall current",
    "winding_min_ohm": "least resistance, leads included",
    "winding_max_ohm": "most resistance, leads included",
    "swap_change_max": "own relay against a good one",
    "pull_in_max_v": "relay pull-in",
    "drop_out_min_v": "relay drop-out",
    "coil_min_ohm": "least relay coil resistance",
    "coil_max_ohm": "most relay coil resistance",
    "operate_max_s": "relay operate time",
    "release_max_s": "relay release time",
}


def step_words(step: AnyStep) -> str:
    """Return what ``step`` does, in one or two short sentences without a full stop."""
    words = _doing(step)
    supply_v: float | None = getattr(step, "supply_v", None)
    return words if supply_v is None else f"{words}, at {supply_v:g} V"


def _doing(step: AnyStep) -> str:
    match step:
        case VisualStep(checks=checks):
            return f"{_count(len(checks), 'question')}: {', '.join(map(_plain, checks))}"
        case ZeroStep():
            return "feeds off, what the current sensor reads is its zero"
        case RestDrawStep():
            return "battery on, unit parked: what it draws"
        case HalfTurnsStep():
            return f"{step.half_turns} to and fro, rest of {step.pause_s:g} s after each"
        case SupplySweepStep():
            return (
                f"one each way at {step.from_v:g} V, then {step.step_v:g} V less each time, "
                f"down to {step.levels_v()[-1]:g} V"
            )
        case LoadedStep():
            return f"you hang {step.load_nm:g} N m on the lever; {step.half_turns} to and fro"
        case ParkCheckStep():
            return f"parked at each end, still and without current for {step.duration_s:g} s"
        case EnduranceStep():
            return (
                f"{_count(step.cycles, 'time')} to run and back, fed at most "
                f"{step.duty_max * 100:g} % of the time"
            )
        case JamStep():
            return (
                f"you lock the lever; fed for {step.stall_s:g} s, at most "
                f"{step.current_limit_a:g} A, then {step.rest_after_s:g} s of rest"
            )
        case RelaySwapStep():
            each = step.half_turns // 2
            return f"{each} with the unit's own relay, {each} with a known good one that you fit"
        case RelayCheckStep():
            return (
                f"{step.half_turns} to and fro for coil and times; supply up from "
                f"{step.pull_from_v:g} V until the relay pulls in, down to {step.drop_to_v:g} V "
                "until it lets go"
            )


def limit_words(limits: LimitSettings) -> list[tuple[str, str]]:
    """Return (name, words) of every limit the plan judges by."""
    rows = []
    for key, (name, words) in _LIMITS.items():
        value = getattr(limits, key)
        if value is not None:
            rows.append((name, _with_voltage(words, value)))
    return rows


def decided_by(decision: DecisionSettings) -> str:
    """Return the rule by which a plan decides near its limits, nothing if it is the usual one."""
    rule = decision.as_rule()
    return "" if rule == DEFAULT_RULE else rule.words()


def not_judged(limits: LimitSettings) -> list[str]:
    """Return the names of what the plan sets no limit for."""
    return [name for key, name in _NOT_JUDGED.items() if getattr(limits, key) is None]


def guard_words(guard: GuardSettings) -> str:
    """Return when the rig takes the feeds away, in one sentence."""
    return (
        f"The rig takes the feeds away above {guard.over_current_a:g} A for "
        f"{guard.over_current_s * 1000:g} ms, when the unit stands still, fed, for "
        f"{guard.stall_s:g} s, turns for {guard.run_on_s:g} s without parking, when a step lasts "
        f"{duration_words(guard.step_max_s)}, or when the winding is estimated above "
        f"{guard.winding_max_c:g} °C."
    )


def duration_words(duration_s: float) -> str:
    """Return a length of time as somebody would say it: ``14 s``, ``3 min``, ``1 h 10 min``."""
    if duration_s < 99.5:
        return f"{duration_s:.0f} s" if duration_s >= 2 else f"{duration_s:.1g} s"
    minutes = round(duration_s / 60)
    if minutes < 60:
        return f"{minutes} min"
    hours, minutes = divmod(minutes, 60)
    return f"{hours} h {minutes} min" if minutes else f"{hours} h"


def _with_voltage(words: str, value: float | VoltageLimit) -> str:
    if not isinstance(value, VoltageLimit):
        return words.format(f"{value * 100:g} %" if "slower" in words else f"{value:g}")
    points = value.points
    if len(points) == 1:
        return words.format(f"{points[0][1]:g}")
    first, *rest = (f"{limit:g} s at {volts:g} V" for volts, limit in points)
    return words.replace("{} s", ", ".join([first, *rest]))


def _count(number: int, what: str) -> str:
    return f"{number} {what}" if number == 1 else f"{number} {what}s"


def _plain(name: str) -> str:
    return name.replace("_", " ")
