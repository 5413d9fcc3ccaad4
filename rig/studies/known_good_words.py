"""Limits from known good units as text, 80 columns wide, and as a plan's comments."""

from __future__ import annotations

import textwrap
from collections.abc import Iterator

from rig.analysis.wording import amount
from rig.quality.tolerance import Interval, Side, coverage_reached, least_count
from rig.studies.known_good import (
    NOT_NORMAL,
    Method,
    Pair,
    Proposal,
    Proposals,
    outright_of,
    values_of,
)
from rig.studies.plan_text import literal
from rig.studies.spread_words import (
    about,
    look_words,
    plot_lines,
    share,
    shown,
    value_words,
    wrapped,
)
from rig.studies.units import Chosen

_METHODS = {
    Method.NORMAL: "normal",
    Method.SKEWED: "with room for skewness",
    Method.ORDER: "by the sample's own values",
}
_HOLDS_FOR = {
    Method.NORMAL: "if such units' values are normal or skewed",
    Method.SKEWED: "if such units' values are normal or skewed",
    Method.ORDER: "whatever their distribution",
}
_COMMENT = 92
_TINY = 1e-5
_MUCH = 0.05


def asked_words(found: Proposals) -> str:
    """Return what is asked of the limits: how many units they hold, and how surely."""
    asked = found.asked
    return (
        f"at least {share(asked.coverage)} of such units, with {share(asked.confidence)} confidence"
    )


def chosen_lines(chosen: Chosen) -> Iterator[str]:
    """Yield which runs count and which do not."""
    world = "SIMULATED " if chosen.simulated else ""
    count = len(chosen.records)
    yield (
        f"  {count} {world}unit{'' if count == 1 else 's'}, one run each"
        + (f", {chosen.dates}" if chosen.dates else "")
    )
    for out in chosen.left_out:
        yield from wrapped(f"left out: {out.serial}: {out.why}.")
    for remark in chosen.remarks:
        yield from wrapped(remark)


def proposal_lines(found: Proposals, *, plot: bool = False) -> Iterator[str]:
    """Yield what known good units say of a plan's limits."""
    plan = found.chosen.plan
    yield f"limits from known good units: plan {plan.name}, {plan.unit.type}"
    yield from chosen_lines(found.chosen)
    yield from wrapped(f"asked: {asked_words(found)}; each limit by itself")
    for proposal in found.found:
        yield ""
        yield from _lines(proposal, found, plot=plot)
    yield ""
    yield from _closing(found)


def _lines(proposal: Proposal, found: Proposals, *, plot: bool) -> Iterator[str]:
    bound, spread, numbers = proposal.bound, proposal.spread, proposal.readings.numbers
    unit, sd = bound.unit, spread.sd
    keys = " ".join(_keys(proposal))
    yield f"{bound.label}, {unit}  [{keys}]"
    yield from wrapped(
        f"{spread.count} units, {value_words(proposal.readings, proposal.side)}: "
        f"{shown(min(numbers), sd)} to {shown(max(numbers), sd)}, mean {shown(spread.mean, sd)}, "
        f"standard deviation {sd:.2g}"
    )
    if spread.within is not None and spread.between is not None and sd > 0.0:
        yield from wrapped(
            f"within a unit {spread.within:.2g}, from unit to unit {spread.between:.2g}"
        )
    if proposal.readings.missing:
        yield from wrapped(f"no value of {', '.join(proposal.readings.missing)}")
    if proposal.look is not None:
        serials = [each.serial for each in proposal.readings.values]
        for sentence in look_words(proposal.look, proposal.log_look, serials, may_go=True):
            yield from wrapped(sentence)
    if plot:
        yield from plot_lines(numbers, sd)
    if proposal.method is Method.NONE:
        yield from wrapped(f"{_today(proposal)}no limit proposed: {_why(proposal, found)}.")
        return
    assert proposal.tolerance is not None
    yield from wrapped(_how(proposal, proposal.tolerance))
    if proposal.more:
        yield from wrapped(_with_more(proposal))
    proposed = _pair(proposal.proposed, unit)
    band = " (guard band on top)" if found.asked.with_band else ""
    yield from wrapped(
        f"{_today(proposal)}proposed: {proposed}{band}; holds {_HOLDS_FOR[proposal.method]}"
    )
    yield from _risk_lines(proposal, found)


def _keys(proposal: Proposal) -> tuple[str, ...]:
    bound = proposal.bound
    return {
        Side.BOTH: bound.keys,
        Side.LOW: (bound.low or "",),
        Side.HIGH: (bound.high or "",),
    }[proposal.side]


def _today(proposal: Proposal) -> str:
    if not proposal.today:
        return "no limit today; "
    return f"today {_pair(proposal.today, proposal.bound.unit)}; "


def _pair(pair: Pair, unit: str) -> str:
    if pair.low is not None and pair.high is not None:
        return f"{pair.low:g} to {pair.high:g} {unit}"
    if pair.high is not None:
        return f"at most {pair.high:g} {unit}"
    return f"at least {pair.low:g} {unit}"


def _why(proposal: Proposal, found: Proposals) -> str:
    if proposal.why != NOT_NORMAL:
        return proposal.why
    asked, side = found.asked, proposal.side
    reached = coverage_reached(proposal.spread.count, asked.confidence, side)
    return (
        f"{NOT_NORMAL}, and to go by the sample's own values {share(asked.coverage)} with "
        f"{share(asked.confidence)} confidence asks for "
        f"{least_count(asked.coverage, asked.confidence, side)} units. What these "
        f"{proposal.spread.count} span holds {share(reached)} of all such units. Look at the plot "
        "(--plot) for two sorts of units, one that stands apart, or steps"
    )


def _how(proposal: Proposal, tolerance: Interval) -> str:
    sd, method = proposal.spread.sd, _METHODS[proposal.method]
    if tolerance.order is not None:
        place = "outermost" if tolerance.order == 1 else f"{tolerance.order} from the outermost"
        value = f"value{'s' if proposal.side is Side.BOTH else ''}"
        return f"{method}: the {place} {value}: {_ends(tolerance, sd)}"
    sign = {Side.BOTH: "-/+", Side.LOW: "-", Side.HIGH: "+"}[proposal.side]
    out = ""
    if proposal.look is not None and proposal.look.in_steps:
        out = ", half a step farther out"
    factor = f"mean {sign} {tolerance.factor:.3f} standard deviations"
    if proposal.method is Method.NORMAL or proposal.as_normal is None:
        return f"{method}: {factor}: {_ends(tolerance, sd)}{out}"
    return (
        f"if normal: {factor}: {_ends(proposal.as_normal, sd)}{out}; {method}: "
        f"{_ends(tolerance, sd)}"
    )


def _ends(interval: Interval, sd: float) -> str:
    return " to ".join(
        shown(value, sd) for value in (interval.low, interval.high) if value is not None
    )


def _with_more(proposal: Proposal) -> str:
    sd = proposal.spread.sd
    told = []
    for count, interval in proposal.more:
        told.append(f"{count} units {_ends(interval, sd)}")
    return f"the same mean, spread and skewness of {', of '.join(told)}"


def _risk_lines(proposal: Proposal, found: Proposals) -> Iterator[str]:
    risks, unit = proposal.risks, proposal.bound.unit
    if risks is None:
        return
    u = proposal.readings.u
    if u is None:
        yield from wrapped("Its uncertainty is not in the records, so no risk can be told.")
        return
    count, waiting = proposal.spread.count, len(risks.waiting)
    of_all = "" if risks.not_passed is None else f", {about(risks.not_passed)} of all such"
    yield from wrapped(
        f"U = {amount(u, unit)}, guard band {amount(proposal.band, unit)}: by the plan's rule "
        f"{waiting} of these {count} would not pass outright{of_all}."
    )
    if risks.outright is not None and risks.failed is not None:
        if max(risks.outright.consumers, risks.failed.producers) < _TINY:
            yield from wrapped(
                f"Of all such units, if spread as these {count} are, {share(0.0)} would be decided "
                "wrongly."
            )
            return
        yield from wrapped(
            f"Of all such units, if spread as these {count} are, "
            f"{share(risks.outright.consumers)} would pass and not keep it (consumer's risk), "
            f"{share(risks.failed.producers)} fail and keep it (producer's)."
        )


def outright_words(found: Proposals) -> str:
    """Return how many good units all proposed limits together let pass outright, and what to do.

    Empty where no limit is proposed.
    """
    together = outright_of(found)
    if together is None:
        return ""
    count, waiting = together.count, len(together.waiting)
    limits = sum(bool(one.proposed) for one in found.found)
    by = f"By all {limits} proposed limits together" if limits > 1 else "By the proposed limit"
    of_all = ""
    if together.least is not None and together.most is not None:
        low, high = share(together.least), share(together.most)
        span = low if low == high else f"{low} to {high}"
        of_all = f", and of all such units {span} if they spread as these do"
    text = f"{by} {waiting} of these {count} good units would not pass outright{of_all}."
    banded = any(one.proposed and one.band > 0.0 for one in found.found)
    much = waiting > 0 or (together.most or 0.0) > _MUCH
    if much and banded and not found.asked.with_band:
        text += " Without --no-band the plan's guard band goes on top, so that good units pass."
    return text


def _closing(found: Proposals) -> Iterator[str]:
    chosen = found.chosen
    if found.unmeasured:
        yield from wrapped(f"Not measured in these runs: {', '.join(found.unmeasured)}.")
    if found.others:
        yield from wrapped(
            f"Measured too, and no limit in the plan: {', '.join(found.others)}. Ask for one with "
            "--limit."
        )
    if found.supplies_v is not None and found.supplies_v[1] - found.supplies_v[0] > 0.5:
        low, high = found.supplies_v
        yield from wrapped(
            f"The supply was {low:.1f} to {high:.1f} V: what follows it is in the spread."
        )
    told = [out for out in chosen.left_out if "verdict is a fail" in out.why]
    if told:
        yield from wrapped(
            "Units were left out because they failed by the limits of today. If they are good, "
            "limits without them come out too tight: take them in with --include fail."
        )
    if any(one.method in (Method.NORMAL, Method.SKEWED) for one in found.found):
        yield from wrapped(
            "Where values have long tails on both sides the limits hold less surely than is said."
        )
    yield from wrapped(
        "Good is what is known from elsewhere: units chosen only because they passed can do no "
        "more than draw today's limits tighter."
    )
    yield from wrapped(outright_words(found))


def comments_of(found: Proposals) -> dict[str, list[str]]:
    """Return for each proposed key the lines of a comment: from what, how, and what it was."""
    chosen, asked = found.chosen, found.asked
    lots = list(dict.fromkeys(run.start.reference for run in chosen.records if run.start.reference))
    of = f" ({', '.join(lots[:3])}{' ...' if lots[3:] else ''})" if lots else ""
    world = "SIMULATED " if chosen.simulated else ""
    comments: dict[str, list[str]] = {}
    for proposal in found.found:
        if not proposal.proposed:
            continue
        spread, unit = proposal.spread, proposal.bound.unit
        whose = value_words(proposal.readings, proposal.side)
        band = f", guard band {amount(proposal.band, unit)} on top" if asked.with_band else ""
        units = f"From {spread.count} {world}known good units"
        text = (
            f"{units}{of}, {chosen.dates}: {whose}, mean {shown(spread.mean, spread.sd)} {unit}, "
            f"s {spread.sd:.2g} {unit}; {_METHODS[proposal.method]}, {asked_words(found)} "
            f"{_HOLDS_FOR[proposal.method]}{band}"
        )
        first = ""
        for key in values_of(proposal, found.limits):
            old = getattr(found.limits, key)
            said = textwrap.wrap(text, _COMMENT) if not first else [f"{units}, as {first}"]
            comments[key] = [*said, *([] if old is None else [f"Was {literal(old)}"])]
            first = key
    return comments
