"""Each feature in plain words: what a value of it means beside what a sound unit shows."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from math import exp

# Within this of a sound unit's, a logarithm counts as usual; so does a plain value.
USUAL_LOG, USUAL = 0.08, 0.05


@dataclass(frozen=True, slots=True)
class Feature:
    """``concept``: features of one test and concept are told together; ``tell``: (value, usual)."""

    concept: str
    tell: Callable[[float, float], str]


def _share(yes: str, no: str, some: str = "") -> Callable[[float, float], str]:
    def tell(value: float, usual: float) -> str:
        if value > 0.9:
            return yes
        return no if value < 0.1 else some or f"at times {yes}"

    return tell


def _ratio(what: str) -> Callable[[float, float], str]:
    def tell(value: float, usual: float) -> str:
        if abs(value - usual) < USUAL_LOG:
            return f"{what} as usual"
        return f"{what} {exp(min(value - usual, 9.0)):.2g} times the usual"

    return tell


def _duration(does: str) -> Callable[[float, float], str]:
    def tell(value: float, usual: float) -> str:
        if abs(value - usual) < USUAL_LOG:
            return f"{does} its usual time"
        return f"{does} {exp(min(value - usual, 9.0)):.2g} times its usual time"

    return tell


def _level(high: str, same: str, low: str, band: float = USUAL) -> Callable[[float, float], str]:
    def tell(value: float, usual: float) -> str:
        if abs(value - usual) < band:
            return same
        return high if value > usual else low

    return tell


def _turned(value: float, usual: float) -> str:
    return f"turns about {180.0 * value:.0f} degrees"


_OF_A_WAY = {
    "parks": Feature("outcome", _share("parks", "does not park", "parks only at times")),
    "dead": Feature("outcome", _share("no current flows", "current flows")),
    "stalls": Feature("outcome", _share("stalls", "does not stall")),
    "runs_on": Feature("outcome", _share("runs on past its park position", "does not run on")),
    "short": Feature("outcome", _share("stops short", "does not stop short")),
    "no_feed": Feature("outcome", _share("the feed's voltage is gone", "the feed is there")),
    "unsure": Feature("outcome", _share("no whole half-turn seen", "whole half-turns seen")),
    "time": Feature("time", _duration("takes")),
    "scatter": Feature("time", _level("times scatter", "times even", "times even", 0.02)),
    "running": Feature("current", _ratio("running current")),
    "peak": Feature("inrush", _ratio("inrush")),
    "turned": Feature("angle", _turned),
    "response": Feature("response", _duration("answers after")),
    "dropouts": Feature("dropouts", _level("current drops out", "no dropouts", "no dropouts")),
    "gap": Feature("dropouts", _level("current drops out", "no dropouts", "no dropouts")),
    "draw": Feature(
        "rest", _level("draws current once at rest", "draws nothing at rest", "draws nothing", 0.5)
    ),
    "sag": Feature(
        "sag", _level("feed sags more than usual", "feed sags as usual", "feed sags little", 0.06)
    ),
    "hump": Feature(
        "shape", _level("takes more current half way", "no hump half way", "takes less half way")
    ),
    "slope": Feature(
        "shape", _level("current rises on the way", "current even", "current falls on the way")
    ),
}
_OF_ALL = {
    "volts": Feature("voltage", _level("voltage high", "full voltage", "voltage low", 0.12)),
    "home_moves": Feature("home", _share("moves without ignition", "rests without ignition")),
    "home_stalls": Feature("home", _share("stalls without ignition", "no stall before ignition")),
    "home_runs_on": Feature("home", _share("runs on without ignition", "no run-on before that")),
    "home_peak": Feature("home", _ratio("inrush without ignition")),
    "cut_off": Feature("guard", _share("had to be cut off", "never had to be cut off")),
    "coil": Feature("coil", _share("its coil draws current", "its coil draws no current")),
    "coil_sag": Feature(
        "coil sag",
        _level("ignition sags as the motor runs", "ignition does not sag", "ignition steady", 0.03),
    ),
    # rest
    "moves": Feature("home", _share("moves without ignition", "rests without ignition")),
    "stalls": Feature("home", _share("stalls without ignition", "does not stall")),
    "runs_on": Feature("home", _share("runs on without ignition", "does not run on")),
    "draw": Feature("rest", _level("draws current", "draws nothing", "draws nothing", 0.5)),
    # direct and jam
    "flows": Feature("flow", _share("current flows", "no current flows")),
    "peak": Feature("inrush", _ratio("inrush")),
    "running": Feature("current", _ratio("running current")),
    "stands": Feature("flow", _level("hardly turns", "turns as usual", "turns freely", 0.2)),
    "dropouts": Feature("dropouts", _level("current drops out", "no dropouts", "no dropouts")),
    "settle": Feature("inrush", _duration("comes up to speed in")),
    "coast": Feature("speed", _level("turns fast", "speed as usual", "turns slowly")),
    "cut_before": Feature("guard", _share("cut off before the ignition", "waits for ignition")),
    "stall": Feature("current", _ratio("current standing still")),
}
WHERE = {
    "rest": "at rest",
    "turns": "relay as fitted",
    "known_good_relay": "known good relay",
    "direct": "motor fed directly",
    "unhooked": "cable unhooked",
    "loaded": "under load",
    "low_supply": "at low supply",
    "high_supply": "at high supply",
    "jam": "lever locked",
}


# Of these concepts a value is the share of half-turns that did so: what was done is told.
_SHARES = frozenset({"outcome"})


def _parts(name: str) -> tuple[str, str, str]:
    """Return a full name's test, way (empty if it is of none) and the rest."""
    test, _, own = name.partition(".")
    way, _, rest = own.partition("_")
    return (test, way, rest) if way in ("run", "stop") and rest in _OF_A_WAY else (test, "", own)


def feature(name: str) -> Feature:
    """Return what is known of a feature by its full name, ``test.feature``."""
    _, way, own = _parts(name)
    if way:
        return _OF_A_WAY[own]
    return _OF_ALL.get(own, Feature(own, lambda value, usual: f"{own} {value:.2g}"))


def is_share(name: str) -> bool:
    """Tell whether a feature is one of several things that a half-turn may do."""
    return feature(name).concept in _SHARES


def where(name: str) -> str:
    """Return under which test, and which way if it is of one, a feature was seen."""
    test, way, _ = _parts(name)
    return f"{WHERE.get(test, test)}, to {way}" if way else WHERE.get(test, test)


def where_either_way(name: str) -> str:
    """Return under which test a feature was seen that is the same both ways."""
    test = name.partition(".")[0]
    return WHERE.get(test, test)
