"""Spreads and limits from known good units as plain dictionaries that any JSON writer takes."""

from __future__ import annotations

from dataclasses import asdict
from typing import Any

from rig.analysis.model import VoltageLimit
from rig.quality.normality import Look
from rig.quality.risk import GlobalRisk
from rig.studies.binding import Readings
from rig.studies.capability import Capability, CapabilityStudy
from rig.studies.known_good import Proposal, Proposals, Risks, outright_of, values_of
from rig.studies.units import Chosen


def chosen_object(chosen: Chosen) -> dict[str, Any]:
    """Return which runs count, and which do not."""
    return {
        "plan": chosen.plan.name,
        "unit_type": chosen.plan.unit.type,
        "simulated": chosen.simulated,
        "runs": [
            {"unit_serial": run.start.unit_serial, "run": str(run.run_id)} for run in chosen.records
        ],
        "left_out": [{"unit_serial": out.serial, "why": out.why} for out in chosen.left_out],
        "remarks": list(chosen.remarks),
    }


def readings_object(readings: Readings) -> dict[str, Any]:
    """Return the units' values."""
    return {
        "label": readings.bound.label,
        "unit": readings.bound.unit,
        "at_v": readings.at_v,
        "nominal_v": readings.nominal_v,
        "values": [
            {"unit_serial": each.serial, "value": each.value, "u": each.u, "of": len(each.values)}
            for each in readings.values
        ],
        "missing": list(readings.missing),
        "u": readings.u,
    }


def look_object(look: Look | None) -> dict[str, Any] | None:
    """Return what the look at a distribution found."""
    if look is None:
        return None
    return {
        "shapiro_w": look.w,
        "shapiro_p": look.p,
        "plot_correlation": look.correlation,
        "skewness": look.skewness,
        "refused": look.refused,
        "step": look.step or None,
        "farthest": {**asdict(look.farthest), "stands_apart": look.farthest.stands_apart},
    }


def proposals_object(found: Proposals) -> dict[str, Any]:
    """Return what known good units say of a plan's limits."""
    together = outright_of(found)
    return {
        **chosen_object(found.chosen),
        "coverage": found.asked.coverage,
        "confidence": found.asked.confidence,
        "with_band": found.asked.with_band,
        "limits": [_proposal(proposal, found) for proposal in found.found],
        "not_passed_by_all": None if together is None else asdict(together),
        "unmeasured": list(found.unmeasured),
        "others": list(found.others),
    }


def _proposal(proposal: Proposal, found: Proposals) -> dict[str, Any]:
    tolerance = proposal.tolerance
    return {
        **readings_object(proposal.readings),
        "side": str(proposal.side),
        "count": proposal.spread.count,
        "mean": proposal.spread.mean,
        "standard_deviation": proposal.spread.sd,
        "within_units": proposal.spread.within,
        "between_units": proposal.spread.between,
        "normal": look_object(proposal.look),
        "log_normal": look_object(proposal.log_look),
        "method": str(proposal.method),
        "tolerance": None if tolerance is None else asdict(tolerance),
        "tolerance_if_normal": None if proposal.as_normal is None else asdict(proposal.as_normal),
        "today": asdict(proposal.today),
        "proposed": asdict(proposal.proposed),
        "guard_band": proposal.band,
        "risks": _risks(proposal.risks),
        "plan_limits": {
            key: [list(point) for point in value.points]
            if isinstance(value, VoltageLimit)
            else value
            for key, value in values_of(proposal, found.limits).items()
        },
        "why_none": proposal.why or None,
    }


def _risks(risks: Risks | None) -> dict[str, Any] | None:
    def risk(found: GlobalRisk | None, name: str) -> float | None:
        return None if found is None else getattr(found, name)

    if risks is None:
        return None
    return {
        "not_passed_of_these": list(risks.waiting),
        "not_passed_of_all": risks.not_passed,
        "consumers_risk": risk(risks.outright, "consumers"),
        "consumers_risk_of_passed": risk(risks.outright, "consumers_of_accepted"),
        "producers_risk": risk(risks.failed, "producers"),
    }


def capability_object(study: CapabilityStudy) -> dict[str, Any]:
    """Return how units lie in their limits."""
    return {
        **chosen_object(study.chosen),
        "confidence": study.confidence,
        "measures": [_capability(found) for found in study.found],
        "unmeasured": list(study.unmeasured),
        "did_not_park": list(study.stopped),
    }


def _capability(found: Capability) -> dict[str, Any]:
    return {
        **readings_object(found.readings),
        "low": found.low,
        "high": found.high,
        "mean": found.mean,
        "standard_deviation": found.sd,
        "in_control": found.in_control if found.index is not None else None,
        "signals": [
            {"unit_serial": one.serial, "signal": str(one.signal)} for one in found.signals
        ],
        "normal": look_object(found.look),
        "index": None if found.index is None else asdict(found.index),
        "beyond_as_measured": list(found.broken),
        "share_of_measurement": found.share_of_u,
        "why_none": found.why or None,
    }
