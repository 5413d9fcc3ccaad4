"""A diagnosis as plain dictionaries that any JSON writer takes: units in the names, no NaN."""

from __future__ import annotations

import math
from typing import Any

from rig.analysis.estimate import Estimate
from rig.analysis.fuse import Span
from rig.analysis.fuse_race import FittedFuse
from rig.contract import half_turn_object
from rig.diagnosis.model import Diagnosis, FusePart, SlowTurn, Stroke, TurnTime
from rig.diagnosis.words import summary


def diagnosis_object(found: Diagnosis) -> dict[str, Any]:
    """Return the diagnosis; every ``*_u`` is an expanded uncertainty (k = 2), null is not known.

    An infinite time is null too: it need not happen at all.
    """
    identity = found.identity
    return {
        "name": found.name,
        "unit": found.serial,
        "unit_type": found.unit.name,
        "simulated": found.simulated,
        "stands_out": [finding.text for finding in found.findings],
        "summary": list(summary(found)),
        "missing": {str(topic): text for topic, text in found.missing.items()},
        "half_turns": [half_turn_object(turn) for turn in found.half_turns],
        "times": [_time(one) for one in found.times],
        "slow": [_slow(one) for one in found.slow],
        "motor": {
            name: _estimate(getattr(identity, name))
            for name in identity.__slots__
            if isinstance(getattr(identity, name), Estimate)
        },
        "reach": {
            "supply_v": found.reach.supply_v,
            **{
                name: _estimate(getattr(found.reach, name))
                for name in found.reach.__slots__
                if isinstance(getattr(found.reach, name), Estimate)
            },
        },
        "motor_notes": list(identity.notes),
        "strokes": [_stroke(stroke) for stroke in found.strokes],
        "binds": [
            {
                "lever_deg": bind.lever_deg,
                "lever_u_deg": 2.0 * bind.lever_u_deg,
                "width_deg": bind.width_deg,
                "to_run_a": _estimate(bind.to_run_a),
                "to_stop_a": _estimate(bind.to_stop_a),
                "nm_per_a": _estimate(bind.nm_per_a),
                "site": str(bind.site),
                "why": bind.why,
                "missing": bind.missing,
            }
            for bind in found.binds
        ],
        "feed": {
            "parts": [
                {"name": p.name, "ohm": _estimate(p.ohm), "usual_ohm": list(p.usual_ohm)}
                for p in found.drop.parts
            ],
            "suspects": [
                {"where": s.where, "ohm": _estimate(s.ohm), "text": s.text}
                for s in found.drop.suspects
            ],
            "not_told": list(found.drop.not_told),
            "rig_known": found.circuit_known,
        },
        "relay": [
            {
                "name": one.measure.name,
                "value": one.measure.value,
                "u": one.measure.u,
                "unit": one.measure.unit,
                "least": one.least,
                "most": one.most,
            }
            for one in found.relay
        ],
        "fuse": None if found.fuse is None else _fuse(found.fuse),
        "fitted_fuse": None if found.fitted is None else _fitted(found.fitted),
        "good_units": list(found.references.good),
        "stroke_references": list(found.references.strokes),
        "unhooked_run": found.references.unhooked or None,
    }


def _estimate(estimate: Estimate) -> dict[str, Any]:
    return {
        "value": _plain(estimate.value),
        "u": None if estimate.u is None else _plain(2.0 * estimate.u),
        "unit": estimate.unit,
        "missing": estimate.missing,
    }


def _time(one: TurnTime) -> dict[str, Any]:
    return {
        "number": one.number,
        "direction": str(one.direction),
        "supply_v": _plain(one.supply_v),
        "half_turn_s": _estimate(one.half_turn_s),
        "nominal_s": _estimate(one.nominal_s),
        "limit_s": one.limit_s,
    }


def _slow(one: SlowTurn) -> dict[str, Any]:
    return {
        "number": one.number,
        "direction": str(one.direction),
        "half_turn_s": _estimate(one.why.half_turn_s),
        "good_s": _estimate(one.why.nominal_s),
        "shares_s": {str(factor): _estimate(share) for factor, share in one.why.shares.items()},
        "unexplained_s": _estimate(one.why.unexplained),
    }


def _stroke(stroke: Stroke) -> dict[str, Any]:
    profile, compared = stroke.profile, stroke.compared
    return {
        "direction": str(profile.direction),
        "count": stroke.count,
        "angle_deg": [_plain(float(x)) for x in profile.angle_deg],
        "lever_deg": [_plain(float(x)) for x in profile.lever_deg],
        "speed_deg_per_s": [_plain(float(x)) for x in profile.speed_deg_per_s],
        "load_a": [_plain(float(x)) for x in profile.load_a],
        "load_u_a": [_plain(2.0 * float(x)) for x in profile.load_u_a],
        "nm_per_a": _estimate(profile.nm_per_a),
        "compared": None
        if compared is None
        else {
            "general_a": _estimate(compared.general_a),
            "is_general": bool(compared.is_general),
            "departures": [
                {
                    "from_deg": place.from_deg,
                    "to_deg": place.to_deg,
                    "load_a": place.load_a,
                    "load_u_a": 2.0 * place.load_u_a,
                }
                for place in compared.departures
            ],
            "missing": compared.missing,
        },
    }


def _fuse(part: FusePart) -> dict[str, Any]:
    return {
        "supply_v": part.supply_v,
        "lead_ohm": part.lead_ohm,
        "fitted_a": part.fitted_a,
        "ratings": [
            {
                "rating_a": one.rating_a,
                "protection": str(one.protection),
                "fuse_s": _span(one.fuse_s),
                "winding_s": _span(one.winding_s),
                "max_c": one.max_c,
                "text": one.sentence(),
            }
            for one in part.races
        ],
    }


def _fitted(fitted: FittedFuse) -> dict[str, Any]:
    return {
        "rating_a": fitted.race.rating_a,
        "supply_v": fitted.supply_v,
        "protection": str(fitted.race.protection),
        "protects_a": fitted.protects_a,
        "any_unit": None if fitted.any_unit is None else str(fitted.any_unit),
        "over_rated": fitted.over_rated,
    }


def _span(span: Span) -> list[float | None]:
    return [_plain(span.low_s), _plain(span.high_s)]


def _plain(value: float | None) -> float | None:
    return value if value is not None and math.isfinite(value) else None
