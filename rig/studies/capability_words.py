"""How units lie in their limits, as text 80 columns wide."""

from __future__ import annotations

from collections.abc import Iterator

from rig.analysis.wording import amount
from rig.quality.capability import Index
from rig.quality.control_chart import Signal
from rig.quality.tolerance import Side
from rig.studies.capability import Capability, CapabilityStudy
from rig.studies.known_good_words import chosen_lines
from rig.studies.spread_words import (
    look_words,
    plot_lines,
    share,
    shown,
    value_words,
    wrapped,
)

_MOST_NAMED = 5
_LARGE_SHARE = 0.1

NAMES = (
    "Ppk is the distance from the mean to the nearer limit over three standard deviations of all "
    "values; Pp the limits' width over six. NIST's handbook (6.1.6) calls the same Cpk and Cp; "
    "those names are kept here for a spread within subgroups, which single units do not have."
)


def capability_lines(study: CapabilityStudy, *, plot: bool = False) -> Iterator[str]:
    """Yield how the units lie in their limits, quantity by quantity."""
    plan = study.chosen.plan
    yield f"capability: plan {plan.name}, {plan.unit.type}"
    yield from chosen_lines(study.chosen)
    for text in study.stopped:
        yield from wrapped(f"did not park, and has no values to count for it: {text}")
    for found in study.found:
        yield ""
        yield from _lines(found, study, plot=plot)
    yield ""
    if study.unmeasured:
        yield from wrapped(f"Not measured in these runs: {', '.join(study.unmeasured)}.")
    yield from wrapped(NAMES)


def _lines(found: Capability, study: CapabilityStudy, *, plot: bool) -> Iterator[str]:
    bound, numbers, sd = found.bound, found.readings.numbers, found.sd
    yield f"{bound.label}, {bound.unit}"
    whose = value_words(found.readings, found.side)
    yield from wrapped(
        f"{len(numbers)} units, {whose}: {shown(min(numbers), sd)} to {shown(max(numbers), sd)}, "
        f"mean {shown(found.mean, sd)}, standard deviation {sd:.2g}; {limit_words(found)}"
    )
    if found.readings.missing:
        yield from wrapped(f"no value of {', '.join(found.readings.missing)}")
    if found.broken:
        yield from wrapped(f"beyond it as measured: {_named(found.broken)}")
    if found.index is None:
        yield from wrapped(f"No index: {found.why}.")
        return
    if found.in_control:
        yield from wrapped("In control? In the order of the runs nothing speaks against it.")
    else:
        yield from wrapped(_control_words(found))
    if found.look is not None:
        serials = [each.serial for each in found.readings.values]
        for sentence in look_words(found.look, None, serials, may_go=False):
            yield from wrapped(sentence)
    if plot:
        yield from plot_lines(numbers, sd)
    yield from wrapped(index_words(found))
    if found.tells_beyond:
        yield from wrapped(_beyond_words(found, study.confidence))
    if found.share_of_u is not None and found.share_of_u >= _LARGE_SHARE:
        yield from wrapped(
            f"U = {amount(found.readings.u or 0.0, bound.unit)}: up to {share(found.share_of_u)} "
            "of the values' variance may be the measurement's own; without it the index is larger."
        )


def limit_words(found: Capability) -> str:
    """Return the limits that the index is of."""
    unit = found.bound.unit
    if found.low is not None and found.high is not None:
        return f"allowed {found.low:g} to {found.high:g} {unit}"
    if found.high is not None:
        return f"allowed at most {found.high:g} {unit}"
    return f"allowed at least {found.low:g} {unit}"


def index_words(found: Capability) -> str:
    """Return the index with its interval, and what spoils it if anything does."""
    index = found.index
    if index is None:
        return f"no index: {found.why}"
    if not found.in_control:
        return (
            "No index, and no part of all beyond: the process was not in control, so these values "
            "do not say what others will be like."
        )
    text = f"Ppk {_index(index.ppk)}"
    if index.pp is not None:
        text += f", Pp {_index(index.pp)}"
    how = "exact" if index.exact else "Ppk's by the handbook's approximation"
    text += f" ({share(index.confidence)} intervals, {how})"
    if found.look is not None and found.look.in_steps:
        return f"{text}. Take it with care: the values come in steps."
    if found.look is not None and found.look.refused:
        return (
            f"{text}. Take it with care: the values are not normal, so no part of all beyond is "
            "told from it."
        )
    return f"{text}."


def _index(index: Index) -> str:
    return f"{index.value:.2f} [{index.low:.2f} to {index.high:.2f}]"


def _control_words(found: Capability) -> str:
    out, drifted = (
        tuple(one.serial for one in found.signals if one.signal is signal)
        for signal in (Signal.BEYOND, Signal.DRIFT)
    )
    told = []
    if out:
        told.append(f"{_named(out)} {'jumps' if len(out) == 1 else 'jump'} out")
    if drifted:
        told.append(f"the values have drifted by {drifted[0]}")
    text = f"In control? No: {'; '.join(told)}. Look for what changed."
    if found.look is not None and found.look.refused:
        text += " Values that are not normal may look so without any change."
    return text


def _named(serials: tuple[str, ...]) -> str:
    more = f" and {len(serials) - _MOST_NAMED} more" if len(serials) > _MOST_NAMED else ""
    return ", ".join(serials[:_MOST_NAMED]) + more


def _beyond_words(found: Capability, confidence: float) -> str:
    index = found.index
    assert index is not None
    which = "the limits" if found.side is Side.BOTH else "the limit"
    least, most = share(index.beyond_low), share(index.beyond_high)
    if least == most:
        return f"expected beyond {which}, if normal: {most} of all ({share(confidence)} interval)."
    return (
        f"expected beyond {which}, if normal: {share(index.beyond)} of all [{least} to {most}, "
        f"{share(confidence)}]."
    )
