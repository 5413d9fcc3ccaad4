"""A diagnosis as plain text, 80 columns wide: what stands out, then part by part."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass

from rig.analysis.drop import CAUTION as MEASURE_CAUTION
from rig.analysis.estimate import Estimate
from rig.analysis.slow import FACTOR_WORDS, Factor
from rig.analysis.wording import direction_words
from rig.diagnosis.fuse_words import fuse_lines
from rig.diagnosis.layout import WIDTH, table, told, wrapped
from rig.diagnosis.model import Diagnosis, SlowTurn, Topic
from rig.diagnosis.motor_words import reach_lines
from rig.diagnosis.stroke_words import bind_lines, compared_lines, stroke_chart, unhooked_lines
from rig.records.quantity import with_uncertainty

NOTHING = "Nothing stands out."
LITTLE = "Nothing stands out of what could be told, which is not much: see below."

TITLES = {
    Topic.TIME: "Half-turn times",
    Topic.SLOW: "Where the time goes",
    Topic.STROKE: "Stroke",
    Topic.COMPARED: "Stroke against a reference",
    Topic.MOTOR: "Motor",
    Topic.WINDING: "Winding temperature",
    Topic.FEED: "Feed, contacts and earth",
    Topic.RELAY: "The unit's relay",
    Topic.FUSE: "Fuse against a jammed unit's winding",
}


@dataclass(frozen=True, slots=True)
class Section:
    """A part with its title, its lines and, if it could not be told, why."""

    topic: Topic
    title: str
    lines: tuple[str, ...]


def summary(found: Diagnosis) -> tuple[str, ...]:
    """Return what stands out in sentences, worst first."""
    if found.findings:
        return tuple(finding.text for finding in found.findings)
    told = Topic.SLOW not in found.missing and Topic.STROKE not in found.missing
    return (NOTHING,) if told else (LITTLE,)


def sections(found: Diagnosis) -> tuple[Section, ...]:
    """Return every part, those that could not be told with the reason."""
    makers = {
        Topic.TIME: _times,
        Topic.SLOW: _slow,
        Topic.STROKE: _stroke,
        Topic.COMPARED: compared_lines,
        Topic.MOTOR: _motor,
        Topic.WINDING: _winding,
        Topic.FEED: _feed,
        Topic.RELAY: _relay,
        Topic.FUSE: fuse_lines,
    }
    made = []
    for topic, title in TITLES.items():
        lines = [] if topic in found.missing else list(makers[topic](found))
        if topic in found.missing:
            lines += wrapped(f"Not told: {found.missing[topic]}.")
        made.append(Section(topic, title, tuple(lines)))
    return tuple(made)


def text_of(found: Diagnosis) -> str:
    """Return the whole diagnosis as text."""
    lines = wrapped(heading(found), WIDTH)
    for sentence in summary(found):
        lines += wrapped(f"- {sentence}", WIDTH, "  ")
    for section in sections(found):
        lines += ["", section.title, *(f"  {line}".rstrip() for line in section.lines)]
    return "\n".join(lines)


def heading(found: Diagnosis) -> str:
    """Return what was looked at."""
    simulated = ", SIMULATED" if found.simulated else ""
    name = found.name[:1].upper() + found.name[1:]
    return f"{name}, type {found.unit.name}{simulated}. Values ± expanded uncertainty (k = 2)."


# --- the parts -------------------------------------------------------------------------------


def _times(found: Diagnosis) -> Iterator[str]:
    volts = f"at {found.unit.nominal_v:g} V"
    rows = [["half-turn", "as measured", "supply", volts, f"limit {volts}"]]
    rows += [
        [
            f"{one.number} {direction_words(one.direction)}",
            told(one.half_turn_s),
            "-" if one.supply_v is None else f"{one.supply_v:.2f} V",
            told(one.nominal_s),
            f"{one.limit_s:g} s",
        ]
        for one in found.times
    ]
    yield from table(rows)


def _slow(found: Diagnosis) -> Iterator[str]:
    # Without the winding's temperature its warmth is part of its resistance.
    unseen = () if found.identity.circuit_20c_ohm.known else (Factor.WARMTH,)
    cells = [_slow_cells(one, unseen) for one in found.slow]
    rows = [list(row) for row in zip(_SLOW_NAMES, *cells, strict=True)]
    yield from table(rows)
    good = found.references.good
    if good:
        yield from wrapped("A good unit here: " + "; ".join(good) + ".")
    else:
        yield from wrapped(
            "A good unit here: what the plan says of the type. What friction, load and answer a "
            "good one has is not known: run this plan on a few good ones. Until then they are "
            "taken to be as in this unit."
        )


_SLOW_NAMES = ("", "took", "a good unit", *FACTOR_WORDS.values(), "not explained")


def _slow_cells(one: SlowTurn, unseen: Sequence[Factor]) -> list[str]:
    why = one.why
    return [
        f"{one.number} {direction_words(one.direction)}",
        _time_s(why.half_turn_s),
        _time_s(why.nominal_s),
        *("-" if factor in unseen else _share(why.shares[factor]) for factor in FACTOR_WORDS),
        _share(why.unexplained),
    ]


def _share(estimate: Estimate) -> str:
    return "-" if estimate.value is None else f"{estimate.value:+.3f}{_u_s(estimate)}"


def _time_s(estimate: Estimate) -> str:
    return "-" if estimate.value is None else f"{estimate.value:.3f}{_u_s(estimate)}"


def _u_s(estimate: Estimate) -> str:
    return " s" if estimate.u is None else f" ± {2.0 * estimate.u:.3f} s"


def _stroke(found: Diagnosis) -> Iterator[str]:
    yield from stroke_chart(found)
    yield from bind_lines(found)
    yield from unhooked_lines(found)


def _motor(found: Diagnosis) -> Iterator[str]:
    identity, unit = found.identity, found.unit
    constant = "not given" if unit.turn_vs is None else f"{2.0 * unit.turn_vs:g} V s/rev"
    rows = [["", "measured", "type"]]
    for title, estimate, nominal in (
        ("resistance as it was", identity.circuit_ohm, f"{unit.winding_ohm:g} ohm at 20"),
        ("resistance at 20 degrees", identity.circuit_20c_ohm, f"{unit.winding_ohm:g} ohm"),
        ("back-EMF per revolution of the output", identity.emf_vs_per_rev, constant),
        ("friction", identity.friction_a, ""),
        ("friction, to run", identity.friction_to_run_a, ""),
        ("friction, to stop", identity.friction_to_stop_a, ""),
        ("friction that does not grow with speed", identity.dry_friction_a, ""),
        ("mechanical time constant", identity.time_constant_s, ""),
        ("inertia at the output", identity.inertia_kgm2, ""),
        ("inductance", identity.inductance_h, ""),
    ):
        rows.append([title, told(estimate), nominal])
    yield from table(rows)
    yield from reach_lines(found.reach)
    if unit.turn_vs is None:
        yield from wrapped("The plan does not give unit.turn_vs, the type's back-EMF integral.")
    if not identity.dry_friction_a.known:
        yield from wrapped(f"Not told: which friction grows: {identity.dry_friction_a.missing}.")
    for note in identity.notes:
        yield from wrapped(note)


def _winding(found: Diagnosis) -> Iterator[str]:
    identity = found.identity
    yield from table(
        [
            ["at the first start", told(identity.winding_c)],
            ["warmer by the end, by the resistance method", told(identity.rise_k)],
        ]
    )
    if not identity.rise_k.known:
        yield from wrapped(f"Not told: {identity.rise_k.missing}.")


def _feed(found: Diagnosis) -> Iterator[str]:
    rows = [["", "measured", "usual"]]
    for part in found.drop.parts:
        low, high = part.usual_ohm
        if low != high:
            rows.append([part.name, told(part.ohm), f"{low:.3f} to {high:.3f} ohm"])
    yield from table(rows)
    if not found.circuit_known:
        yield from wrapped(
            "The rig is not known: wiring and fuse as in the rig file that comes with halfturn. "
            "Name yours with --rig."
        )
    if found.drop.suspects:
        for suspect in found.drop.suspects:
            yield from wrapped(suspect.text)
        yield from wrapped(MEASURE_CAUTION)
    for text in found.drop.not_told:
        yield from wrapped(f"Not told: {text}")


def _relay(found: Diagnosis) -> Iterator[str]:
    rows = [["", "measured", "allowed"]]
    for one in found.relay:
        measure = one.measure
        limits = [
            f"{w} {v:g}" for w, v in (("from", one.least), ("up to", one.most)) if v is not None
        ]
        value = with_uncertainty(measure.value, measure.u, measure.unit)
        rows.append([one.title, value, " ".join(limits)])
    yield from table(rows)
    names = {one.measure.name for one in found.relay}
    if "relay_pull_in_v" not in names:
        yield from wrapped(
            "Not told: pull-in and drop-out voltage; the step relay_check on a programmable supply "
            "brings them."
        )
    if "relay_extra_contact_ohm" not in names:
        yield from wrapped(
            "Not told: its contact against a known good one's; the step relay_swap brings it."
        )
